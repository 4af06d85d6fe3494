//! Who is heard, and what is shown.

use super::*;
use spinover_protocol::{car::Band, units::Unit};

fn channel(prefer: &[&str]) -> Channel {
    Channel {
        key: "oil_pressure".into(),
        label: "oil".into(),
        unit: Unit::Psi,
        decimals: 0,
        plausible: Band {
            low: 0.0,
            high: 300.0,
        },
        max_rate: None,
        old_after_ms: 1_000,
        band: None,
        sensor: Sensor {
            prefer: prefer.iter().map(|name| (*name).to_owned()).collect(),
            ..Sensor::default()
        },
    }
}

fn channels(prefer: &[&str]) -> Channels {
    let sources = ["ecu=lines:stdin".to_owned(), "dash=can:can0".to_owned()];
    Channels::new(&[channel(prefer)], &sources)
}

fn said(value: f64) -> Batch {
    Batch {
        t_s: None,
        values: vec![(0, value)],
    }
}

#[test]
fn outside_the_plausible_range_is_suspect_and_silence_is_old() {
    let mut channels = channels(&[]);
    assert_eq!(channels.reading(0, 0), (None, Quality::None, 0));
    channels.take(10, 0, &said(60.0));
    assert_eq!(
        channels.reading(1_010, 0),
        (Some(60.0), Quality::Good, 1_000)
    );
    assert_eq!(channels.reading(1_011, 0).1, Quality::Old);
    channels.take(2_000, 0, &said(301.0));
    let frame = channels.frame(2_000);
    assert_eq!((frame.q.as_str(), frame.why.as_str()), ("s", "r"));
    assert_eq!(channels.frame(4_000).why, "", "an old one is only old");
}

#[test]
fn the_order_of_the_sources_is_the_order_of_preference() {
    let mut channels = channels(&[]);
    channels.take(0, 1, &said(50.0));
    assert_eq!(channels.source(0, 0), 1, "the only one");
    assert!(channels.frame(0).second.is_empty());
    channels.take(10, 0, &said(60.0));
    assert_eq!(channels.source(10, 0), 0, "never lost: at once");
    let spoken = channels.take(20, 1, &said(51.0));
    assert!(spoken.all.is_empty(), "who does not speak is not recorded");
    assert_eq!(channels.reading(20, 0).0, Some(60.0));
}

#[test]
fn a_lost_one_is_replaced_at_once_and_comes_back_when_it_has_been_good_for_a_while() {
    let mut channels = channels(&["dash"]);
    let mut say = |now, source, value| {
        channels.take(now, source, &said(value));
        (channels.source(now, 0), channels.frame(now).second)
    };
    assert_eq!(say(0, 1, 50.0), (1, vec![]));
    assert_eq!(say(900, 0, 60.0), (1, vec![]));
    // The dash is old at 1001; the other's last word is fresh.
    assert_eq!(say(1_100, 0, 60.0), (0, vec![0]));
    for now in (1_200..4_200).step_by(100) {
        assert_eq!(say(now, 0, 60.0), (0, vec![0]));
        assert_eq!(say(now + 50, 1, 50.0), (0, vec![0]), "{now}");
    }
    assert_eq!(say(4_250, 1, 50.0), (1, vec![]), "good for 3 s");
}

#[test]
fn the_other_is_shown_when_the_limit_passes_without_waiting_for_its_next_word() {
    let mut channels = channels(&[]);
    channels.take(0, 0, &said(60.0));
    channels.take(500, 1, &said(50.0));
    assert_eq!(channels.reading(1_000, 0).0, Some(60.0));
    assert_eq!(channels.reading(1_001, 0), (Some(50.0), Quality::Good, 501));
}

#[test]
fn one_that_is_suspect_for_as_long_as_the_limit_is_as_good_as_lost() {
    let mut channels = channels(&[]);
    for now in (0..3_000).step_by(100) {
        channels.take(now, 1, &said(50.0));
        channels.take(now, 0, &said(if now < 500 { 60.0 } else { 999.0 }));
        let first = now <= 1_400;
        assert_eq!(channels.source(now, 0), if first { 0 } else { 1 }, "{now}");
    }
}

#[test]
fn a_typed_reading_does_not_push_a_live_one_aside() {
    let mut channels = channels(&[]);
    channels.take_typed(0, 0, 55.0);
    assert_eq!(channels.reading(TYPED_OLD_AFTER_MS, 0).1, Quality::Good);
    channels.take(100, 1, &said(60.0));
    channels.take_typed(200, 0, 70.0);
    assert_eq!(
        (channels.reading(200, 0).0, channels.source(200, 0)),
        (Some(60.0), 1)
    );
}

#[test]
fn a_calibration_holds_at_once_and_is_no_jump() {
    let mut channels = channels(&[]);
    channels.take(0, 0, &said(60.0));
    let (gain, offset) = (2.0, -10.0);
    channels.calibrate(0, Calibration { offset, gain });
    assert_eq!(channels.reading(0, 0).0, Some(110.0));
    let spoken = channels.take(100, 0, &said(61.0));
    assert_eq!(spoken.good, [(0, 112.0)]);
}
