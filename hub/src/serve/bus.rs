//! The hub's part of the team's bus: what this car says, twice a second, and what phones are told of the bus and of the other cars. The bus itself
//! is in `crate::bus`.

use super::App;
use crate::bus::{self, Bus, Ours, State};
use spinover_protocol::{
    message::{Frame, HubMessage},
    team::{CarHeard, CarNow, Team},
};
use std::{collections::BTreeMap, sync::Arc, time::Duration};
use tokio::{sync::watch, time::MissedTickBehavior};

/// How often the car says how it is, and phones are told of the others.
const EVERY: Duration = Duration::from_millis(500);
/// A car that has said nothing for so long has left.
const LEFT_AFTER: Duration = Duration::from_secs(600);

/// Publishes, and shows what there is, until the hub stops.
pub async fn run(bus: Bus, app: Arc<App>) {
    let (now_in, now) = watch::channel(None);
    let (state_in, state) = watch::channel(State::default());
    let ours = Ours {
        car: app.car.name.clone(),
        journal: app.journal.clone(),
        book: app.book.clone(),
        last: app.log.subscribe(),
        hubs: app.peers.hubs.clone(),
        now,
    };
    tokio::select! {
        () = bus::run(bus, ours, state_in) => {}
        () = tell(&app, now_in, state) => {}
    }
}

async fn tell(app: &App, now: watch::Sender<Option<CarNow>>, state: watch::Receiver<State>) {
    let mut board = app.board.clone();
    let mut seen = super::shared::Seen::default();
    let mut frame = Frame::default();
    let mut due = tokio::time::interval(EVERY);
    due.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        due.tick().await;
        for text in board.borrow_and_update().news(&mut seen) {
            if let Ok(HubMessage::Readings(latest)) = serde_json::from_str(&text) {
                frame = latest;
            }
        }
        let car = CarNow::of(&app.journal, &app.car, &app.log.record(), &frame);
        now.send_replace(Some(CarNow {
            not_live: app.not_live.clone(),
            ..car
        }));
        (app.show)(HubMessage::Team(team(&state.borrow(), app.log.last())));
    }
}

fn team(state: &State, last: u64) -> Team {
    let heard = state.cars.values().filter_map(|heard| {
        let silent = heard.at.elapsed();
        (silent < LEFT_AFTER).then(|| {
            let car = CarHeard {
                car: heard.car.clone(),
                heard_ms: silent.as_millis() as i64,
            };
            (heard.car.name.clone(), car)
        })
    });
    // By name, so that none changes its place on the wall.
    let cars: BTreeMap<String, CarHeard> = heard.collect();
    Team {
        here: state.here,
        sent: state.sent,
        waiting: last.saturating_sub(state.sent),
        why: state.why.clone(),
        cars: cars.into_values().collect(),
    }
}
