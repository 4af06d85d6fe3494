//! Alarms on the simulated car: silent through whole healthy warm-ups, quick and alone when something is broken.

use spinover::files::demo;
use spinover::pit::{Pit, raised};
use spinover::sources::sim::{Settings, fault::parse_list};
use spinover_protocol::{
    Millis,
    event::{Event, EventBody},
};

fn pit(seed: u64, faults: &str) -> Pit {
    let settings = Settings {
        seed,
        auto: false,
        noise: true,
        faults: parse_list(faults).unwrap(),
    };
    let car = demo::car().unwrap_or_else(|errors| panic!("{errors}")).car;
    let sheet = demo::sheets()
        .unwrap_or_else(|errors| panic!("{errors}"))
        .remove(0);
    Pit::new(&car, sheet, settings).unwrap()
}

fn run(pit: &mut Pit, until: Millis) -> Vec<(Millis, Event)> {
    let mut seen = Vec::new();
    while pit.now() < until {
        for event in pit.step() {
            seen.push((pit.now(), event));
        }
    }
    seen
}

#[test]
fn probe() {
    for (seed, faults) in [(1, ""), (2, ""), (3, ""), (1, "oil_lost@90"), (2, "over_temp@90"), (3, "link_lost@90"), (4, "dead_cylinder:3@90"), (5, "dropout:oil_pressure@90"), (6, "stuck:head_temp@60"), (7, "spike:oil_pressure@80,spike:oil_pressure@80.05,spike:head_temp@90"), (8, "link_lost@70+0.7"), (9, "CUT")] {
        println!("--- {seed} {faults}");
        let mut pit = pit(seed, if faults == "CUT" { "" } else { faults });
        let mut seen = run(&mut pit, 90_000);
        if faults == "CUT" { pit.controls().set("fuel_nitro", 0.0).unwrap(); }
        seen.extend(run(&mut pit, 240_000));
        for (at, event) in seen {
            match event.body {
                EventBody::StepMarked { step, .. } if step.as_str() == "nitro_on" || step.as_str() == "ignition_off" => println!("{:7.2} {step}", at as f64 / 1e3),
                EventBody::WarmupBegun { .. } | EventBody::StepMarked { .. } => {}
                body => println!("{:7.2} {body:?}", at as f64 / 1e3),
            }
        }
        println!("{:?}", pit.frame().urgent);
    }
    let _ = raised;
}
