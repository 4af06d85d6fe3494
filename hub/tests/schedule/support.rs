//! Small plans for the tests, and a source of chance that is the same on every machine.
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use spinover::figures::schedule::spread::Spread;
use spinover::figures::schedule::{Network, Task};

/// A plan in which each task takes exactly so long and waits for those.
pub fn plan(tasks: &[(f64, &[usize])]) -> Network {
    let tasks = tasks
        .iter()
        .map(|(minutes, after)| Task {
            spread: Spread::exactly(*minutes),
            after: after.to_vec(),
            uses: Vec::new(),
        })
        .collect();
    Network::new(tasks, Vec::new()).expect("a plan")
}

/// A plan drawn at random: `n` tasks, each using one of three things or none.
pub fn random_plan(random: &mut ChaCha8Rng, n: usize) -> Network {
    let tasks = (0..n)
        .map(|at| {
            let low = random.random_range(1.0..20.0);
            let likely = low + random.random_range(0.0..10.0);
            Task {
                spread: Spread {
                    low_min: low,
                    likely_min: likely,
                    high_min: likely + random.random_range(0.0..30.0),
                },
                after: (0..at).filter(|_| random.random_bool(0.25)).collect(),
                uses: (0..3).filter(|_| random.random_bool(0.35)).collect(),
            }
        })
        .collect();
    Network::new(tasks, vec![1, 1, 2]).expect("a plan")
}
