//! When alarms come true and when they go: limits with deadband, delays, phases, causes. What state that puts them in is
//! `spinover_protocol::alarm`'s and the record's; this only says "raised" and "returned".
//!
//! A reading that is not good proves nothing either way: an active alarm stays, and one that is not does not come. Time in doubt
//! counts towards raising, never towards returning. That a channel has no good reading, or that nothing comes at all, are
//! alarms of their own.

use super::channels::Channels;
use spinover_protocol::{
    AlarmKey, Millis,
    alarm::{Alarm, AlarmNow, Hold, Shown, Watch},
    car::Car,
    event::EventBody,
    message::{Quality, SRC_NONE, SRC_TYPED},
    record::Warmup,
    sheet::Phase,
};
use std::collections::BTreeSet;

/// What one alarm remembers between looks.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Memory {
    /// Since when its condition has held without a break.
    holds_since: Option<Millis>,
    /// Since when it has not, moved on by the time in doubt.
    gone_since: Option<Millis>,
    /// Since when its `while` has held.
    while_since: Option<Millis>,
    /// Since when its `once` has held, and whether it has for long enough.
    once_since: Option<Millis>,
    armed: bool,
}

/// All alarms of a car, looked at with every batch of readings, every event and every tick.
#[derive(Clone, Debug, PartialEq)]
pub struct Alarms {
    alarms: Vec<Alarm>,
    memories: Vec<Memory>,
    /// Figures that ask for attention.
    figures: BTreeSet<String>,
    /// The warm-up looked at last, and when.
    of: Option<String>,
    looked_at: Millis,
}

impl Alarms {
    /// The car's alarms; nothing has been seen yet.
    pub fn new(car: &Car) -> Self {
        Self {
            alarms: car.alarms.clone(),
            memories: vec![Memory::default(); car.alarms.len()],
            figures: BTreeSet::new(),
            of: None,
            looked_at: 0,
        }
    }

    /// Tells which figures ask for attention.
    pub fn figures_ask(&mut self, keys: impl Iterator<Item = String>) {
        self.figures = keys.collect();
    }

    /// Whether an alarm watches a figure, so that figures must be asked more often than the screen needs.
    pub fn watch_figures(&self) -> bool {
        self.alarms
            .iter()
            .any(|alarm| matches!(alarm.watch, Watch::Figure(_)))
    }

    /// What has happened to them: raised, returned, and shelves whose time is over.
    ///
    /// A warm-up that is closed is looked at as any other: closing the book on a running engine must not silence it.
    pub fn look(&mut self, now: Millis, channels: &Channels, warmup: &Warmup) -> Vec<EventBody> {
        if self.of.as_ref() != Some(&warmup.id) {
            self.of = Some(warmup.id.clone());
            for (alarm, memory) in self.alarms.iter().zip(&mut self.memories) {
                *memory = memory.carried(alarm, warmup);
            }
        }
        let passed = now - std::mem::replace(&mut self.looked_at, now);
        let mut events = Vec::new();
        for (key, alarm) in &warmup.alarms {
            let until = alarm.aside.as_ref().and_then(|aside| aside.until);
            if alarm.flags.shelved && until.is_some_and(|until| until <= now) {
                events.push(EventBody::AlarmUnshelved { alarm: key.clone() });
            }
        }
        // Every batch comes by here: the sheet is gone through once, not once an alarm.
        let phase = warmup.phase();
        let mut raised: Vec<(usize, Option<f64>)> = Vec::new();
        for (place, (alarm, memory)) in self.alarms.iter().zip(&mut self.memories).enumerate() {
            let active = is_active(warmup, &alarm.key);
            let (holds, value) = match memory.judged(alarm, now, channels, warmup, phase) {
                // What has come true has not gone before it is back through the deadband, also while the delay runs: else noise
                // about the limit would hold up an alarm on something that moves slowly.
                true => {
                    let pending = active || memory.holds_since.is_some();
                    condition(alarm, pending, now, channels, warmup, &self.figures)
                }
                false => (Some(false), None),
            };
            memory.note(now, passed, holds);
            let lasted =
                |since: Option<Millis>, delay| since.is_some_and(|since| now - since >= delay);
            if !active && holds == Some(true) && lasted(memory.holds_since, alarm.on_delay_ms) {
                raised.push((place, value));
            } else if active && lasted(memory.gone_since, alarm.off_delay_ms) {
                events.push(EventBody::AlarmReturned {
                    alarm: alarm.key.clone(),
                });
            }
        }
        self.raise(raised, warmup, &mut events);
        events
    }

    /// Causes are raised before what follows from them; and what was a consequence is news when its cause has gone.
    fn raise(
        &self,
        raised: Vec<(usize, Option<f64>)>,
        warmup: &Warmup,
        events: &mut Vec<EventBody>,
    ) {
        let returned = |key: &AlarmKey| {
            events
                .iter()
                .any(|event| matches!(event, EventBody::AlarmReturned { alarm } if alarm == key))
        };
        let stays = |key: &AlarmKey| is_active(warmup, key) && !returned(key);
        // What is put aside is seen by nobody who looks for causes; a shelf whose time is over with this look hides nothing any more.
        let unshelved: BTreeSet<AlarmKey> = events
            .iter()
            .filter_map(|event| match event {
                EventBody::AlarmUnshelved { alarm } => Some(alarm.clone()),
                _ => None,
            })
            .collect();
        let aside = |key: &AlarmKey| {
            let now = warmup.alarms.get(key);
            let shelved = |now: &AlarmNow| now.flags.shelved && !unshelved.contains(key);
            now.is_some_and(|now| now.flags.out || shelved(now))
        };
        let orphans: Vec<usize> = (0..self.alarms.len())
            .filter(|place| {
                let key = &self.alarms[*place].key;
                let after = warmup.alarms.get(key).and_then(|now| now.after.as_ref());
                stays(key) && after.is_some_and(|after| !stays(after) || aside(after))
            })
            .collect();
        if raised.is_empty() && orphans.is_empty() {
            return;
        }
        let mut standing: BTreeSet<AlarmKey> = self
            .alarms
            .iter()
            .enumerate()
            .filter(|(place, alarm)| stays(&alarm.key) && !orphans.contains(place))
            .map(|(_, alarm)| alarm.key.clone())
            .collect();
        let again = orphans.into_iter().map(|place| {
            (
                place,
                warmup
                    .alarms
                    .get(&self.alarms[place].key)
                    .and_then(|now| now.value),
            )
        });
        let mut waiting: Vec<(usize, Option<f64>)> = raised.into_iter().chain(again).collect();
        while !waiting.is_empty() {
            // One that follows none of the others that wait; where they go in a ring, the first.
            let others: BTreeSet<&AlarmKey> = waiting
                .iter()
                .map(|(place, _)| &self.alarms[*place].key)
                .collect();
            let next = waiting
                .iter()
                .position(|(place, _)| {
                    !self.alarms[*place]
                        .follows
                        .iter()
                        .any(|key| others.contains(key))
                })
                .unwrap_or(0);
            let (place, value) = waiting.remove(next);
            let alarm = &self.alarms[place];
            // A consequence is never more urgent than its cause: else it would be hidden behind it.
            let cause = |key: &&AlarmKey| {
                standing.contains(*key)
                    && self
                        .alarms
                        .iter()
                        .any(|cause| cause.key == **key && cause.priority <= alarm.priority)
                    && !aside(key)
            };
            let after = alarm.follows.iter().find(cause).cloned();
            standing.insert(alarm.key.clone());
            events.push(EventBody::AlarmRaised {
                alarm: alarm.key.clone(),
                value,
                after,
            });
        }
    }

    /// First-priority alarms that are active and not put aside.
    pub fn urgent(&self, warmup: &Warmup) -> Vec<AlarmKey> {
        let urgent = |alarm: &&Alarm| {
            alarm.priority == 1
                && is_active(warmup, &alarm.key)
                && warmup.alarm_state(&alarm.key).shown() > Shown::Aside
        };
        self.alarms
            .iter()
            .filter(urgent)
            .map(|alarm| alarm.key.clone())
            .collect()
    }
}

fn is_active(warmup: &Warmup, key: &AlarmKey) -> bool {
    warmup.alarms.get(key).is_some_and(|now| now.flags.active)
}

impl Memory {
    /// What is left of it for another warm-up, and for one that goes on after the hub was started again.
    ///
    /// The engine does not stop with the sheet; but the phases begin anew. An alarm that stands was judged when it came:
    /// what it is judged by held then, and does until a reading says otherwise.
    fn carried(self, alarm: &Alarm, warmup: &Warmup) -> Self {
        let raised_at = warmup
            .alarms
            .get(&alarm.key)
            .filter(|now| now.flags.active)
            .and_then(|now| now.raised_at);
        let held_since = alarm.only_while.as_ref().zip(raised_at);
        Self {
            while_since: self
                .while_since
                .or(held_since.map(|(hold, raised_at)| raised_at - hold.for_ms)),
            armed: raised_at.is_some(),
            ..Self::default()
        }
    }

    /// Whether the alarm is to be judged at all now.
    fn judged(
        &mut self,
        alarm: &Alarm,
        now: Millis,
        channels: &Channels,
        warmup: &Warmup,
        phase: Option<&Phase>,
    ) -> bool {
        let in_phase = alarm.phases.hold(phase);
        if !in_phase {
            self.armed = false;
            self.once_since = None;
        }
        let holds = |hold: &Hold, since: &mut Option<Millis>| {
            match good(channels, now, warmup, &hold.channel) {
                Some(value) if value >= hold.at_least => *since = since.or(Some(now)),
                Some(_) => *since = None,
                // What was so when it was last heard is taken to be so still: a lost link must not disarm its own alarm.
                None => {}
            }
            since.is_some_and(|since| now - since >= hold.for_ms)
        };
        let holding = alarm
            .only_while
            .as_ref()
            .is_none_or(|hold| holds(hold, &mut self.while_since));
        if in_phase {
            self.armed |= alarm
                .once
                .as_ref()
                .is_none_or(|hold| holds(hold, &mut self.once_since));
        }
        in_phase && holding && self.armed
    }

    fn note(&mut self, now: Millis, passed: Millis, holds: Option<bool>) {
        match holds {
            Some(true) => {
                self.holds_since = self.holds_since.or(Some(now));
                self.gone_since = None;
            }
            Some(false) => {
                self.holds_since = None;
                self.gone_since = self.gone_since.or(Some(now));
            }
            None => self.gone_since = self.gone_since.map(|since| since + passed),
        }
    }
}

/// Whether the alarm's condition holds now, where that can be said, and the reading.
fn condition(
    alarm: &Alarm,
    came: bool,
    now: Millis,
    channels: &Channels,
    warmup: &Warmup,
    figures: &BTreeSet<String>,
) -> (Option<bool>, Option<f64>) {
    // The deadband is on the way back only.
    let deadband = if came { alarm.deadband } else { 0.0 };
    match &alarm.watch {
        Watch::Above(limit) => {
            let value = good(channels, now, warmup, &limit.channel);
            (value.map(|value| value > limit.limit - deadband), value)
        }
        Watch::Below(limit) => {
            let value = good(channels, now, warmup, &limit.channel);
            (value.map(|value| value < limit.limit + deadband), value)
        }
        Watch::OutOfBand(channel) => {
            let value = good(channels, now, warmup, channel);
            let holds = value.zip(warmup.band_now(channel)).map(|(value, band)| {
                // Half of a band is always the way back: else an alarm on a narrow one would never go.
                let deadband = deadband.min((band.high - band.low) / 4.0);
                value < band.low + deadband || value > band.high - deadband
            });
            (holds, value)
        }
        Watch::Doubtful(channel) => {
            let Some((index, _)) = warmup.car.channel(channel) else {
                return (None, None);
            };
            let (value, quality, _) = channels.reading(now, index);
            (Some(quality != Quality::Good), value)
        }
        Watch::SilentMs(after) => {
            let newest = (0..warmup.car.channels.len())
                .filter(|index| !matches!(channels.source(now, *index), SRC_TYPED | SRC_NONE))
                .map(|index| channels.reading(now, index).2)
                .min();
            (newest.map(|age| age > *after), None)
        }
        Watch::Figure(key) => (Some(figures.contains(key)), None),
    }
}

fn good(
    channels: &Channels,
    now: Millis,
    warmup: &Warmup,
    channel: &spinover_protocol::ChannelKey,
) -> Option<f64> {
    let (index, _) = warmup.car.channel(channel)?;
    channels.good(now, index)
}
