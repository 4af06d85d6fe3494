//! What people type in for the figures, and what the figures then say on the phones.

use spinover::core::{
    Core, Input, Journal, Output,
    feed::{Batch, Report},
    lessons::Lessons,
};
use spinover::figures::{
    air::{AirTolerance, Barometer, Moisture, air, air_of_readings},
    bleed::Adjustment,
    flow::Case,
    mix::{MixTolerance, gravity, mix},
    quantity::{Celsius, HectoPascals, KgPerM3, LitresPerMin, Percent, Ratio, Seconds},
    slip::Slip,
};
use spinover_protocol::{
    Millis,
    car::{Band, Car, Channel, FuelSettings, Role},
    event::{Event, Right, Who},
    message::{Asked, Command, FigureNow},
    sheet::{FuelAllowance, Phase, Sheet, Step},
    today::{CanPlan, Conditions, FlowBaseline, MixReading, TimeSlip},
    units::Unit,
};
use std::collections::BTreeMap;

const RULE: FlowBaseline = FlowBaseline {
    flow_l_per_min: 30.0,
    density_kg_m3: 1.15,
    temp_c: 28.0,
    pct_per_pct_density: 1.0,
    pct_per_k: 0.0,
    sd_pct: 2.0,
};
const WARM_DAY: Conditions = Conditions {
    temp_c: 31.5,
    pressure_hpa: 978.2,
    rh_pct: 38.0,
    place: None,
};

fn car() -> Car {
    let rpm = Channel {
        key: "engine_rpm".into(),
        label: "Engine".to_owned(),
        unit: Unit::Rpm,
        decimals: 0,
        plausible: Band {
            low: 0.0,
            high: 12_000.0,
        },
        max_rate: None,
        old_after_ms: 1_000,
        sensor: Default::default(),
        band: Some(Band {
            low: 2_300.0,
            high: 2_500.0,
        }),
    };
    Car {
        team: "t".to_owned(),
        name: "c".to_owned(),
        channels: vec![rpm],
        roles: vec![Role {
            key: "chief".into(),
            label: "Chief".to_owned(),
            ..Role::default()
        }],
        fuel: Some(FuelSettings {
            nitro_limit_pct: Some(90.0),
            flow: Some(RULE),
        }),
        ..Car::default()
    }
}

fn sheet() -> Sheet {
    let step = Step {
        key: "a".into(),
        text: "a".to_owned(),
        owner: "chief".into(),
        ordered: true,
        ..Step::default()
    };
    let phase = Phase {
        key: "one".into(),
        name: "one".to_owned(),
        steps: vec![step],
        ..Phase::default()
    };
    Sheet {
        key: "s".to_owned(),
        name: "s".to_owned(),
        phases: vec![phase],
    }
}

/// A core, its clock, and every event that it made.
struct Pit {
    core: Core,
    now: Millis,
    events: Vec<Event>,
    ids: u32,
}

impl Pit {
    fn new() -> Self {
        Self::with(&Journal::default(), 1_000_000)
    }

    fn with(journal: &Journal, now: Millis) -> Self {
        let sources = vec!["lines".to_owned()];
        let core = Core::new(car(), vec![sheet()], sources, vec![], journal);
        let mut pit = Self {
            core,
            now,
            events: journal.events.clone(),
            ids: 0,
        };
        let outputs = pit.core.take(now, Input::Start);
        pit.keep(outputs);
        pit
    }

    fn keep(&mut self, outputs: Vec<Output>) -> Option<String> {
        let mut refusal = None;
        for output in outputs {
            match output {
                Output::Event(event) => self.events.push(event),
                Output::Refused(_, reason) => refusal = Some(reason),
                _ => {}
            }
        }
        refusal
    }

    fn ask(&mut self, right: Right, command: Command) -> Result<(), String> {
        self.ids += 1;
        let who = Who {
            id: "phone-0001".into(),
            name: "Ines".to_owned(),
            role: "chief".into(),
        };
        let id = format!("c{}", self.ids).as_str().into();
        let outputs = self
            .core
            .take(self.now, Input::Command(who, right, id, command));
        self.keep(outputs).map_or(Ok(()), Err)
    }

    fn crew(&mut self, command: Command) {
        let done = self.ask(Right::Crew, command);
        assert_eq!(done, Ok(()));
    }

    fn figure(&self, key: &str) -> FigureNow {
        let figures = self.core.figures(self.now);
        let found = figures.iter().find(|figure| figure.key == key);
        found
            .cloned()
            .unwrap_or_else(|| panic!("no {key} among {figures:?}"))
    }

    /// The engine runs for so long at so many rpm, with a ripple of 8 rpm either way.
    fn run(&mut self, seconds: i64, rpm: f64) {
        for tick in 0..seconds * 10 {
            self.now += 100;
            let ripple = 8.0 * ((tick % 7) as f64 - 3.0) / 3.0;
            let values = vec![(0, rpm + ripple)];
            let batch = Report::Batch(Batch { t_s: None, values });
            let outputs = self.core.take(self.now, Input::Report(0, batch));
            assert_eq!(self.keep(outputs), None);
        }
    }
}

#[test]
fn air_is_what_the_figure_says_of_the_typed_weather() {
    let mut pit = Pit::new();
    assert_eq!(pit.figure("air").value, None);
    assert!(pit.figure("air").words.contains("nobody has typed"));
    pit.crew(Command::SetConditions(WARM_DAY));
    let wanted = air(
        Celsius(31.5),
        Barometer::Station(HectoPascals(978.2)),
        Moisture::Relative(Percent(38.0)),
        AirTolerance::default(),
    )
    .unwrap();
    let shown = |key: &str| {
        let figure = pit.figure(key);
        (figure.value.unwrap(), figure.unit.unwrap())
    };
    assert_eq!(
        shown("air"),
        (wanted.density_kg_m3.0, Unit::KilogramPerCubicMetre)
    );
    assert_eq!(
        shown("density_altitude"),
        (wanted.density_altitude_m.0, Unit::Metre)
    );
    let (moisture, unit) = shown("moisture");
    assert_eq!(moisture, wanted.humidity_g_per_kg);
    let grains = unit.convert(moisture, Unit::GrainPerPound).unwrap();
    assert!((grains - wanted.humidity_gr_per_lb).abs() < 1e-9);
    let figure = pit.figure("air");
    assert!(
        figure.low.unwrap() < wanted.density_kg_m3.0
            && wanted.density_kg_m3.0 < figure.high.unwrap()
    );
    assert!(figure.words.contains("Ines") && !figure.attention);

    pit.now += 61 * 60 * 1000;
    let old = pit.figure("air");
    assert!(old.attention && old.words.contains("61 min old"), "{old:?}");
    assert!(
        pit.figure("flow").attention,
        "what rests on old weather says so too"
    );
}

#[test]
fn weather_that_cannot_be_is_refused_and_changes_nothing() {
    let mut pit = Pit::new();
    pit.crew(Command::SetConditions(WARM_DAY));
    let before = pit.core.record().clone();
    let fahrenheit = Conditions {
        temp_c: 88.7,
        ..WARM_DAY
    };
    let refused = pit.ask(Right::Crew, Command::SetConditions(fahrenheit));
    assert!(refused.unwrap_err().contains("-58 to 140 °F"));
    assert_eq!(*pit.core.record(), before);
}

#[test]
fn a_mix_over_the_limit_asks_for_attention() {
    let mut pit = Pit::new();
    let mut measured = |pct: f64| {
        let sg = gravity(Percent(pct), Celsius(25.0)).unwrap().0;
        let reading = MixReading { sg, temp_c: 25.0 };
        pit.crew(Command::MeasureMix(reading));
        let wanted = mix(Ratio(sg), Celsius(25.0), MixTolerance::default()).unwrap();
        let figure = pit.figure("mix");
        assert_eq!(figure.value, Some(wanted.nitro_pct_vol.0));
        figure
    };
    let under = measured(85.0);
    assert!(
        !under.attention && under.words.contains("under the limit of 90 %"),
        "{under:?}"
    );
    let near = measured(89.8);
    assert!(
        near.attention && near.words.contains("MAY BE OVER"),
        "{near:?}"
    );
    let over = measured(91.0);
    assert!(
        over.attention && over.words.starts_with("OVER the limit of 90 %"),
        "{over:?}"
    );
}

#[test]
fn the_flow_moves_with_the_air_by_the_chiefs_rule() {
    let mut pit = Pit::new();
    assert_eq!(pit.figure("flow").value, None, "it takes the weather");
    pit.crew(Command::SetConditions(WARM_DAY));
    let density = pit.figure("air").value.unwrap();
    let file = pit.figure("flow");
    let wanted = 30.0 * density / 1.15;
    assert!((file.value.unwrap() - wanted).abs() < 1e-9, "{file:?}");
    assert!(file.words.starts_with("car file's rule"), "{file:?}");
    assert!(file.low.unwrap() < wanted && wanted < file.high.unwrap() && !file.attention);

    let chiefs = FlowBaseline {
        flow_l_per_min: 28.0,
        density_kg_m3: density,
        temp_c: 31.5,
        ..RULE
    };
    let crew = pit.ask(Right::Crew, Command::SetFlowBaseline(chiefs));
    assert!(crew.unwrap_err().contains("chief code"));
    assert_eq!(
        pit.ask(Right::Chief, Command::SetFlowBaseline(chiefs)),
        Ok(())
    );
    let figure = pit.figure("flow");
    assert!((figure.value.unwrap() - 28.0).abs() < 1e-9, "{figure:?}");
    assert!(figure.words.starts_with("chief's rule"), "{figure:?}");

    // A cold morning at sea level is nothing that this rule was made for.
    pit.crew(Command::SetConditions(Conditions {
        temp_c: 5.0,
        pressure_hpa: 1025.0,
        ..WARM_DAY
    }));
    let far = pit.figure("flow");
    assert!(far.value.unwrap() > 28.0, "denser air wants more fuel");
    assert!(far.attention && far.words.contains("OUTSIDE"), "{far:?}");
}

#[test]
fn the_book_speaks_beside_the_chief_once_it_has_warm_ups() {
    let mut pit = Pit::new();
    pit.crew(Command::SetConditions(WARM_DAY));
    assert!(
        pit.core
            .figures(pit.now)
            .iter()
            .all(|figure| figure.key != "flow_book")
    );
    let case = |n: usize| {
        let density = 1.05 + 0.01 * n as f64;
        Case {
            flow_l_per_min: LitresPerMin(26.0 * density),
            density_kg_m3: KgPerM3(density),
            temp_c: Celsius(25.0),
            ran_hot_by_k: None,
        }
    };
    pit.core.learn(Lessons {
        flows: (0..3).map(case).collect(),
        ..Lessons::default()
    });
    let few = pit.figure("flow_book");
    assert!(
        few.value.is_none() && few.words.contains("3 of 8"),
        "{few:?}"
    );
    pit.core.learn(Lessons {
        flows: (0..16).map(case).collect(),
        ..Lessons::default()
    });
    let book = pit.figure("flow_book");
    let wanted = 26.0 * pit.figure("air").value.unwrap();
    assert!((book.value.unwrap() - wanted).abs() < 0.01, "{book:?}");
    let points = book.rests_on.expect("the warm-ups that it rests on");
    assert_eq!(
        (points.given, points.pairs.len()),
        (Unit::KilogramPerCubicMetre, 16)
    );
    assert!((points.pairs[3].1 / points.pairs[3].0 - 26.0).abs() < 1e-9);
}

#[test]
fn marked_bleed_turns_are_learned_from_and_give_advice() {
    let mut pit = Pit::new();
    // This engine idles 200 rpm faster for each turn out.
    let idle_at = |turns: f64| 2_200.0 + 200.0 * turns;
    pit.run(30, idle_at(0.0));
    assert!(pit.figure("bleed").words.contains("0 of 2"));
    let mut out = 0.0;
    for turns in [0.5, -0.25, 0.5] {
        pit.crew(Command::MoveBleed { turns });
        out += turns;
        pit.run(30, idle_at(out));
    }
    let figure = pit.figure("bleed");
    // It stands at 2350, and the middle of the band is 2400: a quarter of a turn out.
    assert_eq!(figure.value, Some(0.25), "{figure:?}");
    assert_eq!(figure.unit, Some(Unit::Turn));
    assert!(figure.words.starts_with("turn 1/4 out"), "{figure:?}");
    // Sure enough to be called: to everyone, since this car has no role but the chief's.
    let ask = figure.ask.expect("a call to offer");
    assert_eq!((ask.what, ask.by, ask.to), (Asked::Bleed, Some(0.25), None));
    let hold = |pit: &mut Pit, command| pit.ask(Right::Chief, command).unwrap();
    let reason = String::new();
    hold(&mut pit, Command::Hold { reason });
    assert_eq!(pit.figure("bleed").ask, None, "held, nobody moves anything");
    hold(&mut pit, Command::Resume {});
    assert!(figure.low.unwrap() <= 0.25 && 0.25 <= figure.high.unwrap());

    // Too far: the other way.
    pit.crew(Command::MoveBleed { turns: 0.75 });
    pit.run(1, idle_at(out + 0.75));
    assert_eq!(pit.figure("bleed").ask, None, "it has to settle first");
    pit.run(29, idle_at(out + 0.75));
    let back = pit.figure("bleed");
    assert_eq!(back.value, Some(-0.5), "{back:?}");
    assert!(
        back.words.starts_with("turn 1/2 the other way, in"),
        "{back:?}"
    );

    let none = pit.ask(Right::Crew, Command::MoveBleed { turns: 0.0 });
    assert!(none.is_err());
}

#[test]
fn a_hub_started_again_learns_the_same_from_the_book() {
    let mut pit = Pit::new();
    let mut rows: Vec<(Millis, f64)> = Vec::new();
    for (turns, rpm) in [(0.0, 2_200.0), (0.5, 2_300.0), (0.25, 2_350.0)] {
        if turns != 0.0 {
            pit.crew(Command::MoveBleed { turns });
        }
        let from = pit.now;
        pit.run(30, rpm);
        rows.extend((1..=300).map(|n| {
            (
                from + n * 100,
                rpm + 8.0 * (((n - 1) % 7) as f64 - 3.0) / 3.0,
            )
        }));
    }
    let before = pit.figure("bleed");
    assert!(before.value.is_some(), "{before:?}");
    let last = pit.events.len() as u64;
    let journal = Journal {
        lessons: Default::default(),
        events: pit.events.clone(),
        commands: vec![],
        last,
    };
    let mut again = Pit::with(&journal, pit.now);
    for (at, rpm) in rows {
        again.core.recall(at * 1000, &[(0, rpm)]);
    }
    assert_eq!(again.figure("bleed"), before);
}

#[test]
fn a_slip_is_checked_against_itself() {
    let mut pit = Pit::new();
    assert!(
        pit.core
            .figures(pit.now)
            .iter()
            .all(|figure| figure.key != "slip")
    );
    // A car that gains speed evenly over each stretch, worked out by hand: 60 ft in 0.86 s and so on.
    let good = TimeSlip {
        reaction_s: Some(0.06),
        t60_s: Some(0.86),
        t330_s: Some(2.18),
        t660_s: Some(3.07),
        t1000_s: Some(3.84),
        v330_mph: Some(226.0),
        v660_mph: Some(280.0),
        v1000_mph: Some(315.0),
    };
    pit.crew(Command::TypeSlip(good));
    let figure = pit.figure("slip");
    assert!(
        figure.words.contains("agrees with itself") && !figure.attention,
        "{figure:?}"
    );
    assert_eq!(
        (figure.value, figure.unit),
        (Some(315.0), Some(Unit::MilePerHour))
    );
    let swapped = TimeSlip {
        v660_mph: Some(180.0),
        ..good
    };
    pit.crew(Command::TypeSlip(swapped));
    let figure = pit.figure("slip");
    assert!(
        figure.attention && figure.words.contains("CHECK: the 660 ft speed"),
        "{figure:?}"
    );
    assert!(
        !figure.words.contains("mph"),
        "speeds are shown in the phone's own unit"
    );
}

#[test]
fn weather_and_fuel_stay_when_another_warm_up_begins() {
    let mut pit = Pit::new();
    pit.crew(Command::SetConditions(WARM_DAY));
    let sg = gravity(Percent(85.0), Celsius(25.0)).unwrap().0;
    pit.crew(Command::MeasureMix(MixReading { sg, temp_c: 25.0 }));
    assert_eq!(
        pit.ask(Right::Chief, Command::SetFlowBaseline(RULE)),
        Ok(())
    );
    pit.crew(Command::MoveBleed { turns: 0.25 });
    let of = |pit: &Pit| ["air", "mix", "flow"].map(|key| pit.figure(key));
    let before = of(&pit);
    pit.now += 1000;
    let sheet = "s".to_owned();
    assert_eq!(pit.ask(Right::Chief, Command::Begin { sheet }), Ok(()));
    assert_eq!(of(&pit), before);
    let warmup = pit.core.record().warmup.clone().unwrap();
    assert!(
        warmup.bleeds.is_empty(),
        "turns belong to the warm-up that they were made in"
    );

    // The book gives a hub that is started again the last warm-up's events alone.
    let begun = pit.events.iter().rposition(|event| {
        matches!(
            event.body,
            spinover_protocol::event::EventBody::WarmupBegun { .. }
        )
    });
    let events = pit.events[begun.unwrap()..].to_vec();
    let journal = Journal {
        lessons: Default::default(),
        last: pit.events.len() as u64,
        commands: vec![],
        events,
    };
    let again = Pit::with(&journal, pit.now);
    assert_eq!(of(&again), before);
}

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

impl Pit {
    fn of((car, sheet): (Car, Sheet), lessons: Lessons) -> Self {
        let journal = Journal {
            lessons,
            ..Journal::default()
        };
        let core = Core::new(car, vec![sheet], vec!["lines".to_owned()], vec![], &journal);
        let mut pit = Self {
            core,
            now: 1_000_000,
            events: vec![],
            ids: 0,
        };
        let outputs = pit.core.take(pit.now, Input::Start);
        pit.keep(outputs);
        pit
    }

    fn flow_for(&mut self, seconds: i64, litres_per_min: f64) {
        for _ in 0..seconds * 10 {
            self.read(vec![(1, litres_per_min)]);
        }
    }

    fn read(&mut self, values: Vec<(usize, f64)>) {
        self.now += 100;
        let batch = Report::Batch(Batch { t_s: None, values });
        let outputs = self.core.take(self.now, Input::Report(0, batch));
        assert_eq!(self.keep(outputs), None);
    }

    fn mark(&mut self, step: &str) {
        let done = self.ask(Right::Chief, Command::Mark { step: step.into() });
        assert_eq!(done, Ok(()));
    }
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

#[test]
fn a_slip_is_laid_beside_earlier_ones() {
    let earlier = |t60: f64| Slip {
        times_s: [Some(Seconds(t60)), None, None, None],
        ..Slip::default()
    };
    let lessons = Lessons {
        slips: [0.86, 0.88, 0.84, 0.87, 0.85].map(earlier).into(),
        ..Lessons::default()
    };
    let mut pit = Pit::of((car(), sheet()), lessons);
    let slip = |t60_s: f64| {
        Command::TypeSlip(TimeSlip {
            t60_s: Some(t60_s),
            ..TimeSlip::default()
        })
    };
    pit.crew(slip(0.848));
    let quick = pit.figure("slip").words;
    assert!(
        quick.contains("60 ft time 0.012 s quicker than the usual of 5 runs"),
        "{quick}"
    );
    assert!(!quick.contains("UNUSUAL"), "{quick}");
    pit.crew(slip(0.99));
    let slow = pit.figure("slip").words;
    assert!(
        slow.contains("0.130 s slower than the usual of 5 runs, UNUSUAL"),
        "{slow}"
    );
}

#[test]
fn bleeds_begin_with_what_earlier_warm_ups_taught() {
    let done = |turns: f64| Adjustment {
        turns,
        change_rpm: 200.0 * turns,
        change_sd_rpm: 5.0,
    };
    let lessons = Lessons {
        bleeds: [0.5, -0.25, 0.5].map(done).into(),
        ..Lessons::default()
    };
    let mut pit = Pit::of((car(), sheet()), lessons);
    pit.run(30, 2_300.0);
    let advice = pit.figure("bleed");
    assert_eq!(
        advice.value,
        Some(0.5),
        "100 rpm short of the middle: {advice:?}"
    );
    assert!(
        advice.words.contains("learned in earlier warm-ups only"),
        "{advice:?}"
    );
}
