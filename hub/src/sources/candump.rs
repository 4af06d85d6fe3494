//! A recorded CAN capture in the log format of can-utils (`candump -l`), played back at any speed and decoded by a DBC file.
//!
//! A line is `(1735270496.916858) can0 110#00112233`; `##` and a digit of flags for FD, 3 digits of identifier for 11 bits
//! and 8 for 29, `R` for a remote frame. Source: the comment at `parse_canframe` in can-utils' `lib.h`, as quoted in the
//! documentation of the `socketcan` crate 4.0.0.

use super::canmap::CanMap;
use super::clock::FARTHEST_S;
use super::dbc::Frame;
use super::playback::{Moment, Playback, Script, shown};
use super::tally::{Tally, quoted};
use super::{Feed, Running, Source};
use crate::core::feed::FaultKind;
use anyhow::Context;

/// An identifier of 32 bits with this bit is an error frame of the bus, and holds no data.
const ERROR_FLAG: u32 = 0x2000_0000;
const EXTENDED_MASK: u32 = 0x1FFF_FFFF;

/// A capture played back.
#[derive(Debug)]
pub struct Candump {
    playback: Playback,
    map: CanMap,
}

impl Candump {
    pub(super) fn open(playback: Playback, map: CanMap) -> anyhow::Result<Self> {
        std::fs::File::open(&playback.file)
            .with_context(|| format!("cannot open the capture {}", shown(&playback.file)))?;
        Ok(Self { playback, map })
    }
}

impl Source for Candump {
    fn name(&self) -> String {
        format!("candump:{}", shown(&self.playback.file))
    }

    fn not_live(&self) -> Option<String> {
        Some(format!("recording {}", shown(&self.playback.file)))
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(async move { self.playback.play(Capture(self.map), &feed).await })
    }
}

struct Capture(CanMap);

impl Script for Capture {
    fn line(&mut self, line: &[u8], number: usize, tally: &mut Tally) -> Option<Moment> {
        if line.iter().all(u8::is_ascii_whitespace) {
            return None;
        }
        let Some((said, frame)) = std::str::from_utf8(line).ok().and_then(parse) else {
            tally.note(FaultKind::Malformed, || format!("line {number} is no line of a candump log: {:?}; one is (1735270496.916858) can0 110#00112233", quoted(line)));
            return None;
        };
        let values = frame.map_or_else(Vec::new, |frame| self.0.values(&frame, tally));
        Some(Moment {
            said_s: Some(said),
            values,
        })
    }
}

/// The time in seconds and the data frame, if it is one: remote and error frames hold no values.
pub fn parse(line: &str) -> Option<(f64, Option<Frame>)> {
    let mut words = line.split_ascii_whitespace();
    let time = words.next()?.strip_prefix('(')?.strip_suffix(')')?;
    let time: f64 = time
        .parse()
        .ok()
        .filter(|time: &f64| (0.0..FARTHEST_S).contains(time))?;
    let _bus = words.next()?;
    let frame = words.next()?;
    // `candump -x` adds which way the frame went.
    if !matches!(words.next(), None | Some("R" | "T")) || words.next().is_some() {
        return None;
    }
    let (id, rest) = frame.split_once('#')?;
    let extended = match id.len() {
        3 => false,
        8 => true,
        _ => return None,
    };
    // Before the numbers are read: the library would take a sign.
    if !frame
        .bytes()
        .all(|byte| byte.is_ascii_hexdigit() || b"#_R".contains(&byte))
    {
        return None;
    }
    let id = u32::from_str_radix(id, 16).ok()?;
    if !extended && id > 0x7FF {
        return None;
    }
    if rest.starts_with('R') || (extended && id & ERROR_FLAG != 0) {
        return Some((time, None));
    }
    let (hex, longest) = match rest.strip_prefix('#') {
        // The digit of flags says nothing about the data.
        Some(fd) => (
            fd.strip_prefix(|flags: char| flags.is_ascii_hexdigit())?,
            64,
        ),
        // A length code above eight, behind a low line, says nothing about it either.
        None => (rest.split_once('_').map_or(rest, |(hex, _)| hex), 8),
    };
    if hex.len() % 2 != 0 || hex.len() / 2 > longest {
        return None;
    }
    let data = (0..hex.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&hex[at..at + 2], 16).ok())
        .collect::<Option<Vec<u8>>>()?;
    Some((
        time,
        Some(Frame {
            id: id & EXTENDED_MASK,
            extended,
            data,
        }),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_form_of_line_is_read() {
        let frame = |id, extended, data: &[u8]| {
            Some(Frame {
                id,
                extended,
                data: data.to_vec(),
            })
        };
        for (line, expected) in [
            (
                "(1735270496.916858) can0 110#00112233",
                frame(0x110, false, &[0, 0x11, 0x22, 0x33]),
            ),
            (
                "(1735270496.916858) can0 00000110#00 R",
                frame(0x110, true, &[0]),
            ),
            (
                "(1735270496.916858) vcan1 120##500112233445566778899AABB",
                frame(
                    0x120,
                    false,
                    &[
                        0, 0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB,
                    ],
                ),
            ),
            ("(1735270496.916858) can0 104#", frame(0x104, false, &[])),
            (
                "(1735270496.916858) can0 123#1122334455667788_E",
                frame(
                    0x123,
                    false,
                    &[0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88],
                ),
            ),
            ("(1735270496.916858) can0 104#R4", None),
            ("(1735270496.916858) can0 20000004#000C000000000000", None),
        ] {
            assert_eq!(
                parse(line),
                Some((1_735_270_496.916_858, expected)),
                "{line}"
            );
        }
    }

    #[test]
    fn what_is_no_line_is_refused() {
        for line in [
            "",
            "can0 110#00",
            "(x) can0 110#00",
            "(1) can0",
            "(1) can0 110",
            "(1) can0 1100#00",
            "(1) can0 800#00",
            "(1) can0 110#0",
            "(1) can0 110#0g",
            "(1) can0 110#+1",
            "(1) can0 110#001122334455667788",
            "(1) can0 110#00 X",
            "(NaN) can0 110#00",
            "(1) can0 110##",
            "(1) can0 110#é0",
        ] {
            assert_eq!(parse(line), None, "{line}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_line_panics(line in r"\(?[0-9.]{0,6}\)? ?(can0)? ?[0-9A-FR#_]{0,30} ?.{0,3}") {
            let _ = parse(&line);
        }
    }
}
