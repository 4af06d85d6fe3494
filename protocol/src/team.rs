//! The cars of a team: what each one's hub says of itself on the team's bus, and how the bus is. No I/O; the bus is in the hub's `bus`.

use crate::json::FromJson;
use crate::{
    ChannelKey, Seq,
    car::{Band, Car, Channel},
    message::Frame,
    record::{Record, Warmup},
};
use serde::{Deserialize, Serialize};

/// A car that has said nothing for so many milliseconds is shown as old: it speaks twice a second, and this is four times missed.
pub const CAR_OLD_MS: i64 = 2_000;
/// Strips that a car has on the team's wall, at most.
const STRIPS: usize = 4;
/// A call is on the wall for so long, in milliseconds; a stop until it is lifted.
const CALL_SHOWS_MS: i64 = 60_000;

/// What a hub knows of the bus, and of who is on it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Team {
    /// The bus is connected.
    pub here: bool,
    /// The bus has every event of this hub up to this one.
    pub sent: Seq,
    /// Events of this hub that are not on the bus yet.
    pub waiting: u64,
    /// What is wrong with the bus.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// The cars, this one too.
    pub cars: Vec<CarHeard>,
}

/// A car, and when it was heard of last.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct CarHeard {
    /// What it said.
    pub car: CarNow,
    /// Milliseconds since then.
    pub heard_ms: i64,
}

impl CarHeard {
    /// Whether this is no longer how that car is.
    pub fn is_old(&self) -> bool {
        self.heard_ms > CAR_OLD_MS
    }
}

/// What a car's procedure is at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum At {
    /// No warm-up is under way.
    #[default]
    Nothing,
    /// A step is to be marked.
    Step,
    /// Every step is done.
    AllDone,
    /// The chief holds.
    Held,
    /// It was aborted; the shut-down is under way.
    Aborted,
}

/// A stop call that is not lifted.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct StopCall {
    /// Its words.
    pub text: String,
    /// Who called.
    pub by: String,
}

/// What a car's hub says of itself.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct CarNow {
    /// The journal's name.
    pub journal: String,
    /// The team.
    pub team: String,
    /// The car.
    pub name: String,
    /// Why its readings are not live.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_live: Option<String>,
    /// What it is at.
    pub at: At,
    /// The phase, where a warm-up is under way.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub phase: String,
    /// The step, where one is to be marked.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub step: String,
    /// The channels of its strips.
    pub channels: Vec<Channel>,
    /// Their bands as they hold now.
    pub bands: Vec<Option<Band>>,
    /// Their readings, in that order.
    pub frame: Frame,
    /// A stop that is not lifted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stop: Option<StopCall>,
    /// The latest call, for a minute.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub call: Option<StopCall>,
}

/// The strips of the wall, of the chief where there is no role of that name, of the car where neither says.
fn strips(car: &Car) -> Vec<ChannelKey> {
    let role = |key: &str| {
        let strips = car.role(&key.into()).map(|role| role.strips.clone());
        strips.filter(|strips| !strips.is_empty())
    };
    let all = || {
        let keys = car.channels.iter().map(|channel| channel.key.clone());
        keys.collect()
    };
    role("wall").or_else(|| role("chief")).unwrap_or_else(all)
}

fn at(warmup: &Warmup) -> At {
    match (&warmup.aborted, &warmup.held, warmup.current()) {
        (Some(_), ..) => At::Aborted,
        (None, Some(_), _) => At::Held,
        (None, None, Some(_)) => At::Step,
        (None, None, None) => At::AllDone,
    }
}

impl CarNow {
    /// What there is to say of that car at that time of its hub's, with its latest frame.
    pub fn of(journal: &str, car: &Car, record: &Record, frame: &Frame) -> Self {
        let warmup = record.warmup.as_ref();
        let warmup = warmup.filter(|warmup| warmup.closed_at.is_none());
        let mut now = Self {
            journal: journal.to_owned(),
            team: car.team.clone(),
            name: car.name.clone(),
            frame: Frame {
                n: frame.n,
                now: frame.now,
                ..Frame::default()
            },
            ..Self::default()
        };
        let place = |key: &ChannelKey| car.channels.iter().position(|one| one.key == *key);
        for place in strips(car).iter().filter_map(place).take(STRIPS) {
            let channel = &car.channels[place];
            let (value, quality, age) = frame.reading(place);
            now.frame.v.push(value);
            now.frame.q.push(quality.letter());
            now.frame.age.push(age);
            now.bands.push(match warmup {
                Some(warmup) => warmup.band_now(&channel.key),
                None => channel.band,
            });
            now.channels.push(channel.clone());
        }
        if let Some(warmup) = warmup {
            now.at = at(warmup);
            if let Some((phase, step)) = warmup.current() {
                now.phase.clone_from(&phase.name);
                now.step.clone_from(&step.text);
            }
            let words = |call: &crate::record::Call| StopCall {
                text: call.said.text.clone(),
                by: call
                    .said
                    .by
                    .as_ref()
                    .map(|by| by.name.clone())
                    .unwrap_or_default(),
            };
            now.stop = warmup.stops().next().map(words);
            let fresh = |call: &&crate::record::Call| {
                !call.stop && frame.now - call.said.at < CALL_SHOWS_MS
            };
            now.call = warmup.calls.iter().rev().find(fresh).map(words);
        }
        now
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Unit;

    fn car() -> Car {
        let channel = |key: &str| Channel {
            band: Some((1.0, 2.0).into()),
            ..Channel::new(key, Unit::Rpm, (0.0, 9_000.0))
        };
        Car {
            name: "Kestrel".to_owned(),
            channels: ["a", "b", "c", "d", "e"].map(channel).to_vec(),
            ..Car::default()
        }
    }

    #[test]
    fn it_says_what_the_strips_read_and_no_more_than_there_is_room_for() {
        let frame = Frame {
            now: 7,
            v: vec![Some(1.0), None, Some(3.0), Some(4.0), Some(5.0)],
            q: "gnsog".to_owned(),
            age: vec![10, 0, 20, 3_000, 30],
            ..Frame::default()
        };
        let now = CarNow::of("j", &car(), &Record::default(), &frame);
        assert_eq!(
            (now.at, now.frame.now, now.channels.len()),
            (At::Nothing, 7, 4)
        );
        assert_eq!(now.frame.q, "gnso");
        assert_eq!(now.frame.v, [Some(1.0), None, Some(3.0), Some(4.0)]);
        assert_eq!(now.bands[0], Some((1.0, 2.0).into()));
        let text = serde_json::to_string(&now).unwrap();
        assert_eq!(serde_json::from_str::<CarNow>(&text).unwrap(), now);
    }

    #[test]
    fn a_car_that_falls_silent_is_old() {
        let heard = |heard_ms| CarHeard {
            heard_ms,
            ..CarHeard::default()
        };
        assert!(!heard(CAR_OLD_MS).is_old() && heard(CAR_OLD_MS + 1).is_old());
    }
}
