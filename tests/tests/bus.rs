//! The team's bus with real servers (NATS): journals come back when a disk is lost, the pit goes on when the bus is gone, and every car is on
//! every wall.

use anyhow::Result;
use spinover_protocol::{book::Listed, message::Command, team::CarHeard};
use spinover_tests::{
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch, run},
    nats::Servers,
    phone::{Phone, Seen},
};
use std::path::Path;

/// The name of the tests' car, and of the demo's.
const CAR: &str = "Kestrel";

fn serve() -> Launch {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
}

async fn remark(phone: &Phone, text: &str) {
    let text = text.to_owned();
    phone.done(Command::Note { text }).await;
}

/// Waits until everything is on the bus.
async fn published(phone: &Phone) {
    phone
        .until("all events on the bus", |seen| {
            let team = seen.mirror().team.as_ref();
            // By number: what was said of it before the last event does not count.
            team.is_some_and(|team| team.here && team.sent >= seen.mirror().record.seq)
        })
        .await;
}

/// The journal of the warm-up under way, as the hub gives it out.
async fn events(hub: &Hub) -> Result<String> {
    // Nobody joins for it: that would be an event more.
    let list = http::get(&hub.address(), "/api/book", Some(CHIEF_CODE)).await?;
    let list: Vec<Listed> = serde_json::from_slice(&list.body)?;
    let id = &list.last().expect("a warm-up").id;
    let path = format!("/book/{id}.events");
    let answer = http::get(&hub.address(), &path, Some(CHIEF_CODE)).await?;
    assert_eq!(answer.status, 200, "{}", answer.text());
    Ok(answer.text())
}

fn restore(bus: &str, car: &str, into: &Path) -> std::process::Output {
    let into = into.display().to_string();
    run(&[
        "book", "restore", "--bus", bus, "--car", car, "--data", &into,
    ])
}

/// What a hub says that runs on from what came back.
async fn restored(bus: &str, into: &Path) -> Result<String> {
    let done = restore(bus, CAR, into);
    assert!(
        done.status.success(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    let hub = serve().start_in(into);
    events(&hub).await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lost_disk_comes_back_from_a_cluster_that_has_lost_a_server() -> Result<()> {
    let Some(mut servers) = Servers::start(3).await else {
        return Ok(());
    };
    let bus = servers.url();
    let mut hub = serve().arg("--bus").arg(&bus).start();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    for n in 0..20 {
        remark(&chief, &format!("with three {n}")).await;
    }
    published(&chief).await;
    servers.kill(0);
    for n in 0..20 {
        remark(&chief, &format!("with two {n}")).await;
    }
    published(&chief).await;
    let before = events(&hub).await?;
    assert!(before.contains("with three 19") && before.contains("with two 19"));
    hub.kill();

    let lost = tempfile::tempdir()?;
    assert_eq!(restored(&bus, lost.path()).await?, before);
    // A book is never written over.
    let again = restore(&bus, CAR, lost.path());
    assert_eq!(again.status.code(), Some(1));
    let why = String::from_utf8_lossy(&again.stderr).into_owned();
    assert!(why.contains("has a book already"), "{why}");
    // And nothing is made up.
    let other = restore(&bus, "Nobody's", tempfile::tempdir()?.path());
    assert_eq!(other.status.code(), Some(1));
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn while_the_bus_is_gone_the_pit_goes_on_and_it_is_caught_up_later() -> Result<()> {
    let Some(mut servers) = Servers::start(1).await else {
        return Ok(());
    };
    let bus = servers.url();
    servers.kill(0);
    // It is not there at the start either.
    let hub = serve().arg("--bus").arg(&bus).start();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let gone = |seen: &Seen| {
        let team = seen.mirror().team.as_ref();
        team.is_some_and(|team| !team.here && team.why.is_some() && team.waiting > 0)
    };
    remark(&chief, "before the bus came").await;
    chief.until("it said that the bus is gone", gone).await;
    servers.start_again(0).await;
    published(&chief).await;
    servers.kill(0);
    remark(&chief, "while the bus was gone").await;
    chief.until("it said that the bus is gone", gone).await;
    servers.start_again(0).await;
    published(&chief).await;
    let lost = tempfile::tempdir()?;
    assert_eq!(restored(&bus, lost.path()).await?, events(&hub).await?);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_takeover_goes_on_in_the_journal_of_the_bus() -> Result<()> {
    let Some(servers) = Servers::start(1).await else {
        return Ok(());
    };
    let bus = servers.url();
    let mut first = serve().arg("--bus").arg(&bus).start();
    let second = Launch::standby(&first.url()).arg("--bus").arg(&bus).start();
    let chief = Phone::join(&first, CHIEF_CODE, "Wren", "chief").await;
    chief
        .until("the second laptop", |seen| {
            let other = seen.mirror().hubs.other.as_ref();
            other.is_some_and(|other| other.here && other.behind == 0)
        })
        .await;
    remark(&chief, "at the first").await;
    published(&chief).await;
    first.kill();
    chief
        .until("the second laptop", |seen| {
            seen.mirror().hubs.standing == spinover_protocol::hubs::Standing::Standby
        })
        .await;
    chief.done(Command::TakeOver {}).await;
    remark(&chief, "at the second").await;
    // What the first one said of the bus is not what is waited for.
    let lost = tempfile::tempdir()?;
    eventually("the whole journal on the bus", async || {
        let into = tempfile::tempdir_in(lost.path()).ok()?;
        let whole = restored(&bus, into.path()).await.ok()?;
        (whole == events(&second).await.ok()?).then_some(())
    })
    .await;
    Ok(())
}

fn car(seen: &Seen, name: &str) -> Option<CarHeard> {
    let team = seen.mirror().team.as_ref()?;
    let mut cars = team.cars.iter();
    cars.find(|heard| heard.car.name == name).cloned()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_car_is_on_every_wall_and_one_that_is_silent_is_old() {
    let Some(servers) = Servers::start(1).await else {
        return;
    };
    let bus = servers.url();
    let folder = tempfile::tempdir().expect("room for a car file");
    let lapwing = data::car_named(&data::own("car.toml"), "Lapwing", folder.path());
    let one = Launch::serve(&lapwing, &data::own("sheet.toml"))
        .arg("--bus")
        .arg(&bus)
        .start();
    let mut other = Launch::demo().arg("--bus").arg(&bus).start();
    let here = Phone::join(&one, CREW_CODE, "Ash", "idle").await;
    let there = Phone::join(&other, CREW_CODE, "Hazel", "fuel").await;
    here.until("both cars", |seen| {
        let fresh = |name: &str| car(seen, name).is_some_and(|heard| !heard.is_old());
        fresh("Lapwing") && fresh(CAR)
    })
    .await;
    // The simulated car's readings, and its step.
    here.until("its readings", |seen| {
        car(seen, CAR)
            .is_some_and(|heard| heard.car.frame.q.contains('g') && !heard.car.step.is_empty())
    })
    .await;
    let text = "fuel leak".to_owned();
    there.done(Command::Stop { text }).await;
    here.until("the stop at the other car", |seen| {
        car(seen, CAR)
            .and_then(|heard| heard.car.stop)
            .is_some_and(|stop| stop.text == "fuel leak" && stop.by == "Hazel")
    })
    .await;
    assert!(
        here.look(|seen| car(seen, "Lapwing"))
            .is_some_and(|heard| heard.car.stop.is_none()),
        "a stop is its own car's"
    );
    other.kill();
    here.until("the other car old", |seen| {
        car(seen, CAR).is_some_and(|heard| heard.is_old())
    })
    .await;
}
