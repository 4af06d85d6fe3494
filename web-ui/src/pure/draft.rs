//! The files as somebody is changing them: what was read, what it is to say, and what that comes to. No I/O.

use spinover_protocol::{
    car::{Band, Car, ReadyCall, Role},
    files::{CAR, Change, DiffLine, FileId, FilesNow, diff, sheet_id},
    json,
    map::Map,
    sheet::{Phase, Sheet, Step},
};
use std::collections::BTreeSet;

/// Unchanged lines that are shown before and after a changed one.
const AROUND: usize = 1;

/// A draft.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Draft {
    /// The files as they were read.
    pub from: FilesNow,
    /// What the car is to be; none where the file is wrong.
    pub car: Option<Car>,
    /// What the sheets are to be.
    pub sheets: Vec<Option<Sheet>>,
    /// Whole texts, where one was typed in.
    pub texts: Map<FileId, String>,
    /// Fields that hold what cannot be meant, such as letters for a number.
    pub bad: BTreeSet<String>,
}

impl Draft {
    /// A draft that changes nothing yet.
    pub fn new(from: FilesNow) -> Self {
        Self {
            car: from.car.clone(),
            sheets: from.sheets.clone(),
            from,
            ..Self::default()
        }
    }

    /// The change that it comes to.
    pub fn change(&self) -> Change {
        let base = self.from.files.iter();
        let mut change = Change {
            base: base
                .map(|file| (file.id.clone(), file.version.clone()))
                .collect(),
            ..Change::default()
        };
        if !self.texts.contains_key(CAR) && self.car != self.from.car {
            change.car = self.car.clone();
        }
        for (place, (was, is)) in self.from.sheets.iter().zip(&self.sheets).enumerate() {
            let id = sheet_id(place);
            if let Some(sheet) = is
                .as_ref()
                .filter(|_| was != is && !self.texts.contains_key(&id))
            {
                change.sheets.insert(id, sheet.clone());
            }
        }
        change.texts = self.texts.clone();
        change
    }

    /// The names of the files that it changes.
    pub fn changed(&self) -> Vec<String> {
        let change = self.change();
        let is_changed = |id: &str| {
            (id == CAR && change.car.is_some())
                || change.sheets.contains_key(id)
                || change.texts.contains_key(id)
        };
        let files = self.from.files.iter().filter(|file| is_changed(&file.id));
        files.map(|file| short(&file.name).to_owned()).collect()
    }

    /// Whether a file is changed by the forms, so that its text must wait.
    pub fn by_form(&self, id: &str) -> bool {
        let change = self.change();
        (id == CAR && change.car.is_some()) || change.sheets.contains_key(id)
    }

    /// Puts another text in a file's place; its own takes the change back.
    pub fn type_text(&mut self, id: &str, text: String) {
        let own = self.from.files.iter().find(|file| file.id == id);
        // A browser's text area has line feeds alone, whatever was put into it.
        match own {
            Some(own) if own.text.replace("\r\n", "\n") == text => drop(self.texts.remove(id)),
            Some(own) if own.text.contains("\r\n") => {
                self.texts.insert(id.to_owned(), text.replace('\n', "\r\n"));
            }
            _ => drop(self.texts.insert(id.to_owned(), text)),
        }
    }

    /// Notes whether a field holds what can be meant.
    pub fn judge(&mut self, field: &str, good: bool) {
        if good {
            self.bad.remove(field);
        } else {
            self.bad.insert(field.to_owned());
        }
    }

    /// The band of a channel everywhere, or in a phase of a sheet.
    pub fn band(&self, channel: usize, phase: Option<(usize, usize)>) -> Option<Band> {
        let channel = self.car.as_ref()?.channels.get(channel)?;
        match phase {
            None => channel.band,
            Some((sheet, phase)) => self.phase(sheet, phase)?.bands.get(&channel.key).copied(),
        }
    }

    /// Sets it, or takes it out.
    pub fn set_band(&mut self, channel: usize, phase: Option<(usize, usize)>, band: Option<Band>) {
        let Some(found) = self
            .car
            .as_mut()
            .and_then(|car| car.channels.get_mut(channel))
        else {
            return;
        };
        let key = found.key.clone();
        match (phase, band) {
            (None, band) => found.band = band,
            (Some((sheet, phase)), band) => {
                if let Some(phase) = self.phase_mut(sheet, phase) {
                    match band {
                        Some(band) => drop(phase.bands.insert(key, band)),
                        None => drop(phase.bands.remove(&key)),
                    }
                }
            }
        }
    }

    fn phase(&self, sheet: usize, phase: usize) -> Option<&Phase> {
        self.sheets.get(sheet)?.as_ref()?.phases.get(phase)
    }

    fn phase_mut(&mut self, sheet: usize, phase: usize) -> Option<&mut Phase> {
        self.sheets.get_mut(sheet)?.as_mut()?.phases.get_mut(phase)
    }

    /// A role.
    pub fn role(&self, role: usize) -> Option<&Role> {
        self.car.as_ref()?.roles.get(role)
    }

    /// A role, to change it.
    pub fn role_mut(&mut self, role: usize) -> Option<&mut Role> {
        self.car.as_mut()?.roles.get_mut(role)
    }

    /// The ready calls of a role, or those of all.
    pub fn calls(&self, role: Option<usize>) -> &[ReadyCall] {
        match role {
            Some(role) => self.role(role).map_or(&[], |role| &role.calls),
            None => self.car.as_ref().map_or(&[], |car| &car.calls),
        }
    }

    /// The same, to change them.
    pub fn calls_mut(&mut self, role: Option<usize>) -> Option<&mut Vec<ReadyCall>> {
        match role {
            Some(role) => self.role_mut(role).map(|role| &mut role.calls),
            None => self.car.as_mut().map(|car| &mut car.calls),
        }
    }

    /// A step, by its sheet, phase and place.
    pub fn step(&self, at: (usize, usize, usize)) -> Option<&Step> {
        self.phase(at.0, at.1)?.steps.get(at.2)
    }

    /// A step, to change it.
    pub fn step_mut(&mut self, at: (usize, usize, usize)) -> Option<&mut Step> {
        self.phase_mut(at.0, at.1)?.steps.get_mut(at.2)
    }
}

/// The last part of a path.
pub fn short(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// A number as a person types it; a comma is taken for a point.
pub fn typed_number(text: &str) -> Option<f64> {
    let text = text.trim().replace(',', ".").replace('\u{2212}', "-");
    json::number(&text)
}

/// Seconds as they are typed, in milliseconds; nothing for nothing, an error for what is no time.
pub fn typed_ms(text: &str) -> Result<Option<i64>, ()> {
    if text.trim().is_empty() {
        return Ok(None);
    }
    let seconds = typed_number(text).filter(|seconds| (0.0..=86_400.0).contains(seconds));
    seconds
        .map(|seconds| Some((seconds * 1000.0).round() as i64))
        .ok_or(())
}

/// Moves an element of a list one place up or down, where there is one.
pub fn move_one<T>(list: &mut [T], place: usize, down: bool) {
    let other = if down {
        place + 1
    } else {
        place.wrapping_sub(1)
    };
    if place < list.len() && other < list.len() {
        list.swap(place, other);
    }
}

/// The changed lines of a difference, each with one line around it.
pub fn changed_lines(old: &str, new: &str) -> Vec<DiffLine> {
    let all = diff(old, new);
    let is_change = |line: &DiffLine| !matches!(line, DiffLine::Same(..));
    let near = |at: usize| {
        let from = at.saturating_sub(AROUND);
        all[from..(at + AROUND + 1).min(all.len())]
            .iter()
            .any(is_change)
    };
    let places: Vec<usize> = (0..all.len()).filter(|at| near(*at)).collect();
    places.into_iter().map(|at| all[at].clone()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::{car::Channel, files::FileNow, units::Unit};

    fn draft() -> Draft {
        let channel = Channel {
            label: "Oil".to_owned(),
            decimals: 0,
            old_after_ms: 1_000,
            ..Channel::new("oil_pressure", Unit::Psi, (0.0, 300.0))
        };
        let phase = Phase {
            key: "start".into(),
            ..Phase::default()
        };
        let sheet = Sheet {
            phases: vec![phase],
            ..Sheet::default()
        };
        let file = |id: &str, text: &str| FileNow {
            id: id.to_owned(),
            name: format!("team/{id}.toml"),
            text: text.to_owned(),
            ..FileNow::default()
        };
        Draft::new(FilesNow {
            files: vec![file("car", "a\r\nb\r\n"), file("sheet-1", "")],
            car: Some(Car {
                channels: vec![channel],
                ..Car::default()
            }),
            sheets: vec![Some(sheet)],
            ..FilesNow::default()
        })
    }

    #[test]
    fn only_what_differs_is_changed_and_taken_back_it_is_nothing() {
        let mut draft = draft();
        assert!(draft.changed().is_empty());
        let band = Some(Band {
            low: 60.0,
            high: 150.0,
        });
        draft.set_band(0, Some((0, 0)), band);
        assert_eq!(draft.changed(), ["sheet-1.toml"]);
        assert_eq!(draft.change().car, None);
        draft.set_band(0, None, band);
        assert_eq!(draft.changed(), ["car.toml", "sheet-1.toml"]);
        draft.set_band(0, Some((0, 0)), None);
        draft.set_band(0, None, None);
        assert_eq!(draft.changed(), Vec::<String>::new());
    }

    #[test]
    fn a_typed_text_keeps_the_files_line_ends() {
        let mut draft = draft();
        draft.type_text("car", "a\nc\n".to_owned());
        assert_eq!(draft.change().texts["car"], "a\r\nc\r\n");
        draft.type_text("car", "a\nb\n".to_owned());
        assert!(draft.changed().is_empty());
    }

    #[test]
    fn what_is_typed_is_read_as_people_write_it() {
        assert_eq!(typed_number(" -2,5 "), Some(-2.5));
        assert_eq!(typed_number("1e999"), None);
        assert_eq!(typed_ms("0.5"), Ok(Some(500)));
        assert_eq!(typed_ms(" "), Ok(None));
        assert_eq!(typed_ms("soon"), Err(()));
        let mut list = [1, 2, 3];
        move_one(&mut list, 0, false);
        move_one(&mut list, 0, true);
        move_one(&mut list, 2, true);
        assert_eq!(list, [2, 1, 3]);
    }

    #[test]
    fn a_difference_shows_one_line_around_a_change() {
        let lines = changed_lines("1\n2\n3\n4\n5\n", "1\n2\nx\n4\n5\n");
        assert_eq!(lines.len(), 4, "{lines:?}");
    }
}
