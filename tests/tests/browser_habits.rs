//! Habits of a phone and a laptop: another language, the home screen, a keyboard, calls that nobody has seen, motion and large text.

use anyhow::{Context, Result};
use serde_json::{Value, json};
use spinover_protocol::{event::Audience, message::Command};
use spinover_tests::eventually;
use spinover_tests::{
    app::{LIVE, LOST, fits, go, join},
    browser::{Browser, PHONE, Page, TABLET},
    data, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::Phone,
    proxy::{Proxy, Weather},
};

/// Notes where the app itself scrolls a page to.
const SCROLLS: &str = "window.scrolls = 0; const scroll = window.scrollTo.bind(window);
    window.scrollTo = (...to) => { window.scrolls += 1; scroll(...to); }";

/// Notes who dials.
const DIALS: &str = "window.dials = []; const Dialled = WebSocket;
    window.WebSocket = class extends Dialled {
        constructor(...to) { super(...to); window.dials.push(new Error().stack.includes('/start.js') ? 'start.js' : 'the app'); }
    }";

const PAGES: [&str; 9] = [
    "crew", "all", "steps", "chief", "figures", "book", "laptop", "edit", "wall",
];

fn own_hub() -> Hub {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start()
}

async fn text_is(page: &Page, css: &str, wanted: &str) {
    page.until_text(css, wanted, |text| text == wanted).await;
}

/// The words that a key or a tab breaks in two for want of room, other than at a soft hyphen.
const BROKEN: &str = "return [...document.querySelectorAll('.keys > *, .mark-row > *, .tab')].flatMap((key) => {
    const walker = document.createTreeWalker(key, NodeFilter.SHOW_TEXT);
    const broken = [];
    while (walker.nextNode()) {
        for (const word of walker.currentNode.data.matchAll(/[^\\s\\u00ad]+/g)) {
            // The line of each letter; a soft hyphen that shows counts with the letter behind it, so its last box is the letter's own.
            const lines = [...word[0]].map((_, at) => {
                const range = document.createRange();
                range.setStart(walker.currentNode, word.index + at);
                range.setEnd(walker.currentNode, word.index + at + 1);
                return Math.round([...range.getClientRects()].at(-1)?.top);
            });
            if (new Set(lines).size > 1) broken.push(word[0]);
        }
    }
    return broken;
})";

/// Whoever reads, or is about to press a key, must not find the page moved under the finger.
#[tokio::test(flavor = "multi_thread")]
async fn a_page_keeps_its_place_until_another_is_opened() -> Result<()> {
    let hub = Launch::demo().start();
    let radio = Proxy::before(hub.address(), 7).await?;
    let browser = Browser::start();
    let page = browser.page("reads", PHONE).await;
    page.before_each_page(SCROLLS).await?;
    let url = format!("http://{}", radio.address());
    page.goto(&format!("{url}/#{CREW_CODE}/fuel/Ash")).await?;
    page.find("caution-ok").await;
    page.script("window.scrolls = 0").await?;
    // While the cautions are read, somebody else joins, and the link becomes live: the practice is offered only then.
    let rook = Phone::join(&hub, CHIEF_CODE, "Rook", "chief").await;
    page.find("caution-practise").await;
    page.tap("caution-ok").await?;
    page.until_shows(LIVE).await;
    go(&page, "all").await?;
    page.until_shows(".strip[data-value]").await;
    let moved = page.script("const moved = window.scrolls; scrollTo(0, 120); window.scrolls = 0; return [moved, scrollY]");
    assert_eq!(
        moved.await?,
        json!([2, 120]),
        "the page that came after the cautions, and all strips"
    );

    let (to, text) = (Audience::All, "Idle up".to_owned());
    rook.done(Command::Call { to, text }).await;
    page.until_shows("[data-test=\"incoming\"]").await;
    radio.weather(Weather {
        silent: true,
        ..Weather::default()
    });
    page.until_shows(LOST).await;
    radio.weather(Weather::default());
    page.until_shows(LIVE).await;
    assert_eq!(page.script("return window.scrolls").await?, json!(0));
    go(&page, "steps").await?;
    assert_eq!(
        page.script("return [window.scrolls, scrollY]").await?,
        json!([1, 0])
    );
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_phone_that_has_joined_before_dials_once_and_before_the_app_is_there() -> Result<()> {
    let hub = own_hub();
    let browser = Browser::start();
    let page = browser.page("again", PHONE).await;
    page.before_each_page(DIALS).await?;
    join(&page, &hub.url(), CREW_CODE, "fuel", "Ash").await?;
    let dials = "return window.dials";
    assert_eq!(page.script(dials).await?, json!(["the app"]));
    page.goto("about:blank").await?;
    page.goto(&hub.url()).await?;
    page.until_shows(LIVE).await;
    assert_eq!(page.script(dials).await?, json!(["start.js"]));
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_phone_speaks_the_language_that_it_is_told() -> Result<()> {
    let hub = Launch::demo().start();
    let browser = Browser::start();
    let page = browser.page("chosen", PHONE).await;
    page.goto(&hub.url()).await?;
    text_is(&page, "h1", "Join the crew").await;
    page.fill("join-name", "Rowan").await?;
    page.tap("language-es").await?;
    text_is(&page, "h1", "Unirse al equipo").await;
    assert_eq!(
        page.script("return [document.documentElement.lang, document.querySelector('[data-test=\"join-name\"]').value]")
            .await?,
        json!(["es", "Rowan"]),
        "what was typed stays"
    );
    page.goto("about:blank").await?;
    join(&page, &hub.url(), CHIEF_CODE, "chief", "Rowan").await?;
    text_is(&page, "[data-test=\"link-state\"]", "en vivo").await;
    for to in PAGES {
        go(&page, to).await?;
        fits(&page, to).await?;
        assert_eq!(page.script(BROKEN).await?, json!([]), "{to}");
    }
    // Back again, in the middle of a warm-up and with the menu open.
    go(&page, "all/menu").await?;
    page.tap("language-en").await?;
    text_is(&page, "[data-test=\"link-state\"]", "live").await;
    text_is(&page, "[data-test=\"over\"] h2", "Menu").await;
    assert_eq!(page.complaints().await?, Vec::<String>::new());

    // Where nobody has chosen, the browser's language holds.
    let page = browser.page("guessed", PHONE).await;
    page.prefer_language("es-MX").await?;
    page.goto(&hub.url()).await?;
    text_is(&page, "h1", "Unirse al equipo").await;
    let page = browser.page("unknown", PHONE).await;
    page.prefer_language("tlh").await?;
    page.goto(&hub.url()).await?;
    text_is(&page, "h1", "Join the crew").await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_app_goes_to_the_home_screen_and_says_there_when_there_is_no_link() -> Result<()> {
    let mut hub = own_hub();
    let address = hub.address().to_string();
    let manifest = http::get(&address, "/manifest.webmanifest", None).await?;
    // Registered by the W3C's Web Application Manifest, 4.1.
    assert_eq!(
        manifest.header("content-type"),
        Some("application/manifest+json")
    );
    let manifest: Value = serde_json::from_slice(&manifest.body)?;
    let mut sizes = Vec::new();
    for icon in manifest["icons"].as_array().context("icons")? {
        let path = icon["src"].as_str().context("a path")?;
        let answer = http::get(&address, path, None).await?;
        assert_eq!(
            (answer.status, answer.header("content-type")),
            (200, icon["type"].as_str())
        );
        if path.ends_with(".png") {
            // The first chunk of a PNG is its width and height (ISO/IEC 15948, 11.2.2).
            assert_eq!(answer.body.get(12..16), Some(&b"IHDR"[..]), "{path}");
            let number =
                |at: usize| u32::from_be_bytes(answer.body[at..at + 4].try_into().expect("four"));
            let size = format!("{}x{}", number(16), number(20));
            assert_eq!(icon["sizes"], json!(size), "{path}");
            sizes.push((size, icon["purpose"].clone()));
        }
    }
    assert!(sizes.contains(&("512x512".to_owned(), json!("maskable"))));

    // The browser's own reading of it, and whether it would offer to install.
    let browser = Browser::start();
    let page = browser.page("home", PHONE).await;
    page.goto(&hub.url()).await?;
    page.find("page-join").await;
    let (errors, hindrances) = page.installable().await?;
    assert_eq!((errors, hindrances), (json!([]), json!([])));

    let ready = "const done = arguments[0]; navigator.serviceWorker.ready.then(() => done(true), (error) => done(String(error)))";
    assert_eq!(page.script_async(ready).await?, json!(true));
    hub.kill();
    page.goto(&hub.url()).await?;
    page.until_text("h1", "no link", |text| text.starts_with("No link"))
        .await;
    hub.start_again();
    page.goto(&hub.url()).await?;
    page.find("page-join").await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn single_keys_open_pages_and_never_mark_or_stop() -> Result<()> {
    let hub = own_hub();
    let browser = Browser::start();
    let page = browser.page("laptop", TABLET).await;
    join(&page, &hub.url(), CHIEF_CODE, "chief", "Wren").await?;
    let witness = Phone::join(&hub, CREW_CODE, "Witness", "fuel").await;
    for (key, at) in [("2", "crew"), ("3", "all"), ("6", "laptop"), ("1", "chief")] {
        page.keys(key).await?;
        page.until_shows(&format!("[data-page=\"{at}\"]")).await;
    }
    page.keys("?").await?;
    page.find("shortcuts").await;
    page.keys("\u{e00c}").await?;
    page.until_hides("[data-test=\"over\"]").await;
    page.keys("c").await?;
    page.find("call-text").await;
    // In a field a letter is a letter.
    page.fill("call-text", "1c?").await?;
    assert_eq!(
        page.script("return document.querySelector('[data-test=\"call-text\"]').value")
            .await?,
        json!("1c?")
    );
    page.keys("\u{e00c}").await?;
    page.until_hides("[data-test=\"over\"]").await;

    // Every key that a keyboard has, on the page where a mark and a stop could be made: neither is.
    page.script("document.activeElement.blur()").await?;
    let all: String = (' '..='~')
        .filter(|key| !"123456789cCmM?".contains(*key))
        .collect();
    page.keys(&all).await?;
    page.until_shows("[data-page=\"chief\"]").await;
    // And with the focus on the mark and on the stop: a short press is no hold.
    for test in ["mark-hold", "stop-hold"] {
        page.script(&format!(
            "document.querySelector('[data-test=\"{test}\"]').focus()"
        ))
        .await?;
        page.keys(" \u{e007}").await?;
    }
    witness
        .done(Command::Note {
            text: "in between".to_owned(),
        })
        .await;
    let (steps, calls) = witness.look(|seen| {
        let warmup = seen.mirror().record.warmup.as_ref().expect("a warm-up");
        (warmup.steps.len(), warmup.calls.len())
    });
    assert_eq!((steps, calls), (0, 0));

    // Switched off, they do nothing (WCAG 2.2, 2.1.4).
    go(&page, "chief/shortcuts").await?;
    page.tap("shortcuts-off").await?;
    page.tap("over-close").await?;
    page.until_hides("[data-test=\"over\"]").await;
    page.keys("2c").await?;
    go(&page, "all").await?;
    assert!(!page.shows("[data-test=\"over\"]").await);
    assert_eq!(page.complaints().await?, Vec::<String>::new());
    Ok(())
}

/// The hub's clock as the page hears it goes `window.later` milliseconds late, from the next answer to a ping on: so that a test need not wait
/// for what comes after half a minute. The answer that came with the least lag is believed, so each new lateness comes with less than before.
const LATER: &str = "window.later = 0; window.pongs = 0;
    let [told, lag] = [0, 64];
    const own = Object.getOwnPropertyDescriptor(WebSocket.prototype, 'onmessage');
    Object.defineProperty(WebSocket.prototype, 'onmessage', { ...own, set(hear) {
        own.set.call(this, hear && ((event) => {
            const message = JSON.parse(event.data);
            if (message.type === 'pong') {
                if (window.later !== told) [told, lag] = [window.later, lag / 2];
                window.pongs += 1;
                message.sent = Date.now() - lag;
            }
            if (['pong', 'readings'].includes(message.type)) message.now += window.later;
            hear(new MessageEvent('message', { data: JSON.stringify(message) }));
        }));
    } });";

/// Keeps what the page would speak, in place of a voice that the test machine may not have; and what it would buzz.
const LISTEN: &str = "window.spoken = []; window.buzzed = 0;
    Object.defineProperty(window, 'speechSynthesis', { value: { speak: (words) => window.spoken.push([words.lang, words.text]) } });
    navigator.vibrate = () => { window.buzzed += 1; return true; }";

#[tokio::test(flavor = "multi_thread")]
async fn a_call_that_nobody_has_seen_comes_again_and_is_spoken_where_wanted() -> Result<()> {
    let hub = own_hub();
    let browser = Browser::start();
    let ash = browser.page("Ash", PHONE).await;
    ash.before_each_page(LATER).await?;
    join(&ash, &hub.url(), CREW_CODE, "idle", "Ash").await?;
    let wren = browser.page("Wren", TABLET).await;
    wren.before_each_page(LATER).await?;
    join(&wren, &hub.url(), CHIEF_CODE, "chief", "Wren").await?;
    let chief = Phone::join(&hub, CHIEF_CODE, "Rook", "fuel").await;
    let call = async |text: &str| {
        let (to, text) = (Audience::Role("idle".into()), text.to_owned());
        chief.done(Command::Call { to, text }).await
    };
    ash.script(LISTEN).await?;
    call("Before").await;
    text_is(&ash, "[data-test=\"incoming-text\"]", "Before").await;
    ash.tap("seen").await?;
    assert_eq!(ash.script("return window.spoken").await?, json!([]));
    go(&ash, "crew/menu").await?;
    ash.press("speech-on", std::time::Duration::from_millis(50))
        .await?;
    ash.until_shows("[data-test=\"speech-on\"][aria-pressed=\"true\"]")
        .await;
    ash.tap("over-close").await?;
    let first = ash.script("return window.buzzed").await?.as_i64();

    wren.tap("call-open").await?;
    wren.fill("call-text", "Idle up").await?;
    wren.tap("call-to-idle").await?;
    wren.tap("call-send").await?;
    ash.until_shows("[data-test=\"incoming\"][data-again=\"0\"]")
        .await;
    assert!(!wren.shows("[data-test=\"called-again\"]").await);
    ash.script("window.later = 20000").await?;
    ash.until_shows("[data-test=\"incoming\"][data-again=\"1\"]")
        .await;
    let spoken = ash.script("return window.spoken.slice(1)").await?;
    assert_eq!(spoken, json!([["en", "Idle up"], ["en", "Idle up"]]));
    let second = ash.script("return window.buzzed").await?.as_i64();
    assert_eq!(second, first.map(|first| first + 2));
    // Another animation's name is what makes it flash anew; three pulses of half a second stay within three a second (WCAG 2.2, 2.3.1).
    let pulse = "const style = getComputedStyle(document.querySelector('.incoming')); return [style.animationName, style.animationDuration, style.animationIterationCount]";
    assert_eq!(
        ash.script(pulse).await?,
        json!(["pulse-again", "0.5s", "3"])
    );
    ash.reduce_motion(true).await?;
    assert_eq!(ash.script(pulse).await?[0], json!("none"));

    wren.script("window.later = 20000").await?;
    wren.until_shows("[data-test=\"called-again\"]").await;
    wren.until_text("[data-test=\"not-seen-by\"]", "who", |text| {
        text.contains("Ash")
    })
    .await;
    ash.tap("seen").await?;
    wren.until_hides("[data-test=\"called-again\"]").await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stop_that_nobody_has_seen_comes_again_at_20_and_40_s_and_then_stands() -> Result<()> {
    let hub = own_hub();
    let browser = Browser::start();
    let ash = browser.page("Ash", PHONE).await;
    ash.before_each_page(LATER).await?;
    join(&ash, &hub.url(), CREW_CODE, "idle", "Ash").await?;
    ash.script(LISTEN).await?;
    go(&ash, "crew/menu").await?;
    ash.tap("speech-on").await?;
    ash.until_shows("[data-test=\"speech-on\"][aria-pressed=\"true\"]")
        .await;
    ash.tap("over-close").await?;
    let rook = Phone::join(&hub, CREW_CODE, "Rook", "fuel").await;
    let text = "Fuel on the ground".to_owned();
    rook.done(Command::Stop { text }).await;
    let takeover = |again: u8| format!("[data-test=\"stop-takeover\"][data-again=\"{again}\"]");
    ash.until_shows(&takeover(0)).await;
    let heard = async || -> Result<(usize, Value)> {
        let spoken = ash
            .script("return window.spoken.filter((words) => words[1].startsWith('STOP'))")
            .await?;
        let count = spoken.as_array().map_or(0, Vec::len);
        Ok((count, spoken[0].clone()))
    };
    assert_eq!(
        heard().await?,
        (1, json!(["en", "STOP. Fuel on the ground"]))
    );
    let buzzed = async || -> Result<i64> {
        Ok(ash
            .script("return window.buzzed")
            .await?
            .as_i64()
            .unwrap_or(0))
    };
    let first = buzzed().await?;
    for (later, again, times) in [
        // Far enough from 20 s for a machine that is slow to get here.
        (10_000, 0, 1),
        (20_500, 1, 2),
        (40_500, 2, 3),
        (300_000, 2, 3),
    ] {
        ash.script(&format!("window.later = {later}")).await?;
        // The page has taken the hub's new time in when it says that the call is that old.
        ash.until_shows(&takeover(again)).await;
        let pongs = ash
            .script("return window.pongs")
            .await?
            .as_i64()
            .unwrap_or(0);
        eventually("two more pongs", async || {
            let now = ash.script("return window.pongs").await.ok()?.as_i64()?;
            (now >= pongs + 2).then_some(())
        })
        .await;
        assert!(ash.shows(&takeover(again)).await, "{later} ms");
        assert_eq!(heard().await?.0, times, "{later} ms");
        assert_eq!(buzzed().await?, first + i64::from(again), "{later} ms");
    }
    ash.tap("seen").await?;
    ash.until_hides("[data-test=\"stop-takeover\"]").await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn text_at_twice_its_size_still_fits_a_phone() -> Result<()> {
    let hub = Launch::demo().start();
    let browser = Browser::start();
    let page = browser.page("large", PHONE).await;
    join(&page, &hub.url(), CHIEF_CODE, "chief", "Wren").await?;
    for tag in ["en", "es"] {
        go(&page, "all/menu").await?;
        page.tap(&format!("language-{tag}")).await?;
        page.script(
            "const root = document.documentElement; root.style.fontSize = ''; root.style.fontSize = 2 * parseFloat(getComputedStyle(root).fontSize) + 'px'",
        )
        .await?;
        for to in PAGES {
            go(&page, to).await?;
            fits(&page, &format!("{to} in {tag}")).await?;
        }
    }
    Ok(())
}
