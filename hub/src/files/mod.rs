//! The crew's own files: the car file, the sheets, the turnaround file and the season file, all TOML. Reads text, gives protocol types or every mistake in the
//! text with its line, its column and what would be right. Opens nothing but the files it is given; never panics on any text.
//!
//! The formats are described in `docs/files.md` and `docs/turnaround.md`.

pub mod columns;
pub mod demo;
pub mod edit;
pub mod kept;

mod alarms;
mod car;
mod fuel;
mod mistakes;
mod names;
mod season;
mod sensor;
mod sheet;
mod turnaround;
mod walk;

pub use alarms::{NamedPhase, unknown_phases};
pub use car::{CarFile, FIGURES, load_car, parse_car};
pub use mistakes::{FileErrors, MAX_FILE, Mistake};
pub use season::{Marked, load_season, parse_season};
pub use sheet::{load_sheet, load_sheets, parse_sheet, parse_sheet_alone};
pub use turnaround::{load_turnaround, parse_turnaround};

/// The header and the keys of every kind of table in a car file and a sheet; the top of each file has the empty header.
pub fn keys() -> impl Iterator<Item = (&'static str, Vec<&'static str>)> {
    let names = |kind: &walk::Kind| kind.keys.iter().map(|key| key.name).collect();
    car::KINDS
        .into_iter()
        .chain(sheet::KINDS)
        .map(move |kind| (kind.header, names(kind)))
}

/// The same for a season file.
pub fn season_keys() -> impl Iterator<Item = (&'static str, Vec<&'static str>)> {
    season::KINDS.into_iter().map(|kind| {
        let keys = kind.keys.iter().map(|key| key.name).collect();
        (kind.header, keys)
    })
}

/// The same for a turnaround file.
pub fn turnaround_keys() -> impl Iterator<Item = (&'static str, Vec<&'static str>)> {
    turnaround::KINDS.into_iter().map(|kind| {
        let keys = kind.keys.iter().map(|key| key.name).collect();
        (kind.header, keys)
    })
}
