//! The crew's own files: the car file and the sheets, both TOML. Reads text, gives protocol types or every mistake in the
//! text with its line, its column and what would be right. Opens nothing but the files it is given; never panics on any text.
//!
//! Both formats are described in `docs/files.md`.

pub mod columns;
pub mod demo;
pub mod edit;
pub mod kept;

mod alarms;
mod car;
mod fuel;
mod mistakes;
mod names;
mod sensor;
mod sheet;
mod walk;

pub use alarms::{NamedPhase, unknown_phases};
pub use car::{CarFile, FIGURES, load_car, parse_car};
pub use mistakes::{FileErrors, MAX_FILE, Mistake};
pub use sheet::{load_sheet, load_sheets, parse_sheet, parse_sheet_alone};

/// The header and the keys of every kind of table in both files; the top of each file has the empty header.
pub fn keys() -> impl Iterator<Item = (&'static str, Vec<&'static str>)> {
    let names = |kind: &walk::Kind| kind.keys.iter().map(|key| key.name).collect();
    car::KINDS
        .into_iter()
        .chain(sheet::KINDS)
        .map(move |kind| (kind.header, names(kind)))
}
