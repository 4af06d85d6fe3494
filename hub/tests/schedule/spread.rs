//! How long a task takes: against the beta's closed forms, a textbook, and draws of `rand_distr`'s own PERT distribution.
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Pert};
use spinover::figures::schedule::chance::{Question, outlook};
use spinover::figures::schedule::spread::{Left, Spread};
use spinover::figures::schedule::{Network, Stage, Task};

const CASES: [(f64, f64, f64); 6] = [
    (5.0, 8.0, 17.0),
    (10.0, 10.0, 25.0),
    (2.0, 30.0, 30.0),
    (0.0, 1.0, 100.0),
    (4.0, 5.0, 6.0),
    (20.0, 40.0, 45.0),
];

fn spread((low_min, likely_min, high_min): (f64, f64, f64)) -> Spread {
    Spread {
        low_min,
        likely_min,
        high_min,
    }
}

/// Mean `(min + 4 mode + max) / 6` (the R package mc2d's manual, "The Modified PERT Distribution", shape 4), variance of the beta
/// with those shapes (a textbook's `ab / ((a + b)² (a + b + 1))`, from memory).
#[test]
fn mean_and_variance_are_the_betas() {
    const SHARES: usize = 20_000;
    for case in CASES {
        let (low, likely, high) = case;
        let range = high - low;
        let (a, b) = (
            1.0 + 4.0 * (likely - low) / range,
            1.0 + 4.0 * (high - likely) / range,
        );
        let want_mean = (low + 4.0 * likely + high) / 6.0;
        let want_var = range * range * a * b / ((a + b).powi(2) * (a + b + 1.0));
        let left = Left::new(spread(case), 0.0);
        let draws: Vec<f64> = (0..SHARES)
            .map(|k| left.quantile((k as f64 + 0.5) / SHARES as f64))
            .collect();
        let mean = draws.iter().sum::<f64>() / SHARES as f64;
        let var = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / SHARES as f64;
        assert!(
            (mean - want_mean).abs() < 1e-4 * range,
            "{case:?}: {mean} {want_mean}"
        );
        assert!(
            (var / want_var - 1.0).abs() < 2e-3,
            "{case:?}: {var} {want_var}"
        );
        assert!((spread(case).mean() - want_mean).abs() < 1e-9);
        assert!((spread(case).variance() / want_var - 1.0).abs() < 1e-9);
    }
}

/// The largest distance between the share of drawn values up to x and ours (Kolmogorov's), in units of its 0.1 % limit.
fn distance(drawn: &mut [f64], left: &Left) -> f64 {
    drawn.sort_unstable_by(f64::total_cmp);
    let n = drawn.len() as f64;
    let grid = 400;
    let most = (1..grid)
        .map(|k| {
            let share = f64::from(k) / f64::from(grid);
            let x = left.quantile(share);
            let up_to = drawn.partition_point(|d| *d <= x) as f64 / n;
            (up_to - share).abs()
        })
        .fold(0.0, f64::max);
    // 1.95 / sqrt n is the limit that one sample in a thousand passes.
    most / (1.95 / n.sqrt())
}

#[test]
fn draws_of_another_library_fall_as_ours_do() {
    let mut random = ChaCha8Rng::seed_from_u64(11);
    for case in CASES {
        let (low, likely, high) = case;
        let pert = Pert::new(low, high).with_mode(likely).expect("a PERT");
        let mut drawn: Vec<f64> = (0..40_000).map(|_| pert.sample(&mut random)).collect();
        let off = distance(&mut drawn, &Left::new(spread(case), 0.0));
        assert!(off < 1.0, "{case:?}: {off}");
    }
}

/// What is left of a running task: of the other library's draws, those that take longer than it has been running.
#[test]
fn what_is_left_is_what_the_longer_ones_still_take() {
    let mut random = ChaCha8Rng::seed_from_u64(12);
    for case in CASES {
        let (low, likely, high) = case;
        let pert = Pert::new(low, high).with_mode(likely).expect("a PERT");
        for part in [0.1, 0.4, 0.6] {
            let spent = low + part * (high - low);
            let mut drawn: Vec<f64> = (0..200_000)
                .map(|_| pert.sample(&mut random))
                .filter(|d| *d > spent)
                .map(|d| d - spent)
                .collect();
            if drawn.len() < 500 {
                continue;
            }
            let left = Left::new(spread(case), spent);
            assert!(!left.over());
            let off = distance(&mut drawn, &left);
            assert!(
                off < 1.0,
                "{case:?} after {spent}: {off} of {}",
                drawn.len()
            );
        }
    }
}

#[test]
fn before_the_shortest_time_the_wait_only_shrinks() {
    let fresh = Left::new(spread((5.0, 8.0, 17.0)), 0.0);
    let going = Left::new(spread((5.0, 8.0, 17.0)), 3.0);
    for share in [0.01, 0.5, 0.99] {
        assert!((fresh.quantile(share) - 3.0 - going.quantile(share)).abs() < 1e-9);
    }
}

#[test]
fn a_task_over_its_longest_time_says_so_and_is_not_done() {
    for spread in [spread((5.0, 8.0, 17.0)), Spread::exactly(17.0)] {
        let left = Left::new(spread, 20.0);
        assert!(left.over());
        assert!(left.quantile(0.5) > 0.0 && left.quantile(0.999) < 10.0);
    }
    assert!(!Left::new(Spread::exactly(17.0), 5.0).over());
    assert!((Left::new(Spread::exactly(17.0), 5.0).quantile(0.3) - 12.0).abs() < 1e-12);
}

/// B. W. Taylor, Introduction to Management Science, the solved PERT problem of chapter 8, as read at <https://flylib.com/books/en/3.287.1.117/1>:
/// activities 1, 3, 5 and 7 are critical, 24 weeks are expected, and by the normal curve 28 are enough with a chance of 0.9633.
#[test]
fn a_textbook_chance() {
    let critical = [
        (5.0, 8.0, 17.0),
        (3.0, 5.0, 7.0),
        (4.0, 6.0, 8.0),
        (3.0, 4.0, 5.0),
    ];
    let mean: f64 = critical.iter().map(|case| spread(*case).mean()).sum();
    assert!((mean - 24.0).abs() < 1e-12);
    let tasks = (0..4)
        .map(|at: usize| Task {
            spread: spread(critical[at]),
            after: at.checked_sub(1).into_iter().collect(),
            uses: Vec::new(),
        })
        .collect();
    let network = Network::new(tasks, Vec::new()).expect("a chain");
    let question = Question {
        due_min: Some(28.0),
        draws: 50_000,
        ..Question::default()
    };
    let chance = outlook(&network, &[Stage::Waiting; 4], &question)
        .chance
        .expect("a chance");
    println!("chance {chance}, published 0.9633");
    // The book's variance is an approximation and its curve the normal one: with the beta's own variances (5.86 for 5.00) and its
    // longer tail it must be a little lower, not much.
    assert!((chance - 0.9633).abs() < 0.025, "{chance}");
}
