//! The car file's alarms: `[[alarm]]`.

use super::car::{CarFile, Known, refer};
use super::mistakes::{Mistake, instead, nearest, quoted};
use super::walk::{Key, Kind, MAX_KEY, MAX_LABEL, MAX_WORDS, Spot, Walk};
use spinover_protocol::{
    AlarmKey, PhaseKey,
    alarm::{Alarm, Hold, InPhases, Limit, Watch},
    car::Channel,
    sheet::Sheet,
    units::Dimension,
};
use std::collections::BTreeMap;

const fn key(name: &'static str, example: &'static str) -> Key {
    Key { name, example }
}

pub(super) const ALARM: Kind = Kind {
    header: "[[alarm]]",
    keys: &[
        key("key", "key = \"oil_pressure_lost\""),
        key("text", "text = \"Oil pressure lost\""),
        key("answer", "answer = \"Shut it off\""),
        key("priority", "priority = 1"),
        key("channel", "channel = \"oil_pressure\""),
        key("above", "above = 290"),
        key("below", "below = 25"),
        key("out_of_band", "out_of_band = true"),
        key("doubtful", "doubtful = true"),
        key("silent_s", "silent_s = 1"),
        key("figure", "figure = \"fuel_left\""),
        key("deadband", "deadband = 5"),
        key("on_delay_s", "on_delay_s = 0.4"),
        key("off_delay_s", "off_delay_s = 1"),
        key("phases", "phases = \"running\""),
        key(
            "while",
            "while = { channel = \"engine_rpm\", at_least = 900, for_s = 6 }",
        ),
        key(
            "once",
            "once = { channel = \"engine_rpm\", at_least = 900, for_s = 3 }",
        ),
        key("latched", "latched = true"),
        key("kill", "kill = true"),
        key("follows", "follows = [\"engine_stopped\"]"),
    ],
};
pub(super) const HOLD: Kind = Kind {
    header: "while",
    keys: &[
        key("channel", "channel = \"engine_rpm\""),
        key("at_least", "at_least = 900"),
        key("for_s", "for_s = 6"),
    ],
};

/// The ways to say what an alarm watches; each has exactly one.
const WAYS: [&str; 6] = [
    "above",
    "below",
    "out_of_band",
    "doubtful",
    "silent_s",
    "figure",
];
const PHASES: [&str; 4] = ["all", "firing", "running", "still"];
/// Delays when the file says none, in milliseconds, for the priorities 1, 2 and 3. Guidance for process plants (EEMUA 191, as
/// quoted by others) is 15 to 60 s; an engine without oil pressure is gone before that, so these are ours: three samples of
/// a 10 Hz recorder for the first priority, so that one bad sample raises nothing, and longer where nothing breaks at once.
const ON_DELAYS_MS: [i64; 3] = [300, 1_000, 2_000];
const OFF_DELAY_MS: i64 = 2_000;

/// Reads every `[[alarm]]`.
pub(super) fn alarms(
    walks: &[Walk<'_>],
    known: &Known<'_>,
    channels: &[Option<Channel>],
    keys: &BTreeMap<String, usize>,
) -> Vec<Option<Alarm>> {
    let mut priorities = BTreeMap::new();
    for walk in walks {
        if let (Some(key), Some(priority)) = (walk.silent_key(), walk.number_silent("priority")) {
            priorities.insert(key, priority);
        }
    }
    walks
        .iter()
        .map(|walk| {
            let others = Others {
                keys,
                priorities: &priorities,
            };
            alarm(walk, known, channels, &others)
        })
        .collect()
}

/// The file's other alarms, for what refers to them.
struct Others<'o> {
    keys: &'o BTreeMap<String, usize>,
    priorities: &'o BTreeMap<String, f64>,
}

fn alarm(
    walk: &Walk<'_>,
    known: &Known<'_>,
    channels: &[Option<Channel>],
    others: &Others<'_>,
) -> Option<Alarm> {
    let text = walk.need_text("text", MAX_LABEL);
    let answer = walk.need_text("answer", MAX_WORDS);
    walk.need("priority");
    let priority = walk.whole("priority", 1..=3);
    let watch = watch(walk, known);
    let channel = watch.as_ref().and_then(Watch::channel).and_then(|key| {
        channels
            .iter()
            .flatten()
            .find(|channel| channel.key == *key)
    });
    if let Some(channel) = channel {
        check_limit(walk, channel);
    }
    let deadband = walk.number_in("deadband", 0.0..=1e6, "");
    let room = channel
        .zip(watch.as_ref())
        .and_then(|(channel, watch)| room(channel, watch));
    if let (Some(deadband), Some(room)) = (&deadband, room)
        && deadband.value >= room
        && room > 0.0
    {
        walk.notes.wrong(
            deadband.at,
            format!("`deadband` is {}, and no plausible reading is that far on the right side of the limit", deadband.value),
            format!("give less than {room}: else the alarm could never go"),
        );
    }
    let on_delay = walk.millis("on_delay_s");
    let off_delay = walk.millis("off_delay_s");
    let phases = phases(walk);
    let only_while = hold(walk, "while", known);
    let once = hold(walk, "once", known);
    let follows = walk.texts("follows", MAX_KEY);
    for follow in &follows {
        refer(walk, follow, "alarm", others.keys);
        let (own, theirs) = (priority.as_ref(), others.priorities.get(&follow.value));
        if let (Some(own), Some(theirs)) = (own, theirs)
            && f64::from(own.value) < *theirs
        {
            walk.notes.wrong(
                follow.at,
                format!("{} is less urgent than this alarm", quoted(&follow.value)),
                "an alarm can only follow one of its own priority or a more urgent one, else it would be hidden behind it",
            );
        }
    }
    let latched = walk.yes_no("latched").is_some_and(|spot| spot.value);
    let kill = walk.yes_no("kill").is_some_and(|spot| spot.value);
    let key = walk.silent_key()?;
    let priority = priority?.value as u8;
    Some(Alarm {
        key: key.as_str().into(),
        text: text?.value,
        answer: answer?.value,
        priority,
        watch: watch?,
        deadband: deadband.map_or_else(
            || {
                channel.map_or(0.0, |channel| {
                    usual_deadband(channel).min(room.unwrap_or(f64::MAX) / 2.0)
                })
            },
            |spot| spot.value,
        ),
        on_delay_ms: on_delay.map_or(ON_DELAYS_MS[usize::from(priority) - 1], |spot| spot.value),
        off_delay_ms: off_delay.map_or(OFF_DELAY_MS, |spot| spot.value),
        phases: phases?,
        only_while: only_while?,
        once: once?,
        latched,
        kill,
        follows: follows
            .iter()
            .map(|spot| spot.value.as_str().into())
            .collect(),
    })
}

/// The share of a channel's plausible span that EEMUA 191 recommends as a deadband, as an engineering firm's page quotes it:
/// 5 % for flow, 2 % for pressure, 1 % for temperature; and 1 % for what it does not name.
fn usual_deadband(channel: &Channel) -> f64 {
    let share = match channel.unit.dimension() {
        Dimension::VolumeFlow => 0.05,
        Dimension::Pressure => 0.02,
        _ => 0.01,
    };
    share * (channel.plausible.high - channel.plausible.low)
}

fn watch(walk: &Walk<'_>, known: &Known<'_>) -> Option<Watch> {
    let ways: Vec<&str> = WAYS.into_iter().filter(|way| walk.has(way)).collect();
    let [way] = ways[..] else {
        let right = "say one of `above`, `below`, `out_of_band`, `doubtful`, `silent_s`, `figure`";
        match ways.get(1) {
            Some(second) => walk.wrong(
                second,
                format!("`{}` and `{second}` are both there", ways[0]),
                right,
            ),
            None => walk
                .notes
                .absent(walk.at, "the alarm watches nothing", right),
        }
        return None;
    };
    let channel = walk.text("channel", MAX_KEY);
    if let Some(channel) = &channel {
        refer(walk, channel, "channel", known.channels);
    }
    match way {
        "silent_s" | "figure" => {
            if let Some(channel) = &channel {
                walk.notes.wrong(
                    channel.at,
                    format!("`{way}` looks at no channel"),
                    "leave `channel` out",
                );
            }
        }
        _ => walk.need("channel"),
    }
    let of = || Some(channel.as_ref()?.value.as_str().into());
    let limit = |name| {
        let limit = walk.number(name)?.value;
        Some(Limit {
            channel: of()?,
            limit,
        })
    };
    let yes = |name: &str| {
        let spot = walk.yes_no(name)?;
        if !spot.value {
            walk.notes.wrong(
                spot.at,
                format!("`{name}` is false"),
                "write `true`, or say otherwise what it watches",
            );
        }
        Some(())
    };
    match way {
        "above" => limit("above").map(Watch::Above),
        "below" => limit("below").map(Watch::Below),
        "out_of_band" => yes(way).and_then(|()| of()).map(Watch::OutOfBand),
        "doubtful" => yes(way).and_then(|()| of()).map(Watch::Doubtful),
        "silent_s" => {
            let silent = walk.millis("silent_s")?;
            if silent.value < 200 {
                walk.notes.wrong(
                    silent.at,
                    "`silent_s` is below 0.2",
                    "give a few times the sources' usual interval, 0.2 or more",
                );
            }
            Some(Watch::SilentMs(silent.value))
        }
        _ => {
            let figure = walk.text("figure", MAX_KEY)?;
            if !super::car::FIGURES.contains(&figure.value.as_str()) {
                let right = instead(&figure.value, super::car::FIGURES);
                walk.notes.wrong(
                    figure.at,
                    format!("unknown figure {}", quoted(&figure.value)),
                    right,
                );
            }
            Some(Watch::Figure(figure.value))
        }
    }
}

/// How far on the right side of its limit a plausible reading can be, in the channel's unit.
fn room(channel: &Channel, watch: &Watch) -> Option<f64> {
    match watch {
        Watch::Above(limit) => Some(limit.limit - channel.plausible.low),
        Watch::Below(limit) => Some(channel.plausible.high - limit.limit),
        _ => None,
    }
}

/// A limit that no plausible reading crosses is a mistake: the alarm could never come, or never go.
fn check_limit(walk: &Walk<'_>, channel: &Channel) {
    for name in ["above", "below"] {
        if let Some(Spot { at, value }) = walk.has(name).then(|| walk.number(name)).flatten()
            && !channel.plausible.holds(value)
        {
            let (low, high) = (channel.plausible.low, channel.plausible.high);
            walk.notes.wrong(
                at,
                format!(
                    "`{name}` is {value}, outside what is plausible for `{}`",
                    channel.key
                ),
                format!("give a limit from {low} to {high} {}", channel.unit),
            );
        }
    }
}

fn phases(walk: &Walk<'_>) -> Option<InPhases> {
    if !walk.has("phases") {
        return Some(InPhases::All);
    }
    if walk.is_list("phases") {
        let keys = walk.texts("phases", MAX_KEY);
        return Some(InPhases::These(
            keys.iter().map(|spot| spot.value.as_str().into()).collect(),
        ));
    }
    let word = walk.text("phases", MAX_KEY)?;
    Some(match word.value.as_str() {
        "all" => InPhases::All,
        "firing" => InPhases::Firing,
        "running" => InPhases::Running,
        "still" => InPhases::Still,
        _ => {
            let right = format!("{}, or a list of phase keys", instead(&word.value, PHASES));
            walk.notes.wrong(
                word.at,
                format!("unknown phases {}", quoted(&word.value)),
                right,
            );
            return None;
        }
    })
}

/// A phase that an alarm names, and where the car file does so.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedPhase {
    /// The alarm.
    pub alarm: AlarmKey,
    /// The phase.
    pub phase: PhaseKey,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
}

/// Every phase that an alarm names.
pub(super) fn named_phases(walks: &[Walk<'_>]) -> Vec<NamedPhase> {
    let mut named = Vec::new();
    for walk in walks.iter().filter(|walk| walk.is_list("phases")) {
        let Some(alarm) = walk.silent_key() else {
            continue;
        };
        for spot in walk.texts("phases", MAX_KEY) {
            let (line, column) = walk.notes.position(spot.at);
            named.push(NamedPhase {
                alarm: alarm.as_str().into(),
                phase: spot.value.as_str().into(),
                line,
                column,
            });
        }
    }
    named
}

/// Phases that alarms name, none of the sheets has, and that look like mistakes, with their places in the car file: misspelt
/// ones, and those of an alarm that means something in no phase of any sheet. The sheet that has one may be another, so this
/// is for a person to judge.
pub fn unknown_phases(file: &str, car: &CarFile, sheets: &[&Sheet]) -> Vec<Mistake> {
    let keys = || {
        let phases = sheets.iter().flat_map(|sheet| &sheet.phases);
        phases.map(|phase| phase.key.as_str())
    };
    let known = |named: &NamedPhase| keys().any(|key| key == named.phase.as_str());
    let useless = |alarm: &AlarmKey| {
        let mut of = car
            .named_phases
            .iter()
            .filter(|named| named.alarm == *alarm);
        !of.any(known)
    };
    let odd = |named: &&NamedPhase| {
        let misspelt = || nearest(named.phase.as_str(), keys()).is_some();
        !known(named) && (misspelt() || useless(&named.alarm))
    };
    let told = car.named_phases.iter().filter(odd).map(|named| Mistake {
        file: file.to_owned(),
        line: named.line,
        column: named.column,
        what: format!(
            "alarm {} names the phase {}, and none of these sheets has it",
            quoted(named.alarm.as_str()),
            quoted(named.phase.as_str())
        ),
        right: instead(named.phase.as_str(), keys()),
    });
    told.collect()
}

/// `None` when it is there and wrong.
fn hold(walk: &Walk<'_>, name: &'static str, known: &Known<'_>) -> Option<Option<Hold>> {
    if !walk.has(name) {
        return Some(None);
    }
    let hold = walk.table(name, &HOLD)?;
    let channel = hold.need_text("channel", MAX_KEY);
    if let Some(channel) = &channel {
        refer(&hold, channel, "channel", known.channels);
    }
    hold.need("at_least");
    let at_least = hold.number("at_least");
    let for_ms = hold.millis("for_s");
    Some(Some(Hold {
        channel: channel?.value.as_str().into(),
        at_least: at_least?.value,
        for_ms: for_ms.map_or(0, |spot| spot.value),
    }))
}
