//! What a step still waits for, in words that count down between the hub's messages. No I/O.

use super::show::{Scale, Units, number};
use crate::words::{Word as W, fill, say};
use spinover_protocol::{car::Car, message::Wait, sheet::Must};

/// One condition as it is shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WaitShown {
    /// Nothing is left of it.
    pub met: bool,
    /// The words.
    pub words: String,
}

/// The words of one condition, `elapsed_ms` after the hub told of it.
///
/// Only what holds counts down here: whether it holds is for the hub to say.
pub fn wait_shown(wait: &Wait, car: &Car, units: Units, elapsed_ms: f64) -> WaitShown {
    match wait {
        Wait::Dwell { left_ms } => {
            let left = (*left_ms as f64 - elapsed_ms).max(0.0);
            let words = if left > 0.0 {
                fill(W::DwellLeft, &[&tenths(left)])
            } else {
                say(W::DwellMet).to_owned()
            };
            WaitShown {
                met: left <= 0.0,
                words,
            }
        }
        Wait::Reading {
            channel,
            must,
            holds,
            left_ms,
            doubt,
        } => {
            let known = car.channel(channel).map(|(_, channel)| channel);
            let label = known.map_or(channel.as_str(), |channel| channel.label.as_str());
            let limit = |value: f64| {
                known.map_or_else(
                    || number(value, 1),
                    |known| Scale::of(known, units).text_unit(value),
                )
            };
            let mut words = match must {
                Must::InBand(_) => fill(W::MustInBand, &[label]),
                Must::AtLeast(value) => fill(W::MustAtLeast, &[label, &limit(*value)]),
                Must::AtMost(value) => fill(W::MustAtMost, &[label, &limit(*value)]),
            };
            let left = if *holds {
                (*left_ms as f64 - elapsed_ms).max(0.0)
            } else {
                *left_ms as f64
            };
            if let Some(doubt) = doubt {
                let doubt = match doubt.as_str() {
                    "suspect" => say(W::DoubtSuspect),
                    "old" => say(W::DoubtOld),
                    "none" => say(W::DoubtNone),
                    other => other,
                };
                words = words + ": " + doubt;
            } else if *holds && left > 0.0 {
                words = fill(W::HoldsMore, &[&words, &tenths(left)]);
            } else if !*holds && left > 0.0 {
                words = fill(W::HoldsFor, &[&words, &tenths(left)]);
            }
            WaitShown {
                met: *holds && left <= 0.0,
                words,
            }
        }
    }
}

/// Seconds with one decimal, rounded up, so that it never says 0.0 while something is left.
fn tenths(ms: f64) -> String {
    number((ms / 100.0).ceil() / 10.0, 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::{car::Channel, units::Unit};

    fn car() -> Car {
        let oil = Channel {
            label: "Oil pressure".to_owned(),
            decimals: 0,
            old_after_ms: 1_000,
            ..Channel::new("oil_pressure", Unit::Psi, (0.0, 300.0))
        };
        let (team, name) = (String::new(), String::new());
        Car {
            team,
            name,
            channels: vec![oil],
            ..Car::default()
        }
    }

    fn words(
        holds: bool,
        left_ms: i64,
        doubt: Option<&str>,
        must: Must,
        elapsed: f64,
    ) -> (bool, String) {
        let wait = Wait::Reading {
            channel: "oil_pressure".into(),
            must,
            holds,
            left_ms,
            doubt: doubt.map(str::to_owned),
        };
        let shown = wait_shown(&wait, &car(), Units::Car, elapsed);
        (shown.met, shown.words)
    }

    #[test]
    fn what_holds_counts_down_and_what_does_not_stands() {
        let band = Must::InBand(true);
        assert_eq!(
            words(true, 1_500, None, band, 310.0),
            (false, "Oil pressure in band, 1.2 s more".into())
        );
        assert_eq!(
            words(true, 1_500, None, band, 1_490.0),
            (false, "Oil pressure in band, 0.1 s more".into())
        );
        assert_eq!(
            words(true, 1_500, None, band, 1_500.0),
            (true, "Oil pressure in band".into())
        );
        assert_eq!(
            words(false, 3_000, None, band, 9_000.0),
            (false, "Oil pressure in band, for 3.0 s".into())
        );
        assert_eq!(
            words(false, 0, None, Must::AtLeast(40.0), 0.0),
            (false, "Oil pressure at least 40 psi".into())
        );
    }

    #[test]
    fn a_doubt_is_said() {
        let told = words(false, 3_000, Some("old"), Must::AtMost(5.0), 0.0);
        assert_eq!(
            told,
            (
                false,
                "Oil pressure at most 5 psi: the reading is old".into()
            )
        );
    }

    #[test]
    fn a_dwell_counts_down_by_itself() {
        let shown = wait_shown(&Wait::Dwell { left_ms: 2_000 }, &car(), Units::Car, 500.0);
        assert_eq!(
            shown,
            WaitShown {
                met: false,
                words: "wait 1.5 s more".into()
            }
        );
        assert!(wait_shown(&Wait::Dwell { left_ms: 2_000 }, &car(), Units::Car, 2_500.0).met);
    }
}
