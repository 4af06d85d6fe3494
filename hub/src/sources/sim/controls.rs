//! The handle by which people move the simulated car's controls, and by which its crew hears what was marked.

use super::engine::{Inputs, Params};
use crate::sources::spec::nearest;
use spinover_protocol::message::Control;
use std::sync::{Arc, Mutex, PoisonError};

/// What was asked of the simulation, in order.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Order {
    /// A person moved a control.
    Set(String, f64),
    /// A step was marked.
    Marked(String),
    /// Shut down now.
    ShutDown,
}

/// A handle to a simulated car. Clones move the same car.
#[derive(Clone, Debug)]
pub struct SimControls {
    controls: Arc<[Control]>,
    orders: Arc<Mutex<Vec<Order>>>,
}

impl SimControls {
    pub(super) fn new(params: &Params) -> Self {
        let rest = Inputs::at_rest(params);
        let switch = |key: &str, label: &str| Control {
            key: key.to_owned(),
            label: label.to_owned(),
            low: 0.0,
            high: 1.0,
            step: 0.0,
            start: 0.0,
        };
        let knob = |key: &str, label: &str, low, high, step, start| Control {
            key: key.to_owned(),
            label: label.to_owned(),
            low,
            high,
            step,
            start,
        };
        // Rounded, so that presses of one step meet both ends.
        let tenth = |value: f64| (value * 10.0).round() / 10.0;
        let controls = [
            switch("starter", "Starter"),
            switch("ignition", "Ignition"),
            switch("fuel_petrol", "Petrol by hand"),
            switch("fuel_nitro", "Fuel valve"),
            switch("clutch_air", "Clutch air"),
            knob(
                "flow_lever",
                "Flow lever, gal/min",
                tenth(params.idle_flow * 0.5),
                tenth(params.idle_flow * 1.6),
                0.1,
                rest.flow_lever,
            ),
            knob(
                "bleed",
                "Idle bleeds, turns open",
                0.0,
                6.0,
                0.125,
                rest.bleed,
            ),
            knob("throttle", "Throttle", 0.0, 1.0, 0.05, rest.throttle),
        ];
        Self {
            controls: controls.into(),
            orders: Arc::default(),
        }
    }

    /// The controls that can be moved, with their ranges.
    pub fn list(&self) -> Vec<Control> {
        self.controls.to_vec()
    }

    /// Moves a control, as a person training would. From then on the simulated crew leaves that one alone until the engine
    /// is made safe; shutting down is the exception.
    ///
    /// # Errors
    /// In words for that person: no such control, or out of its range.
    pub fn set(&self, key: &str, value: f64) -> Result<(), String> {
        let Some(control) = self.controls.iter().find(|control| control.key == key) else {
            let near = nearest(
                key,
                self.controls.iter().map(|control| control.key.as_str()),
            );
            let near = near
                .map(|near| format!("; did you mean {near}?"))
                .unwrap_or_default();
            return Err(format!(
                "the simulated car has no control {:?}{near}",
                crate::sources::tally::quoted(key.as_bytes())
            ));
        };
        if !(control.low..=control.high).contains(&value) {
            return Err(format!(
                "{} goes from {} to {}, not to {value}",
                control.label, control.low, control.high
            ));
        }
        self.order(Order::Set(key.to_owned(), value));
        Ok(())
    }

    /// Tells the simulated crew that a step was marked; it does what a crew would do next. Steps that it does not know
    /// change nothing.
    pub fn step_marked(&self, step: &str) {
        self.order(Order::Marked(step.to_owned()));
    }

    /// Tells the simulated crew to shut the engine down at once, as after an abort or a stop call.
    pub fn shut_down(&self) {
        self.order(Order::ShutDown);
    }

    fn order(&self, order: Order) {
        let mut orders = self.orders.lock().unwrap_or_else(PoisonError::into_inner);
        // The simulation empties this 20 times a second; more than this means that it has ended, and nobody listens.
        if orders.len() < 10_000 {
            orders.push(order);
        }
    }

    pub(super) fn take_orders(&self) -> Vec<Order> {
        std::mem::take(&mut *self.orders.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn controls_are_bounded_and_named() {
        let controls = SimControls::new(&Params::default());
        assert!(controls.set("bleed", 3.0).is_ok());
        assert!(
            controls
                .set("bled", 3.0)
                .unwrap_err()
                .contains("did you mean bleed?")
        );
        assert!(controls.set("bleed", 7.0).unwrap_err().contains("0 to 6"));
        assert!(controls.set("bleed", f64::NAN).is_err());
        for control in controls.list() {
            assert!(
                (control.low..=control.high).contains(&control.start),
                "{}",
                control.key
            );
        }
        assert_eq!(
            controls.take_orders(),
            [Order::Set("bleed".to_owned(), 3.0)]
        );
        assert_eq!(controls.take_orders(), []);
    }
}
