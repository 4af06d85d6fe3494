//! The files that a hub runs from, as they lie on the disk: read with their versions, written in one go, and every text that a
//! change took the place of kept under the change's number, so that the last change can be undone.

use super::car::{CarFile, parse_car};
use super::mistakes::{FileErrors, read};
use super::sheet::parse_sheets;
use super::unknown_phases;
use serde::{Deserialize, Serialize};
use spinover_protocol::{
    Millis,
    files::{CAR, FileId, Undoable, sheet_id},
    sheet::Sheet,
};
use std::{
    collections::BTreeMap,
    fs::{self, File},
    io::{self, Write},
    path::{Path, PathBuf},
};

/// The folder in the data directory that keeps earlier texts.
const EARLIER: &str = "earlier-files";
/// What marks a change as undone, in its folder.
const UNDONE: &str = "undone";
/// What a change was, in its folder.
const ABOUT: &str = "change.json";

/// Which files they are, and where their earlier texts go.
#[derive(Clone, Debug)]
pub struct Kept {
    paths: Vec<PathBuf>,
    earlier: PathBuf,
}

/// The texts of all files, the car file's first.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Texts(pub Vec<String>);

/// All files, read and found good.
#[derive(Clone, Debug)]
pub struct Good {
    /// The car.
    pub car: CarFile,
    /// The sheets.
    pub sheets: Vec<Sheet>,
    /// The texts' versions.
    pub versions: Vec<String>,
}

/// What was a change, for whoever undoes it.
#[derive(Debug, Serialize, Deserialize)]
struct About {
    at: Millis,
    files: BTreeMap<FileId, String>,
}

/// A hash of a text's bytes: another text, another version.
pub fn version(text: &str) -> String {
    blake3::hash(text.as_bytes()).to_hex().as_str()[..32].to_owned()
}

impl Kept {
    /// The car file, the sheets, and the data directory.
    pub fn new(car: PathBuf, sheets: Vec<PathBuf>, data: &Path) -> Self {
        let paths = std::iter::once(car).chain(sheets).collect();
        let earlier = data.join(EARLIER);
        Self { paths, earlier }
    }

    /// The files' ids and names.
    pub fn names(&self) -> Vec<(FileId, String)> {
        let id = |place: usize| match place.checked_sub(1) {
            None => CAR.to_owned(),
            Some(sheet) => sheet_id(sheet),
        };
        let named = |(place, path): (usize, &PathBuf)| (id(place), path.display().to_string());
        self.paths.iter().enumerate().map(named).collect()
    }

    /// The texts as they are now.
    ///
    /// # Errors
    /// When any cannot be read.
    pub fn read(&self) -> Result<Texts, FileErrors> {
        let texts: Result<Vec<String>, FileErrors> =
            self.paths.iter().map(|path| read(path)).collect();
        texts.map(Texts)
    }

    /// What texts for these files say, as `spinover check` reads them.
    ///
    /// # Errors
    /// For each file that is not good, its place and every mistake in it.
    pub fn check(&self, texts: &Texts) -> Result<Good, Vec<(usize, FileErrors)>> {
        let names = self.names();
        let car = parse_car(&names[0].1, &texts.0[0]);
        let sheets = names.iter().zip(&texts.0).skip(1);
        let sheets = sheets.map(|((_, name), text)| (name.clone(), Ok(text.clone())));
        let sheets = parse_sheets(sheets, car.as_ref().ok());
        let mut wrong = Vec::new();
        let mut good = Vec::new();
        for (place, sheet) in sheets.into_iter().enumerate() {
            match sheet {
                Ok(sheet) => good.push(sheet),
                Err(errors) => wrong.push((place + 1, errors)),
            }
        }
        match car {
            Ok(car) if wrong.is_empty() => Ok(Good {
                car,
                sheets: good,
                versions: texts.0.iter().map(|text| version(text)).collect(),
            }),
            Ok(_) => Err(wrong),
            Err(errors) => {
                wrong.insert(0, (0, errors));
                Err(wrong)
            }
        }
    }

    /// What is good in itself and may be meant otherwise.
    pub fn notes(&self, good: &Good) -> Vec<super::Mistake> {
        let sheets: Vec<&Sheet> = good.sheets.iter().collect();
        unknown_phases(&self.paths[0].display().to_string(), &good.car, &sheets)
    }

    /// Writes new texts in place of old ones: all of them, or none. Returns the change's number.
    ///
    /// # Errors
    /// When the disk refuses; the files are then as they were.
    pub fn write(&self, at: Millis, old: &Texts, new: &Texts) -> io::Result<u32> {
        let number = self.changes()?.last().map_or(1, |last| last + 1);
        let folder = self.earlier.join(format!("{number:04}"));
        fs::create_dir_all(&folder)?;
        let changed = |place: &usize| old.0[*place] != new.0[*place];
        let places: Vec<usize> = (0..self.paths.len()).filter(changed).collect();
        let names = self.names();
        let files = places.iter().map(|place| names[*place].clone()).collect();
        for place in &places {
            let id = &names[*place].0;
            put(&folder.join(format!("{id}-before.toml")), &old.0[*place])?;
            put(&folder.join(format!("{id}-after.toml")), &new.0[*place])?;
        }
        put(
            &folder.join(ABOUT),
            &serde_json::to_string(&About { at, files })?,
        )?;
        self.replace(&places, old, new)?;
        Ok(number)
    }

    fn replace(&self, places: &[usize], old: &Texts, new: &Texts) -> io::Result<()> {
        for (done, place) in places.iter().enumerate() {
            if let Err(error) = put(&self.paths[*place], &new.0[*place]) {
                for place in &places[..done] {
                    put(&self.paths[*place], &old.0[*place])?;
                }
                return Err(error);
            }
        }
        Ok(())
    }

    /// The numbers of all changes, in order.
    fn changes(&self) -> io::Result<Vec<u32>> {
        let mut numbers = Vec::new();
        match fs::read_dir(&self.earlier) {
            Ok(entries) => {
                for entry in entries {
                    numbers.extend(
                        entry?
                            .file_name()
                            .to_str()
                            .and_then(|name| name.parse::<u32>().ok()),
                    );
                }
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
        numbers.sort_unstable();
        Ok(numbers)
    }

    /// The last change that was not undone, and the texts from before it; none where the files were changed otherwise since.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn undoable(&self, now: &Texts) -> io::Result<Option<(Undoable, Texts)>> {
        let names = self.names();
        for number in self.changes()?.into_iter().rev() {
            let folder = self.earlier.join(format!("{number:04}"));
            if folder.join(UNDONE).exists() {
                continue;
            }
            // A folder without it is of a change that was never written.
            let Ok(about) = fs::read_to_string(folder.join(ABOUT)) else {
                continue;
            };
            let about: About = serde_json::from_str(&about)?;
            let mut before = now.clone();
            let (mut after, mut never) = (true, true);
            for id in about.files.keys() {
                let Some(place) = names.iter().position(|(known, _)| known == id) else {
                    return Ok(None);
                };
                let was = fs::read_to_string(folder.join(format!("{id}-before.toml")))?;
                after &=
                    fs::read_to_string(folder.join(format!("{id}-after.toml")))? == now.0[place];
                never &= was == now.0[place];
                before.0[place] = was;
            }
            if after {
                let undo = Undoable {
                    number,
                    at: about.at,
                    names: about.files.into_values().collect(),
                };
                return Ok(Some((undo, before)));
            }
            if !never {
                return Ok(None);
            }
        }
        Ok(None)
    }

    /// Writes the texts from before a change, and marks it as undone.
    ///
    /// # Errors
    /// As [`Kept::write`].
    pub fn undo(&self, number: u32, now: &Texts, before: &Texts) -> io::Result<()> {
        let changed = |place: &usize| now.0[*place] != before.0[*place];
        let places: Vec<usize> = (0..self.paths.len()).filter(changed).collect();
        self.replace(&places, now, before)?;
        put(&self.earlier.join(format!("{number:04}")).join(UNDONE), "")
    }
}

/// Writes a file so that, whatever happens, either the old text or the new one is there, whole. A link stays a link.
fn put(path: &Path, text: &str) -> io::Result<()> {
    let path = &fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    let mut new = tempfile::NamedTempFile::new_in(folder)?;
    new.write_all(text.as_bytes())?;
    match fs::metadata(path) {
        Ok(was) => new.as_file().set_permissions(was.permissions())?,
        // A temporary file is its owner's alone; a new one is as any other that this user makes.
        Err(_) => open_to_readers(new.as_file())?,
    }
    new.as_file().sync_all()?;
    new.persist(path).map_err(|error| error.error)?;
    // The new name is on the disk once the folder is. Not every system lets a folder be opened.
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
    Ok(())
}

#[cfg(unix)]
fn open_to_readers(file: &File) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    file.set_permissions(fs::Permissions::from_mode(0o644))
}

#[cfg(not(unix))]
fn open_to_readers(_: &File) -> io::Result<()> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(folder: &Path) -> Kept {
        let car = folder.join("car.toml");
        let sheet = folder.join("sheet.toml");
        fs::write(&car, "a").unwrap();
        fs::write(&sheet, "s").unwrap();
        Kept::new(car, vec![sheet], &folder.join("book"))
    }

    fn texts(car: &str, sheet: &str) -> Texts {
        Texts(vec![car.to_owned(), sheet.to_owned()])
    }

    #[test]
    fn changes_are_undone_one_by_one_to_the_very_bytes() {
        let folder = tempfile::tempdir().unwrap();
        let kept = kept(folder.path());
        let steps = [texts("a", "s"), texts("b", "s"), texts("c", "t")];
        assert_eq!(kept.undoable(&steps[0]).unwrap(), None);
        assert_eq!(kept.write(7, &steps[0], &steps[1]).unwrap(), 1);
        assert_eq!(kept.write(8, &steps[1], &steps[2]).unwrap(), 2);
        for (number, before) in [(2, &steps[1]), (1, &steps[0])] {
            let now = kept.read().unwrap();
            let (undo, texts) = kept.undoable(&now).unwrap().unwrap();
            assert_eq!((undo.number, &texts), (number, before));
            kept.undo(number, &now, &texts).unwrap();
            assert_eq!(kept.read().unwrap(), *before);
        }
        assert_eq!(kept.undoable(&steps[0]).unwrap(), None);
        assert_eq!(
            kept.write(9, &steps[0], &steps[2]).unwrap(),
            3,
            "a number is used once"
        );
    }

    #[test]
    fn what_was_changed_from_outside_since_is_not_undone() {
        let folder = tempfile::tempdir().unwrap();
        let kept = kept(folder.path());
        kept.write(7, &texts("a", "s"), &texts("b", "s")).unwrap();
        fs::write(folder.path().join("car.toml"), "z").unwrap();
        assert_eq!(kept.undoable(&kept.read().unwrap()).unwrap(), None);
    }

    #[test]
    fn a_change_that_never_reached_the_files_is_passed_over() {
        let folder = tempfile::tempdir().unwrap();
        let kept = kept(folder.path());
        kept.write(7, &texts("a", "s"), &texts("b", "s")).unwrap();
        kept.write(8, &texts("b", "s"), &texts("c", "s")).unwrap();
        fs::write(folder.path().join("car.toml"), "b").unwrap();
        let (undo, _) = kept.undoable(&kept.read().unwrap()).unwrap().unwrap();
        assert_eq!(undo.number, 1);
    }
}
