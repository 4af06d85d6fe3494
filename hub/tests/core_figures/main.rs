//! What people type in for the figures, and what the figures then say on the phones.

mod bleeds;
mod fuel;
mod slips;

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
        label: "Engine".to_owned(),
        decimals: 0,
        old_after_ms: 1_000,
        band: Some(Band {
            low: 2_300.0,
            high: 2_500.0,
        }),
        ..Channel::new("engine_rpm", Unit::Rpm, (0.0, 12_000.0))
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
        Self::begun((car(), sheet()), journal, now)
    }

    fn of(car_and_sheet: (Car, Sheet), lessons: Lessons) -> Self {
        let journal = Journal {
            lessons,
            ..Journal::default()
        };
        Self::begun(car_and_sheet, &journal, 1_000_000)
    }

    fn begun((car, sheet): (Car, Sheet), journal: &Journal, now: Millis) -> Self {
        let sources = vec!["lines".to_owned()];
        let core = Core::new(car, vec![sheet], sources, vec![], journal);
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
            let ripple = 8.0 * ((tick % 7) as f64 - 3.0) / 3.0;
            self.read(vec![(0, rpm + ripple)]);
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
