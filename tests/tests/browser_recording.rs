//! A recording from elsewhere taken in on a page: the real cold start as its recorder wrote it, column by column. What came of it is held
//! against the file, read here by itself.

use anyhow::{Context, Result};
use spinover_tests::{
    browser::{Browser, PHONE, Page, TABLET},
    cold_start::{hub_with_cold_start, join},
    data, http,
    hub::{CHIEF_CODE, CREW_CODE},
    recording::{Column, Recording, Times},
};

const COLUMNS: [Column; 2] = [
    Column::new("engine_rpm", "RPM;***", "rpm"),
    Column::new("oil_temp", "OIL T;*F", "degF"),
];

/// The row of the column with that header.
async fn column(page: &Page, header: &str) -> Result<String> {
    page.until_shows(&format!("[data-header=\"{header}\"]"))
        .await;
    let find = format!("return document.querySelector('[data-header=\"{header}\"]').dataset.test");
    let name = page.script(&find).await?;
    Ok(name.as_str().context("a column")?.to_owned())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_recording_is_looked_at_column_by_column_and_taken_in() -> Result<()> {
    let (hub, _) = hub_with_cold_start();
    let file = data::ground_run();
    let recording = Recording::read(&file, "TIME", Times::Clock, &COLUMNS);
    // One row is spoilt, so that there is something to be said of a line.
    let text = std::fs::read_to_string(&file)?;
    let whole: Vec<&str> = text.lines().collect();
    let header = whole
        .iter()
        .position(|line| line.starts_with("TIME"))
        .context("a header")?;
    let place = whole[header]
        .split(',')
        .position(|name| name.trim() == "RPM;***")
        .context("rpm")?;
    let spoilt_line = header + 40;
    let mut lines: Vec<String> = whole.iter().map(|line| (*line).to_owned()).collect();
    let mut cells: Vec<&str> = whole[spoilt_line].split(',').collect();
    cells[place] = "8x0";
    lines[spoilt_line] = cells.join(",");
    let folder = tempfile::tempdir()?;
    let spoilt = folder.path().join("bench run.csv");
    std::fs::write(&spoilt, lines.join("\n") + "\n")?;

    let browser = Browser::start();
    let page = join(&browser, &hub, CHIEF_CODE, "chief", TABLET).await?;
    page.tap("recording-open").await?;
    page.choose("recording-file", &[&spoilt]).await?;
    let rpm = column(&page, "RPM;***").await?;
    let temp = column(&page, "OIL T;*F").await?;
    let proposed = page
        .script(&format!(
            "return ['{rpm}-key', '{temp}-key', '{temp}-unit'].map((name) => document.querySelector(`[data-test=\"${{name}}\"]`).value)"
        ))
        .await?;
    assert_eq!(
        proposed,
        serde_json::json!(["engine_rpm", "oil_temp", "degF"])
    );
    // Everything else is left out, one key after the other.
    page.script(&format!(
        "document.querySelectorAll('.column').forEach((row) => {{ if (!['{rpm}', '{temp}'].includes(row.dataset.test)) row.querySelector('button').click() }})"
    ))
    .await?;
    // Two of one name are refused in words.
    page.fill(&format!("{temp}-key"), "engine_rpm").await?;
    page.tap("recording-try").await?;
    page.until_text("[data-test=\"recording-wrong\"]", "why not", |text| {
        text.contains("two columns would be engine_rpm")
    })
    .await;
    page.fill(&format!("{temp}-key"), "oil_temp").await?;
    page.tap("recording-try").await?;
    page.until_shows(&format!(
        "[data-test=\"recording-rows\"][data-rows=\"{}\"]",
        recording.rows.len()
    ))
    .await;
    page.until_shows("[data-test=\"recording-mistakes\"][data-count=\"1\"]")
        .await;
    page.until_text(".mistakes", "the line", |text| {
        text.contains(&format!("line {}", spoilt_line + 1)) && text.contains("8x0")
    })
    .await;
    if let Ok(folder) = std::env::var("SHOTS") {
        page.until_still().await?;
        std::fs::write(format!("{folder}/recording.png"), page.picture().await?)?;
    }
    page.tap("recording-take").await?;
    page.until_shows("[data-test=\"report-open\"][href]").await;
    let hash = page.script("return location.hash").await?;
    let id = hash
        .as_str()
        .and_then(|hash| hash.rsplit('/').next())
        .context("an id")?
        .to_owned();
    assert_eq!(page.complaints().await?.len(), 1, "the refusal alone");

    let csv = http::get(&hub.address(), &format!("/book/{id}.csv"), Some(CHIEF_CODE)).await?;
    assert_eq!(csv.status, 200, "{id}");
    let csv = csv.text();
    let mut rows = csv.lines();
    let names: Vec<&str> = rows.next().context("a header")?.split(',').collect();
    let at = |name: &str| {
        names
            .iter()
            .position(|known| *known == name)
            .context("a channel")
    };
    let (rpm, temp) = (at("engine_rpm")?, at("oil_temp")?);
    let number = |cell: &str| cell.parse::<f64>().ok();
    for (n, row) in rows.enumerate() {
        let cells: Vec<&str> = row.split(',').collect();
        let mut states = [number(cells[rpm]), number(cells[temp])];
        let mut said = recording.rows[n].cells.clone();
        if header + 1 + n == spoilt_line {
            (states[0], said[0]) = (None, None);
        }
        assert_eq!(states.to_vec(), said, "row {n}");
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn only_the_chief_takes_a_recording_in() -> Result<()> {
    let (hub, _) = hub_with_cold_start();
    let browser = Browser::start();
    let page = join(&browser, &hub, CREW_CODE, "idle", PHONE).await?;
    assert!(!page.shows("[data-test=\"recording-open\"]").await);
    let said = br#"{"name":"x.csv","begun":0,"columns":[],"take":true}
t,rpm
0,1
1,2
"#;
    let post =
        async |path: &str, code, body: &[u8]| http::post(&hub.address(), path, code, body).await;
    for path in ["/api/book/recording", "/api/book/recording/look"] {
        assert_eq!(post(path, None, said).await?.status, 401);
        assert_eq!(post(path, Some(CREW_CODE), said).await?.status, 403);
    }
    let none = post("/api/book/recording", Some(CHIEF_CODE), said).await?;
    assert_eq!(
        (none.status, none.text().trim()),
        (400, "every column is left out")
    );
    let garbage = post("/api/book/recording", Some(CHIEF_CODE), b"\xff\xfe\n\0\0").await?;
    assert_eq!(garbage.status, 400);
    let words = post(
        "/api/book/recording/look",
        Some(CHIEF_CODE),
        b"nothing here",
    )
    .await?;
    assert_eq!(words.status, 400);
    let large = vec![b'x'; 33 * 1024 * 1024];
    let large = post("/api/book/recording", Some(CHIEF_CODE), &large).await;
    // The hub may close before all of it is sent; what it says in time is that it is too large.
    if let Ok(large) = large {
        assert_eq!(large.status, 413);
    }
    Ok(())
}
