//! How long the draws take; run by `cargo xtask bench turnaround`, and only a look that it works otherwise.
use crate::support::random_plan;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use spinover::figures::schedule::Stage;
use spinover::figures::schedule::chance::{Question, outlook};
use spinover::figures::schedule::help::what_helps;
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
    println!(
        "{{\"tasks\":20,\"draws\":{},\"outlook_ms\":{draws:.2},\"what_helps_ms\":{help:.2},\"rounds\":{rounds}}}",
        question.draws
    );
}
