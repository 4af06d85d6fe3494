//! The app as a person comes to it: joined by the scanned address, on one of its pages, no wider than the window.

use crate::browser::Page;
use anyhow::Result;

/// What a joined page shows.
pub const LIVE: &str = "[data-test=\"link-state\"][data-link=\"live\"]";
/// What it shows once nothing more comes from the hub.
pub const LOST: &str = "[data-test=\"link-state\"][data-link=\"lost\"]";
/// How much wider than the window the page is, in CSS pixels.
const TOO_WIDE: &str = "return document.documentElement.scrollWidth - innerWidth";

/// Opens the app at a hub's address as somebody would who scanned the code, and reads the cautions.
///
/// # Errors
/// When the browser refuses.
pub async fn join(page: &Page, url: &str, code: &str, role: &str, name: &str) -> Result<()> {
    page.goto(&format!("{url}/#{code}/{role}/{name}")).await?;
    page.tap("caution-ok").await?;
    page.until_shows(LIVE).await;
    Ok(())
}

/// Goes to a page, and to what lies over it where the address says so (`crew/menu`).
///
/// # Errors
/// When the browser refuses.
pub async fn go(page: &Page, to: &str) -> Result<()> {
    page.script(&format!("location.hash = '#/{to}'")).await?;
    let key = to.split('/').next().unwrap_or(to);
    page.until_shows(&format!("[data-page=\"{key}\"]")).await;
    if to.contains('/') {
        page.find("over").await;
    }
    Ok(())
}

/// Nothing sticks out at the side.
///
/// # Errors
/// When something does, or the browser refuses.
pub async fn fits(page: &Page, what: &str) -> Result<()> {
    let wide = page.script(TOO_WIDE).await?;
    anyhow::ensure!(
        wide.as_f64().is_some_and(|wide| wide <= 0.0),
        "{what} is {wide} px too wide"
    );
    Ok(())
}
