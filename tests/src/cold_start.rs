//! A hub whose book has the real cold start, and a page of its book: what the browser tests of the book share.

use crate::{
    app,
    browser::{Browser, Page, Size},
    data,
    hub::{Hub, Launch, run},
    recording::{Column, Recording, Times},
};
use anyhow::Result;
use std::path::Path;

/// 2026-05-16T14:00:00Z in milliseconds since 1970.
pub const BEGUN: i64 = 1_778_940_000_000;

/// The readings of the cold start that are taken in.
pub const COLUMNS: [Column; 5] = [
    Column::new("engine_rpm", "RPM;***", "rpm"),
    Column::new("fuel_flow", "FLOW;LPH", "L/h"),
    Column::new("fuel_pressure", "FUEL P;PSI", "psi"),
    Column::new("oil_pressure", "OIL P;PSI", "psi"),
    Column::new("oil_temp", "OIL T;*F", "degF"),
];

/// Takes a recording into a hub's book while the hub is not running, as somebody in the trailer would.
///
/// # Panics
/// When it is not taken in.
pub fn import(hub: &Hub, file: &Path, car: &Path, id: &str, more: &[&str]) {
    let text = |path: &Path| path.to_str().expect("a plain path").to_owned();
    let (file, car, folder) = (text(file), text(car), text(hub.data()));
    let mut args = vec![
        "book", "import", &file, "--car", &car, "--data", &folder, "--id", id,
    ];
    args.extend(more);
    let done = run(&args);
    assert_eq!(
        done.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
}

/// A hub whose book has the real cold start, as `cold`, and the recording as its file says it.
///
/// # Panics
/// When there is no room, or the recording is not there.
pub fn hub_with_cold_start() -> (Hub, Recording) {
    let file = data::ground_run();
    let recording = Recording::read(&file, "TIME", Times::Clock, &COLUMNS);
    let folder = tempfile::tempdir().expect("room for a car file");
    let car = folder.path().join("car.toml");
    std::fs::write(&car, recording.car(Times::Clock, &COLUMNS)).expect("room for a car file");
    let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start();
    hub.kill();
    let remarks = [
        "--begun",
        "2026-05-16T14:00:00Z",
        "--place",
        "Test bench",
        "--tag",
        "cold start",
    ];
    import(&hub, &file, &car, "cold", &remarks);
    hub.start_again();
    (hub, recording)
}

/// Joins, and opens the book's page.
///
/// # Errors
/// When the browser refuses.
pub async fn join(
    browser: &Browser,
    hub: &Hub,
    code: &str,
    role: &str,
    size: Size,
) -> Result<Page> {
    let page = browser.page(role, size).await;
    app::join(&page, &hub.url(), code, role, "Ash").await?;
    page.script("location.hash = '#/book'").await?;
    page.until_shows("[data-test=\"book\"]").await;
    Ok(page)
}
