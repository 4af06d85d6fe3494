//! The quick ones of the real faults; `cargo xtask bench faults` makes all.

use spinover_tests::faults::{self, ALL};

/// Makes one; where it cannot be made, one line says so.
fn survives(name: &str) {
    let fault = ALL
        .iter()
        .find(|fault| fault.0 == name)
        .expect("a fault of that name");
    let outcome = faults::make(fault);
    match outcome.survived {
        Some(survived) => assert!(survived, "{}: {}\n{outcome:#?}", outcome.fault, outcome.why),
        None => eprintln!("skipped: {name} ({})", outcome.why),
    }
}

macro_rules! survived {
    ($($name:ident)*) => {
        $(#[test]
        fn $name() {
            survives(stringify!($name));
        })*
    };
}

survived! {
    resets
    stalls_as_from_loss
    port_taken
    asked_to_stop
    killed
    no_more_files
    disk_full
    file_at_its_limit
    book_in_use
}
