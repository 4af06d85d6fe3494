//! Whether the hub can be given other files now: nothing that somebody relies on at the car may be broken off for it.

use super::Core;
use spinover_protocol::{Millis, units::Unit};

/// Faster than this the engine turns, in rpm; below it a sensor at rest may wander. Common practice, no source.
const TURNS_RPM: f64 = 50.0;

impl Core {
    /// Why the files must not be changed now, in words; none when they may be.
    ///
    /// `played` says that the readings are a recording's or a simulation's, whose engine hurts nobody.
    pub fn busy(&self, now: Millis, played: bool) -> Option<String> {
        let warmup = self.record.warmup.as_ref();
        if warmup.is_some_and(|warmup| warmup.stops().next().is_some()) {
            return Some("a stop stands; lift it first".to_owned());
        }
        let begun = warmup
            .filter(|warmup| warmup.closed_at.is_none())
            .is_some_and(|warmup| {
                !warmup.order.is_empty()
                    || warmup.held.is_some()
                    || warmup.aborted.is_some()
                    || warmup.skip_asked.is_some()
            });
        if begun {
            return Some("a warm-up is under way; close it or begin a new one first".to_owned());
        }
        let turns = self
            .car
            .channel(&"engine_rpm".into())
            .is_some_and(|(index, channel)| {
                let value = self.channels.good(now, index);
                value
                    .and_then(|value| channel.unit.convert(value, Unit::Rpm))
                    .is_some_and(|rpm| rpm > TURNS_RPM)
            });
        (turns && !played).then(|| "the engine turns; wait until it stands".to_owned())
    }
}
