//! How long the draws take; run by `cargo xtask bench turnaround`, and only a look that it works otherwise.
use crate::support::random_plan;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use spinover::core::day_air::{AirQuestion, DayAir};
use spinover::figures::schedule::Stage;
use spinover::figures::schedule::chance::{Question, outlook};
use spinover::figures::schedule::help::what_helps;
use spinover_protocol::today::Conditions;
use std::time::Instant;

/// Prints the middle of several times as JSON; no bound, since a test does not measure speed.
#[test]
fn draws_of_a_plan() {
    let network = random_plan(&mut ChaCha8Rng::seed_from_u64(1), 20);
    let stages = [Stage::Waiting; 20];
    let rounds = if cfg!(debug_assertions) { 1 } else { 51 };
    let question = Question {
        ready: Some(19),
        due_min: Some(120.0),
        draws: 4_000,
        seed: 1,
    };
    let middle = |work: &dyn Fn()| {
        let mut took: Vec<f64> = (0..rounds)
            .map(|_| {
                let begun = Instant::now();
                work();
                begun.elapsed().as_secs_f64() * 1e3
            })
            .collect();
        took.sort_unstable_by(f64::total_cmp);
        took[took.len() / 2]
    };
    let draws = middle(&|| {
        let outlook = outlook(&network, &stages, &question);
        assert!(outlook.chance.is_some());
    });
    let help = middle(&|| {
        assert!(!what_helps(&network, &stages, &question).is_empty());
    });
    // As much air as is ever looked back at: every half hour of two days and a quarter, and a flow's rule.
    let mut day = DayAir::default();
    for half_hour in 0..108 {
        let air = Conditions {
            temp_c: 20.0 + 5.0 * (f64::from(half_hour) / 7.6).sin(),
            pressure_hpa: 975.0,
            rh_pct: 50.0,
            place: None,
        };
        day.take(i64::from(half_hour) * 1_800_000, &air);
    }
    let asked = AirQuestion {
        seen: day.seen(),
        ..AirQuestion::default()
    };
    let air = middle(&|| {
        assert!(asked.then(110 * 1_800_000).is_some());
    });
    println!(
        "{{\"tasks\":20,\"draws\":{},\"outlook_ms\":{draws:.2},\"what_helps_ms\":{help:.2},\"air_ms\":{air:.2},\"rounds\":{rounds}}}",
        question.draws
    );
}
