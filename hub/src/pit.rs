//! A whole pit in one thread and without a clock: the simulated car, the core, and a chief who marks what can be marked.
//!
//! For tests and measurements: the same seed gives the same warm-up, as fast as the machine can reckon it. [`storm`] is the pit with
//! its phones, network and disk.

pub mod storm;

use crate::core::{
    Core, Input, Journal, Output,
    feed::{Batch, Report},
};
use crate::sources::sim::{SAMPLE_S, Settings, SimControls, Simulation, engine::Engine};
use spinover_protocol::{
    AlarmKey, CommandId, Millis, StepKey,
    car::Car,
    event::{Event, EventBody, Right, Who},
    message::{Command, Frame},
    record::Warmup,
    sheet::Sheet,
};

/// Time between two samples, and between two looks, in milliseconds.
pub const SAMPLE_MS: Millis = (SAMPLE_S * 1000.0) as Millis;
/// How long the chief takes to mark a step that is ready, in milliseconds.
const CHIEF_TAKES_MS: Millis = 1_500;

/// The pit.
pub struct Pit {
    core: Core,
    simulation: Simulation,
    controls: SimControls,
    now: Millis,
    ready: Option<(StepKey, Millis)>,
    /// The chief marks no step from here on.
    idle_chief: bool,
    commands: u64,
    begun: Vec<Event>,
}

impl Pit {
    /// A cold car, a sheet to follow, everything at time 0.
    ///
    /// # Errors
    /// As [`Simulation::new`].
    pub fn new(car: &Car, sheet: Sheet, settings: Settings) -> anyhow::Result<Self> {
        let simulation = Simulation::new(car, settings)?;
        let controls = simulation.controls();
        let source = vec!["sim:".to_owned()];
        let mut core = Core::new(
            car.clone(),
            vec![sheet],
            source,
            vec![],
            &Journal::default(),
        );
        let begun = events(core.take(0, Input::Start));
        Ok(Self {
            begun,
            core,
            simulation,
            controls,
            now: 0,
            ready: None,
            idle_chief: false,
            commands: 0,
        })
    }

    /// Goes on by one sample; what happened in it.
    pub fn step(&mut self) -> Vec<Event> {
        events(self.outputs())
    }

    /// What happened before the first step: the warm-up began.
    pub fn begun(&self) -> &[Event] {
        &self.begun
    }

    /// Goes on by one sample; everything that came out of the core.
    pub fn outputs(&mut self) -> Vec<Output> {
        self.now += SAMPLE_MS;
        let sample = self.simulation.sample();
        let mut outputs = Vec::new();
        if let Some(values) = sample.values {
            let batch = Batch {
                t_s: Some(sample.t_s),
                values,
            };
            outputs.extend(
                self.core
                    .take(self.now, Input::Report(0, Report::Batch(batch))),
            );
        }
        outputs.extend(self.core.take(self.now, Input::Tick));
        outputs.extend(self.chief());
        for output in &outputs {
            if let Output::Event(event) = output
                && let EventBody::StepMarked { step, .. } = &event.body
            {
                self.controls.step_marked(step.as_str());
            }
        }
        outputs
    }

    fn chief(&mut self) -> Vec<Output> {
        if self.idle_chief {
            return Vec::new();
        }
        let progress = self.core.progress(self.now);
        let Some(first) = progress.steps.first().filter(|step| step.ready) else {
            self.ready = None;
            return Vec::new();
        };
        match &self.ready {
            Some((step, since)) if *step == first.step => {
                if self.now - since < CHIEF_TAKES_MS {
                    return Vec::new();
                }
                let step = step.clone();
                self.ready = None;
                self.want(Command::Mark { step })
            }
            _ => {
                self.ready = Some((first.step.clone(), self.now));
                Vec::new()
            }
        }
    }

    /// The chief asks for something.
    pub fn want(&mut self, command: Command) -> Vec<Output> {
        self.commands += 1;
        let who = Who {
            id: spinover_protocol::PersonId::from("chief-0000"),
            name: "Chief".to_owned(),
            role: "chief".into(),
        };
        let id = CommandId::from(format!("pit-{}", self.commands).as_str());
        self.core
            .take(self.now, Input::Command(who, Right::Chief, id, command))
    }

    /// The chief marks nothing more, as long as the engine is only to be watched.
    pub fn stop_marking(&mut self) {
        self.idle_chief = true;
    }

    /// The controls of the car.
    pub fn controls(&self) -> &SimControls {
        &self.controls
    }

    /// The time in milliseconds.
    pub fn now(&self) -> Millis {
        self.now
    }

    /// The engine as it is, which no sensor shows.
    pub fn engine(&self) -> &Engine {
        self.simulation.engine()
    }

    /// The warm-up.
    ///
    /// # Panics
    /// Never: one began with the pit.
    pub fn warmup(&self) -> &Warmup {
        self.core
            .record()
            .warmup
            .as_ref()
            .expect("one began with the pit")
    }

    /// Another engine in place of this one: cold, and with a full tank.
    ///
    /// # Errors
    /// As [`Simulation::new`].
    pub fn cold_engine(&mut self, settings: Settings) -> anyhow::Result<()> {
        self.simulation = Simulation::new(self.core.car(), settings)?;
        self.controls = self.simulation.controls();
        Ok(())
    }

    /// The core itself, for what a hub does besides.
    pub fn core(&mut self) -> &mut Core {
        &mut self.core
    }

    /// The frame that the phones would get now.
    pub fn frame(&mut self) -> Frame {
        self.core.frame(self.now)
    }
}

fn events(outputs: Vec<Output>) -> Vec<Event> {
    let events = outputs.into_iter().filter_map(|output| match output {
        Output::Event(event) => Some(event),
        _ => None,
    });
    events.collect()
}

/// The alarm that an event raises as news of its own.
pub fn raised(event: &Event) -> Option<&AlarmKey> {
    match &event.body {
        EventBody::AlarmRaised {
            alarm, after: None, ..
        } => Some(alarm),
        _ => None,
    }
}

/// A recording run through the core by its own times: what happened, and how long it was.
///
/// # Errors
/// As [`crate::sources::open`], and what the recording says of itself.
pub async fn watch_recording(
    spec: &str,
    setup: &crate::sources::Setup,
    sheet: Sheet,
) -> anyhow::Result<(Vec<(Millis, Event)>, Millis)> {
    let source = crate::sources::open(spec, setup)?;
    let (to, mut from) = tokio::sync::mpsc::channel(64);
    let running = tokio::spawn(source.run(crate::sources::Feed::new(0, to)));
    let name = vec![spec.to_owned()];
    let mut core = Core::new(
        setup.car.clone(),
        vec![sheet],
        name,
        vec![],
        &Journal::default(),
    );
    let mut seen = Vec::new();
    core.take(0, Input::Start);
    let (mut now, mut first) = (0, None);
    let mut note = |now, outputs: Vec<Output>| {
        for output in outputs {
            if let Output::Event(event) = output {
                seen.push((now, event));
            }
        }
    };
    while let Some((place, report)) = from.recv().await {
        if let Report::Batch(Batch { t_s: Some(t_s), .. }) = &report {
            let at = (*t_s * 1000.0) as Millis;
            let at = at - *first.get_or_insert(at);
            // The hub looks between the rows as well: silence is seen by looking, not by hearing.
            while now + TICK_MS < at {
                now += TICK_MS;
                note(now, core.take(now, Input::Tick));
            }
            now = now.max(at);
        }
        note(now, core.take(now, Input::Report(place, report)));
    }
    running.await??;
    Ok((seen, now))
}

/// Looks between the rows of a recording.
const TICK_MS: Millis = 250;
