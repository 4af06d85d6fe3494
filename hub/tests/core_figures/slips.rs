//! Time slips: checked against themselves, and laid beside earlier ones.

use super::*;

#[test]
fn a_slip_is_checked_against_itself() {
    let mut pit = Pit::new();
    assert!(
        pit.core
            .figures(pit.now)
            .iter()
            .all(|figure| figure.key != "slip")
    );
    // A car that gains speed evenly over each stretch, worked out by hand: 60 ft in 0.86 s and so on.
    let good = TimeSlip {
        reaction_s: Some(0.06),
        t60_s: Some(0.86),
        t330_s: Some(2.18),
        t660_s: Some(3.07),
        t1000_s: Some(3.84),
        v330_mph: Some(226.0),
        v660_mph: Some(280.0),
        v1000_mph: Some(315.0),
    };
    pit.crew(Command::TypeSlip(good));
    let figure = pit.figure("slip");
    assert!(
        figure.words.contains("agrees with itself") && !figure.attention,
        "{figure:?}"
    );
    assert_eq!(
        (figure.value, figure.unit),
        (Some(315.0), Some(Unit::MilePerHour))
    );
    let swapped = TimeSlip {
        v660_mph: Some(180.0),
        ..good
    };
    pit.crew(Command::TypeSlip(swapped));
    let figure = pit.figure("slip");
    assert!(
        figure.attention && figure.words.contains("CHECK: the 660 ft speed"),
        "{figure:?}"
    );
    assert!(
        !figure.words.contains("mph"),
        "speeds are shown in the phone's own unit"
    );
}

#[test]
fn a_slip_is_laid_beside_earlier_ones() {
    let earlier = |t60: f64| Slip {
        times_s: [Some(Seconds(t60)), None, None, None],
        ..Slip::default()
    };
    let lessons = Lessons {
        slips: [0.86, 0.88, 0.84, 0.87, 0.85].map(earlier).into(),
        ..Lessons::default()
    };
    let mut pit = Pit::of((car(), sheet()), lessons);
    let slip = |t60_s: f64| {
        Command::TypeSlip(TimeSlip {
            t60_s: Some(t60_s),
            ..TimeSlip::default()
        })
    };
    pit.crew(slip(0.848));
    let quick = pit.figure("slip").words;
    assert!(
        quick.contains("60 ft time 0.012 s quicker than the usual of 5 runs"),
        "{quick}"
    );
    assert!(!quick.contains("UNUSUAL"), "{quick}");
    pit.crew(slip(0.99));
    let slow = pit.figure("slip").words;
    assert!(
        slow.contains("0.130 s slower than the usual of 5 runs, UNUSUAL"),
        "{slow}"
    );
}
