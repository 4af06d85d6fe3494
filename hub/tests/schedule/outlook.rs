//! The draws: against sums that are known, and what helps against what must.
use crate::support::random_plan;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use spinover::figures::schedule::chance::{Question, outlook};
use spinover::figures::schedule::help::{Help, what_helps};
use spinover::figures::schedule::spread::Spread;
use spinover::figures::schedule::{Network, Stage, Task};

fn spread(low_min: f64, likely_min: f64, high_min: f64) -> Spread {
    Spread {
        low_min,
        likely_min,
        high_min,
    }
}

fn chain(n: usize, spread: Spread) -> Network {
    let tasks = (0..n)
        .map(|at| Task {
            spread,
            after: at.checked_sub(1).into_iter().collect(),
            uses: Vec::new(),
        })
        .collect();
    Network::new(tasks, Vec::new()).unwrap()
}

/// Twenty equal symmetric tasks one after the other: by the central limit theorem the end is nearly normal, so that its 10 % and
/// 90 % points lie 1.2816 standard deviations from the mean (the normal table), and the middle on it.
#[test]
fn a_long_chain_ends_as_the_normal_curve_says() {
    let one = spread(5.0, 10.0, 15.0);
    let network = chain(20, one);
    let question = Question {
        ready: Some(19),
        due_min: Some(200.0),
        draws: 20_000,
        seed: 3,
    };
    let outlook = outlook(&network, &[Stage::Waiting; 20], &question);
    let sd = (20.0 * one.variance()).sqrt();
    assert!((outlook.end.median_min - 200.0).abs() < 0.2);
    assert!((outlook.end.p90_min - 200.0 - 1.2816 * sd).abs() < 0.3);
    assert!((outlook.end.p10_min - 200.0 + 1.2816 * sd).abs() < 0.3);
    assert!((outlook.chance.unwrap() - 0.5).abs() < 0.02);
    let ready = outlook.ready.unwrap();
    assert!((ready.median_min - 190.0).abs() < 0.2);
    // After the start of the last task, that task alone is left: nine in ten take no longer than its own 90 % point.
    let last = spinover::figures::schedule::spread::Left::new(one, 0.0).quantile(0.9);
    assert!((outlook.start_by_min.unwrap() - (200.0 - last)).abs() < 0.1);
    assert!(outlook.tasks.iter().all(|task| task.critical == 1.0));
    assert_eq!(outlook.path, (0..20).collect::<Vec<_>>());
}

#[test]
fn the_same_seed_gives_the_same_answer_and_another_a_like_one() {
    let network = random_plan(&mut ChaCha8Rng::seed_from_u64(5), 18);
    let stages = [Stage::Waiting; 18];
    let ask = |seed| {
        outlook(
            &network,
            &stages,
            &Question {
                due_min: Some(150.0),
                seed,
                ..Question::default()
            },
        )
    };
    assert_eq!(ask(1), ask(1));
    assert_ne!(ask(1), ask(2));
    let (a, b) = (ask(1).end, ask(2).end);
    assert!(
        (a.median_min / b.median_min - 1.0).abs() < 0.02,
        "{a:?} {b:?}"
    );
}

#[test]
fn what_is_done_is_neither_waited_for_nor_critical() {
    let network = chain(3, spread(5.0, 10.0, 15.0));
    let stages = [
        Stage::Done,
        Stage::Running { spent_min: 14.0 },
        Stage::Waiting,
    ];
    let outlook = outlook(
        &network,
        &stages,
        &Question {
            ready: Some(2),
            ..Question::default()
        },
    );
    assert_eq!(outlook.tasks[0].critical, 0.0);
    assert_eq!(outlook.path, [1, 2]);
    let ready = outlook.ready.unwrap();
    assert!(ready.p90_min < 1.0, "{ready:?}");
    assert_eq!(outlook.chance, None);
    assert_eq!(outlook.start_by_min, None);
}

#[test]
fn two_tasks_of_one_pair_of_hands_wait_for_each_other_and_a_second_pair_helps() {
    let task = |uses: &[usize]| Task {
        spread: spread(8.0, 10.0, 14.0),
        after: Vec::new(),
        uses: uses.to_vec(),
    };
    let network = Network::new(vec![task(&[0]), task(&[0]), task(&[1])], vec![1, 1]).unwrap();
    let stages = [Stage::Waiting; 3];
    let question = Question {
        due_min: Some(15.0),
        ..Question::default()
    };
    let outlook = outlook(&network, &stages, &question);
    assert!(outlook.end.median_min > 19.0);
    assert_eq!(outlook.chance, Some(0.0));
    assert_eq!(outlook.tasks[2].critical, 0.0);
    let gains = what_helps(&network, &stages, &question);
    assert_eq!(gains[0].help, Help::OneMore { thing: 0 });
    // From the sum of two to the later of three like them.
    assert!((8.0..11.0).contains(&gains[0].earlier_min), "{gains:?}");
    assert!(gains[0].chance.unwrap() > 0.9);
    assert!(!gains.iter().any(|gain| matches!(
        gain.help,
        Help::OneMore { thing: 1 } | Help::Shorten { task: 2, .. }
    )));
    // A quarter off one of the two is a quarter of its mean off the whole.
    let shorten = gains
        .iter()
        .find(|gain| matches!(gain.help, Help::Shorten { task: 0, .. }))
        .unwrap();
    assert!((shorten.earlier_min - 0.25 * spread(8.0, 10.0, 14.0).mean()).abs() < 0.1);
}
