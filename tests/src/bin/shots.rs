//! Screenshots of every page, at the size of a phone, a tablet and a wall, of the demo in the middle of a warm-up.
//!
//! `shots [PAGE]...` takes those pages only; `shots files` is the page that changes the files. Pictures go to `docs/shots/`. They are for looking at: nothing is compared.
//! `shots icons` draws the app's icons anew from `web-ui/icon.svg`, at the sizes that home screens ask for.
#![forbid(unsafe_code)]

use anyhow::{Context, Result};
use spinover::{
    book::{Book, Edit},
    files::demo,
};
use spinover_protocol::{
    event::{Audience, Event, EventBody},
    message::Command,
    today::{Conditions, FlowBaseline},
};
use spinover_tests::{
    app::LIVE,
    browser::{Browser, PHONE, Page, Size, TABLET, WALL},
    chief::mark_until,
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    nats::Servers,
    phone::Phone,
};
use std::{path::Path, time::Duration};

const SIZES: [Size; 3] = [PHONE, TABLET, WALL];
/// The longest wait for a step of the simulated warm-up.
const PATIENCE: Duration = Duration::from_secs(240);
/// How much of the traces should be drawn before pictures are taken.
const TRACES: Duration = Duration::from_secs(20);

/// A picture: its name, who looks, and where.
struct Shot {
    name: &'static str,
    code: &'static str,
    role: &'static str,
    hash: &'static str,
    night: bool,
}

const fn shot(name: &'static str, role: &'static str, hash: &'static str) -> Shot {
    Shot {
        name,
        code: CREW_CODE,
        role,
        hash,
        night: false,
    }
}

const fn chief(name: &'static str, hash: &'static str) -> Shot {
    Shot {
        code: CHIEF_CODE,
        ..shot(name, "chief", hash)
    }
}

/// Everything that can be looked at while the engine idles.
const SHOTS: [Shot; 19] = [
    shot("idle", "idle", "/crew"),
    shot("fuel", "fuel", "/crew"),
    shot("starter", "starter", "/crew"),
    Shot {
        night: true,
        ..shot("idle-night", "idle", "/crew")
    },
    shot("all", "idle", "/all"),
    shot("steps", "helper", "/steps"),
    chief("chief", "/chief"),
    Shot {
        night: true,
        ..chief("chief-night", "/chief")
    },
    chief("more", "/chief/more"),
    chief("bands", "/chief/bands"),
    chief("laptop", "/laptop"),
    chief("devices", "/chief/devices"),
    shot("wall", "wall", "/wall"),
    shot("call", "fuel", "/crew/call"),
    shot("type", "fuel", "/crew/type"),
    shot("train", "idle", "/crew/train"),
    shot("trend", "idle", "/crew/trend/oil_pressure"),
    shot("menu", "idle", "/crew/menu"),
    chief("shortcuts", "/chief/shortcuts"),
];

#[tokio::main]
async fn main() -> Result<()> {
    let wanted: Vec<String> = std::env::args().skip(1).collect();
    let wants = |name: &str| wanted.is_empty() || wanted.iter().any(|wanted| wanted == name);
    if wanted == ["icons"] {
        return icons().await;
    }
    let folder = data::root().join("docs/shots");
    std::fs::create_dir_all(&folder)?;

    if wants("alarm") {
        alarm(&folder).await?;
    }
    if wanted == ["alarm"] {
        return Ok(());
    }
    if wants("turnaround") {
        turnaround(&folder).await?;
    }
    if wanted == ["turnaround"] {
        return Ok(());
    }
    if wants("files") {
        files(&folder).await?;
    }
    if wanted == ["files"] {
        return Ok(());
    }
    if wants("cars") {
        cars(&folder).await?;
    }
    if wanted == ["cars"] {
        return Ok(());
    }
    if wants("second") {
        second_laptop(&folder).await?;
    }
    if wanted == ["second"] {
        return Ok(());
    }
    let mut hub = Launch::demo().start();
    eprintln!("warming the simulated engine up; this takes two minutes");
    let wren = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let mut crew = Vec::new();
    for (name, role) in [
        ("Ash", "idle"),
        ("Hazel", "fuel"),
        ("Linden", "starter"),
        ("Rowan", "helper"),
    ] {
        crew.push(Phone::join(&hub, CREW_CODE, name, role).await);
    }
    mark_until(&wren, Some("temps_there"), PATIENCE).await;
    let browser = Browser::start();
    let mut pages = Vec::new();
    for size in SIZES {
        let page = browser.page(&size.to_string(), size).await;
        let album = Album {
            folder: &folder,
            size,
        };
        before_joining(&page, &hub, &album, &wants).await?;
        pages.push((page, album));
    }
    // The pages were open all the while, so every strip has its trace.
    tokio::time::sleep(TRACES).await;
    for (page, album) in &pages {
        for shot in SHOTS.iter().filter(|shot| wants(shot.name)) {
            show(page, &hub, shot).await?;
            if shot.name == "trend" {
                page.script(FINGER).await?;
            }
            album.keep(page, shot.name).await?;
        }
        of_a_practice(page, &hub, album, &wants).await?;
        of_an_offer(page, &hub, &wren, album, &wants).await?;
        of_the_book(page, &hub, &wren, album, &wants).await?;
        show(page, &hub, &SHOTS[0]).await?;
        if wants("incoming") {
            let text = "Bodies clear of the header side".to_owned();
            let call = wren
                .done(Command::Call {
                    to: Audience::All,
                    text,
                })
                .await;
            page.until_shows("[data-test=\"incoming\"]").await;
            album.keep(page, "incoming").await?;
            wren.done(Command::Lift { call }).await;
        }
        if wants("stop") {
            let text = "Fuel on the ground, left side".to_owned();
            let stop = wren.done(Command::Stop { text }).await;
            page.until_shows("[data-test=\"stop-takeover\"]").await;
            album.keep(page, "stop").await?;
            wren.done(Command::Lift { call: stop }).await;
        }
        page.until_hides("[data-test=\"stop-takeover\"]").await;
    }
    if wants("lost") {
        hub.kill();
        for (page, album) in &pages {
            page.until_text("[data-test=\"lost-for\"]", "how long", |text| {
                !text.is_empty()
            })
            .await;
            album.keep(page, "lost").await?;
        }
    }
    Ok(())
}

/// Oil pressure is lost on nitro: what everybody sees, what the chief sees, and the list.
async fn alarm(folder: &Path) -> Result<()> {
    let files = data::root().join("hub/demo");
    let hub = Launch::serve(&files.join("kestrel.toml"), &files.join("pit-warm-up.toml"))
        .source("sim:?faults=oil_lost@75")
        .start();
    eprintln!("starting the simulated engine; its oil pump gives up after 75 s");
    let wren = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    mark_until(&wren, Some("flow_trimmed"), PATIENCE).await;
    let urgent = |seen: &spinover_tests::phone::Seen| !seen.mirror().frame.urgent.is_empty();
    wren.until_within(PATIENCE, "the alarm", urgent).await;
    let browser = Browser::start();
    let mut pages = Vec::new();
    for size in SIZES {
        let page = browser.page(&size.to_string(), size).await;
        let album = Album { folder, size };
        before_joining(&page, &hub, &album, &|_| false).await?;
        pages.push((page, album));
    }
    for (page, album) in &pages {
        for (name, at) in [
            ("alarm-crew", shot("", "fuel", "/crew")),
            ("alarm-chief", chief("", "/chief")),
            ("alarm-wall", shot("", "wall", "/wall")),
            ("alarm-list", chief("", "/chief/alarms")),
        ] {
            show(page, &hub, &at).await?;
            page.until_shows("[data-alarm=\"oil_pressure_lost\"]").await;
            album.keep(page, name).await?;
        }
    }
    Ok(())
}

/// Two cars on the team's wall: one under way and stopped, one that has fallen silent.
async fn cars(folder: &Path) -> Result<()> {
    let Some(servers) = Servers::start(1).await else {
        return Ok(());
    };
    let bus = servers.url();
    let room = tempfile::tempdir()?;
    let demo = data::root().join("hub/demo");
    let lapwing = data::car_named(&demo.join("kestrel.toml"), "Lapwing", room.path());
    let hub = Launch::demo().arg("--bus").arg(&bus).start();
    let other = || {
        Launch::serve(&lapwing, &demo.join("pit-warm-up.toml"))
            .source("sim:")
            .arg("--bus")
            .arg(&bus)
            .start()
    };
    let browser = Browser::start();
    for size in SIZES {
        let mut other = other();
        let page = browser.page(&format!("cars-{size}"), size).await;
        let album = Album { folder, size };
        before_joining(&page, &hub, &album, &|_| false).await?;
        show(&page, &hub, &shot("", "wall", "/cars")).await?;
        page.until_shows("[data-test=\"car-Lapwing\"] .strip[data-quality=\"good\"]")
            .await;
        let text = "Fuel leak, left side".to_owned();
        let hazel = Phone::join(&other, CREW_CODE, "Hazel", "fuel").await;
        hazel.done(Command::Stop { text }).await;
        let (to, text) = (Audience::All, "Chocks are in".to_owned());
        hazel.done(Command::Call { to, text }).await;
        page.until_shows("[data-test=\"car-stop\"]").await;
        album.keep(&page, "cars").await?;
        other.kill();
        page.until_shows("[data-test=\"car-Lapwing\"][data-old=\"yes\"]")
            .await;
        album.keep(&page, "cars-silent").await?;
    }
    Ok(())
}

/// A second laptop follows; the first one dies, and the chief is asked; the first one comes back, replaced.
async fn second_laptop(folder: &Path) -> Result<()> {
    let browser = Browser::start();
    for size in SIZES {
        let mut first = Launch::demo().start();
        let mut second = Launch::standby(&first.url()).start();
        let wren = Phone::join(&first, CHIEF_CODE, "Wren", "chief").await;
        let follows = |seen: &spinover_tests::phone::Seen| {
            let other = seen.mirror().hubs.other.as_ref();
            other.is_some_and(|other| other.here && other.behind == 0)
        };
        wren.until_within(PATIENCE, "the second laptop", follows)
            .await;
        let page = browser.page(&format!("second-{size}"), size).await;
        let album = Album { folder, size };
        before_joining(&page, &first, &album, &|_| false).await?;
        show(&page, &first, &chief("", "/chief")).await?;
        let section = "[data-test=\"second-laptop\"][data-second=\"follows\"]";
        page.until_shows(section).await;
        page.script(&format!(
            "document.querySelector('{section}').scrollIntoView({{ block: 'center' }})"
        ))
        .await?;
        album.keep(&page, "second").await?;
        page.script("window.scrollTo(0, 0)").await?;
        first.kill();
        page.until_shows("[data-test=\"take-over\"]").await;
        page.until_shows(LIVE).await;
        album.keep(&page, "standby").await?;
        wren.done(Command::TakeOver {}).await;
        page.until_hides("[data-test=\"on-standby\"]").await;
        first.start_again();
        second.kill();
        page.until_shows("[data-test=\"on-replaced\"]").await;
        page.until_shows(LIVE).await;
        album.keep(&page, "replaced").await?;
    }
    Ok(())
}

/// A book of earlier warm-ups of the demo's car: the air of this day, measured by the hour, and enough burn-outs for discs to be due.
async fn a_day(folder: &Path) -> Result<()> {
    let (book, loaded) = Book::open(folder)?;
    let (car, sheets) = (demo::car()?.car, demo::sheets()?);
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH)?;
    let now = i64::try_from(now.as_millis())?;
    let minutes_ago = |minutes: i64| now - minutes * 60_000;
    let mut seq = loaded.next_seq;
    let mut event = |at: i64, body: EventBody| {
        seq += 1;
        Event {
            seq: seq - 1,
            at,
            by: None,
            command: None,
            body,
        }
    };
    for (n, from) in [420_i64, 180].into_iter().enumerate() {
        let id = format!("2026-05-16T0{n}-00-00Z");
        let begun = EventBody::WarmupBegun {
            id: id.clone(),
            sheet: Box::new(sheets[1].clone()),
            car: Box::new(car.clone()),
            today: Box::default(),
        };
        let mut events = vec![event(minutes_ago(from), begun)];
        for hour in 0..3_i64 {
            let warm = (420 - from) as f64 / 60.0 + hour as f64;
            let air = Conditions {
                temp_c: 17.5 + 1.5 * warm,
                pressure_hpa: 976.0 - 0.3 * warm,
                rh_pct: 66.0 - 3.5 * warm,
                place: None,
            };
            events.push(event(
                minutes_ago(from - 50 * hour - 5),
                EventBody::ConditionsSet(air),
            ));
        }
        for step in ["burnout", "run"] {
            let marked = EventBody::StepMarked {
                step: step.into(),
                readings: Default::default(),
            };
            events.push(event(minutes_ago(from - 150), marked));
        }
        events.push(event(minutes_ago(from - 155), EventBody::WarmupClosed {}));
        book.append(events).await??;
        let source = Some("simulated car".to_owned());
        let edit = Edit {
            source,
            ..Edit::default()
        };
        book.edit(&id, edit).await??;
    }
    // Two burn-outs of a set that is due at four would not show what is due: this team has it due at three.
    std::fs::create_dir_all(folder.join("files"))?;
    let season = demo::SEASON.replace("limit = 4\nwarn_at = 3", "limit = 3\nwarn_at = 2");
    std::fs::write(folder.join("files/season.toml"), season)?;
    book.close().await?;
    Ok(())
}

/// Between rounds, with some done, some under way, and one late: the board of the chief, of a crew member, and of the wall.
async fn turnaround(folder: &Path) -> Result<()> {
    let data = tempfile::tempdir()?;
    a_day(data.path()).await?;
    let hub = Launch::demo().start_in(data.path());
    let wren = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    wren.until("the hub's clock", |seen| seen.mirror().frame.now > 0)
        .await;
    let now = wren.look(|seen| seen.mirror().frame.now);
    let lanes_at = Some(now + 75 * 60_000);
    wren.done(Command::BeginTurnaround { lanes_at }).await;
    for task in ["made_safe", "body_up"] {
        wren.done(Command::StartTask { task: task.into() }).await;
        wren.done(Command::FinishTask { task: task.into() }).await;
    }
    for task in ["clutch", "heads_off", "data_read"] {
        wren.done(Command::StartTask { task: task.into() }).await;
    }
    let (task, left_min) = ("clutch".into(), 50.0);
    wren.done(Command::TaskLate { task, left_min }).await;
    wren.until("a late clutch", |seen| {
        let now = seen.mirror().turnaround.as_ref();
        let outlook = now.and_then(|now| now.outlook.as_ref());
        outlook.is_some_and(|outlook| outlook.path.iter().any(|task| task.as_str() == "clutch"))
    })
    .await;
    let browser = Browser::start();
    for size in SIZES {
        let page = browser.page(&size.to_string(), size).await;
        let album = Album { folder, size };
        before_joining(&page, &hub, &album, &|_| false).await?;
        for (name, at, part) in [
            ("turnaround-chief", chief("", "/turnaround"), ""),
            ("turnaround-crew", shot("", "idle", "/turnaround"), ""),
            ("turnaround-line", shot("", "idle", "/crew"), ""),
            ("turnaround-air", chief("", "/turnaround"), "air-then"),
            ("turnaround-season", chief("", "/turnaround"), "season"),
        ] {
            show(&page, &hub, &at).await?;
            page.until_shows("[data-test=\"turn-chance\"], [data-test=\"turn-line\"]")
                .await;
            if !part.is_empty() {
                page.find(part).await;
                let to =
                    format!("document.querySelector('[data-test=\"{part}\"]').scrollIntoView()");
                page.script(&to).await?;
            }
            album.keep(&page, name).await?;
        }
    }
    Ok(())
}

/// The chief changes the files: each part of the page, and the lines that change.
async fn files(folder: &Path) -> Result<()> {
    let hub = Launch::demo().start();
    let browser = Browser::start();
    for size in SIZES {
        let page = browser.page(&size.to_string(), size).await;
        let album = Album { folder, size };
        before_joining(&page, &hub, &album, &|_| false).await?;
        show(&page, &hub, &chief("files", "/edit")).await?;
        let band = "[data-test=\"edit-band-oil_pressure\"] [data-test=\"edit-low\"]";
        page.until_shows(band).await;
        album.keep(&page, "files-bands").await?;
        for part in ["roles", "steps", "calls"] {
            page.script(&format!(
                "document.querySelector('[data-test=\"edit-{part}\"]').click()"
            ))
            .await?;
            if part == "steps" {
                page.script("document.querySelector('[data-test=\"edit-step-recorder_on\"] button').click(); document.querySelector('[data-test=\"edit-step-recorder_on\"]').scrollIntoView({ block: 'center' })").await?;
            }
            album.keep(&page, &format!("files-{part}")).await?;
        }
        page.script("document.querySelector('[data-test=\"edit-bands\"]').click()")
            .await?;
        page.until_shows(band).await;
        page.script(&format!("const field = document.querySelector('{band}'); field.value = '65'; field.dispatchEvent(new Event('input', {{ bubbles: true }}))")).await?;
        page.until_shows("[data-test=\"edit-look\"]:not([disabled])")
            .await;
        page.script("document.querySelector('[data-test=\"edit-look\"]').click()")
            .await?;
        page.until_shows("[data-test=\"edit-line-new\"]").await;
        album.keep(&page, "files-lines").await?;
        page.script("document.querySelector('[data-test=\"edit-drop\"]').click()")
            .await?;
    }
    Ok(())
}

/// Home screens that take no SVG get pictures of it.
async fn icons() -> Result<()> {
    let folder = data::root().join("web-ui");
    let browser = Browser::start();
    for width in [180, 192, 512] {
        let name = format!("icon-{width}");
        let size = Size {
            width,
            height: width,
        };
        let page = browser.page(&name, size).await;
        page.goto(&format!("file://{}", folder.join("icon.svg").display()))
            .await?;
        std::fs::write(folder.join(name + ".png"), page.picture().await?)?;
    }
    Ok(())
}

/// Where the pictures of one size go.
struct Album<'a> {
    folder: &'a Path,
    size: Size,
}

impl Album<'_> {
    async fn keep(&self, page: &Page, name: &str) -> Result<()> {
        // What has just come moves or flashes for a moment; the pictures are of what stays.
        page.until_still().await?;
        let name = format!("{name}-{}.png", self.size);
        let picture = page.picture().await?;
        std::fs::write(self.folder.join(&name), &picture)?;
        eprintln!("docs/shots/{name} ({} KB)", picture.len() / 1000);
        Ok(())
    }
}

/// A finger in the middle of a trend's past.
const FINGER: &str = "const paper = document.querySelector('[data-test=\"trend-paper\"]'); const box = paper.getBoundingClientRect();
    paper.dispatchEvent(new PointerEvent('pointerdown', { bubbles: true, pointerId: 1, isPrimary: true, buttons: 1, clientX: box.left + 20, clientY: box.top + 0.6 * box.height }))";

/// The first thing that a practice asks for.
async fn of_a_practice(
    page: &Page,
    hub: &Hub,
    album: &Album<'_>,
    wants: &impl Fn(&str) -> bool,
) -> Result<()> {
    if wants("practice") {
        show(page, hub, &shot("", "idle", "/crew/menu")).await?;
        page.tap("practise-alone").await?;
        page.until_shows("[data-test=\"practice\"][data-at=\"see\"]")
            .await;
        album.keep(page, "practice").await?;
        page.tap("practice-end").await?;
        page.until_hides("[data-test=\"practice\"]").await;
    }
    Ok(())
}

/// A figure that gives reason for a call.
async fn of_an_offer(
    page: &Page,
    hub: &Hub,
    wren: &Phone,
    album: &Album<'_>,
    wants: &impl Fn(&str) -> bool,
) -> Result<()> {
    if wants("offer") {
        let air = Conditions {
            temp_c: 27.0,
            pressure_hpa: 1_000.0,
            rh_pct: 40.0,
            place: None,
        };
        let rule = FlowBaseline {
            flow_l_per_min: 32.0,
            density_kg_m3: 1.155,
            temp_c: 27.0,
            pct_per_pct_density: 1.0,
            pct_per_k: 0.0,
            sd_pct: 2.0,
        };
        wren.done(Command::SetConditions(air)).await;
        wren.done(Command::SetFlowBaseline(rule)).await;
        show(page, hub, &chief("", "/chief")).await?;
        page.until_shows("[data-test=\"suggest-flow\"]").await;
        album.keep(page, "offer").await?;
    }
    Ok(())
}

/// The book, with the warm-up under way in it.
async fn of_the_book(
    page: &Page,
    hub: &Hub,
    wren: &Phone,
    album: &Album<'_>,
    wants: &impl Fn(&str) -> bool,
) -> Result<()> {
    let warmup = wren.look(|seen| seen.mirror().record.warmup.clone());
    let warmup = warmup.context("a warm-up under way")?;
    if wants("warmup") || wants("report") {
        let photo = std::fs::read(data::own("plugs.jpg"))?;
        let path = format!("/api/book/warmup/{}/photos", warmup.id);
        http::post(&hub.address(), &path, Some(CREW_CODE), &photo).await?;
    }
    if wants("recording") {
        show(page, hub, &chief("book", "/book/recording")).await?;
        page.choose("recording-file", &[&data::own("bench-run.csv")])
            .await?;
        page.tap("recording-try").await?;
        page.find("recording-take").await;
        album.keep(page, "recording").await?;
    }
    for (name, hash) in [
        ("book", "/book".to_owned()),
        ("warmup", format!("/book/warmup/{}", warmup.id)),
        ("replay", format!("/replay/{}", warmup.id)),
    ] {
        if !wants(name) {
            continue;
        }
        show(page, hub, &chief("book", "/book")).await?;
        page.find(&format!("warmup-{}", warmup.id)).await;
        page.script(&format!("location.hash = '#{hash}'")).await?;
        match name {
            "warmup" => {
                page.find_css("[data-test=\"report-open\"][href]").await;
                // The photos are what is new under what is known.
                let photo = "[data-test=\"photo-1\"] img";
                page.find_css(photo).await;
                page.script(&format!(
                    "document.querySelector('{photo}').scrollIntoView({{ block: 'center' }})"
                ))
                .await?;
                let drawn = format!(
                    "const image = document.querySelector('{photo}'); return image.complete && image.naturalWidth > 0"
                );
                eventually("the photo", async || {
                    (page.script(&drawn).await.ok()? == true).then_some(())
                })
                .await;
            }
            "replay" => {
                // Once the strips are there, the line knows where it begins and ends.
                page.find("strip-oil_pressure").await;
                let at = warmup.begun_at + 100_000;
                page.script(&format!("const line = document.querySelector('[data-test=\"replay-line\"]'); line.value = {at}; line.dispatchEvent(new Event('input', {{ bubbles: true }}))")).await?;
                page.until_shows("[data-test=\"strip-oil_pressure\"][data-value]")
                    .await;
                page.until_hides("[data-test=\"replay-waits\"]").await;
            }
            _ => {}
        }
        album.keep(page, name).await?;
    }
    if wants("report") {
        page.goto(&format!(
            "{}/book/{}?code={CHIEF_CODE}",
            hub.url(),
            warmup.id
        ))
        .await?;
        page.find_css("figure svg").await;
        album.keep(page, "report").await?;
    }
    Ok(())
}

/// What a newcomer sees first.
async fn before_joining(
    page: &Page,
    hub: &Hub,
    album: &Album<'_>,
    wants: &impl Fn(&str) -> bool,
) -> Result<()> {
    page.goto(&hub.url()).await?;
    page.find("join-name").await;
    if wants("join") {
        album.keep(page, "join").await?;
    }
    // An address that differs behind the # only would not open the page anew, as scanning the code does.
    page.goto("about:blank").await?;
    page.goto(&format!("{}/#{CREW_CODE}/idle/Visitor", hub.url()))
        .await?;
    page.find("caution-ok").await;
    if wants("cautions") {
        album.keep(page, "cautions").await?;
    }
    page.tap("caution-ok").await
}

async fn show(page: &Page, hub: &Hub, shot: &Shot) -> Result<()> {
    let light = if shot.night { "night" } else { "day" };
    page.script(&format!("localStorage.setItem('spinover.light', '{light}'); document.documentElement.dataset.light = '{light}'")).await?;
    page.goto(&format!(
        "{}/#{}/{}/Visitor",
        hub.url(),
        shot.code,
        shot.role
    ))
    .await?;
    page.until_shows("[data-link=\"live\"]").await;
    page.script(&format!("location.hash = '#{}'", shot.hash))
        .await?;
    let page_key = shot.hash.split('/').nth(1).context("a page")?;
    page.until_shows(&format!("[data-page=\"{page_key}\"]"))
        .await;
    if shot.hash.matches('/').count() > 1 {
        page.find("over").await;
    }
    Ok(())
}
