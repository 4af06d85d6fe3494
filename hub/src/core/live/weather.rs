//! The air at the car: from the sources where they give it, from people otherwise.

use super::Fed;
use spinover_protocol::{
    Millis,
    car::Car,
    today::{Conditions, Told},
    units::Unit,
};

/// Weather older than this is said to be old, in milliseconds; common practice, no source.
pub const OLD_MS: Millis = 60 * 60 * 1000;
/// What the sources can give: the channel's key, the unit that the figure wants, what people call it.
pub const SENSED: [(&str, Unit, &str); 3] = [
    ("air_temp", Unit::DegC, "temperature"),
    ("air_pressure", Unit::HectoPascal, "pressure"),
    ("air_humidity", Unit::Percent, "humidity"),
];

/// A weather station's channels.
#[derive(Default)]
pub(super) struct Sensors([Option<(Fed, Millis)>; 3]);

impl Sensors {
    pub(super) fn of(car: &Car) -> Self {
        Self(SENSED.map(|(key, unit, _)| Some((Fed::of(car, key, unit)?, Millis::MIN))))
    }

    pub(super) fn take(&mut self, now: Millis, values: &[(usize, f64)]) {
        for (fed, at) in self.0.iter_mut().flatten() {
            if fed.take(values).is_some() {
                *at = now;
            }
        }
    }

    /// Whether any of it is live at that time.
    pub(super) fn any_live(&self, now: Millis) -> bool {
        self.live(now).iter().any(Option::is_some)
    }

    /// What is live at that time.
    fn live(&self, now: Millis) -> [Option<f64>; 3] {
        let fresh = |(fed, at): &(Fed, Millis)| {
            fed.newest
                .filter(|_| at.saturating_add(fed.old_after_ms) >= now)
        };
        std::array::from_fn(|place| self.0[place].as_ref().and_then(fresh))
    }
}

/// The air, and where it is known from.
pub(super) struct Weather {
    pub(super) air: Conditions,
    /// From when its oldest part is.
    pub(super) at: Millis,
    /// Where each part is from.
    pub(super) words: String,
}

/// The air at that time.
///
/// # Errors
/// Why nothing can be said, as a clause.
pub(super) fn now(
    now: Millis,
    told: Option<&Told<Conditions>>,
    sensors: &Sensors,
) -> Result<Weather, String> {
    let live = sensors.live(now);
    let names = |is_live: bool| {
        let those = SENSED.iter().zip(&live);
        let those = those.filter(|(_, value)| value.is_some() == is_live);
        let names: Vec<&str> = those.map(|((_, _, name), _)| *name).collect();
        names.join(" and ")
    };
    if let [Some(temp_c), Some(pressure_hpa), Some(rh_pct)] = live {
        return Ok(Weather {
            air: Conditions {
                temp_c,
                pressure_hpa,
                rh_pct,
                place: None,
            },
            at: now,
            words: "live from the weather station".to_owned(),
        });
    }
    let some_live = live.iter().any(Option::is_some);
    let Some(told) = told else {
        return Err(match some_live {
            false => "nobody has typed the weather in".to_owned(),
            true => format!("nobody has typed the {} in", names(false)),
        });
    };
    let typed = match (&told.value.place, &told.by) {
        (Some(place), _) => place.clone(),
        (None, Some(by)) => format!("typed by {}", by.name),
        (None, None) => "typed in".to_owned(),
    };
    let value = &told.value;
    Ok(Weather {
        air: Conditions {
            temp_c: live[0].unwrap_or(value.temp_c),
            pressure_hpa: live[1].unwrap_or(value.pressure_hpa),
            rh_pct: live[2].unwrap_or(value.rh_pct),
            place: None,
        },
        at: told.at,
        words: match some_live {
            false => typed,
            true => format!("{} live; {}: {typed}", names(true), names(false)),
        },
    })
}
