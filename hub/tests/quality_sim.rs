//! The marks against the simulated car's faults: each is found, and a car without faults has none.

use spinover::core::channels::Channels;
use spinover::core::feed::Report;
use spinover::files::demo;
use spinover::sources::{Feed, Setup, open};
use spinover_protocol::trust::Doubt;
use std::collections::BTreeMap;
use tokio::sync::mpsc;

/// Plays a whole warm-up of the simulated car; for each channel, when it was first in each kind of doubt, in seconds, and how often.
async fn played(options: &str, until_s: f64) -> BTreeMap<(String, Doubt), (f64, usize)> {
    let car = demo::car().unwrap().car;
    let setup = Setup {
        car: car.clone(),
        replay: None,
        names: Default::default(),
        seed: 5,
    };
    let source = open(&format!("sim:?auto=1&speed=max{options}"), &setup).unwrap();
    let (to, mut reports) = mpsc::channel(64);
    let running = tokio::spawn(source.run(Feed::new(0, to)));
    let mut channels = Channels::new(&car.channels, &["sim:".to_owned()]);
    let mut doubts = BTreeMap::new();
    while let Some((_, report)) = reports.recv().await {
        let Report::Batch(batch) = report else {
            continue;
        };
        let t_s = batch.t_s.unwrap();
        if t_s > until_s {
            break;
        }
        let now = 1_000_000 + (t_s * 1000.0) as i64;
        channels.take(now, 0, &batch);
        for (index, _) in &batch.values {
            if let Some(doubt) = channels.doubt(now, *index) {
                let key = (car.channels[*index].key.0.clone(), doubt);
                doubts.entry(key).or_insert((t_s, 0)).1 += 1;
            }
        }
    }
    drop(reports);
    // It goes on for ever, and ends because nobody hears it any more.
    assert!(running.await.unwrap().is_err());
    doubts
}

#[tokio::test]
async fn every_stuck_sensor_is_found_within_seconds() {
    let car = demo::car().unwrap().car;
    let mut told = Vec::new();
    for channel in &car.channels {
        // While the engine idles on nitro, when all of its sensors have something to say.
        let fault = format!("&faults=stuck:{}@120", channel.key);
        let doubts = played(&fault, 180.0).await;
        let key = (channel.key.0.clone(), Doubt::Stuck);
        told.push((
            channel.key.clone(),
            doubts.get(&key).map(|(at, _)| at - 120.0),
        ));
        let others: Vec<_> = doubts
            .keys()
            .filter(|(other, doubt)| *doubt == Doubt::Stuck && *other != key.0)
            .collect();
        assert!(others.is_empty(), "{others:?}");
    }
    println!("{told:?}");
    let late: Vec<_> = told
        .iter()
        .filter(|(_, after)| !after.is_some_and(|after| (4.9..10.0).contains(&after)))
        .collect();
    assert!(late.is_empty(), "{late:?}");
}

#[tokio::test]
async fn a_spike_is_marked_at_once() {
    let doubts = played("&noise=0&faults=spike:oil_temp@120", 125.0).await;
    let (at, count) = doubts[&("oil_temp".to_owned(), Doubt::Spike)];
    assert!((at - 120.0).abs() < 0.051 && count == 1, "{at} {count}");
}

#[tokio::test]
async fn a_healthy_car_has_no_stuck_sensor_at_work_or_at_rest() {
    // Four warm-ups with rests between them, and the sensors' own spikes and drop-outs.
    let doubts = played("", 880.0).await;
    println!("{doubts:?}");
    let stuck: Vec<_> = doubts
        .keys()
        .filter(|(_, doubt)| *doubt == Doubt::Stuck)
        .collect();
    assert!(stuck.is_empty(), "{stuck:?}");
    assert!(
        doubts.keys().any(|(_, doubt)| *doubt == Doubt::Spike),
        "the sensors do spike"
    );
}
