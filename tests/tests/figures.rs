//! What a crew types in for the figures, through the socket, and what every phone then shows.

use spinover_protocol::{
    message::{Command, FigureNow},
    today::{Conditions, FlowBaseline, MixReading, TimeSlip},
    units::Unit,
};
use spinover_tests::{
    data,
    hub::{self, CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::{Phone, Seen},
};

const AIR: Conditions = Conditions {
    temp_c: 31.5,
    pressure_hpa: 978.2,
    rh_pct: 38.0,
    place: None,
};

fn own_hub() -> Hub {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start()
}

/// What the command line says of the same input: one field of its JSON.
fn by_hand(arguments: &str, field: &str) -> f64 {
    let arguments: Vec<&str> = arguments.split(' ').collect();
    let output = hub::run(&arguments);
    let answer: serde_json::Value = serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|error| panic!("{arguments:?}: {error}: {output:?}"));
    answer[field]
        .as_f64()
        .unwrap_or_else(|| panic!("no {field} in {answer}"))
}

fn figure<'s>(seen: &'s Seen, key: &str) -> Option<&'s FigureNow> {
    seen.mirror()
        .figures
        .iter()
        .find(|figure| figure.key == key)
}

fn value(seen: &Seen, key: &str) -> Option<f64> {
    figure(seen, key)?.value
}

#[tokio::test(flavor = "multi_thread")]
async fn weather_typed_on_one_phone_is_a_figure_on_every_phone_and_outlives_the_hub() {
    let mut hub = own_hub();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let crew = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let arguments = "figure air --temp-c 31.5 --pressure-hpa 978.2 --rh-pct 38 --json";
    let density = by_hand(arguments, "density_kg_m3");
    let altitude = by_hand(arguments, "density_altitude_m");
    chief
        .until("to be told that the weather is missing", |seen| {
            figure(seen, "air").is_some_and(|air| air.value.is_none())
        })
        .await;
    crew.done(Command::SetConditions(AIR)).await;
    for phone in [&chief, &crew] {
        phone
            .until("the air", |seen| value(seen, "air") == Some(density))
            .await;
        let shown = phone.look(|seen| figure(seen, "density_altitude").cloned());
        let shown = shown.expect("it comes with the air");
        assert_eq!(
            (shown.value, shown.unit),
            (Some(altitude), Some(Unit::Metre))
        );
    }
    let fahrenheit = Conditions {
        temp_c: 88.7,
        ..AIR
    };
    let refused = crew.refused(Command::SetConditions(fahrenheit)).await;
    assert!(refused.contains("140 °F"), "{refused}");

    // The chief's rule, and nobody else's.
    let rule = FlowBaseline {
        flow_l_per_min: 30.0,
        density_kg_m3: density / 1.02,
        temp_c: 30.0,
        pct_per_pct_density: 1.0,
        pct_per_k: 0.0,
        sd_pct: 2.0,
    };
    let refused = crew.refused(Command::SetFlowBaseline(rule)).await;
    assert!(refused.contains("chief code"), "{refused}");
    chief.done(Command::SetFlowBaseline(rule)).await;
    crew.until("the flow for air that is 2 % denser", |seen| {
        value(seen, "flow").is_some_and(|flow| (flow - 30.6).abs() < 1e-9)
    })
    .await;

    // Another warm-up, and a power cut: the weather stays.
    chief
        .done(Command::Begin {
            sheet: "short".to_owned(),
        })
        .await;
    drop((chief, crew));
    hub.kill();
    hub.start_again();
    let late = Phone::join(&hub, CREW_CODE, "Sol", "fuel").await;
    late.until("air and flow after the restart", |seen| {
        value(seen, "air") == Some(density)
            && value(seen, "flow").is_some_and(|flow| (flow - 30.6).abs() < 1e-9)
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_demo_says_when_the_mix_is_over_the_car_files_limit() {
    let hub = Launch::demo().start();
    let crew = Phone::join(&hub, CREW_CODE, "Ash", "fuel").await;
    let limit = crew
        .look(|seen| seen.mirror().welcome.clone())
        .and_then(|welcome| welcome.car.fuel?.nitro_limit_pct)
        .expect("the demo's car file sets a limit");
    for (pct, over) in [(limit - 5.0, false), (limit + 3.0, true)] {
        let arguments = format!("figure mix --pct {pct} --temp-c 25 --json");
        let sg = by_hand(&arguments, "sg");
        crew.done(Command::MeasureMix(MixReading { sg, temp_c: 25.0 }))
            .await;
        crew.until("the mix", |seen| {
            value(seen, "mix").is_some_and(|nitro| (nitro - pct).abs() < 1e-6)
        })
        .await;
        let mix = crew.look(|seen| figure(seen, "mix").cloned()).expect("it");
        assert_eq!(mix.attention, over, "{mix:?}");
        assert_eq!(mix.words.starts_with("OVER the limit"), over, "{mix:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_warm_up_that_is_closed_teaches_the_next_one() {
    let hub = own_hub();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let slip = |t60_s: f64| {
        Command::TypeSlip(TimeSlip {
            t60_s: Some(t60_s),
            ..TimeSlip::default()
        })
    };
    chief.done(slip(0.87)).await;
    chief
        .done(Command::Begin {
            sheet: "short".to_owned(),
        })
        .await;
    chief.done(slip(0.86)).await;
    chief
        .until("the slip beside the one before", |seen| {
            figure(seen, "slip").is_some_and(|slip| {
                slip.words
                    .contains("60 ft time 0.010 s quicker than the 1 earlier run")
            })
        })
        .await;
}
