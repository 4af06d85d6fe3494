//! The car and the sheet of the simulated pit: small, but with every kind of gate, dwell, order and alarm.

use spinover_protocol::{
    Millis,
    alarm::{Alarm, InPhases, Limit, Watch},
    car::{Band, Car, Channel, Role},
    sheet::{Gate, Must, Phase, Sheet, Step},
    units::Unit,
};

/// A reading is old after this long.
pub(super) const OLD_AFTER_MS: Millis = 1_000;
/// Places of the channels. The clock's value is the time at which it was read, in the storm's milliseconds, so that whoever
/// shows it gives away how old it is.
pub(super) const OIL: usize = 0;
pub(super) const FUEL: usize = 1;
pub(super) const CLOCK: usize = 2;
/// Highest plausible value of each channel; the lowest is nought.
pub(super) const HIGHEST: [f64; 3] = [200.0, 200.0, 1e9];
/// Roles.
pub(super) const ROLES: [&str; 4] = ["chief", "idle", "fuel", "wall"];

pub(super) fn car() -> Car {
    let channel = |(key, high): (&str, f64)| Channel {
        decimals: 0,
        old_after_ms: OLD_AFTER_MS,
        band: Some(Band {
            low: 50.0,
            high: 90.0,
        }),
        ..Channel::new(key, Unit::Psi, (0.0, high))
    };
    let role = |key: &str| Role {
        key: key.into(),
        label: key.to_owned(),
        ..Role::default()
    };
    let alarm = Alarm {
        key: "oil_low".into(),
        text: "Oil pressure low".to_owned(),
        answer: "Shut down".to_owned(),
        priority: 1,
        watch: Watch::Below(Limit {
            channel: "oil".into(),
            limit: 40.0,
        }),
        deadband: 5.0,
        on_delay_ms: 400,
        off_delay_ms: 800,
        phases: InPhases::All,
        only_while: None,
        once: None,
        latched: false,
        kill: true,
        follows: Vec::new(),
    };
    Car {
        team: "Larkspur Racing".to_owned(),
        name: "Kestrel".to_owned(),
        channels: ["oil", "fuel", "clock"]
            .into_iter()
            .zip(HIGHEST)
            .map(channel)
            .collect(),
        roles: ROLES.map(role).to_vec(),
        alarms: vec![alarm],
        ..Car::default()
    }
}

/// The sheet; without its gates for a hub that is to be caught leaving them out.
pub(super) fn sheet(gated: bool) -> Sheet {
    let gate = |channel: &str, must, for_ms| Gate {
        channel: channel.into(),
        must,
        for_ms,
    };
    let step = |key: &str, safety, ordered, gates: Vec<Gate>, dwell_ms| Step {
        key: key.into(),
        text: key.to_owned(),
        owner: "chief".into(),
        safety,
        ordered,
        gates: if gated { gates } else { Vec::new() },
        dwell_ms,
        ..Step::default()
    };
    let phase = |key: &str, shut_down, steps| Phase {
        key: key.into(),
        name: key.to_owned(),
        shut_down,
        steps,
        ..Phase::default()
    };
    let oil_up = vec![gate("oil", Must::AtLeast(60.0), 1_500)];
    let fuel_ok = vec![
        gate("fuel", Must::InBand(true), 800),
        gate("oil", Must::AtMost(80.0), 0),
    ];
    let stopped = vec![gate("oil", Must::AtMost(45.0), 500)];
    Sheet {
        key: "storm".to_owned(),
        name: "Storm".to_owned(),
        phases: vec![
            phase(
                "start",
                false,
                vec![
                    step("clear", true, true, vec![], None),
                    step("oil_up", false, true, oil_up.clone(), None),
                    step("talk", false, false, vec![], Some(2_000)),
                    step("fuel_ok", true, true, fuel_ok, Some(1_500)),
                    step("warm", false, true, oil_up, Some(3_000)),
                    step("belts", false, true, vec![], None),
                ],
            ),
            phase(
                "off",
                true,
                vec![
                    step("stopped", true, true, stopped, None),
                    step("safe", false, true, vec![], None),
                ],
            ),
        ],
    }
}
