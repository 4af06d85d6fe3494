//! A CAN frame to values, by a DBC file: which bits, in which order, scaled how, and present when. No I/O.
//!
//! The file is read by the `can-dbc` library; what the bits mean is worked out here, and held against `cantools` by a test.

use anyhow::{Context, anyhow, bail};
use can_dbc::{
    AttributeValue, ByteOrder, MessageId, MultiplexIndicator, SignalExtendedValueType, ValueType,
};
use std::collections::HashMap;

/// Attributes that hold names in full.
const MESSAGE_NAME: &str = "SystemMessageLongSymbol";
const SIGNAL_NAME: &str = "SystemSignalLongSymbol";

/// A data frame, classical or FD.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// 11 or 29 bits.
    pub id: u32,
    /// The identifier has 29 bits.
    pub extended: bool,
    /// At most 8 bytes, or 64 with FD.
    pub data: Vec<u8>,
}

/// A DBC file's messages.
#[derive(Clone, Debug, Default)]
pub struct Dbc {
    messages: HashMap<(bool, u32), Message>,
}

/// A message: the frames of one identifier.
#[derive(Clone, Debug)]
pub struct Message {
    /// Its name.
    pub name: String,
    /// Its signals.
    pub signals: Vec<Signal>,
}

/// A signal: some bits of a message, and what they mean.
#[derive(Clone, Debug)]
pub struct Signal {
    /// Its name.
    pub name: String,
    /// Its unit as the file has it; may be empty.
    pub unit: String,
    start: u64,
    size: u64,
    order: ByteOrder,
    kind: Kind,
    factor: f64,
    offset: f64,
    /// It is there only when this other signal's raw value is in one of these ranges.
    when: Option<(usize, Vec<(u64, u64)>)>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Unsigned,
    Signed,
    Single,
    Double,
}

impl Dbc {
    /// Reads a DBC file's text.
    ///
    /// # Errors
    /// When it is none, with the place.
    pub fn parse(text: &str) -> anyhow::Result<Self> {
        let file = can_dbc::Dbc::try_from(text).map_err(|error| anyhow!("no DBC file: {error}"))?;
        let mut messages = HashMap::new();
        for message in &file.messages {
            let (extended, id) = match message.id {
                MessageId::Standard(id) => (false, u32::from(id)),
                MessageId::Extended(id) => (true, id),
            };
            let signals =
                signals(message, &file).with_context(|| format!("message {}", message.name))?;
            messages.insert(
                (extended, id),
                Message {
                    name: long_name(
                        file.message_attribute(message.id, MESSAGE_NAME),
                        &message.name,
                    ),
                    signals,
                },
            );
        }
        Ok(Self { messages })
    }

    /// Reads a DBC file's bytes: UTF-8, or else ISO 8859-1, in which degree signs in such files mostly are.
    ///
    /// # Errors
    /// As [`Dbc::parse`].
    pub fn parse_bytes(bytes: &[u8]) -> anyhow::Result<Self> {
        match std::str::from_utf8(bytes) {
            Ok(text) => Self::parse(text.trim_start_matches('\u{feff}')),
            Err(_) => Self::parse(
                &bytes
                    .iter()
                    .map(|byte| char::from(*byte))
                    .collect::<String>(),
            ),
        }
    }

    /// The message with that identifier.
    pub fn message(&self, id: u32, extended: bool) -> Option<&Message> {
        self.messages.get(&(extended, id))
    }

    /// Every message with its identifier and whether that has 29 bits, in order of identifiers.
    pub fn messages(&self) -> Vec<(u32, bool, &Message)> {
        let mut all: Vec<_> = self
            .messages
            .iter()
            .map(|((extended, id), message)| (*id, *extended, message))
            .collect();
        all.sort_by_key(|(id, extended, _)| (*extended, *id));
        all
    }
}

/// The name in full, where it had to be cut to the 32 letters that the format allows.
fn long_name(long: Option<&AttributeValue>, short: &str) -> String {
    match long {
        Some(AttributeValue::String(long)) if !long.is_empty() => long.clone(),
        _ => short.to_owned(),
    }
}

fn signals(message: &can_dbc::Message, file: &can_dbc::Dbc) -> anyhow::Result<Vec<Signal>> {
    let place = |name: &str| {
        message
            .signals
            .iter()
            .position(|signal| signal.name == name)
    };
    let switch = message
        .signals
        .iter()
        .position(|signal| signal.multiplexer_indicator == MultiplexIndicator::Multiplexor);
    let mut signals = Vec::with_capacity(message.signals.len());
    for signal in &message.signals {
        let by_name = file.extended_multiplex.iter().find(|extended| {
            extended.message_id == message.id && extended.signal_name == signal.name
        });
        let when = match (by_name, signal.multiplexer_indicator) {
            (Some(extended), _) => {
                let switch = place(&extended.multiplexor_signal_name).with_context(|| {
                    format!(
                        "signal {} hangs on {}, which is not there",
                        signal.name, extended.multiplexor_signal_name
                    )
                })?;
                Some((
                    switch,
                    extended
                        .mappings
                        .iter()
                        .map(|range| (range.min_value, range.max_value))
                        .collect(),
                ))
            }
            (
                None,
                MultiplexIndicator::MultiplexedSignal(value)
                | MultiplexIndicator::MultiplexorAndMultiplexedSignal(value),
            ) => Some((
                switch.with_context(|| {
                    format!(
                        "signal {} hangs on a switch, which is not there",
                        signal.name
                    )
                })?,
                vec![(value, value)],
            )),
            (None, _) => None,
        };
        let kind = match (
            file.extended_value_type_for_signal(message.id, &signal.name),
            signal.value_type,
        ) {
            (Some(SignalExtendedValueType::IEEEfloat32Bit), _) if signal.size == 32 => Kind::Single,
            (Some(SignalExtendedValueType::IEEEdouble64bit), _) if signal.size == 64 => {
                Kind::Double
            }
            (
                Some(
                    SignalExtendedValueType::IEEEfloat32Bit
                    | SignalExtendedValueType::IEEEdouble64bit,
                ),
                _,
            ) => {
                bail!(
                    "signal {} is a floating-point number of {} bits; only 32 and 64 can be read",
                    signal.name,
                    signal.size
                )
            }
            (_, ValueType::Signed) => Kind::Signed,
            (_, ValueType::Unsigned) => Kind::Unsigned,
        };
        signals.push(Signal {
            name: long_name(
                file.signal_attribute(message.id, &signal.name, SIGNAL_NAME),
                &signal.name,
            ),
            unit: signal.unit.clone(),
            start: signal.start_bit,
            size: signal.size,
            order: signal.byte_order,
            kind,
            factor: signal.factor,
            offset: signal.offset,
            when,
        });
    }
    Ok(signals)
}

impl Message {
    /// The value of the signal at that place, in its own unit; `None` where it is not in this frame: another one is
    /// multiplexed there, the frame is too short, or it is no finite number.
    pub fn value(&self, place: usize, data: &[u8]) -> Option<f64> {
        let signal = self.signals.get(place)?;
        self.present(place, data, 0)
            .then(|| signal.value(data))
            .flatten()
    }

    /// The signal's switch stands right, and so does the switch's own, if it has one.
    fn present(&self, place: usize, data: &[u8], depth: usize) -> bool {
        let Some((switch, ranges)) = &self.signals[place].when else {
            return true;
        };
        // A file may hang switches on each other in a ring.
        if depth > self.signals.len() {
            return false;
        }
        let Some(raw) = self.signals[*switch].raw(data) else {
            return false;
        };
        ranges
            .iter()
            .any(|(low, high)| (*low..=*high).contains(&raw))
            && self.present(*switch, data, depth + 1)
    }
}

impl Signal {
    fn value(&self, data: &[u8]) -> Option<f64> {
        let raw = self.raw(data)?;
        let number = match self.kind {
            Kind::Unsigned => raw as f64,
            Kind::Signed => {
                let spare = 64 - self.size as u32;
                ((raw << spare).cast_signed() >> spare) as f64
            }
            Kind::Single => f64::from(f32::from_bits(raw as u32)),
            Kind::Double => f64::from_bits(raw),
        };
        Some(number * self.factor + self.offset).filter(|value| value.is_finite())
    }

    /// Its bits, right-aligned; `None` where the frame does not reach that far, or it has more than 64.
    fn raw(&self, data: &[u8]) -> Option<u64> {
        if !(1..=64).contains(&self.size) {
            return None;
        }
        let bit = |at: u64| -> Option<u64> {
            let byte = data.get(usize::try_from(at / 8).ok()?)?;
            Some(u64::from(byte >> (at % 8) & 1))
        };
        let mut raw = 0;
        match self.order {
            // The start is the lowest bit, and the others follow upwards.
            ByteOrder::LittleEndian => {
                for place in 0..self.size {
                    raw |= bit(self.start.checked_add(place)?)? << place;
                }
            }
            // The start is the highest bit; downwards within a byte, then to the top of the next byte.
            ByteOrder::BigEndian => {
                let mut at = self.start;
                for _ in 0..self.size {
                    raw = raw << 1 | bit(at)?;
                    at = if at.is_multiple_of(8) {
                        at.checked_add(15)?
                    } else {
                        at - 1
                    };
                }
            }
        }
        Some(raw)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILE: &str = r#"VERSION ""

BU_: Engine

BO_ 256 Speeds: 8 Engine
 SG_ Rpm : 0|16@1+ (0.25,0) [0|16000] "rpm" Vector__XXX
 SG_ OilTemp : 23|8@0- (1,-40) [-40|215] "degC" Vector__XXX
 SG_ Motorola : 27|12@0+ (1,0) [0|4095] "" Vector__XXX

BO_ 2566844926 Switched: 8 Engine
 SG_ Which M : 0|8@1+ (1,0) [0|255] "" Vector__XXX
 SG_ First m0 : 8|32@1- (1,0) [0|0] "psi" Vector__XXX
 SG_ Second m1 : 8|8@1+ (1,0) [0|0] "psi" Vector__XXX

SIG_VALTYPE_ 2566844926 First : 1;
"#;

    fn value(dbc: &Dbc, id: u32, extended: bool, name: &str, data: &[u8]) -> Option<f64> {
        let message = dbc.message(id, extended).unwrap();
        message.value(
            message
                .signals
                .iter()
                .position(|signal| signal.name == name)
                .unwrap(),
            data,
        )
    }

    #[test]
    fn bits_are_found_in_both_orders() {
        let dbc = Dbc::parse(FILE).unwrap();
        // By hand: 0x2580 is 9600, a quarter of it 2400; 0xF6 is -10; the twelve bits from 27 down are 0xA, then 0xBC.
        let data = [0x80, 0x25, 0xF6, 0x0A, 0xBC, 0, 0, 0];
        assert_eq!(value(&dbc, 256, false, "Rpm", &data), Some(2_400.0));
        assert_eq!(value(&dbc, 256, false, "OilTemp", &data), Some(-50.0));
        assert_eq!(
            value(&dbc, 256, false, "Motorola", &data),
            Some(f64::from(0xABC))
        );
        assert_eq!(
            value(&dbc, 256, false, "Rpm", &data[..1]),
            None,
            "too short"
        );
        assert!(
            dbc.message(256, true).is_none(),
            "an identifier of 29 bits is another one"
        );
    }

    #[test]
    fn a_switch_says_what_is_there() {
        let dbc = Dbc::parse(FILE).unwrap();
        let id = 2_566_844_926 & 0x1FFF_FFFF;
        let mut data = vec![0];
        data.extend_from_slice(&80.5_f32.to_le_bytes());
        assert_eq!(value(&dbc, id, true, "First", &data), Some(80.5));
        assert_eq!(value(&dbc, id, true, "Second", &data), None);
        data[0] = 1;
        assert_eq!(value(&dbc, id, true, "First", &data), None);
        assert_eq!(value(&dbc, id, true, "Second", &[1, 42]), Some(42.0));
        assert_eq!(
            value(&dbc, id, true, "First", &[0, 0, 0, 0xC0, 0x7F]),
            None,
            "not a number is no value"
        );
    }

    #[test]
    fn what_is_no_dbc_file_is_refused() {
        assert!(format!("{:#}", Dbc::parse("BO_ what").unwrap_err()).contains("no DBC file"));
        assert!(Dbc::parse_bytes(&[0xFF, 0xFE, 0]).is_err());
    }

    proptest::proptest! {
        #[test]
        fn no_frame_panics(data in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..64)) {
            let dbc = Dbc::parse(FILE).unwrap();
            for (_, _, message) in dbc.messages() {
                for place in 0..message.signals.len() {
                    assert!(message.value(place, &data).is_none_or(f64::is_finite));
                }
            }
        }
    }
}
