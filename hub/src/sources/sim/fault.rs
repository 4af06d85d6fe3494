//! Faults that a simulation is told to have, and when: `oil_lost@60,stuck:head_temp@30+20`. Plain data and its reading.

use crate::sources::spec::nearest;

/// A fault with its time.
#[derive(Clone, Debug, PartialEq)]
pub struct ScriptedFault {
    /// What goes wrong.
    pub what: What,
    /// When it begins, in seconds of simulated time.
    pub from_s: f64,
    /// How long it lasts in seconds; `None` is to the end (a spike is always one sample).
    pub for_s: Option<f64>,
}

/// What can go wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// `oil_lost`: the oil pump gives nothing.
    OilLost,
    /// `over_temp`: heads and exhaust run away.
    OverTemp,
    /// `link_lost`: nothing at all comes from the car.
    LinkLost,
    /// `dead_cylinder:N`: cylinder N, from 1, does not fire.
    DeadCylinder(u8),
    /// `stuck:CHANNEL`: the sensor keeps saying what it last said.
    Stuck(String),
    /// `dropout:CHANNEL`: the sensor says nothing.
    Dropout(String),
    /// `spike:CHANNEL`: one sample far off.
    Spike(String),
}

const KINDS: [&str; 7] = [
    "oil_lost",
    "over_temp",
    "link_lost",
    "dead_cylinder",
    "stuck",
    "dropout",
    "spike",
];
const EXAMPLE: &str = "faults are KIND@SECONDS or KIND:WHAT@SECONDS+HOW_LONG, as in oil_lost@60,stuck:head_temp@30+20";

impl ScriptedFault {
    /// It is on at that time.
    pub fn on(&self, t_s: f64) -> bool {
        t_s >= self.from_s && self.for_s.is_none_or(|length| t_s < self.from_s + length)
    }
}

/// Reads a list of faults, separated by commas.
///
/// # Errors
/// What is wrong with the first bad one, and what would be right.
pub fn parse_list(list: &str) -> Result<Vec<ScriptedFault>, String> {
    list.split(',')
        .map(str::trim)
        .filter(|part| !part.is_empty())
        .map(parse)
        .collect()
}

fn parse(text: &str) -> Result<ScriptedFault, String> {
    let (what, when) = text
        .split_once('@')
        .ok_or_else(|| format!("fault {text:?} has no time; {EXAMPLE}"))?;
    let (from, length) = match when.split_once('+') {
        Some((from, length)) => (from, Some(length)),
        None => (when, None),
    };
    let seconds = |text: &str| {
        text.parse::<f64>()
            .ok()
            .filter(|value| value.is_finite() && *value >= 0.0)
            .ok_or_else(|| format!("{text:?} is no time in seconds; {EXAMPLE}"))
    };
    let (kind, of) = match what.split_once(':') {
        Some((kind, of)) => (kind, Some(of)),
        None => (what, None),
    };
    let channel = || {
        of.filter(|of| !of.is_empty())
            .map(str::to_owned)
            .ok_or_else(|| format!("{kind} needs a channel, as in {kind}:head_temp@30"))
    };
    let what = match kind {
        "stuck" => What::Stuck(channel()?),
        "dropout" => What::Dropout(channel()?),
        "spike" => What::Spike(channel()?),
        "dead_cylinder" => {
            let number = of
                .and_then(|of| of.parse().ok())
                .filter(|number| (1..=8).contains(number));
            What::DeadCylinder(
                number
                    .ok_or("dead_cylinder needs a number from 1 to 8, as in dead_cylinder:3@80")?,
            )
        }
        "oil_lost" | "over_temp" | "link_lost" if of.is_some() => {
            return Err(format!("{kind} takes no channel; write {kind}@60"));
        }
        "oil_lost" => What::OilLost,
        "over_temp" => What::OverTemp,
        "link_lost" => What::LinkLost,
        other => {
            let near = nearest(other, KINDS)
                .map(|near| format!("; did you mean {near}?"))
                .unwrap_or_default();
            return Err(format!(
                "no fault is called {other:?}, they are {}{near}",
                KINDS.join(", ")
            ));
        }
    };
    Ok(ScriptedFault {
        what,
        from_s: seconds(from)?,
        for_s: length.map(seconds).transpose()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_is_read() {
        let list = parse_list("oil_lost@60, stuck:head_temp@30+20,dead_cylinder:3@1").unwrap();
        assert_eq!(
            list[0],
            ScriptedFault {
                what: What::OilLost,
                from_s: 60.0,
                for_s: None
            }
        );
        assert_eq!(
            list[1],
            ScriptedFault {
                what: What::Stuck("head_temp".to_owned()),
                from_s: 30.0,
                for_s: Some(20.0)
            }
        );
        assert_eq!(list[2].what, What::DeadCylinder(3));
        assert!(list[1].on(30.0) && list[1].on(49.9) && !list[1].on(50.0) && !list[1].on(29.9));
    }

    #[test]
    fn a_bad_one_is_told_what_would_be_right() {
        for (text, words) in [
            ("oil_lost", "has no time"),
            ("oil_lost@soon", "no time in seconds"),
            ("oil_lost@-1", "no time in seconds"),
            ("oil_lost:x@1", "takes no channel"),
            ("stuck@1", "needs a channel"),
            ("dead_cylinder:9@1", "1 to 8"),
            ("over_tmep@1", "did you mean over_temp?"),
        ] {
            let said = parse_list(text).unwrap_err();
            assert!(said.contains(words), "{text}: {said}");
        }
    }
}
