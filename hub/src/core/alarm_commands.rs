//! What the chief does about alarms: acknowledge, reset, put aside, bring back.

use super::{
    Core,
    command::{Decision, Refusal, short, words},
};
use spinover_protocol::{
    AlarmKey, Millis,
    alarm::{Alarm, AlarmNow, Flags, SHELF_FIRST_S, SHELF_MOST_S},
    event::EventBody,
};

impl Core {
    pub(super) fn acknowledge_alarm(&self, alarm: AlarmKey) -> Result<Decision, Refusal> {
        let (_, now) = self.known_alarm(&alarm)?;
        Ok(match now.flags.unacknowledged {
            true => Decision::Events(vec![EventBody::AlarmAcknowledged { alarm }]),
            false => Decision::Nothing,
        })
    }

    pub(super) fn reset_alarm(&self, alarm: AlarmKey) -> Result<Decision, Refusal> {
        let (known, now) = self.known_alarm(&alarm)?;
        if now.flags.active {
            return Err(format!("'{}' is still so", known.text));
        }
        if now.flags.unacknowledged {
            return Err(format!("acknowledge '{}' first", known.text));
        }
        Ok(match now.flags.latched {
            true => Decision::Events(vec![EventBody::AlarmReset { alarm }]),
            false => Decision::Nothing,
        })
    }

    pub(super) fn shelve_alarm(
        &self,
        now: Millis,
        alarm: AlarmKey,
        for_s: u32,
        reason: String,
    ) -> Result<Decision, Refusal> {
        let reason = words(reason)?;
        let (known, is) = self.known_alarm(&alarm)?;
        if is.flags.out {
            return Err(format!("'{}' is out of service", known.text));
        }
        let most = match known.priority {
            1 => SHELF_FIRST_S,
            _ => SHELF_MOST_S,
        };
        if !(1..=most).contains(&for_s) {
            return Err(format!(
                "this alarm can be put aside for 1 to {most} seconds"
            ));
        }
        let until = now + i64::from(for_s) * 1000;
        Ok(Decision::Events(vec![EventBody::AlarmShelved {
            alarm,
            until,
            reason,
        }]))
    }

    pub(super) fn take_alarm_out(
        &self,
        alarm: AlarmKey,
        reason: String,
    ) -> Result<Decision, Refusal> {
        let reason = words(reason)?;
        let (_, now) = self.known_alarm(&alarm)?;
        Ok(match now.flags.out {
            true => Decision::Nothing,
            false => Decision::Events(vec![EventBody::AlarmTakenOut { alarm, reason }]),
        })
    }

    /// Brings an alarm back from wherever the flag says that it is.
    pub(super) fn bring_back(
        &self,
        alarm: AlarmKey,
        is_there: impl Fn(Flags) -> bool,
        event: impl Fn(AlarmKey) -> EventBody,
    ) -> Result<Decision, Refusal> {
        let (_, now) = self.known_alarm(&alarm)?;
        Ok(match is_there(now.flags) {
            true => Decision::Events(vec![event(alarm)]),
            false => Decision::Nothing,
        })
    }

    fn known_alarm(&self, key: &AlarmKey) -> Result<(&Alarm, AlarmNow), Refusal> {
        let warmup = self.any()?;
        let known = warmup
            .car
            .alarm(key)
            .ok_or_else(|| format!("there is no alarm '{}'", short(key.as_str())))?;
        Ok((known, warmup.alarms.get(key).cloned().unwrap_or_default()))
    }
}
