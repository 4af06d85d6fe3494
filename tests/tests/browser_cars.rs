//! The team's wall in a real browser: two cars with their strips, a stop at one of them, and one that falls silent.

use anyhow::Result;
use spinover_protocol::message::Command;
use spinover_tests::{
    browser::{Browser, PHONE},
    data,
    hub::{CREW_CODE, Launch},
    nats::Servers,
    phone::Phone,
};

#[tokio::test(flavor = "multi_thread")]
async fn every_car_on_one_page() -> Result<()> {
    let Some(servers) = Servers::start(1).await else {
        return Ok(());
    };
    let bus = servers.url();
    let folder = tempfile::tempdir()?;
    let lapwing = data::car_named(&data::own("car.toml"), "Lapwing", folder.path());
    let one = Launch::serve(&lapwing, &data::own("sheet.toml"))
        .arg("--bus")
        .arg(&bus)
        .start();
    let mut other = Launch::demo().arg("--bus").arg(&bus).start();
    let browser = Browser::start();
    let page = browser.page("Ash", PHONE).await;
    page.goto(&format!("{}/#{CREW_CODE}/idle/Ash", one.url()))
        .await?;
    page.tap("caution-ok").await?;
    page.until_shows("[data-test=\"link-state\"][data-link=\"live\"]")
        .await;
    page.script("location.hash = '#/cars'").await?;
    page.until_shows("[data-test=\"car-Kestrel\"][data-old=\"no\"][data-at=\"step\"] .strip[data-quality=\"good\"]")
        .await;
    let crew = Phone::join(&other, CREW_CODE, "Hazel", "fuel").await;
    let text = "fuel leak".to_owned();
    crew.done(Command::Stop { text }).await;
    page.until_shows("[data-test=\"car-Kestrel\"] [data-test=\"car-stop\"]")
        .await;
    other.kill();
    page.until_shows("[data-test=\"car-Kestrel\"][data-old=\"yes\"] [data-test=\"car-silent\"]")
        .await;
    page.until_hides("[data-test=\"car-Kestrel\"] .strip[data-quality=\"good\"]")
        .await;
    Ok(())
}
