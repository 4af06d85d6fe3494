//! The call that a figure gives reason for, in words. No I/O.
//!
//! Its numbers are in the car file's units, whatever this phone shows: what is called must mean the same to everyone.

use super::show::{Scale, Units};
use crate::words::{Word as W, fill, say};
use spinover_protocol::{
    RoleKey,
    car::Car,
    event::{Audience, Who},
    message::{Ask, Asked, FigureNow},
};

/// What bleeds are turned by at the finest, in turns.
const EIGHTH: f64 = 0.125;
/// A forecast in seconds is called in steps of ten: nobody acts on finer ones.
const WARM_STEP_S: f64 = 10.0;

/// A call to offer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Suggested {
    /// Its words.
    pub text: String,
    /// Who it is for.
    pub to: Audience,
}

/// The call that this person could make of a figure; nothing where what is off would not show.
pub fn suggested(figure: &FigureNow, car: &Car, me: &Who) -> Option<Suggested> {
    let ask = figure.ask.as_ref()?;
    Some(Suggested {
        text: words(figure, ask, car)?,
        to: to(ask.to.as_ref(), car, me),
    })
}

/// The role whose hands it takes; from those hands themselves it goes to the chief.
fn to(role: Option<&RoleKey>, car: &Car, me: &Who) -> Audience {
    let chief = RoleKey::from("chief");
    match role {
        Some(role) if *role != me.role => Audience::Role(role.clone()),
        Some(_) if me.role != chief && car.role(&chief).is_some() => Audience::Role(chief),
        _ => Audience::All,
    }
}

fn words(figure: &FigureNow, ask: &Ask, car: &Car) -> Option<String> {
    match ask.what {
        Asked::FuelShort => Some(say(W::AskFuel).to_owned()),
        Asked::WarmSoon => {
            let seconds = (ask.by? / WARM_STEP_S).round().max(1.0) * WARM_STEP_S;
            Some(fill(W::AskWarm, &[&seconds.to_string()]))
        }
        Asked::Bleed => {
            let turns = ask.by?;
            let word = match turns < 0.0 {
                true => W::AskBleedIn,
                false => W::AskBleedOut,
            };
            Some(fill(word, &[&eighths(turns.abs())?]))
        }
        Asked::Flow => {
            let by = ask.by?;
            let unit = figure.unit?;
            let channel = car
                .channels
                .iter()
                .find(|channel| channel.unit.dimension() == unit.dimension());
            let scale = match channel {
                Some(channel) => Scale {
                    from: unit,
                    ..Scale::of(channel, Units::Car)
                },
                None => Scale::of_unit(unit, Units::Car, &car.channels),
            };
            let text = scale.text(by.abs());
            // What rounds to nothing cannot be set on a lever either.
            let shows = text.bytes().any(|byte| (b'1'..=b'9').contains(&byte));
            let word = match by < 0.0 {
                true => W::AskFlowDown,
                false => W::AskFlowUp,
            };
            shows.then(|| fill(word, &[&scale.text_unit(by.abs())]))
        }
    }
}

/// Turns in whole ones and eighths, reduced; nothing for less than an eighth.
fn eighths(turns: f64) -> Option<String> {
    let count = (turns / EIGHTH).round() as u64;
    let (whole, mut top, mut bottom) = (count / 8, count % 8, 8);
    while top > 0 && top % 2 == 0 {
        (top, bottom) = (top / 2, bottom / 2);
    }
    match (whole, top) {
        (0, 0) => None,
        (0, _) => Some(format!("{top}/{bottom}")),
        (_, 0) => Some(whole.to_string()),
        _ => Some(format!("{whole} {top}/{bottom}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::{
        car::{Channel, Role},
        units::Unit,
    };

    fn car() -> Car {
        let role = |key: &str| Role {
            key: key.into(),
            label: key.to_uppercase(),
            ..Role::default()
        };
        Car {
            channels: vec![Channel {
                label: "Fuel flow".to_owned(),
                decimals: 1,
                old_after_ms: 1_000,
                ..Channel::new("fuel_flow", Unit::UsGalPerMin, (0.0, 150.0))
            }],
            roles: vec![role("chief"), role("idle"), role("fuel")],
            ..Car::default()
        }
    }

    fn figure(unit: Unit, what: Asked, by: f64, to: &str) -> FigureNow {
        FigureNow {
            key: "f".to_owned(),
            label: "F".to_owned(),
            value: Some(1.0),
            unit: Some(unit),
            low: None,
            high: None,
            words: String::new(),
            attention: false,
            forecast: None,
            rests_on: None,
            ask: Some(Ask {
                what,
                by: Some(by),
                to: Some(to.into()),
            }),
        }
    }

    fn said(figure: &FigureNow, role: &str) -> Option<(String, Audience)> {
        let me = Who {
            id: "me".into(),
            name: "Me".to_owned(),
            role: role.into(),
        };
        suggested(figure, &car(), &me).map(|said| (said.text, said.to))
    }

    #[test]
    fn a_flow_is_called_in_the_cars_unit_to_the_hands_on_the_lever() {
        // 1 US gallon is 231 cubic inches (NIST SP 811, appendix B.8): 3.785412 L.
        let up = figure(Unit::LitrePerMin, Asked::Flow, 0.3 * 3.785_412, "fuel");
        let text = "Flow up 0.3 gal/min".to_owned();
        assert_eq!(
            said(&up, "chief"),
            Some((text.clone(), Audience::Role("fuel".into())))
        );
        assert_eq!(
            said(&up, "fuel"),
            Some((text, Audience::Role("chief".into())))
        );
        let down = figure(Unit::LitrePerMin, Asked::Flow, -4.0, "fuel");
        assert_eq!(said(&down, "chief").unwrap().0, "Flow down 1.1 gal/min");
        let nothing = figure(Unit::LitrePerMin, Asked::Flow, 0.1, "fuel");
        assert_eq!(said(&nothing, "chief"), None);
    }

    #[test]
    fn bleeds_and_the_wait_are_called_as_they_are_spoken() {
        let call =
            |by, what, unit| said(&figure(unit, what, by, "idle"), "chief").map(|said| said.0);
        assert_eq!(
            call(-0.25, Asked::Bleed, Unit::Turn).as_deref(),
            Some("Bleeds in 1/4 turn")
        );
        assert_eq!(
            call(1.5, Asked::Bleed, Unit::Turn).as_deref(),
            Some("Bleeds out 1 1/2 turn")
        );
        assert_eq!(call(0.01, Asked::Bleed, Unit::Turn), None);
        assert_eq!(
            call(43.0, Asked::WarmSoon, Unit::Second).as_deref(),
            Some("Warm in about 40 s")
        );
        let silent = FigureNow {
            ask: None,
            ..figure(Unit::Turn, Asked::Bleed, 1.0, "idle")
        };
        assert_eq!(said(&silent, "chief"), None);
    }
}
