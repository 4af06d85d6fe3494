//! Photos over HTTP, as the app sends and shows them: who may, what is refused, how they are given out.

use anyhow::Result;
use serde_json::Value;
use spinover_tests::{
    cold_start::hub_with_cold_start,
    data, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, run},
};

const PHOTOS: &str = "/api/book/warmup/cold/photos";

fn picture(name: &str) -> Vec<u8> {
    let path = data::root().join("hub/tests/data/photos").join(name);
    std::fs::read(path).expect("a picture of the tests' own")
}

async fn send(hub: &Hub, code: Option<&str>, bytes: &[u8]) -> Result<http::Answer> {
    http::post(&hub.address(), PHOTOS, code, bytes).await
}

fn name(answer: &http::Answer) -> String {
    assert_eq!(answer.status, 200, "{}", answer.text());
    let taken: Value = serde_json::from_slice(&answer.body).expect("JSON");
    taken["photo"].as_str().expect("a name").to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_crew_sends_everyone_looks_and_the_chief_takes_away() -> Result<()> {
    let (hub, _) = hub_with_cold_start();
    assert_eq!(send(&hub, None, &picture("screen.png")).await?.status, 401);
    let photo = name(&send(&hub, Some(CREW_CODE), &picture("screen.png")).await?);
    let again = name(&send(&hub, Some(CREW_CODE), &picture("screen.png")).await?);
    assert_eq!(photo, again);

    let get = async |path: String, code| http::get(&hub.address(), &path, code).await;
    let ticket: Value = serde_json::from_slice(
        &get("/api/book/ticket".to_owned(), Some(CREW_CODE))
            .await?
            .body,
    )?;
    let ticket = ticket["ticket"].as_str().expect("a ticket");
    let given = get(format!("/photo/{photo}?ticket={ticket}"), None).await?;
    assert_eq!(given.status, 200);
    assert_eq!(given.header("content-type"), Some("image/png"));
    assert_eq!(given.header("x-content-type-options"), Some("nosniff"));
    let cache = given.header("cache-control").unwrap_or_default();
    assert!(
        cache.contains("immutable") && cache.contains("private"),
        "{cache}"
    );
    assert_eq!(
        photo,
        format!("{}.png", blake3::hash(&given.body).to_hex()),
        "its name is the hash of what is given"
    );
    assert!(
        !given.body.windows(4).any(|four| four == b"51.5"),
        "no place in it"
    );
    assert_eq!(get(format!("/photo/{photo}"), None).await?.status, 401);
    assert_eq!(
        get(format!("/photo/{photo}?ticket=made-up"), None)
            .await?
            .status,
        401
    );
    for other in ["..%2Fspinover.db", "spinover.db", &"0".repeat(64)] {
        assert_eq!(
            get(format!("/photo/{other}"), Some(CREW_CODE))
                .await?
                .status,
            404,
            "{other}"
        );
    }

    let path = format!("{PHOTOS}/{photo}");
    let delete = async |code| http::request(&hub.address(), "DELETE", &path, code, b"").await;
    assert_eq!(delete(None).await?.status, 401);
    assert_eq!(delete(Some(CREW_CODE)).await?.status, 403);
    assert_eq!(delete(Some(CHIEF_CODE)).await?.status, 204);
    assert_eq!(
        get(format!("/photo/{photo}"), Some(CREW_CODE))
            .await?
            .status,
        404
    );
    assert_eq!(delete(Some(CHIEF_CODE)).await?.status, 400);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_no_picture_is_refused_whatever_it_is_called() -> Result<()> {
    let (hub, _) = hub_with_cold_start();
    let refused = async |bytes: &[u8], status: u16, words: &str| -> Result<()> {
        let answer = send(&hub, Some(CREW_CODE), bytes).await?;
        assert_eq!(answer.status, status, "{}", answer.text());
        assert!(answer.text().contains(words), "{}", answer.text());
        Ok(())
    };
    refused(b"<html><script>alert(1)</script>", 400, "no picture").await?;
    refused(b"\0\0\0\x18ftypheic\0\0\0\0heic", 400, "take JPEG").await?;
    refused(b"\xff\xd8\xff\xe0 and nothing more", 400, "cannot be read").await?;
    refused(&vec![0xff; 12_000_001], 400, "12 MB").await?;
    let elsewhere = http::post(
        &hub.address(),
        "/api/book/warmup/none/photos",
        Some(CREW_CODE),
        &picture("web.webp"),
    )
    .await?;
    assert_eq!(elsewhere.status, 404);
    let folder = hub.data().join("photos");
    let left = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let left: Vec<_> = left.filter(|entry| entry.path().is_file()).collect();
    assert!(left.is_empty(), "nothing of it stays: {left:?}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_large_one_has_a_small_one_and_the_book_stays_sound_over_a_kill() -> Result<()> {
    let (mut hub, _) = hub_with_cold_start();
    let photo = name(&send(&hub, Some(CREW_CODE), &picture("big.jpg")).await?);
    hub.kill();
    hub.start_again();
    let small = http::get(
        &hub.address(),
        &format!("/photo/{photo}?small=1"),
        Some(CREW_CODE),
    )
    .await?;
    assert_eq!(
        (small.status, small.header("content-type")),
        (200, Some("image/jpeg"))
    );
    assert!(small.body.len() < 76_000, "{}", small.body.len());
    let page = http::get(&hub.address(), "/book/cold", Some(CREW_CODE)).await?;
    assert!(page.text().contains("src=\"data:image/jpeg;base64,"));
    let folder = hub.data().to_str().expect("a plain path");
    let checked = run(&["book", "check", "--json", "--data", folder]);
    let findings: Value = serde_json::from_slice(&checked.stdout)?;
    assert_eq!(
        (&findings["photos"], &findings["count"]),
        (&1.into(), &0.into())
    );
    Ok(())
}
