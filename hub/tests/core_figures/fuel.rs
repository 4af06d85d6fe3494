//! Fuel, from the can to the end of the sheet, and the weather that a source gives.

use super::*;

/// A car with a fuel meter and a weather station, and a sheet of three phases.
fn fuelled(allowances: [Option<FuelAllowance>; 3]) -> (Car, Sheet) {
    let mut car = car();
    let more = [
        ("fuel_flow", Unit::LitrePerMin, (0.0, 500.0)),
        ("air_temp", Unit::DegF, (-60.0, 140.0)),
        ("air_pressure", Unit::InHg, (20.0, 33.0)),
        ("air_humidity", Unit::Percent, (0.0, 100.0)),
    ];
    for (key, unit, (low, high)) in more {
        car.channels.push(Channel {
            key: key.into(),
            unit,
            plausible: Band { low, high },
            band: None,
            ..car.channels[0].clone()
        });
    }
    (car.tank_l, car.reserve_l) = (Some(60.0), Some(5.0));
    let mut sheet = sheet();
    let first = sheet.phases.remove(0);
    for (n, allowance) in allowances.into_iter().enumerate() {
        let mut phase = first.clone();
        phase.key = format!("p{n}").as_str().into();
        phase.name = format!("Phase {n}");
        phase.firing = n < 2;
        phase.shut_down = n == 2;
        phase.fuel_allowance = allowance;
        phase.steps[0].key = format!("s{n}").as_str().into();
        sheet.phases.push(phase);
    }
    (car, sheet)
}

fn allow(usual_l: f64, most_l: f64) -> Option<FuelAllowance> {
    Some(FuelAllowance { usual_l, most_l })
}

#[test]
fn fuel_for_the_rest_of_the_sheet_is_reckoned_at_worst() {
    let phases = [allow(4.0, 6.0), allow(20.0, 30.0), allow(1.0, 2.0)];
    let mut pit = Pit::of(fuelled(phases), Lessons::default());
    // A minute at 3 L/min; the meter may be 2 % off.
    pit.flow_for(60, 3.0);
    let needed = pit.figure("fuel_needed");
    // The rest of the first phase, 4 less 3, then 20 and 1, and the reserve of 5.
    assert!((needed.value.unwrap() - 27.0).abs() < 0.02, "{needed:?}");
    assert!(
        (needed.high.unwrap() - (6.0 - 2.94 + 30.0 + 2.0 + 5.0)).abs() < 0.02,
        "{needed:?}"
    );
    assert!(
        needed.words.contains("allowance for 3 phases"),
        "{needed:?}"
    );
    let margin = pit.figure("fuel_margin");
    let worst = 60.0 - 3.06 - needed.high.unwrap();
    assert!(
        (margin.value.unwrap() - worst).abs() < 0.02 && !margin.attention,
        "{margin:?}"
    );
    assert!(
        pit.figure("fuel_left")
            .words
            .starts_with("enough for the rest")
    );

    // The second phase takes far more than it should.
    pit.mark("s0");
    pit.flow_for(60, 32.0);
    let needed = pit.figure("fuel_needed");
    assert!(
        (needed.value.unwrap() - 6.0).abs() < 0.1,
        "nothing is left of its allowance: {needed:?}"
    );
    assert!(
        needed.words.contains("Phase 1 has used more than"),
        "{needed:?}"
    );
    pit.flow_for(40, 28.0);
    let margin = pit.figure("fuel_margin");
    assert!(
        margin.value.unwrap() < 0.0 && margin.attention,
        "{margin:?}"
    );
    let left = pit.figure("fuel_left");
    assert!(left.attention && left.words.contains("SHORT"), "{left:?}");

    // With all done, nothing more is needed, and that is not said to be so much.
    pit.mark("s1");
    pit.mark("s2");
    assert!(
        pit.core
            .figures(pit.now)
            .iter()
            .all(|figure| figure.key != "fuel_needed")
    );
}

#[test]
fn what_the_chief_does_not_say_is_learned_or_named_as_unknown() {
    let used = |litres: &[f64]| litres.to_vec();
    let lessons = Lessons {
        used_l: BTreeMap::from([
            ("p1".into(), used(&[18.0, 20.0, 19.0, 22.0, 20.0])),
            ("p2".into(), used(&[1.0])),
        ]),
        ..Lessons::default()
    };
    let pit = Pit::of(fuelled([None, None, None]), lessons);
    let needed = pit.figure("fuel_needed");
    assert_eq!(
        needed.value,
        Some(25.0),
        "the median and the reserve: {needed:?}"
    );
    assert!(needed.high.unwrap() > 27.0, "{needed:?}");
    assert!(
        needed.words.contains("earlier warm-ups for 1 phase"),
        "{needed:?}"
    );
    assert!(
        needed
            .words
            .contains("NOT counted, no number known: Phase 0"),
        "{needed:?}"
    );
}

#[test]
fn weather_is_live_where_a_source_gives_it_and_typed_where_not() {
    let mut pit = Pit::of(fuelled([None, None, None]), Lessons::default());
    // The same air as typed further down: 31.5 degC, 978.2 hPa.
    let (temp, pressure) = ((2, 88.7), (3, 978.2 / 33.863_886_4));
    pit.read(vec![temp, pressure]);
    let air = pit.figure("air");
    assert!(
        air.value.is_none() && air.words.contains("typed the humidity in"),
        "{air:?}"
    );
    pit.crew(Command::SetConditions(Conditions {
        temp_c: 10.0,
        pressure_hpa: 1020.0,
        ..WARM_DAY
    }));
    let wanted = air_of_readings(31.5, 978.2, 38.0).unwrap().density_kg_m3.0;
    let mixed = pit.figure("air");
    assert!(
        (mixed.value.unwrap() / wanted - 1.0).abs() < 1e-6,
        "{mixed:?}"
    );
    assert!(
        mixed
            .words
            .starts_with("temperature and pressure live; humidity: typed by Ines"),
        "{mixed:?}"
    );
    pit.read(vec![temp, pressure, (4, 60.0)]);
    let live = pit.figure("air");
    let damper = air_of_readings(31.5, 978.2, 60.0).unwrap().density_kg_m3.0;
    assert!(
        (live.value.unwrap() / damper - 1.0).abs() < 1e-6,
        "{live:?}"
    );
    assert!(
        live.words.starts_with("live from the weather station"),
        "{live:?}"
    );
    // The station falls silent: what was typed holds again, and says so.
    pit.now += 5_000;
    let typed = air_of_readings(10.0, 1020.0, 38.0).unwrap().density_kg_m3.0;
    let silent = pit.figure("air");
    assert_eq!(silent.value, Some(typed));
    assert!(silent.words.starts_with("typed by Ines"), "{silent:?}");
}

#[test]
fn what_to_add_to_the_can_is_said_with_the_limit() {
    let mut pit = Pit::new();
    let plan = CanPlan {
        held_l: 10.0,
        held_pct: None,
        want_l: 50.0,
        want_pct: 88.0,
        temp_c: 20.0,
    };
    pit.crew(Command::PlanCan(plan));
    assert!(
        pit.figure("add_nitro")
            .words
            .contains("measure what is in the can first")
    );
    let sg = gravity(Percent(60.0), Celsius(20.0)).unwrap().0;
    pit.crew(Command::MeasureMix(MixReading { sg, temp_c: 20.0 }));
    let (nitro, methanol) = (pit.figure("add_nitro"), pit.figure("add_methanol"));
    // All liquids as warm and volumes adding: 44 L of nitro in the end, of which 6 are there, but for how each swells from 60 F.
    assert!((nitro.value.unwrap() - 38.0).abs() < 0.05, "{nitro:?}");
    assert!(
        (nitro.value.unwrap() + methanol.value.unwrap() - 40.0).abs() < 0.05,
        "{methanol:?}"
    );
    assert!(
        nitro.words.contains("under the limit of 90 %") && !nitro.attention,
        "{nitro:?}"
    );
    pit.crew(Command::PlanCan(CanPlan {
        want_pct: 92.0,
        ..plan
    }));
    let over = pit.figure("add_nitro");
    assert!(
        over.attention
            && over
                .words
                .starts_with("OVER the limit of 90 %; the rule book decides"),
        "{over:?}"
    );
    let cold = pit.ask(
        Right::Crew,
        Command::PlanCan(CanPlan {
            temp_c: 75.0,
            ..plan
        }),
    );
    assert!(cold.unwrap_err().contains("32 to 122 °F"));
    let too_full = CanPlan {
        held_l: 60.0,
        ..plan
    };
    pit.crew(Command::PlanCan(too_full));
    assert!(pit.figure("add_nitro").words.contains("already holds more"));
}
