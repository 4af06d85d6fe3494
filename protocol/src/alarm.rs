//! Alarms, by the state model of ANSI/ISA-18.2 (IEC 62682): what each one watches, and what state it is in.
//!
//! [`Flags::take`] is the whole state machine and is small enough to be tried out in full; what is kept beside it (who, when,
//! why) is in [`AlarmNow`]. Two things are narrower here than the standard allows, because seconds count at an engine:
//! a phase never silences an alarm that has been raised already, and a shelf of a first-priority alarm is a minute at most.

use crate::json::FromJson;
use crate::{AlarmKey, ChannelKey, Millis, PhaseKey, record::Said, sheet::Phase};
use serde::{Deserialize, Serialize};

/// A first-priority alarm can be shelved for this long at most, in seconds.
pub const SHELF_FIRST_S: u32 = 60;
/// Any other alarm can be shelved for this long at most, in seconds.
pub const SHELF_MOST_S: u32 = 900;

/// One alarm of the car file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Alarm {
    /// Its key.
    pub key: AlarmKey,
    /// What the crew reads: what is wrong.
    pub text: String,
    /// What the crew does about it. An alarm that nobody can answer is none.
    pub answer: String,
    /// 1, 2 or 3; 1 comes first.
    pub priority: u8,
    /// What it looks at.
    pub watch: Watch,
    /// How far beyond its limit, on the right side, the reading must come back before the alarm returns, in the channel's unit.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub deadband: f64,
    /// The condition must hold for this long without a break, in milliseconds.
    pub on_delay_ms: i64,
    /// It must be gone for this long, in milliseconds.
    pub off_delay_ms: i64,
    /// The phases in which it means something.
    #[serde(default, skip_serializing_if = "InPhases::is_all")]
    pub phases: InPhases,
    /// It is judged only while this holds.
    #[serde(default, rename = "while", skip_serializing_if = "Option::is_none")]
    pub only_while: Option<Hold>,
    /// It is judged only once this has held since its phases began.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub once: Option<Hold>,
    /// It stays until the chief resets it, though the condition be gone.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub latched: bool,
    /// It offers everybody a stop call with its words.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub kill: bool,
    /// While one of these is active it is a consequence: shown under it, and no news of its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub follows: Vec<AlarmKey>,
}

/// What an alarm looks at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum Watch {
    /// A good reading above a limit.
    Above(Limit),
    /// A good reading below a limit.
    Below(Limit),
    /// A good reading outside the band that holds at the time.
    OutOfBand(ChannelKey),
    /// A channel that has no good reading.
    Doubtful(ChannelKey),
    /// Nothing has come from any source for so many milliseconds, though something came before.
    SilentMs(i64),
    /// A figure that asks for attention.
    Figure(String),
}

impl Watch {
    /// The channel that it looks at, where it is one.
    pub fn channel(&self) -> Option<&ChannelKey> {
        match self {
            Self::Above(limit) | Self::Below(limit) => Some(&limit.channel),
            Self::OutOfBand(channel) | Self::Doubtful(channel) => Some(channel),
            Self::SilentMs(_) | Self::Figure(_) => None,
        }
    }
}

/// A channel and a limit in its unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Limit {
    /// The channel.
    pub channel: ChannelKey,
    /// The limit.
    pub limit: f64,
}

/// A reading that has been high enough for long enough.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Hold {
    /// The channel.
    pub channel: ChannelKey,
    /// At least this, in its unit.
    pub at_least: f64,
    /// For this long without a break, in milliseconds.
    #[serde(default)]
    pub for_ms: i64,
}

/// The phases in which an alarm means something.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum InPhases {
    /// All.
    #[default]
    All,
    /// Those in which the engine is meant to fire.
    Firing,
    /// Those in which it fires, and the shut-down: it may still turn.
    Running,
    /// Those in which it is meant to stand still: neither of the above.
    Still,
    /// Those named.
    These(Vec<PhaseKey>),
}

impl InPhases {
    fn is_all(&self) -> bool {
        *self == Self::All
    }

    /// Whether that phase is one of them.
    pub fn hold(&self, phase: Option<&Phase>) -> bool {
        let (firing, shut_down) =
            phase.map_or((false, false), |phase| (phase.firing, phase.shut_down));
        match self {
            Self::All => true,
            Self::Firing => firing,
            Self::Running => firing || shut_down,
            Self::Still => !firing && !shut_down,
            Self::These(keys) => phase.is_some_and(|phase| keys.contains(&phase.key)),
        }
    }
}

/// The states of ANSI/ISA-18.2.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, FromJson,
)]
#[serde(rename_all = "snake_case")]
pub enum AlarmState {
    /// Nothing.
    Normal,
    /// True, and nobody has acknowledged it.
    Unacknowledged,
    /// True, and acknowledged.
    Acknowledged,
    /// Was true, is not, and nobody has acknowledged it.
    ReturnedUnacknowledged,
    /// Was true, is kept until it is reset, and nobody has acknowledged it.
    LatchedUnacknowledged,
    /// Was true, is kept until it is reset, and acknowledged.
    LatchedAcknowledged,
    /// Put aside for a while.
    Shelved,
    /// Means nothing in this phase.
    Suppressed,
    /// Put out of service for this warm-up.
    OutOfService,
}

impl AlarmState {
    /// All of them.
    pub const ALL: [Self; 9] = [
        Self::Normal,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::ReturnedUnacknowledged,
        Self::LatchedUnacknowledged,
        Self::LatchedAcknowledged,
        Self::Shelved,
        Self::Suppressed,
        Self::OutOfService,
    ];

    /// How it is to be shown.
    pub fn shown(self) -> Shown {
        match self {
            Self::Normal | Self::Suppressed => Shown::No,
            Self::Unacknowledged | Self::LatchedUnacknowledged => Shown::Loud,
            Self::Acknowledged | Self::ReturnedUnacknowledged | Self::LatchedAcknowledged => {
                Shown::Still
            }
            Self::Shelved | Self::OutOfService => Shown::Aside,
        }
    }
}

/// How an alarm is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Shown {
    /// Not at all.
    No,
    /// In a line that says who put it aside and until when.
    Aside,
    /// In its place, without flashing.
    Still,
    /// So that nobody misses it.
    Loud,
}

/// What can happen to an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AlarmInput {
    /// Its condition has come true, as news.
    Raise,
    /// Its condition has come true as the consequence of another alarm.
    RaiseAfter,
    /// Its condition has gone.
    Return,
    /// The chief has acknowledged it.
    Acknowledge,
    /// The chief has reset it.
    Reset,
    /// The chief has put it aside for a while.
    Shelve,
    /// The while is over, or the chief took it back.
    Unshelve,
    /// The chief has put it out of service.
    TakeOut,
    /// The chief has put it back.
    PutBack,
}

impl AlarmInput {
    /// All of them.
    pub const ALL: [Self; 9] = [
        Self::Raise,
        Self::RaiseAfter,
        Self::Return,
        Self::Acknowledge,
        Self::Reset,
        Self::Shelve,
        Self::Unshelve,
        Self::TakeOut,
        Self::PutBack,
    ];
}

/// All that an alarm's state depends on.
#[derive(
    Clone,
    Copy,
    Debug,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    FromJson,
)]
#[serde(default)]
pub struct Flags {
    /// Its condition holds, after the delays. Kept up also while it is put aside, so that the screen can say so.
    pub active: bool,
    /// It waits to be acknowledged.
    pub unacknowledged: bool,
    /// It waits to be reset.
    pub latched: bool,
    /// It is shelved.
    pub shelved: bool,
    /// It is out of service.
    pub out: bool,
}

impl Flags {
    /// What they are after that. `latches` is whether this alarm waits for a reset.
    pub fn take(mut self, input: AlarmInput, latches: bool) -> Self {
        use AlarmInput as I;
        match input {
            I::Raise | I::RaiseAfter => {
                self.active = true;
                self.unacknowledged |= input == I::Raise && !self.aside();
                self.latched |= latches;
            }
            I::Return => self.active = false,
            I::Acknowledge => self.unacknowledged = false,
            I::Reset => self.latched &= self.active || self.unacknowledged,
            // Out of service goes before a shelf: else a shelf whose time nobody watches would outlast it.
            I::Shelve => {
                self.shelved = !self.out;
                self.unacknowledged = false;
            }
            I::TakeOut => {
                self.out = true;
                self.shelved = false;
                self.unacknowledged = false;
            }
            I::Unshelve => self.come_back(self.shelved),
            I::PutBack => self.come_back(self.out),
        }
        self
    }

    fn aside(self) -> bool {
        self.shelved || self.out
    }

    /// What is true when it comes back is news, whatever was known before.
    fn come_back(&mut self, is_there: bool) {
        if is_there {
            self.shelved = false;
            self.out = false;
            self.unacknowledged = self.active;
        }
    }

    /// The state. `in_phase` is whether the alarm means something in this phase; an alarm that is raised stays so in any.
    pub fn state(self, in_phase: bool) -> AlarmState {
        use AlarmState as S;
        match self {
            Self { out: true, .. } => S::OutOfService,
            Self { shelved: true, .. } => S::Shelved,
            Self {
                active: true,
                unacknowledged: true,
                ..
            } => S::Unacknowledged,
            Self { active: true, .. } => S::Acknowledged,
            Self {
                latched: true,
                unacknowledged: true,
                ..
            } => S::LatchedUnacknowledged,
            Self { latched: true, .. } => S::LatchedAcknowledged,
            Self {
                unacknowledged: true,
                ..
            } => S::ReturnedUnacknowledged,
            _ if !in_phase => S::Suppressed,
            _ => S::Normal,
        }
    }
}

/// One alarm as recorded.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(default)]
pub struct AlarmNow {
    /// What its state depends on.
    #[serde(flatten)]
    pub flags: Flags,
    /// When its condition last came true as news.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub raised_at: Option<Millis>,
    /// What the channel read then, in its unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// The alarm that it is a consequence of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<AlarmKey>,
    /// When its condition last went.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub returned_at: Option<Millis>,
    /// Who acknowledged it last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub acknowledged: Option<Said>,
    /// Who put it aside, why, and until when; no time when it is out of service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub aside: Option<Aside>,
    /// How often it has come in this warm-up.
    pub times: u32,
}

/// Who put an alarm aside, why, and until when.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Aside {
    /// Who and why.
    pub said: Said,
    /// Until when it is shelved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Millis>,
}

fn is_zero(value: &f64) -> bool {
    *value == 0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use AlarmInput as I;
    use AlarmState as S;
    use std::collections::BTreeSet;

    /// Every reachable set of flags.
    fn reachable(latches: bool) -> BTreeSet<Flags> {
        let mut known = BTreeSet::from([Flags::default()]);
        let mut fresh = vec![Flags::default()];
        while let Some(flags) = fresh.pop() {
            for input in I::ALL {
                let next = flags.take(input, latches);
                if known.insert(next) {
                    fresh.push(next);
                }
            }
        }
        known
    }

    /// The transitions of the standard's state diagram (ANSI/ISA-18.2, figure of the alarm state transition; from memory and
    /// from a documentation page that says it follows it), for every pair of state and input. A state is reached in the one
    /// way that is usual; the test below goes through all others.
    #[test]
    fn every_pair_of_state_and_input_goes_where_the_standard_says() {
        let on = Flags {
            active: true,
            ..Flags::default()
        };
        let news = Flags {
            unacknowledged: true,
            ..on
        };
        // Not latching, inputs in the order of `AlarmInput::ALL`.
        let plain: [(Flags, [S; 9]); 6] = [
            (
                Flags::default(),
                [
                    S::Unacknowledged,
                    S::Acknowledged,
                    S::Normal,
                    S::Normal,
                    S::Normal,
                    S::Shelved,
                    S::Normal,
                    S::OutOfService,
                    S::Normal,
                ],
            ),
            (
                news,
                [
                    S::Unacknowledged,
                    S::Unacknowledged,
                    S::ReturnedUnacknowledged,
                    S::Acknowledged,
                    S::Unacknowledged,
                    S::Shelved,
                    S::Unacknowledged,
                    S::OutOfService,
                    S::Unacknowledged,
                ],
            ),
            (
                on,
                [
                    S::Unacknowledged,
                    S::Acknowledged,
                    S::Normal,
                    S::Acknowledged,
                    S::Acknowledged,
                    S::Shelved,
                    S::Acknowledged,
                    S::OutOfService,
                    S::Acknowledged,
                ],
            ),
            (
                Flags {
                    unacknowledged: true,
                    ..Flags::default()
                },
                [
                    S::Unacknowledged,
                    S::Unacknowledged,
                    S::ReturnedUnacknowledged,
                    S::Normal,
                    S::ReturnedUnacknowledged,
                    S::Shelved,
                    S::ReturnedUnacknowledged,
                    S::OutOfService,
                    S::ReturnedUnacknowledged,
                ],
            ),
            (
                Flags {
                    shelved: true,
                    ..on
                },
                [
                    S::Shelved,
                    S::Shelved,
                    S::Shelved,
                    S::Shelved,
                    S::Shelved,
                    S::Shelved,
                    S::Unacknowledged,
                    S::OutOfService,
                    S::Shelved,
                ],
            ),
            (
                Flags { out: true, ..on },
                [
                    S::OutOfService,
                    S::OutOfService,
                    S::OutOfService,
                    S::OutOfService,
                    S::OutOfService,
                    S::OutOfService,
                    S::OutOfService,
                    S::OutOfService,
                    S::Unacknowledged,
                ],
            ),
        ];
        let latch = Flags {
            latched: true,
            ..Flags::default()
        };
        let latching: [(Flags, [S; 9]); 4] = [
            (
                Flags {
                    latched: true,
                    ..news
                },
                [
                    S::Unacknowledged,
                    S::Unacknowledged,
                    S::LatchedUnacknowledged,
                    S::Acknowledged,
                    S::Unacknowledged,
                    S::Shelved,
                    S::Unacknowledged,
                    S::OutOfService,
                    S::Unacknowledged,
                ],
            ),
            (
                Flags {
                    latched: true,
                    ..on
                },
                [
                    S::Unacknowledged,
                    S::Acknowledged,
                    S::LatchedAcknowledged,
                    S::Acknowledged,
                    S::Acknowledged,
                    S::Shelved,
                    S::Acknowledged,
                    S::OutOfService,
                    S::Acknowledged,
                ],
            ),
            (
                Flags {
                    unacknowledged: true,
                    ..latch
                },
                [
                    S::Unacknowledged,
                    S::Unacknowledged,
                    S::LatchedUnacknowledged,
                    S::LatchedAcknowledged,
                    S::LatchedUnacknowledged,
                    S::Shelved,
                    S::LatchedUnacknowledged,
                    S::OutOfService,
                    S::LatchedUnacknowledged,
                ],
            ),
            (
                latch,
                [
                    S::Unacknowledged,
                    S::Acknowledged,
                    S::LatchedAcknowledged,
                    S::LatchedAcknowledged,
                    S::Normal,
                    S::Shelved,
                    S::LatchedAcknowledged,
                    S::OutOfService,
                    S::LatchedAcknowledged,
                ],
            ),
        ];
        for (latches, table) in [(false, &plain[..]), (true, &latching[..])] {
            for (from, expected) in table {
                for (input, expected) in I::ALL.into_iter().zip(expected) {
                    let to = from.take(input, latches).state(true);
                    assert_eq!(
                        to,
                        *expected,
                        "{from:?} ({:?}) on {input:?}",
                        from.state(true)
                    );
                }
            }
        }
        let started: BTreeSet<S> = plain
            .iter()
            .chain(&latching)
            .map(|(flags, _)| flags.state(true))
            .collect();
        let all: BTreeSet<S> = S::ALL
            .into_iter()
            .filter(|state| *state != S::Suppressed)
            .collect();
        assert_eq!(started, all, "each state was started from");
        assert_eq!(Flags::default().state(false), S::Suppressed);
    }

    /// The whole machine, not samples of it: there are few enough states.
    #[test]
    fn nothing_that_is_active_is_ever_invisible() {
        for latches in [false, true] {
            let known = reachable(latches);
            assert_eq!(known.len(), if latches { 11 } else { 8 });
            for flags in known {
                assert!(!(flags.shelved && flags.out), "one of them at a time");
                for in_phase in [false, true] {
                    let state = flags.state(in_phase);
                    if flags.active {
                        assert_ne!(state.shown(), Shown::No, "{flags:?}");
                    }
                    if flags.active && !flags.aside() && flags.unacknowledged {
                        assert_eq!(state.shown(), Shown::Loud, "{flags:?}");
                    }
                    if state == S::Suppressed {
                        assert!(!flags.active && !flags.latched && !flags.unacknowledged);
                    }
                }
                // Only a person makes an active one quieter: time and readings never do.
                for input in [I::Raise, I::RaiseAfter, I::Unshelve] {
                    if flags.active {
                        let (before, after) =
                            (flags.state(true), flags.take(input, latches).state(true));
                        assert!(after.shown() >= before.shown(), "{flags:?} {input:?}");
                    }
                }
                // What comes back from aside while it is true is news.
                for (input, was) in [(I::Unshelve, flags.shelved), (I::PutBack, flags.out)] {
                    if was && flags.active {
                        assert_eq!(flags.take(input, latches).state(true), S::Unacknowledged);
                    }
                }
                if flags.latched && !flags.aside() {
                    assert_ne!(
                        flags.take(I::Return, latches).state(true).shown(),
                        Shown::No,
                        "a latch waits for a reset"
                    );
                }
            }
        }
    }
}
