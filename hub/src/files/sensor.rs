//! What a car file says of a channel's sensors besides its limits: which source is heard first, when one is stuck, calibration.

use super::mistakes::{instead, quoted};
use super::walk::{MAX_KEY, Spot, Walk};
use spinover_protocol::car::Band;
use spinover_protocol::trust::{Calibration, POSTED, Sensor, source_name};
use std::collections::BTreeMap;

/// The names that the file's sources have, and where; nothing where it lists no source, for then the command line names them.
pub(super) fn source_names(
    root: &Walk<'_>,
    sources: &[Spot<String>],
) -> Option<BTreeMap<String, usize>> {
    let mut names = BTreeMap::new();
    for source in sources {
        let Some(name) = source_name(&source.value) else {
            continue;
        };
        if name == POSTED {
            let right = "give it another name; readings that come by HTTP have this one";
            root.notes
                .wrong(source.at, format!("a source is named `{POSTED}`"), right);
        }
        super::car::note_unique(root.notes, &mut names, "source", source.at, name.to_owned());
    }
    if sources.is_empty() {
        return None;
    }
    names.insert(POSTED.to_owned(), 0);
    Some(names)
}

/// What one channel says.
pub(super) fn sensor(
    walk: &Walk<'_>,
    plausible: Option<Band>,
    sources: Option<&BTreeMap<String, usize>>,
) -> Sensor {
    let prefer = walk.texts("prefer", MAX_KEY);
    super::car::note_repeats(walk, &prefer, "source");
    for wanted in &prefer {
        if let Some(sources) = sources.filter(|sources| !sources.contains_key(&wanted.value)) {
            let right = match sources.len() {
                1 => "name it: `sources = [\"dash=lines:serial:/dev/ttyACM0\"]`".to_owned(),
                _ => instead(&wanted.value, sources.keys().map(String::as_str)),
            };
            walk.notes.absent(
                wanted.at,
                format!("no source is named {}", quoted(&wanted.value)),
                right,
            );
        }
    }
    let calibration = Calibration {
        offset: walk.number("offset").map_or(0.0, |spot| spot.value),
        gain: walk.number("gain").map_or(1.0, |spot| spot.value),
    };
    if !Calibration::GAINS.contains(&calibration.gain) {
        let (low, high) = (Calibration::GAINS.start(), Calibration::GAINS.end());
        walk.wrong(
            "gain",
            format!("`gain` is {}", calibration.gain),
            format!("give what the sensor's value is multiplied with, {low} to {high}; a unit is no gain"),
        );
    }
    if let Some(plausible) = plausible {
        let most = (plausible.high - plausible.low) / 2.0;
        if calibration.offset.abs() > most {
            walk.wrong(
                "offset",
                format!("`offset` is {}", calibration.offset),
                format!("give what is added to the sensor's value, less than half of `plausible` ({most})"),
            );
        }
    }
    Sensor {
        prefer: prefer.into_iter().map(|spot| spot.value).collect(),
        back_after_ms: walk.millis("back_after_s").map(|spot| spot.value),
        stuck_after_ms: walk.millis("stuck_after_s").map(|spot| spot.value),
        calibration,
    }
}
