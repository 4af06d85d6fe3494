//! Which alarms a page shows, and in what words' places. No I/O.

use spinover_protocol::{
    AlarmKey, Millis,
    alarm::{Alarm, AlarmNow, AlarmState, Shown},
    link::Mirror,
    record::Warmup,
};

/// One alarm as the bar and the list show it.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Its key.
    pub key: AlarmKey,
    /// What is wrong.
    pub text: String,
    /// What to do about it.
    pub answer: String,
    /// 1 to 3.
    pub priority: u8,
    /// Its state.
    pub state: AlarmState,
    /// It came first of those that stand.
    pub first: bool,
    /// It offers a stop call.
    pub kill: bool,
    /// Its condition holds now.
    pub active: bool,
    /// It waits for a reset.
    pub latched: bool,
    /// When it came.
    pub since: Option<Millis>,
    /// Its channel's place in the car's list, and what it read.
    pub reading: Option<(usize, f64)>,
    /// Who put it aside, why, until when.
    pub aside: Option<(String, String, Option<Millis>)>,
    /// What followed from it.
    pub then: Vec<String>,
    /// How often it has come.
    pub times: u32,
}

/// The alarms to be shown over every page, the most urgent first; what only follows from another stands with that one.
///
/// What the latest frame calls urgent is shown even before its event has come.
pub fn bars(mirror: &Mirror) -> Vec<Line> {
    let Some(warmup) = &mirror.record.warmup else {
        return Vec::new();
    };
    let mut lines = standing(warmup);
    for key in &mirror.frame.urgent {
        let known = warmup.alarms.get(key).is_some_and(|now| now.flags.active);
        if let (false, Some(alarm)) = (known, warmup.car.alarm(key)) {
            let early = Line {
                state: AlarmState::Unacknowledged,
                active: true,
                ..of(alarm)
            };
            lines.retain(|line| line.key != *key);
            lines.insert(0, early);
        }
    }
    lines
}

/// The alarms that stand as a record has them, the most urgent first; what only follows from another stands with that one.
pub fn standing(warmup: &Warmup) -> Vec<Line> {
    let shown = warmup.alarms_shown();
    let after = |now: &AlarmNow| now.after.clone().filter(|_| now.flags.active);
    let mut lines: Vec<Line> = shown
        .iter()
        .filter(|(_, _, now)| after(now).is_none())
        .filter_map(|(key, ..)| line(warmup, key))
        .collect();
    for line in &mut lines {
        line.then = shown
            .iter()
            .filter(|(_, _, now)| after(now).as_ref() == Some(&line.key))
            .filter_map(|(key, ..)| Some(warmup.car.alarm(key)?.text.clone()))
            .collect();
    }
    lines
}

/// Every alarm of the car with its state, in the order of the file.
pub fn all(mirror: &Mirror) -> Vec<Line> {
    let Some(warmup) = &mirror.record.warmup else {
        return Vec::new();
    };
    let lines = warmup.car.alarms.iter();
    lines.filter_map(|alarm| line(warmup, &alarm.key)).collect()
}

/// What a phone should buzz for: the loud ones, the less urgent left out.
pub fn loud(lines: &[Line]) -> Vec<AlarmKey> {
    let loud = |line: &&Line| line.priority <= 2 && line.state == AlarmState::Unacknowledged;
    lines
        .iter()
        .filter(loud)
        .map(|line| line.key.clone())
        .collect()
}

fn of(alarm: &Alarm) -> Line {
    Line {
        key: alarm.key.clone(),
        text: alarm.text.clone(),
        answer: alarm.answer.clone(),
        priority: alarm.priority,
        state: AlarmState::Normal,
        first: false,
        kill: alarm.kill,
        active: false,
        latched: false,
        since: None,
        reading: None,
        aside: None,
        then: Vec::new(),
        times: 0,
    }
}

fn line(warmup: &Warmup, key: &AlarmKey) -> Option<Line> {
    let alarm = warmup.car.alarm(key)?;
    let state = warmup.alarm_state(key);
    let bare = Line { state, ..of(alarm) };
    let Some(now) = warmup.alarms.get(key) else {
        return Some(bare);
    };
    let channel = alarm
        .watch
        .channel()
        .and_then(|key| warmup.car.channel(key));
    Some(Line {
        first: warmup.first_out() == Some(key),
        active: now.flags.active,
        latched: now.flags.latched,
        since: now.raised_at.filter(|_| state.shown() > Shown::Aside),
        reading: channel
            .zip(now.value)
            .map(|((index, _), value)| (index, value)),
        aside: now.aside.as_ref().map(|aside| {
            let by = aside.said.by.as_ref().map(|by| by.name.clone());
            (by.unwrap_or_default(), aside.said.text.clone(), aside.until)
        }),
        times: now.times,
        ..bare
    })
}
