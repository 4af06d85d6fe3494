//! The whole pit in ten thousand simulated storms: what must hold, and how soon mistakes made on purpose are found.
//!
//! `bench_sim [--json] [--seeds N] [--from N] [--threads N]` runs the storms; `bench_sim --seed N [--plant NAME]` tells the story of
//! one of them. Simulated time throughout, so it comes to the same on every machine; only the seconds it takes do not.
#![forbid(unsafe_code)]

use anyhow::{Result, bail};
use clap::Parser;
use serde_json::json;
use spinover::pit::storm::{self, Outcome, Plant};
use std::{
    collections::BTreeMap,
    sync::{
        Mutex,
        atomic::{AtomicU64, Ordering},
    },
    time::Instant,
};

const SEEDS: u64 = 10_000;
/// Storms in which a planted mistake is looked for.
const PLANTS_WITHIN: u64 = 1_000;
/// Of how many violations the story is told.
const STORIES: usize = 3;

#[derive(Parser)]
struct Asked {
    /// One line of numbers.
    #[arg(long)]
    json: bool,
    /// Storms.
    #[arg(long, default_value_t = SEEDS)]
    seeds: u64,
    /// The first one's seed.
    #[arg(long, default_value_t = 0)]
    from: u64,
    /// Threads; as many as there are cores when left out.
    #[arg(long)]
    threads: Option<usize>,
    /// Tells the story of this one only.
    #[arg(long)]
    seed: Option<u64>,
    /// A mistake to plant.
    #[arg(long, value_parser = plant)]
    plant: Option<Plant>,
}

impl Asked {
    fn threads(&self) -> usize {
        let cores = || std::thread::available_parallelism().map_or(1, usize::from);
        self.threads.unwrap_or_else(cores).max(1)
    }
}

fn plant(name: &str) -> Result<Plant, String> {
    let plant = Plant::ALL.into_iter().find(|plant| plant.name() == name);
    plant.ok_or_else(|| format!("there are {}", Plant::ALL.map(Plant::name).join(", ")))
}

fn print_story(outcome: &Outcome) {
    for line in &outcome.story {
        println!("{line}");
    }
    match &outcome.violation {
        Some(wrong) => println!(
            "seed {}: {:?} at {:.3} s: {}",
            outcome.seed,
            wrong.rule,
            wrong.at_ms as f64 / 1000.0,
            wrong.words
        ),
        None => println!(
            "seed {}: nothing wrong in {:.0} s; {} events, {} crashes, {} connections",
            outcome.seed,
            outcome.simulated_ms as f64 / 1000.0,
            outcome.events,
            outcome.crashes,
            outcome.connections
        ),
    }
}

/// Runs the seeds on several threads; each storm is one thread's.
fn storms(asked: &Asked) -> Vec<Outcome> {
    let next = AtomicU64::new(asked.from);
    let done = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..asked.threads() {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= asked.from + asked.seeds {
                        return;
                    }
                    let outcome = storm::run(seed, asked.plant);
                    done.lock()
                        .unwrap_or_else(std::sync::PoisonError::into_inner)
                        .push(outcome);
                }
            });
        }
    });
    let mut done = done
        .into_inner()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    done.sort_by_key(|outcome| outcome.seed);
    done
}

fn main() -> Result<()> {
    let asked = Asked::parse();
    if let Some(seed) = asked.seed {
        print_story(&storm::tell(seed, asked.plant));
        return Ok(());
    }
    let began = Instant::now();
    let outcomes = storms(&asked);
    let wall_s = began.elapsed().as_secs_f64();
    let wrong: Vec<&Outcome> = outcomes
        .iter()
        .filter(|outcome| outcome.violation.is_some())
        .collect();
    let sum = |of: fn(&Outcome) -> u64| outcomes.iter().map(of).sum::<u64>();
    let hours = sum(|outcome| outcome.simulated_ms as u64) as f64 / 3_600_000.0;
    let mut by_rule: BTreeMap<String, Vec<u64>> = BTreeMap::new();
    for outcome in &wrong {
        if let Some(violation) = &outcome.violation {
            let seeds = by_rule.entry(format!("{:?}", violation.rule)).or_default();
            seeds.push(outcome.seed);
        }
    }
    let mut planted = BTreeMap::new();
    if asked.plant.is_none() {
        for plant in Plant::ALL {
            let found = (0..PLANTS_WITHIN).find_map(|seed| {
                let violation = storm::run(seed, Some(plant)).violation?;
                Some(json!({ "seeds": seed + 1, "rule": format!("{:?}", violation.rule) }))
            });
            planted.insert(plant.name(), found);
        }
    }
    if !asked.json {
        for outcome in wrong.iter().take(STORIES) {
            print_story(outcome);
            println!();
        }
    }
    let told = json!({
        "seeds": outcomes.len(),
        "violations": wrong.len(),
        "violating_seeds": by_rule,
        "events": sum(|outcome| outcome.events),
        "commands_acknowledged": sum(|outcome| outcome.answered),
        "hub_crashes": sum(|outcome| outcome.crashes),
        "connections": sum(|outcome| outcome.connections),
        "simulated_hours": (hours * 10.0).round() / 10.0,
        "wall_seconds": (wall_s * 10.0).round() / 10.0,
        "threads": asked.threads(),
        "planted_found_after": planted,
    });
    spinover_tests::tell(&told, asked.json);
    if wrong.is_empty() {
        Ok(())
    } else {
        bail!("{} seeds went wrong", wrong.len())
    }
}
