//! Units against every row of the reference table.
use spinover::figures::quantity::Seconds;
use spinover::figures::slip::trap_speed;
use spinover_protocol::units::Unit;

use crate::support::{Largest, Reference};

#[test]
fn every_conversion_of_the_table() {
    let t = Reference::read("units");
    // The table prints fifteen decimals: 1.9e-15 of its smallest value. 32 degF must come out as
    // nought exactly.
    let mut exact = Largest::new("units, exact rows", 2e-15);
    // The rounded inch of mercury of SP 811 against the one by definition.
    let mut rounded = Largest::new("units, SP 811's rounded inHg", 1.1e-7);
    for row in &t.rows {
        let (value, want) = (t.number(row, "value"), t.number(row, "result"));
        let to: Unit = t.text(row, "to").parse().expect("unit");
        let got = if t.text(row, "from") == "s/66ft" {
            // A trap time, by the slip's own rule.
            let mph = trap_speed(Seconds(value)).expect("speed");
            mph.to(to).expect("a speed")
        } else {
            let from: Unit = t.text(row, "from").parse().expect("unit");
            from.convert(value, to).expect("same dimension")
        };
        let largest = if t.text(row, "basis") == "rounded" {
            &mut rounded
        } else {
            &mut exact
        };
        if want == 0.0 {
            largest.absolute(got, want)
        } else {
            largest.relative(got, want)
        }
    }
    exact.check(67);
    rounded.check(8);
}
