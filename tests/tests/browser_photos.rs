//! Photos in a real browser: chosen, made smaller by the page, sent, looked at, in the report, and taken away by the chief.

use anyhow::{Context, Result};
use spinover_tests::{
    browser::{Browser, PHONE, Page, TABLET},
    cold_start::{hub_with_cold_start, join},
    data, eventually,
    hub::{CHIEF_CODE, CREW_CODE},
};
use std::{path::PathBuf, time::Duration};

/// Longer than any key has to be held.
const HOLD: Duration = Duration::from_millis(1_300);

fn picture(name: &str) -> PathBuf {
    data::root().join("hub/tests/data/photos").join(name)
}

/// The width and height of a picture that the page shows, once it does.
async fn shown(page: &Page, css: &str) -> (u64, u64) {
    let look = format!(
        "const image = document.querySelector('{css}'); return image?.complete ? [image.naturalWidth, image.naturalHeight] : null"
    );
    eventually(&format!("{css} drawn"), async || {
        let size = page.script(&look).await.ok()?;
        let (width, height) = (size[0].as_u64()?, size[1].as_u64()?);
        (width > 0).then_some((width, height))
    })
    .await
}

#[tokio::test(flavor = "multi_thread")]
async fn photos_are_sent_made_smaller_and_stand_in_list_and_report() -> Result<()> {
    let (hub, _) = hub_with_cold_start();
    let browser = Browser::start();
    let page = join(&browser, &hub, CREW_CODE, "idle", PHONE).await?;
    page.tap("warmup-cold").await?;
    // A note that is half written stays while photos are sent.
    page.fill("warmup-note", "Plug 6").await?;
    let text = picture("SOURCES.md");
    let (big, png) = (picture("big.jpg"), picture("screen.png"));
    page.choose("photo-add", &[&big, &text, &png]).await?;
    page.until_shows("[data-test=\"photo-2\"]").await;
    page.until_text("[data-test=\"photo-wrong\"]", "what was refused", |text| {
        text.contains("SOURCES.md") && text.contains("no picture")
    })
    .await;
    let note = "return document.querySelector('[data-test=\"warmup-note\"]').value";
    assert_eq!(page.script(note).await?, "Plug 6");
    // 2600 by 1700 with "turn by 90 degrees" in it: upright and no longer than 2000 when it was sent; the small one 800.
    let (width, height) = shown(&page, "[data-test=\"photo-1\"] img").await;
    assert_eq!(height, 800);
    assert!((520..=526).contains(&width), "{width}");
    page.tap("photo-1").await?;
    let (width, height) = shown(&page, "[data-test=\"photo-large\"] img").await;
    assert_eq!((width, height), (1_308, 2_000));
    assert!(
        !page.shows("[data-test=\"photo-delete\"]").await,
        "the crew has no key for it"
    );
    let wide = "return document.documentElement.scrollWidth";
    assert_eq!(page.script(wide).await?, PHONE.width);
    page.tap("photo-close").await?;
    assert_eq!(page.complaints().await?.len(), 1, "the refused file alone");

    page.until_shows("[data-test=\"report-open\"][href]").await;
    let link = "return document.querySelector('[data-test=\"report-open\"]').getAttribute('href')";
    let link = page.script(link).await?;
    page.goto(&format!(
        "{}{}",
        hub.url(),
        link.as_str().context("a link")?
    ))
    .await?;
    let (width, height) = shown(&page, ".photos img").await;
    assert!(width.max(height) <= 800 && width > 0, "{width} by {height}");
    assert_eq!(
        page.script("return document.querySelectorAll('.photos img').length")
            .await?,
        2
    );

    let chief = join(&browser, &hub, CHIEF_CODE, "chief", TABLET).await?;
    chief.tap("warmup-cold").await?;
    chief.tap("photo-2").await?;
    shown(&chief, "[data-test=\"photo-large\"] img").await;
    if let Ok(folder) = std::env::var("SHOTS") {
        chief.until_still().await?;
        std::fs::write(format!("{folder}/photo-large.png"), chief.picture().await?)?;
    }
    chief.press("photo-delete", HOLD).await?;
    chief.until_hides("[data-test=\"photo-2\"]").await;
    chief.until_shows("[data-test=\"photo-1\"]").await;
    Ok(())
}
