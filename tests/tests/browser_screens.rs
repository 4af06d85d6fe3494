//! What a hand does on the screens, counted; the calls that figures offer; the practice; one channel large. Real touches in a real browser.

use anyhow::Result;
use serde_json::json;
use spinover_protocol::{
    event::{Audience, EventBody},
    message::{Asked, Command},
    today::{Conditions, FlowBaseline},
};
use spinover_tests::{
    app::{LIVE, go, join},
    browser::{Browser, PHONE, Page, TABLET},
    chief::mark_until,
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Launch},
    phone::Phone,
    proxy::{Proxy, Weather},
};
use std::{io::Write, time::Duration};

/// Longer than any key of these has to be held.
const HOLD: Duration = Duration::from_millis(1_300);
/// The longest wait for a step of the simulated warm-up.
const PATIENCE: Duration = Duration::from_secs(120);

/// A hand that counts its touches.
struct Hand<'a> {
    page: &'a Page,
    touches: u32,
}

impl<'a> Hand<'a> {
    fn on(page: &'a Page) -> Self {
        Self { page, touches: 0 }
    }

    async fn tap(&mut self, test: &str) -> Result<()> {
        self.touches += 1;
        self.page.tap(test).await
    }

    async fn hold(&mut self, test: &str) -> Result<()> {
        self.touches += 1;
        self.page.press(test, HOLD).await
    }
}

/// The counts that `docs/screens.md` tells; a task that takes another count fails.
fn told(task: &str, touches: u32) {
    let docs = std::fs::read_to_string(data::root().join("docs/screens.md")).expect("the docs");
    let row = docs
        .lines()
        .find(|line| line.starts_with(&format!("| {task} |")))
        .unwrap_or_else(|| panic!("docs/screens.md does not tell of \"{task}\""));
    let count = row.split('|').nth(2).map(str::trim);
    assert_eq!(
        count,
        Some(touches.to_string().as_str()),
        "touches to {task}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn the_commonest_tasks_take_as_few_touches_as_the_docs_say() -> Result<()> {
    let hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start();
    let browser = Browser::start();

    // Scanning the code opens the page with it; the name is typed without a touch on its field.
    let ash = browser.page("Ash", PHONE).await;
    ash.goto(&format!("{}/#{CREW_CODE}", hub.url())).await?;
    ash.find("join-name").await;
    let focused = "return document.activeElement.dataset.test";
    eventually("the name's field to have the focus", async || {
        (ash.script(focused).await.ok()? == json!("join-name")).then_some(())
    })
    .await;
    ash.keys("Ash").await?;
    let mut hand = Hand::on(&ash);
    hand.tap("join-go").await?;
    hand.tap("role-idle").await?;
    hand.tap("caution-ok").await?;
    ash.until_shows(LIVE).await;
    ash.find("page-crew").await;
    told(
        "join, once the code is scanned and the name typed",
        hand.touches,
    );

    let wren = browser.page("Wren", PHONE).await;
    join(&wren, &hub.url(), CHIEF_CODE, "chief", "Wren").await?;
    let mut hand = Hand::on(&wren);
    hand.hold("mark-hold").await?;
    wren.until_shows("[data-step=\"oil_up\"]").await;
    told("mark the next step", hand.touches);

    let mut hand = Hand::on(&ash);
    hand.tap("call-open").await?;
    hand.tap("ready-call-0").await?;
    ash.find("receipt").await;
    told("send a ready call", hand.touches);

    let (to, text) = (Audience::Role("idle".into()), "Idle down".to_owned());
    let rook = Phone::join(&hub, CREW_CODE, "Rook", "fuel").await;
    rook.done(Command::Call { to, text }).await;
    let mut hand = Hand::on(&ash);
    hand.tap("seen").await?;
    ash.until_hides("[data-test=\"incoming\"]").await;
    told("say seen", hand.touches);

    let mut hand = Hand::on(&ash);
    hand.tap("open-engine_rpm").await?;
    ash.find("trend-paper").await;
    told("look at a strip's last two minutes", hand.touches);
    ash.tap("over-close").await?;
    ash.until_hides("[data-test=\"over\"]").await;

    let mut hand = Hand::on(&ash);
    hand.hold("stop-hold").await?;
    wren.until_shows("[data-test=\"stop-takeover\"]").await;
    told("call stop", hand.touches);
    assert_eq!(ash.complaints().await?, Vec::<String>::new());
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_figure_that_is_sure_offers_its_call_and_one_press_makes_it() -> Result<()> {
    let hub = Launch::demo().start();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let ash = Phone::join(&hub, CREW_CODE, "Ash", "fuel").await;
    let browser = Browser::start();
    let page = browser.page("chief", PHONE).await;
    join(&page, &hub.url(), CHIEF_CODE, "chief", "Rowan").await?;
    let offer = "[data-test=\"suggest-flow\"]";
    chief
        .done(Command::SetConditions(Conditions {
            temp_c: 27.0,
            pressure_hpa: 1_000.0,
            rh_pct: 40.0,
            place: None,
        }))
        .await;
    let rule = |flow_l_per_min: f64| {
        Command::SetFlowBaseline(FlowBaseline {
            flow_l_per_min,
            density_kg_m3: 1.155,
            temp_c: 27.0,
            pct_per_pct_density: 1.0,
            pct_per_k: 0.0,
            sd_pct: 2.0,
        })
    };
    // More flow than the sheet's steps bring.
    chief.done(rule(34.0)).await;
    mark_until(&chief, Some("nitro_on"), PATIENCE).await;
    page.find("figure-flow").await;
    assert!(
        !page.shows(offer).await,
        "on petrol the lever is not to be moved to it"
    );
    mark_until(&chief, Some("flow_trimmed"), PATIENCE).await;
    chief
        .until_within(PATIENCE, "the flow's ask", |seen| {
            let mut figures = seen.mirror().figures.iter();
            figures.any(|figure| {
                figure
                    .ask
                    .as_ref()
                    .is_some_and(|ask| ask.what == Asked::Flow)
            })
        })
        .await;
    page.until_shows(offer).await;
    let text = page
        .until_text(&format!("{offer} .suggest-text"), "the words", |text| {
            text.contains("Flow up ")
        })
        .await;
    let number = text
        .split("up ")
        .nth(1)
        .and_then(|rest| rest.split(' ').next());
    let by: f64 = number
        .and_then(|number| number.parse().ok())
        .expect("a number");
    // The words are the difference itself, in the car's unit (1 US gal = 3.785412 L, NIST SP 811).
    let (wanted, flows) = chief.look(|seen| {
        let mut figures = seen.mirror().figures.iter();
        let figure = figures
            .find(|figure| figure.key == "flow")
            .expect("the flow");
        (
            figure.value.expect("a number") / 3.785_412,
            seen.value("fuel_flow").expect("a flow"),
        )
    });
    assert!(
        (wanted - flows - by).abs() < 0.35,
        "{text}: {wanted} wanted, {flows} flows"
    );
    page.tap("suggest-flow").await?;
    // The press makes an ordinary call, to whoever has the lever, and nothing else.
    ash.until("the call", |seen| {
        let warmup = seen.mirror().record.warmup.as_ref();
        warmup.is_some_and(|warmup| {
            warmup
                .calls
                .iter()
                .any(|call| call.said.text.starts_with("Flow up "))
        })
    })
    .await;
    let (to, stop) = ash.look(|seen| {
        let warmup = seen.mirror().record.warmup.as_ref().expect("a warm-up");
        let call = warmup.calls.last().expect("the call");
        (call.to.clone(), call.stop)
    });
    assert_eq!((to, stop), (Audience::Role("fuel".into()), false));
    page.until_shows(&format!("{offer}[aria-disabled=\"true\"]"))
        .await;
    page.until_text(
        "[data-test=\"not-seen-by\"]",
        "who has not seen it",
        |text| text.contains("Ash"),
    )
    .await;
    // Held, nobody is asked to move anything.
    chief
        .done(Command::Hold {
            reason: String::new(),
        })
        .await;
    page.until_hides(offer).await;
    chief.done(Command::Resume {}).await;
    page.until_shows(offer).await;
    // A rule that is about what flows: nothing to call.
    chief.done(rule(flows * 3.785_412)).await;
    page.until_hides(offer).await;
    assert_eq!(page.complaints().await?, Vec::<String>::new());
    Ok(())
}

/// Says seen to every call that has come in.
async fn see_all(page: &Page) {
    let press = "document.querySelector('[data-test=\"seen\"]')?.click()";
    eventually("nothing more to see", async || {
        page.script(press).await.ok()?;
        (!page.shows("[data-test=\"incoming\"]").await).then_some(())
    })
    .await;
}

const AT: &str = "[data-test=\"practice\"]";

/// A browser that is slow to draw: the app shows that its link is live only some time after it is.
const SLOW_FRAMES: &str = "const frame = window.requestAnimationFrame.bind(window);
    window.requestAnimationFrame = (run) => setTimeout(() => frame(run), 3000)";

#[tokio::test(flavor = "multi_thread")]
async fn a_practice_is_offered_only_once_it_can_begin() -> Result<()> {
    let hub = Launch::demo().start();
    let radio = Proxy::before(hub.address(), 7).await?;
    radio.weather(Weather {
        delay: Duration::from_millis(150),
        ..Weather::default()
    });
    let browser = Browser::start();
    let ash = browser.page("Ash", PHONE).await;
    ash.before_each_page(SLOW_FRAMES).await?;
    let url = format!("http://{}/#{CREW_CODE}/idle/Ash", radio.address());
    ash.goto(&url).await?;
    ash.tap("caution-practise").await?;
    ash.until_shows(&format!("{AT}[data-at=\"see\"]")).await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_crew_practises_over_the_real_pages_and_the_record_says_so() -> Result<()> {
    let hub = Launch::demo().start();
    let browser = Browser::start();
    let ash = browser.page("Ash", PHONE).await;
    // A newcomer is offered it with the cautions.
    ash.goto(&format!("{}/#{CREW_CODE}/idle/Ash", hub.url()))
        .await?;
    ash.tap("caution-practise").await?;
    let rook = Phone::join(&hub, CREW_CODE, "Rook", "chief").await;
    ash.until_shows(&format!("{AT}[data-at=\"see\"]")).await;
    ash.until_shows("[data-test=\"practice-call\"]").await;
    ash.tap("seen").await?;
    ash.until_shows(&format!("{AT}[data-at=\"call\"]")).await;
    ash.tap("call-open").await?;
    ash.tap("ready-call-0").await?;
    ash.until_shows(&format!("{AT}[data-at=\"hold\"]")).await;
    ash.until_text("[data-test=\"practice-part\"]", "two of three", |text| {
        text.starts_with('2')
    })
    .await;
    // A short press is no hold.
    ash.press("practice-hold", Duration::from_millis(200))
        .await?;
    assert!(ash.shows(&format!("{AT}[data-at=\"hold\"]")).await);
    ash.press("practice-hold", HOLD).await?;
    ash.until_text("[data-test=\"practice-say\"]", "how long", |text| {
        text.starts_with("Done in ")
    })
    .await;
    let (mine, steps) = rook.look(|seen| {
        let warmup = seen.mirror().record.warmup.as_ref().expect("a warm-up");
        let practice = warmup.practices.first().expect("a practice").clone();
        let practised = warmup
            .calls
            .iter()
            .filter(|call| warmup.is_practice_call(call))
            .count();
        (
            (practice, practised, warmup.calls.len()),
            warmup.steps.len(),
        )
    });
    let (practice, practised, calls) = mine;
    assert_eq!(
        (practised, calls, steps),
        (2, 2, 0),
        "the hub's call and Ash's, and no mark"
    );
    let (who, took) = practice.done.first().expect("done");
    assert_eq!(
        (
            who.name.as_str(),
            practice.ended_at.map(|at| at - practice.at)
        ),
        ("Ash", Some(*took))
    );
    ash.tap("practice-away").await?;
    ash.until_hides(AT).await;

    // The whole crew, begun by the chief, who marks the real step.
    let wren = browser.page("Wren", TABLET).await;
    join(&wren, &hub.url(), CHIEF_CODE, "chief", "Wren").await?;
    go(&wren, "chief/menu").await?;
    wren.tap("practise-all").await?;
    for page in [&wren, &ash] {
        page.until_shows(&format!("{AT}[data-at=\"see\"]")).await;
        see_all(page).await;
        page.until_shows(&format!("{AT}[data-at=\"call\"]")).await;
        page.tap("call-open").await?;
        page.tap("ready-call-0").await?;
    }
    // Ash's call to the chief says that it is practice.
    wren.until_shows("[data-test=\"incoming\"] [data-test=\"practice-call\"]")
        .await;
    see_all(&wren).await;
    wren.until_shows(&format!("{AT}[data-at=\"mark\"]")).await;
    wren.press("mark-hold", HOLD).await?;
    wren.until_shows(&format!("{AT}[data-at=\"done\"]")).await;
    ash.press("practice-hold", HOLD).await?;
    wren.until_text("[data-test=\"practice-done-by\"]", "both", |text| {
        text.contains("Ash") && text.contains("Wren")
    })
    .await;
    wren.tap("practice-end").await?;
    ash.until_shows(&format!("{AT}[data-at=\"done\"]")).await;
    rook.until("the end", |seen| {
        let warmup = seen.mirror().record.warmup.as_ref();
        warmup.is_some_and(|warmup| {
            warmup
                .practices
                .iter()
                .all(|practice| practice.ended_at.is_some())
        })
    })
    .await;
    assert_eq!(ash.complaints().await?, Vec::<String>::new());
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_practises_over_a_car() -> Result<()> {
    let hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start();
    let crew = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let practise = |crew| Command::Practise {
        crew,
        text: "Practice".to_owned(),
    };
    assert!(crew.refused(practise(true)).await.contains("crew chief"));
    // Nothing is connected: a practice may be.
    crew.done(practise(false)).await;
    let seq = crew.look(|seen| {
        seen.mirror()
            .record
            .warmup
            .as_ref()
            .expect("a warm-up")
            .practices[0]
            .seq
    });
    assert!(
        crew.refused(Command::PractiseDone { practice: seq })
            .await
            .contains("not been seen")
    );
    let browser = Browser::start();
    let page = browser.page("other", PHONE).await;
    join(&page, &hub.url(), CREW_CODE, "fuel", "Hazel").await?;
    page.until_text("[data-test=\"practice-other\"]", "whose", |text| {
        text.contains("Ash")
    })
    .await;
    // A car speaks: the practice is over at once, and its call no longer waits for anyone.
    let line = b"{\"engine_rpm\": 2400}\n";
    http::post(&hub.address(), "/api/readings", Some(CREW_CODE), line).await?;
    chief
        .until("the end", |seen| {
            let ended = |event: &spinover_protocol::event::Event| {
                event.by.is_none() && event.body == EventBody::PracticeEnded { practice: seq }
            };
            seen.events().any(ended)
        })
        .await;
    let lifted = chief.look(|seen| {
        let warmup = seen.mirror().record.warmup.as_ref().expect("a warm-up");
        warmup
            .practice_call(seq)
            .expect("its call")
            .lifted
            .is_some()
    });
    assert!(lifted);
    page.until_hides("[data-test=\"practice-other\"]").await;
    for (phone, all) in [(&crew, false), (&chief, true)] {
        assert!(phone.refused(practise(all)).await.contains("connected"));
    }
    go(&page, "crew/menu").await?;
    page.find("practise-not").await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_channel_large_tells_the_value_at_a_finger_and_at_the_arrow_keys() -> Result<()> {
    let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .source("lines:stdin")
        .with_stdin()
        .start();
    let mut lines = hub.stdin();
    let browser = Browser::start();
    let page = browser.page("trend", PHONE).await;
    join(&page, &hub.url(), CREW_CODE, "idle", "Ash").await?;
    // One level, then another from some seconds on: what is told depends on when is asked.
    let mut say = async |rpm: u32, seconds: u64| -> Result<()> {
        for _ in 0..seconds * 4 {
            writeln!(lines, "{{\"engine_rpm\": {rpm}}}")?;
            tokio::time::sleep(Duration::from_millis(250)).await;
        }
        Ok(())
    };
    say(2_300, 5).await?;
    say(2_500, 3).await?;
    page.tap("open-engine_rpm").await?;
    let paper = page.find("trend-paper").await;
    drop(paper);
    let told = "[data-test=\"trend-told\"]";
    page.script("document.querySelector('[data-test=\"trend-paper\"]').focus()")
        .await?;
    page.keys("\u{e010}").await?; // End: now.
    page.until_text(told, "the newest", |text| text.starts_with("2500 rpm"))
        .await;
    // Ten seconds up is the beginning.
    page.keys("\u{e00e}").await?;
    page.until_text(told, "the older level", |text| text.starts_with("2300 rpm"))
        .await;
    let slider = "const paper = document.querySelector('[data-test=\"trend-paper\"]'); return [paper.getAttribute('role'), paper.getAttribute('aria-valuetext').startsWith('2300 rpm')]";
    assert_eq!(page.script(slider).await?, json!(["slider", true]));
    // The time that is asked for stays while the trace goes on.
    say(2_500, 2).await?;
    page.until_text(told, "the older level still", |text| {
        text.starts_with("2300 rpm")
    })
    .await;
    // A finger on now, drawn upwards to the oldest.
    let drag = "const paper = document.querySelector('[data-test=\"trend-paper\"]'); const box = paper.getBoundingClientRect();
        const at = (kind, share, buttons) => paper.dispatchEvent(new PointerEvent(kind, { bubbles: true, pointerId: 1, isPrimary: true, buttons, clientX: box.left + 20, clientY: box.top + share * box.height }));
        at('pointerdown', arguments[0] ?? 0.699, 1);";
    page.script(drag).await?;
    page.until_text(told, "now", |text| text.starts_with("2500 rpm"))
        .await;
    page.script(&drag.replace(
        "at('pointerdown', arguments[0] ?? 0.699, 1)",
        "at('pointermove', 0.05, 1)",
    ))
    .await?;
    page.until_text(told, "the oldest", |text| text.starts_with("2300 rpm"))
        .await;
    assert_eq!(page.complaints().await?, Vec::<String>::new());
    Ok(())
}
