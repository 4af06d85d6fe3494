//! Time to target on made-up warm-ups: what oddities in the readings may and may not do to it.
mod warm_support;

use spinover::figures::warm::{Basis, CantSay, Forecast, Warm, WarmCurve};
use warm_support::road_car;

type Row = (f64, f64, Option<f64>);

/// A first-order warm-up read twice a second in whole degrees and whole seconds.
fn made_up(start: f64, plateau: f64, tau: f64, until_s: f64) -> Vec<Row> {
    (0..)
        .map(|i| 0.5 * f64::from(i))
        .take_while(|t| *t <= until_s)
        .map(|t| {
            let temp = plateau - (plateau - start) * (-t / tau).exp();
            (t.floor(), temp.floor(), Some(900.0))
        })
        .collect()
}

fn curve(rows: &[Row]) -> WarmCurve {
    WarmCurve {
        rows: rows.to_vec(),
    }
}

/// Four earlier warm-ups, some quicker, some slower.
fn history() -> Vec<WarmCurve> {
    [(25.0, 270.0), (28.0, 300.0), (30.0, 320.0), (22.0, 290.0)]
        .map(|(start, tau)| curve(&made_up(start, 100.0, tau, 900.0)))
        .to_vec()
}

fn run(warm: &mut Warm, rows: &[Row]) -> Vec<Result<Forecast, CantSay>> {
    rows.iter()
        .map(|r| {
            warm.push(r.0, r.1, r.2);
            warm.forecast()
        })
        .collect()
}

fn first_at(rows: &[Row], temp: f64) -> usize {
    rows.iter().position(|r| r.1 >= temp).expect("reached")
}

/// Largest error over the rows from `from` degrees until two degrees short of the target.
fn worst(rows: &[Row], said: &[Result<Forecast, CantSay>], from: f64, target: f64) -> f64 {
    let end = rows[first_at(rows, target)].0;
    rows.iter()
        .zip(said)
        .filter(|(r, _)| r.1 >= from && r.1 < target - 2.0)
        .map(|(r, f)| {
            let f = f.unwrap_or_else(|why| panic!("at {} s: {why:?}", r.0));
            (f.eta_s - (end - r.0)).abs()
        })
        .fold(0.0, f64::max)
}

const TARGET: f64 = 82.0;

#[test]
fn follows_a_plain_warm_up() {
    let rows = made_up(26.0, 100.0, 305.0, 900.0);
    let said = run(&mut Warm::new(TARGET, history()), &rows);
    let off = worst(&rows, &said, 40.0, TARGET);
    assert!(off < 15.0, "{off}");
    for f in said.iter().flatten() {
        assert!(
            f.lo_s <= f.eta_s && f.eta_s <= f.hi_s && f.lo_s >= 0.0,
            "{f:?}"
        );
        assert!(f.hi_s.is_finite());
    }
    let last = said.last().expect("rows").expect("reached");
    assert_eq!((last.eta_s, last.basis), (0.0, Basis::Reached));
}

#[test]
fn rows_to_come_change_nothing() {
    let recordings = road_car("causality on real rows", &["idle1", "idle2", "idle5"]);
    let mut all: Vec<Vec<Row>> = recordings.into_iter().map(|r| r.rows).collect();
    all.push(made_up(26.0, 100.0, 305.0, 900.0));
    let history = history();
    for rows in all {
        let whole = run(&mut Warm::new(TARGET, history.clone()), &rows);
        for cut in [rows.len() / 5, rows.len() / 2, rows.len() * 4 / 5] {
            // The same beginning, then nonsense instead of what really came.
            let mut other = rows[..cut].to_vec();
            let t = rows[cut - 1].0;
            other.extend((0..50).map(|i| (t + f64::from(i), 200.0 - f64::from(i), Some(0.0))));
            let said = run(&mut Warm::new(TARGET, history.clone()), &other);
            assert_eq!(said[..cut], whole[..cut]);
        }
    }
}

#[test]
fn repeated_rows_change_nothing() {
    let rows = made_up(26.0, 100.0, 305.0, 900.0);
    let once = run(&mut Warm::new(TARGET, history()), &rows);
    let thrice: Vec<Row> = rows.iter().flat_map(|r| [*r; 3]).collect();
    let said = run(&mut Warm::new(TARGET, history()), &thrice);
    let third: Vec<_> = said.iter().skip(2).step_by(3).copied().collect();
    assert_eq!(once, third);
}

#[test]
fn blanks_gaps_and_wild_readings_do_little() {
    let rows = made_up(26.0, 100.0, 305.0, 900.0);
    let end = first_at(&rows, TARGET);
    let mut odd = rows[..=end].to_vec();
    for (i, row) in odd.iter_mut().enumerate() {
        match i % 97 {
            13..=15 => row.1 = f64::NAN,
            40 => row.1 = 0.0,
            60 => row.1 += 30.0,
            70 => row.2 = None,
            _ => {}
        }
    }
    // Forty seconds without a row, and one second when the clock runs back a little.
    odd.retain(|r| !(200.0..240.0).contains(&r.0));
    odd[300].0 -= 2.0;
    let said = run(&mut Warm::new(TARGET, history()), &odd);
    let reached = rows[end].0;
    for (r, f) in odd
        .iter()
        .zip(&said)
        .filter(|(r, _)| r.0 > 60.0 && r.0 < reached - 10.0)
    {
        let f = f.unwrap_or_else(|why| panic!("at {} s: {why:?}", r.0));
        let off = (f.eta_s - (reached - r.0)).abs();
        assert!(off < 20.0, "at {} s: off {off}", r.0);
    }
}

#[test]
fn clock_that_was_reset_starts_over() {
    let rows = made_up(26.0, 100.0, 305.0, 300.0);
    let mut warm = Warm::new(TARGET, history());
    run(&mut warm, &rows);
    let again = made_up(40.0, 100.0, 305.0, 900.0);
    let said = run(&mut warm, &again);
    assert_eq!(said, run(&mut Warm::new(TARGET, history()), &again));
}

#[test]
fn falling_is_told_and_the_rise_starts_again() {
    let mut rows = made_up(26.0, 100.0, 300.0, 250.0);
    let (t, top, _) = rows[rows.len() - 1];
    rows.extend((1..=60).map(|i| {
        (
            t + f64::from(i),
            (top - 0.3 * f64::from(i)).floor(),
            Some(900.0),
        )
    }));
    let mut warm = Warm::new(TARGET, history());
    let said = run(&mut warm, &rows);
    assert_eq!(*said.last().expect("rows"), Err(CantSay::Falling));
    assert!(warm.words().contains("falling"), "{}", warm.words());
    let (t, low, _) = rows[rows.len() - 1];
    let again: Vec<Row> = made_up(low, 100.0, 300.0, 600.0)
        .iter()
        .map(|r| (r.0 + t, r.1, r.2))
        .collect();
    let said = run(&mut warm, &again);
    assert!(worst(&again, &said, low + 3.0, TARGET) < 25.0);
}

#[test]
fn at_or_above_the_target_is_zero_and_stays_zero_through_ripple() {
    let mut warm = Warm::new(70.0, history());
    let rows = [
        (0.0, 69.0),
        (1.0, 70.0),
        (2.0, 71.0),
        (3.0, 69.0),
        (4.0, 69.0),
    ];
    for (t, temp) in rows {
        warm.push(t, temp, None);
        let zero = warm
            .forecast()
            .is_ok_and(|f| f.eta_s == 0.0 && f.hi_s == 0.0);
        assert_eq!(zero, t >= 1.0, "at {t}");
    }
    // Cooled right down again: no longer warm.
    for i in 0..60 {
        warm.push(5.0 + f64::from(i), 69.0 - 0.5 * f64::from(i), None);
    }
    assert_eq!(warm.forecast(), Err(CantSay::Falling));
}

#[test]
fn out_of_reach_is_said_with_the_reason() {
    // Earlier warm-ups all levelled off at 99 and below.
    let mut warm = Warm::new(
        105.0,
        history()
            .into_iter()
            .map(|mut c| {
                let (t, temp, rpm) = c.rows[c.rows.len() - 1];
                c.rows
                    .extend((1..400).map(|i| (t + f64::from(i), temp, rpm)));
                c
            })
            .collect(),
    );
    let said = run(&mut warm, &made_up(26.0, 100.0, 305.0, 100.0));
    let last = *said.last().expect("rows");
    assert!(
        matches!(last, Err(CantSay::OutOfReach { runs: 4, of: 4, .. })),
        "{last:?}"
    );
    assert!(
        warm.words().starts_with("won't get there at this flow"),
        "{}",
        warm.words()
    );
    // Alone: it says a time while it rises, and gives up once it has levelled off.
    let mut warm = Warm::new(105.0, Vec::new());
    let said = run(&mut warm, &made_up(26.0, 90.4, 100.0, 1200.0));
    assert!(said[200].is_ok());
    assert_eq!(
        *said.last().expect("rows"),
        Err(CantSay::LevelledOff { at_c: 90.0 })
    );
}

#[test]
fn engine_that_does_not_run_gets_no_time() {
    let mut warm = Warm::new(TARGET, history());
    for i in 0..20 {
        warm.push(f64::from(i), 30.0, Some(0.0));
    }
    assert_eq!(warm.forecast(), Err(CantSay::NotRunning));
    for i in 20..25 {
        warm.push(f64::from(i), 30.0, Some(1100.0));
    }
    assert!(
        warm.forecast().is_ok(),
        "running, with history: {:?}",
        warm.forecast()
    );
}

#[test]
fn old_temperature_gets_no_time() {
    let mut warm = Warm::new(TARGET, history());
    run(&mut warm, &made_up(26.0, 100.0, 305.0, 100.0));
    warm.push(115.0, f64::NAN, Some(900.0));
    let before = warm.forecast().expect("a short silence is bridged").eta_s;
    warm.push(120.0, f64::NAN, Some(900.0));
    let after = warm.forecast().expect("a short silence is bridged").eta_s;
    assert!((before - after - 5.0).abs() < 1e-9, "{before} then {after}");
    warm.push(140.0, f64::NAN, Some(900.0));
    assert_eq!(warm.forecast(), Err(CantSay::Old { age_s: 40.0 }));
}

#[test]
fn a_change_of_flow_starts_the_pace_again() {
    // Heats at 0.1 deg/s, then the flow is changed and it heats at 0.2 deg/s.
    let rows: Vec<Row> = (0..600)
        .map(f64::from)
        .map(|t| {
            let temp = if t < 200.0 {
                30.0 + 0.1 * t
            } else {
                50.0 + 0.2 * (t - 200.0)
            };
            (t, temp.floor(), None)
        })
        .collect();
    let eta_at = |t: usize, told: bool| {
        let mut warm = Warm::new(TARGET, Vec::new());
        for row in &rows[..=t] {
            if told && row.0 == 200.0 {
                warm.note_change(row.0);
            }
            warm.push(row.0, row.1, row.2);
        }
        warm.forecast()
    };
    // True time left at 225 s: 82 deg is read at 360 s.
    let told = eta_at(225, true)
        .expect("three degrees risen since the change")
        .eta_s;
    let untold = eta_at(225, false).expect("rising").eta_s;
    assert!((told - 135.0).abs() < 20.0, "{told}");
    assert!((untold - 135.0).abs() > (told - 135.0).abs(), "{untold}");
    assert_eq!(eta_at(204, true), Err(CantSay::TooEarly));
}

#[test]
fn one_earlier_warm_up_is_enough_to_speak_and_less_sure_than_four() {
    let rows = made_up(26.0, 100.0, 305.0, 100.0);
    let last = |history: Vec<WarmCurve>| {
        let said = run(&mut Warm::new(TARGET, history), &rows);
        said.last().expect("rows").expect("a forecast")
    };
    let (one, four) = (last(history()[..1].to_vec()), last(history()));
    assert_eq!((one.n_history, four.n_history), (1, 4));
    let width = |f: Forecast| (f.hi_s - f.lo_s) / f.eta_s;
    assert!(width(one) > width(four), "{one:?} {four:?}");
}

#[test]
fn history_that_is_no_guide_is_not_used() {
    // Never reached this low a temperature, or has no rise in it.
    let useless = vec![
        curve(&made_up(60.0, 100.0, 300.0, 900.0)),
        curve(&[(0.0, 40.0, None), (10.0, 40.0, None)]),
        WarmCurve::default(),
    ];
    let rows = made_up(26.0, 100.0, 305.0, 100.0);
    let mut warm = Warm::new(TARGET, useless);
    assert_eq!(warm.history_len(), 1);
    let said = run(&mut warm, &rows);
    let alone = run(&mut Warm::new(TARGET, Vec::new()), &rows);
    let (with, without) = (said.last().expect("rows"), alone.last().expect("rows"));
    assert_eq!(with.expect("a forecast").basis, Basis::ThisRunOnly);
    assert_eq!(with.expect("a forecast").n_history, 0);
    assert!(without.is_ok());
}

#[test]
fn a_fine_sensor_says_the_same_as_a_coarse_one() {
    let fine: Vec<Row> = (0..6000)
        .map(|i| 0.1 * f64::from(i))
        .map(|t| (t, 100.0 - 74.0 * (-t / 305.0_f64).exp(), Some(900.0)))
        .collect();
    let coarse: Vec<Row> = fine.iter().map(|r| (r.0, r.1.floor(), r.2)).collect();
    let at = |rows: &[Row]| {
        let end = rows[first_at(rows, TARGET)].0;
        let said = run(&mut Warm::new(TARGET, history()), rows);
        [1000, 2000, 3000].map(|i| said[i].expect("a forecast").eta_s - (end - rows[i].0))
    };
    for (fine, coarse) in at(&fine).iter().zip(at(&coarse)) {
        assert!(fine.abs() < 15.0 && coarse.abs() < 15.0, "{fine} {coarse}");
    }
}

#[test]
fn words_say_when_how_sure_and_from_what() {
    let mut warm = Warm::new(TARGET, history());
    assert_eq!(warm.words(), "can't say: no temperature yet");
    run(&mut warm, &made_up(26.0, 100.0, 305.0, 100.0));
    let words = warm.words();
    assert!(
        words.starts_with("82 °C in ") && words.ends_with("from 4 earlier warm-ups)"),
        "{words}"
    );
    let mut alone = Warm::new(TARGET, Vec::new());
    run(&mut alone, &made_up(26.0, 100.0, 305.0, 100.0));
    assert!(
        alone.words().ends_with("from this warm-up alone)"),
        "{}",
        alone.words()
    );
}
