//! One line of JSON to values: `{"t": 12.345, "engine_rpm": 2410, "fuel_flow": 7.9}`. No I/O, no clock.

use super::clock::{FARTHEST_S, SourceClock, Tick};
use super::index::ChannelIndex;
use super::tally::{Tally, quoted};
use crate::core::feed::{Batch, Fault, FaultKind};
use serde::de::{Deserializer, MapAccess, Visitor};
use serde_json::value::RawValue;
use std::{borrow::Cow, fmt, sync::Arc};

/// The key of the source's own time in a line, in seconds; it cannot be a channel's key.
pub const TIME_KEY: &str = "t";

/// Reads one line. What cannot be taken is left out and told, one fault a kind; the other channels of the line are taken.
/// A line that is no JSON object gives no values.
pub fn decode_line(line: &[u8], index: &ChannelIndex) -> (Batch, Vec<Fault>) {
    let mut tally = Tally::default();
    let batch = decode(line, index, &mut tally);
    (batch, tally.rest(tokio::time::Instant::now()))
}

/// Reads the lines of one sender, and keeps its time from going back.
#[derive(Debug)]
pub struct Intake {
    index: Arc<ChannelIndex>,
    /// The sender's own time.
    pub clock: SourceClock,
}

impl Intake {
    /// An intake for a new sender.
    pub fn new(index: Arc<ChannelIndex>) -> Self {
        Self {
            index,
            clock: SourceClock::default(),
        }
    }

    /// Reads one line; `None` when there is nothing to pass on. Faults are counted in the tally.
    pub fn line(&mut self, line: &[u8], tally: &mut Tally) -> Option<Batch> {
        let mut batch = values(line, &self.index, tally)?;
        if let Some(said) = batch.t_s {
            batch.t_s = Some(pass_time(&mut self.clock, said, tally)?);
        }
        Some(batch)
    }
}

/// The values of one line with the time as the sender says it; `None` when there are none. Faults are counted in the tally.
pub(super) fn values(line: &[u8], index: &ChannelIndex, tally: &mut Tally) -> Option<Batch> {
    if line.iter().all(u8::is_ascii_whitespace) {
        return None;
    }
    Some(decode(line, index, tally)).filter(|batch| !batch.values.is_empty())
}

/// The time to pass on, or `None` when what came with it is refused, which is counted.
pub(super) fn pass_time(clock: &mut SourceClock, said: f64, tally: &mut Tally) -> Option<f64> {
    match clock.take(said) {
        Tick::On(time) => Some(time),
        Tick::Back(by) => {
            tally.note(FaultKind::TimeBack, || {
                format!("time {said} s is {by:.3} s before the latest; its values were refused")
            });
            None
        }
        Tick::Again(time) => {
            tally.note(FaultKind::TimeBack, || {
                format!(
                    "the source's clock has started again at {said} s; taken to go on from {time} s"
                )
            });
            Some(time)
        }
    }
}

fn decode(line: &[u8], index: &ChannelIndex, tally: &mut Tally) -> Batch {
    let line = line.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(line);
    let mut batch = Batch {
        t_s: None,
        values: Vec::new(),
    };
    let error = match read(line, index, &mut batch, tally) {
        Ok(()) => return batch,
        Err(error) => error,
    };
    // JSON has no NaN, but printf and some writers of JSON have. It spoils its own channel, not the others of the line.
    if let Some(mended) = without_nan(line)
        && read(&mended, index, &mut batch, tally).is_ok()
    {
        return batch;
    }
    tally.note(FaultKind::Malformed, || {
        format!(
            "no JSON object ({error}): {:?}; a line is {{\"t\": 12.3, \"engine_rpm\": 2400}}",
            quoted(line)
        )
    });
    Batch {
        t_s: None,
        values: Vec::new(),
    }
}

/// Faults are counted only if the whole line can be read, so that a line is never told of twice.
fn read(
    line: &[u8],
    index: &ChannelIndex,
    batch: &mut Batch,
    tally: &mut Tally,
) -> Result<(), serde_json::Error> {
    let mut pairs = Vec::new();
    let mut deserializer = serde_json::Deserializer::from_slice(line);
    deserializer.deserialize_map(Pairs(&mut pairs))?;
    deserializer.end()?;
    for (key, value) in pairs {
        take(&key, value, index, batch, tally);
    }
    Ok(())
}

fn take(key: &str, value: &RawValue, index: &ChannelIndex, batch: &mut Batch, tally: &mut Tally) {
    let time = key == TIME_KEY;
    let place = index.place(key);
    if place.is_none() && !time {
        return tally.note(FaultKind::UnknownChannel, || index.unknown(key));
    }
    let Some(number) = number(value) else {
        return tally.note(FaultKind::NotANumber, || {
            format!(
                "{key} is {}, not a finite number; send it bare, as {key}: 12.3",
                quoted(value.get().as_bytes())
            )
        });
    };
    let Some(place) = place.filter(|_| !time) else {
        if number.abs() > FARTHEST_S {
            return tally.note(FaultKind::Absurd, || {
                format!(
                    "t {} is no time in seconds; its values were taken without it",
                    quoted(value.get().as_bytes())
                )
            });
        }
        batch.t_s = Some(number);
        return;
    };
    if let Some(why) = index.absurd(place, number) {
        return tally.note(FaultKind::Absurd, || why);
    }
    match batch.values.iter_mut().find(|(known, _)| *known == place) {
        Some((_, before)) => {
            *before = number;
            tally.note(FaultKind::Malformed, || {
                format!("{key} stands twice in one line; the last was taken")
            });
        }
        None => batch.values.push((place, number)),
    }
}

fn number(value: &RawValue) -> Option<f64> {
    let text = value.get();
    // A JSON number begins with a digit or a minus; everything else is a text, a word, a list or an object.
    text.starts_with(|c: char| c.is_ascii_digit() || c == '-')
        .then(|| text.parse().ok())
        .flatten()
        .filter(|number: &f64| number.is_finite())
}

/// Keys and undecoded values of one object, in order, borrowed from the line where they can be.
struct Pairs<'p, 'de>(&'p mut Vec<(Cow<'de, str>, &'de RawValue)>);

impl<'de> Visitor<'de> for Pairs<'_, 'de> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(Key(key)) = map.next_key()? {
            self.0.push((key, map.next_value()?));
        }
        Ok(())
    }
}

/// Borrows unless the key has escapes in it.
#[derive(serde::Deserialize)]
#[serde(transparent)]
struct Key<'k>(#[serde(borrow)] Cow<'k, str>);

/// The line with every bare `NaN`, `nan`, `inf`, `Infinity` outside texts made `null`; `None` if it has none.
fn without_nan(line: &[u8]) -> Option<Vec<u8>> {
    let mut out = Vec::with_capacity(line.len() + 8);
    let (mut in_text, mut escaped, mut found) = (false, false, false);
    let mut at = 0;
    while at < line.len() {
        let byte = line[at];
        if in_text {
            in_text = escaped || byte != b'"';
            escaped = !escaped && byte == b'\\';
        } else if byte == b'"' {
            in_text = true;
        } else {
            let sign = usize::from(byte == b'-' || byte == b'+');
            let word = line[at + sign..]
                .iter()
                .take_while(|byte| byte.is_ascii_alphabetic())
                .count();
            let text = &line[at + sign..at + sign + word];
            if [&b"nan"[..], b"inf", b"infinity"]
                .iter()
                .any(|nan| text.eq_ignore_ascii_case(nan))
            {
                out.extend_from_slice(b"null");
                found = true;
                at += sign + word;
                continue;
            }
            // The rest of a longer word is not looked at again, so that `xnan` stays what it is and the pass stays linear.
            let span = (sign + word).max(1);
            out.extend_from_slice(&line[at..at + span]);
            at += span;
            continue;
        }
        out.push(byte);
        at += 1;
    }
    found.then_some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use spinover_protocol::car::{Car, Channel};
    use spinover_protocol::units::Unit;

    fn index() -> ChannelIndex {
        let channel = |key: &str, unit, low, high| Channel {
            decimals: 0,
            old_after_ms: 1_000,
            ..Channel::new(key, unit, (low, high))
        };
        ChannelIndex::new(&Car {
            team: "Larkspur Racing".to_owned(),
            name: "Kestrel".to_owned(),
            channels: vec![
                channel("engine_rpm", Unit::Rpm, 0.0, 10_000.0),
                channel("oil_pressure", Unit::Psi, 0.0, 300.0),
            ],
            ..Car::default()
        })
    }

    fn kinds(faults: &[Fault]) -> Vec<(FaultKind, u64)> {
        faults
            .iter()
            .map(|fault| (fault.kind, fault.count))
            .collect()
    }

    #[test]
    fn a_good_line_is_taken_whole() {
        let (batch, faults) = decode_line(
            br#" {"t": 12.345, "oil_pressure": 5.5e1, "engine_rpm": 2410} "#,
            &index(),
        );
        assert_eq!(
            batch,
            Batch {
                t_s: Some(12.345),
                values: vec![(1, 55.0), (0, 2410.0)]
            }
        );
        assert_eq!(faults, []);
        assert_eq!(
            decode_line(b"\xEF\xBB\xBF{\"engine_rpm\":1}\r", &index())
                .0
                .values,
            [(0, 1.0)]
        );
    }

    #[test]
    fn one_bad_channel_does_not_stop_the_others() {
        use FaultKind::{Absurd, Malformed, NotANumber, UnknownChannel};
        for (line, kind, words) in [
            (
                r#"{"engine_rpm": NaN, "oil_pressure": 50}"#,
                NotANumber,
                "engine_rpm is null",
            ),
            (
                r#"{"engine_rpm": -inf, "oil_pressure": 50}"#,
                NotANumber,
                "engine_rpm is null",
            ),
            (
                r#"{"engine_rpm": null, "oil_pressure": 50}"#,
                NotANumber,
                "engine_rpm is null",
            ),
            (
                r#"{"engine_rpm": "2410", "oil_pressure": 50}"#,
                NotANumber,
                "send it bare",
            ),
            (
                r#"{"engine_rpm": true, "oil_pressure": 50}"#,
                NotANumber,
                "is true",
            ),
            (
                r#"{"engine_rpm": [1], "oil_pressure": 50}"#,
                NotANumber,
                "is [1]",
            ),
            (
                r#"{"engine_rpm": {"v":1}, "oil_pressure": 50}"#,
                NotANumber,
                "finite number",
            ),
            (
                r#"{"engine_rpm": 1e999, "oil_pressure": 50}"#,
                NotANumber,
                "1e999",
            ),
            (r#"{"t": "now", "oil_pressure": 50}"#, NotANumber, "t is"),
            (r#"{"t": 1e300, "oil_pressure": 50}"#, Absurd, "no time"),
            (
                r#"{"engine_rpm": 1e9, "oil_pressure": 50}"#,
                Absurd,
                "10 spans outside",
            ),
            (
                r#"{"engin_rpm": 2410, "oil_pressure": 50}"#,
                UnknownChannel,
                "nearest is engine_rpm",
            ),
            (
                r#"{"zzz": 2410, "oil_pressure": 50}"#,
                UnknownChannel,
                "no channel \"zzz\"",
            ),
            (
                r#"{"oil_pressure": 10, "oil_pressure": 50}"#,
                Malformed,
                "stands twice",
            ),
        ] {
            let (batch, faults) = decode_line(line.as_bytes(), &index());
            assert_eq!(
                batch,
                Batch {
                    t_s: None,
                    values: vec![(1, 50.0)]
                },
                "{line}"
            );
            assert_eq!(kinds(&faults), [(kind, 1)], "{line}");
            assert!(faults[0].text.contains(words), "{line}: {}", faults[0].text);
            assert!(faults[0].text.chars().count() <= 200);
        }
    }

    #[test]
    fn what_is_no_object_gives_nothing() {
        for line in [
            "engine_rpm 2410",
            "[1]",
            "42",
            "\"x\"",
            "null",
            "{\"engine_rpm\": 2410",
            "{\"engine_rpm\": 2410} x",
            "{\"engine_rpm\": 2410,}",
            "{'engine_rpm': 1}",
            "\u{0}",
        ] {
            let (batch, faults) = decode_line(line.as_bytes(), &index());
            assert_eq!(batch.values, [], "{line}");
            assert_eq!(kinds(&faults), [(FaultKind::Malformed, 1)], "{line}");
        }
        // Torn in the middle of a letter.
        assert_eq!(
            kinds(&decode_line(b"{\"engine_rpm\xC3\": 1}", &index()).1),
            [(FaultKind::Malformed, 1)]
        );
    }

    #[test]
    fn a_value_a_little_off_is_left_to_the_core() {
        let (batch, faults) = decode_line(br#"{"engine_rpm": -500}"#, &index());
        assert_eq!((batch.values, faults), (vec![(0, -500.0)], vec![]));
    }

    #[test]
    fn many_unknown_names_are_one_fault() {
        let line = format!(
            "{{{}}}",
            (0..500)
                .map(|n| format!("\"x{n}\":1"))
                .collect::<Vec<_>>()
                .join(",")
        );
        assert_eq!(
            kinds(&decode_line(line.as_bytes(), &index()).1),
            [(FaultKind::UnknownChannel, 500)]
        );
    }

    #[test]
    fn nan_inside_a_text_stays() {
        assert_eq!(without_nan(br#"{"nan": "inf \" nan", "a": 1e5}"#), None);
        assert_eq!(
            without_nan(br#"{"nan":nan,"b":-Infinity}"#).unwrap(),
            br#"{"nan":null,"b":null}"#
        );
    }

    #[test]
    fn time_going_back_is_refused_and_counted() {
        let mut intake = Intake::new(Arc::new(index()));
        let mut tally = Tally::default();
        let mut take = |line: &str| {
            intake
                .line(line.as_bytes(), &mut tally)
                .map(|batch| batch.t_s)
        };
        assert_eq!(take(r#"{"t": 5, "engine_rpm": 1}"#), Some(Some(5.0)));
        assert_eq!(take(r#"{"t": 4, "engine_rpm": 1}"#), None);
        assert_eq!(take(r#"{"engine_rpm": 1}"#), Some(None));
        assert_eq!(take("  "), None);
        let told = tally.rest(tokio::time::Instant::now());
        assert_eq!(kinds(&told), [(FaultKind::TimeBack, 1)]);
    }

    proptest! {
        #[test]
        fn no_bytes_panic(line in proptest::collection::vec(any::<u8>(), 0..300)) {
            let (batch, faults) = decode_line(&line, &index());
            prop_assert!(batch.values.iter().all(|(place, value)| *place < 2 && value.is_finite()));
            // What is no object at all is never passed over in silence.
            let object = line.contains(&b'{');
            prop_assert!(object || !faults.is_empty());
        }

        #[test]
        fn nothing_json_like_panics(line in r#"[{}\[\]",:a-z_NI0-9.eE+\\ -]{0,80}"#) {
            let (batch, _) = decode_line(line.as_bytes(), &index());
            prop_assert!(batch.values.iter().all(|(_, value)| value.is_finite()));
        }

        #[test]
        fn every_honest_line_comes_through(rpm in 0.0..10_000.0f64, oil in 0.0..300.0f64, t in 0.0..1e9f64) {
            let line = serde_json::json!({"t": t, "engine_rpm": rpm, "oil_pressure": oil}).to_string();
            let (batch, faults) = decode_line(line.as_bytes(), &index());
            prop_assert_eq!(faults, vec![]);
            prop_assert_eq!(batch.t_s, Some(t));
            let mut values = batch.values;
            values.sort_by_key(|(place, _)| *place);
            prop_assert_eq!(values, vec![(0, rpm), (1, oil)]);
        }
    }
}
