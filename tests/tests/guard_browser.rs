//! The policy in a real browser: every page, every panel and the report run under it without one violation; a device that is put
//! out forgets all; and over the hub's own encryption the page is one that browsers trust with more.

use anyhow::{Context, Result};
use spinover_tests::{
    app::{LIVE, join},
    browser::{Browser, PHONE, Page, TABLET},
    data, eventually,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
};
use std::{process::Command, time::Duration};

const HOLD: Duration = Duration::from_millis(1_300);
/// Counts what the policy forbids, from before the page's first script.
const WATCH: &str = "window.__forbidden = []; document.addEventListener('securitypolicyviolation', (event) => window.__forbidden.push(event.violatedDirective + ' ' + event.blockedURI + ' ' + event.sourceFile + ':' + event.lineNumber + ' ' + event.sample));";

async fn forbidden(page: &Page) -> Result<Vec<String>> {
    let list = page.script("return window.__forbidden").await?;
    let list = list.as_array().context("the watch is on")?;
    Ok(list.iter().map(ToString::to_string).collect())
}

fn demo() -> Hub {
    Launch::demo().arg("--auto").start()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_runs_under_the_policy() -> Result<()> {
    let (hub, browser) = (demo(), Browser::start());
    let page = browser.page("chief", TABLET).await;
    page.before_each_page(WATCH).await?;
    join(&page, &hub.url(), CHIEF_CODE, "chief", "Ida").await?;
    for name in ["crew", "all", "chief", "figures", "laptop", "wall", "book"] {
        page.script(&format!("location.hash = '#/{name}'")).await?;
        page.until_shows(&format!("[data-page=\"{name}\"]")).await;
        page.until_still().await?;
    }
    for over in [
        "call",
        "menu",
        "type",
        "train",
        "cautions",
        "roles",
        "bands",
        "alarms",
        "calibrate",
        "more",
        "devices",
        "shortcuts",
        "trend/oil_pressure",
    ] {
        page.script(&format!("location.hash = '#/crew/{over}'"))
            .await?;
        page.until_shows("[data-test=\"over\"]").await;
        page.until_still().await?;
        page.tap("over-close").await?;
        page.until_hides("[data-test=\"over\"]").await;
    }
    assert_eq!(forbidden(&page).await?, Vec::<String>::new());

    // The report, with its style and drawings, and the page that stands for a hub that is gone.
    page.script("location.hash = '#/book'").await?;
    let warmup = page.find_css("[data-test^=\"warmup-\"]").await;
    warmup.click().await?;
    let report = page.find_css("[data-test=\"report-open\"][href]").await;
    let report = report.attr("href").await?.context("a link")?;
    page.goto(&format!("{}{report}", hub.url())).await?;
    page.find_css("footer").await;
    let width = page
        .script("return getComputedStyle(document.querySelector('main')).maxWidth")
        .await?;
    assert_ne!(width, "none", "the report's style holds");
    assert_eq!(forbidden(&page).await?, Vec::<String>::new(), "report");
    page.goto(&format!("{}/no-link.html", hub.url())).await?;
    page.find_css("h1").await;
    let width = page
        .script("return getComputedStyle(document.body).maxWidth")
        .await?;
    assert_eq!(width, "560px", "its style holds");
    assert_eq!(forbidden(&page).await?, Vec::<String>::new(), "no-link");

    // That the watch sees anything at all, and that the policy holds what it says.
    page.goto(&hub.url()).await?;
    page.until_shows(LIVE).await;
    page.script("document.body.setAttribute('style', 'color: red'); const s = document.createElement('script'); s.textContent = 'window.__inline = true'; document.body.append(s); new Image().src = 'http://127.0.0.2:9/x.png'; fetch('http://127.0.0.2:9/').catch(() => {});").await?;
    eventually("four violations", async || {
        let list = forbidden(&page).await.ok()?;
        let all = ["style-src", "script-src", "img-src", "connect-src"];
        all.iter()
            .all(|kind| list.iter().any(|line| line.contains(kind)))
            .then_some(())
    })
    .await;
    assert_eq!(
        page.script("return window.__inline === undefined").await?,
        true
    );
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_that_is_put_out_forgets_and_says_so() -> Result<()> {
    let (hub, browser) = (demo(), Browser::start());
    let chief = browser.page("chief", TABLET).await;
    let crew = browser.page("crew", PHONE).await;
    join(&chief, &hub.url(), CHIEF_CODE, "chief", "Ida").await?;
    join(&crew, &hub.url(), CREW_CODE, "idle", "Bo").await?;
    // It comes back by its token alone.
    crew.script("localStorage.removeItem('spinover.code'); location.reload()")
        .await?;
    crew.until_shows(LIVE).await;
    assert_eq!(
        crew.script("return localStorage.getItem('spinover.code')")
            .await?
            .as_str()
            .unwrap_or_default(),
        ""
    );

    chief.script("location.hash = '#/chief/devices'").await?;
    chief.until_shows("[data-test=\"device-Bo\"]").await;
    assert!(
        !chief.shows("[data-test=\"put-out-Ida\"]").await,
        "not oneself"
    );
    chief.press("put-out-Bo", HOLD).await?;
    crew.until_shows("[data-test=\"join-put-out\"]").await;
    let kept = crew.script("return ['code', 'token', 'token-wall'].map((key) => localStorage.getItem('spinover.' + key) || '').join('')").await?;
    assert_eq!(kept, "", "nothing to come back by");
    crew.script("location.reload()").await?;
    crew.until_shows("[data-test=\"page-join\"]").await;
    chief
        .until_shows("[data-test=\"device-Bo\"][data-out=\"yes\"]")
        .await;
    let words = chief
        .until_text("[data-test=\"new-code\"]", "a new code", |text| {
            !text.is_empty()
        })
        .await;

    // The laptop's page has the new code, and it lets in.
    chief.script("location.hash = '#/laptop'").await?;
    let shown = chief
        .until_text("[data-test=\"join-code-shown\"]", "the new code", |text| {
            !text.contains(CREW_CODE)
        })
        .await;
    let code = shown.rsplit(' ').next().context("a code")?;
    assert!(words.contains(code), "{words} / {shown}");
    crew.fill("join-code", CREW_CODE).await?;
    crew.tap("join-go").await?;
    crew.until_shows("[data-test=\"join-wrong\"]").await;
    crew.fill("join-code", code).await?;
    // The wrong one costs a wait, for which the key is off.
    eventually("in by the new code", async || {
        let press = "document.querySelector('[data-test=\"join-go\"]:not([disabled])')?.click()";
        crew.script(press).await.ok();
        crew.shows(LIVE).await.then_some(())
    })
    .await;
    Ok(())
}

/// The hash by which Chromium can be told to take a certificate's key: SHA-256 of its SubjectPublicKeyInfo, in Base64.
fn key_hash(hub: &Hub) -> Option<String> {
    let file = hub.data().join("tls/authority.crt");
    let line = format!(
        "openssl x509 -in '{}' -pubkey -noout | openssl pkey -pubin -outform der | openssl dgst -sha256 -binary | openssl base64",
        file.display()
    );
    let done = Command::new("sh").args(["-c", &line]).output().ok()?;
    let text = String::from_utf8(done.stdout).ok()?.trim().to_owned();
    (text.len() == 44).then_some(text)
}

#[tokio::test(flavor = "multi_thread")]
async fn over_the_hubs_own_encryption_the_page_is_trusted_with_more() -> Result<()> {
    let hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .arg("--tls")
        .start();
    let Some(hash) = key_hash(&hub) else {
        println!("skipped: no openssl on this machine");
        return Ok(());
    };
    let url = format!("https://{}", hub.address());
    let browser = Browser::start();
    // A browser that does not know the authority shows its warning, and nothing of ours.
    let stranger = browser.page("stranger", PHONE).await;
    let refused = stranger.goto(&url).await;
    let title = stranger.script("return document.title").await?;
    assert!(refused.is_err() || title != "Spinover", "{title}");

    let flag = format!("--ignore-certificate-errors-spki-list={hash}");
    let page = browser.page_with("trusting", PHONE, &[flag]).await;
    page.before_each_page(WATCH).await?;
    // Typed without its scheme, it leads on to the encrypted one.
    page.goto(&hub.url()).await?;
    assert_eq!(page.script("return location.protocol").await?, "https:");
    page.goto("about:blank").await?;
    join(&page, &url, CREW_CODE, "idle", "Bo").await?;
    let secure = page
        .script("return isSecureContext && 'wakeLock' in navigator")
        .await?;
    assert_eq!(secure, true);
    let worker = "navigator.serviceWorker.ready.then(() => arguments[0](true), (error) => arguments[0](String(error)))";
    assert_eq!(
        page.script_async(worker).await?,
        true,
        "the worker that says that there is no link"
    );
    page.script("location.hash = '#/laptop'").await?;
    page.until_shows("[data-test=\"trust-print\"]").await;
    assert_eq!(forbidden(&page).await?, Vec::<String>::new());

    page.goto(&format!("{}/trust", hub.url())).await?;
    page.find_css(".print").await;
    let thick = page
        .script("return getComputedStyle(document.querySelector('.print')).borderTopWidth")
        .await?;
    assert_eq!(thick, "3px", "its style holds");
    assert_eq!(forbidden(&page).await?, Vec::<String>::new(), "trust");
    Ok(())
}
