//! The alarms of a warm-up: what their events fold into, and which of them are to be shown.

use super::{Said, Warmup};
use crate::{
    AlarmKey,
    alarm::{AlarmInput, AlarmNow, AlarmState, Aside, Shown},
    event::{Event, EventBody},
    map::sort_few,
};

impl Warmup {
    /// The state of an alarm now.
    pub fn alarm_state(&self, key: &AlarmKey) -> AlarmState {
        let in_phase = self
            .car
            .alarm(key)
            .is_some_and(|alarm| alarm.phases.hold(self.phase()));
        self.alarms
            .get(key)
            .map(|now| now.flags)
            .unwrap_or_default()
            .state(in_phase)
    }

    /// Alarms that are to be shown, with their states: the most urgent first, and of these the one that came first.
    pub fn alarms_shown(&self) -> Vec<(&AlarmKey, AlarmState, &AlarmNow)> {
        let mut shown: Vec<_> = self
            .alarms
            .iter()
            .map(|(key, now)| (key, self.alarm_state(key), now))
            .filter(|(_, state, _)| state.shown() != Shown::No)
            .collect();
        sort_few(&mut shown, |(key, state, now)| {
            let priority = self.car.alarm(key).map_or(u8::MAX, |alarm| alarm.priority);
            let aside = state.shown() == Shown::Aside;
            (aside, priority, now.raised_at, now.after.is_some())
        });
        shown
    }

    /// The alarm that came first of those that are shown in their places: most likely the cause of the others.
    pub fn first_out(&self) -> Option<&AlarmKey> {
        self.alarms_shown()
            .into_iter()
            .filter(|(_, state, _)| state.shown() > Shown::Aside)
            // Of two that came in one moment, the cause came first.
            .min_by_key(|(_, _, now)| (now.raised_at, now.after.is_some()))
            .map(|(key, _, _)| key)
    }

    /// Folds an alarm's event in; any other changes nothing.
    pub(super) fn apply_to_alarms(&mut self, event: &Event, body: &EventBody) {
        let said = |text: &str| Said {
            at: event.at,
            by: event.by.clone(),
            text: text.to_owned(),
        };
        match body {
            EventBody::AlarmRaised {
                alarm,
                value,
                after,
            } => {
                let input = match after {
                    Some(_) => AlarmInput::RaiseAfter,
                    None => AlarmInput::Raise,
                };
                let goes_on = self.alarms.get(alarm).is_some_and(|now| now.flags.active);
                let now = self.alarm_takes(alarm, input);
                // What turns from a consequence into news, or has another cause from here on, came when it first came.
                if !goes_on {
                    now.raised_at = Some(event.at);
                    now.times += 1;
                }
                now.value = *value;
                now.after = after.clone();
            }
            EventBody::AlarmReturned { alarm } => {
                let now = self.alarm_takes(alarm, AlarmInput::Return);
                now.returned_at = Some(event.at);
                now.after = None;
            }
            EventBody::AlarmAcknowledged { alarm } => {
                self.alarm_takes(alarm, AlarmInput::Acknowledge)
                    .acknowledged = Some(said(""));
            }
            EventBody::AlarmReset { alarm } => {
                self.alarm_takes(alarm, AlarmInput::Reset);
            }
            EventBody::AlarmShelved {
                alarm,
                until,
                reason,
            } => {
                self.alarm_takes(alarm, AlarmInput::Shelve).aside = Some(Aside {
                    said: said(reason),
                    until: Some(*until),
                });
            }
            EventBody::AlarmTakenOut { alarm, reason } => {
                self.alarm_takes(alarm, AlarmInput::TakeOut).aside = Some(Aside {
                    said: said(reason),
                    until: None,
                });
            }
            EventBody::AlarmUnshelved { alarm } => {
                self.alarm_comes_back(alarm, AlarmInput::Unshelve)
            }
            EventBody::AlarmPutBack { alarm } => self.alarm_comes_back(alarm, AlarmInput::PutBack),
            _ => {}
        }
    }

    fn alarm_takes(&mut self, key: &AlarmKey, input: AlarmInput) -> &mut AlarmNow {
        let latches = self.car.alarm(key).is_some_and(|alarm| alarm.latched);
        let now = self.alarms.entry(key.clone()).or_default();
        now.flags = now.flags.take(input, latches);
        now
    }

    fn alarm_comes_back(&mut self, key: &AlarmKey, input: AlarmInput) {
        let now = self.alarm_takes(key, input);
        if !now.flags.shelved && !now.flags.out {
            now.aside = None;
        }
    }
}
