//! The crew's files as the chief changes them in the app: the answers and bodies of `/api/files`, which is plain HTTP.
//! How a change becomes text is the hub's; here is only what both sides say, and the lines in which two texts differ.

use crate::json::FromJson;
use crate::map::Map;
use crate::{Millis, car::Car, sheet::Sheet};
use serde::{Deserialize, Serialize};

/// Which file: `car`, or `sheet-1`, `sheet-2` … in the order of the command line.
pub type FileId = String;

/// The car file's id.
pub const CAR: &str = "car";

/// The id of the sheet at that place, from 0.
pub fn sheet_id(place: usize) -> FileId {
    format!("sheet-{}", place + 1)
}

/// One file as it lies on the disk.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct FileNow {
    /// Which.
    pub id: FileId,
    /// Its path, as the command line has it.
    pub name: String,
    /// A hash of its bytes: another text, another version.
    pub version: String,
    /// Its text.
    pub text: String,
    /// The hub runs with this text.
    pub in_force: bool,
}

/// All files of the hub.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct FilesNow {
    /// The car file, then the sheets.
    pub files: Vec<FileNow>,
    /// The car that the car file on the disk says; none when it is wrong.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub car: Option<Car>,
    /// The sheets that the files on the disk say, in their order; none where one is wrong.
    #[serde(default)]
    pub sheets: Vec<Option<Sheet>>,
    /// What is wrong in them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub mistakes: Vec<Wrong>,
    /// The keys of all figures that a role's page can show.
    #[serde(default)]
    pub figures: Vec<String>,
    /// Why nothing can be changed now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_now: Option<String>,
    /// The change that can be undone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub undo: Option<Undoable>,
}

/// A change that was written and can be undone.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Undoable {
    /// Its number; the earlier files are kept under it.
    pub number: u32,
    /// When it was written.
    pub at: Millis,
    /// The names of the files that it changed.
    pub names: Vec<String>,
}

/// Something wrong in a file.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Wrong {
    /// Which file.
    pub id: FileId,
    /// Line, from 1; 0 when the whole file is meant.
    pub line: usize,
    /// Column, from 1.
    pub column: usize,
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub right: String,
    /// The key that it stands at, by names: `channel.oil_pressure.band`, `phase.petrol.step.fire.gate.0.at_least`.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub field: String,
}

/// A change that is wanted: for each file either its text, or what its text is to say. Files that are not named stay.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Change {
    /// The versions of all files that the change was made from.
    pub base: Map<FileId, String>,
    /// What the car file is to say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub car: Option<Car>,
    /// What the sheets are to say.
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    pub sheets: Map<FileId, Sheet>,
    /// Whole texts.
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    pub texts: Map<FileId, String>,
}

/// What a change comes to.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Outcome {
    /// The new texts of the files that change.
    pub texts: Map<FileId, String>,
    /// What would be wrong in them: while there is anything, nothing is written.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub mistakes: Vec<Wrong>,
    /// What is good in itself and may be meant otherwise.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Wrong>,
    /// It was written, and the hub is taking it up.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub written: bool,
}

/// The files changed meanwhile: nothing was written.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Conflict {
    /// That they did, and which.
    pub what: String,
    /// What lies on the disk now.
    pub now: FilesNow,
    /// What the change would have made of the texts that it was made from, where those are still known.
    pub yours: Map<FileId, String>,
}

/// One line of the difference of two texts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DiffLine {
    /// In both; its number in the new text, from 1.
    Same(usize, String),
    /// Only in the old text; its number there.
    Gone(usize, String),
    /// Only in the new text; its number there.
    New(usize, String),
}

/// Most cells of the table that finds the longest common lines; beyond it (two texts of 2000 lines that have nothing in
/// common) all old lines go and all new ones come, which is as true.
const MAX_CELLS: usize = 4_000_000;

/// The lines in which two texts differ, with every line of both. Line ends do not count.
pub fn diff(old: &str, new: &str) -> Vec<DiffLine> {
    let (old, new): (Vec<&str>, Vec<&str>) = (old.lines().collect(), new.lines().collect());
    let head = old.iter().zip(&new).take_while(|(a, b)| a == b).count();
    let tail = old[head..]
        .iter()
        .rev()
        .zip(new[head..].iter().rev())
        .take_while(|(a, b)| a == b)
        .count();
    let (a, b) = (&old[head..old.len() - tail], &new[head..new.len() - tail]);
    // common[i][j]: how many lines `a[i..]` and `b[j..]` have in common.
    let width = b.len() + 1;
    let table = (a.len() + 1).saturating_mul(width) <= MAX_CELLS;
    let mut common = vec![0u32; if table { (a.len() + 1) * width } else { 0 }];
    if table {
        for i in (0..a.len()).rev() {
            for j in (0..b.len()).rev() {
                common[i * width + j] = if a[i] == b[j] {
                    common[(i + 1) * width + j + 1] + 1
                } else {
                    common[(i + 1) * width + j].max(common[i * width + j + 1])
                };
            }
        }
    }
    let mut lines = Vec::new();
    let same = |at: usize| DiffLine::Same(at + 1, new[at].to_owned());
    lines.extend((0..head).map(same));
    let (mut i, mut j) = (0, 0);
    while i < a.len() || j < b.len() {
        if table && i < a.len() && j < b.len() && a[i] == b[j] {
            lines.push(same(head + j));
            (i, j) = (i + 1, j + 1);
        } else if i < a.len()
            && (!table || j == b.len() || common[(i + 1) * width + j] >= common[i * width + j + 1])
        {
            lines.push(DiffLine::Gone(head + i + 1, a[i].to_owned()));
            i += 1;
        } else {
            lines.push(DiffLine::New(head + j + 1, b[j].to_owned()));
            j += 1;
        }
    }
    lines.extend((new.len() - tail..new.len()).map(same));
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn texts(lines: &[DiffLine]) -> (Vec<&str>, Vec<&str>) {
        let (mut old, mut new) = (Vec::new(), Vec::new());
        for line in lines {
            match line {
                DiffLine::Same(_, text) => {
                    old.push(text.as_str());
                    new.push(text.as_str());
                }
                DiffLine::Gone(_, text) => old.push(text),
                DiffLine::New(_, text) => new.push(text),
            }
        }
        (old, new)
    }

    #[test]
    fn one_changed_line_is_one_gone_and_one_new() {
        let lines = diff("a\nb\nc\n", "a\nx\nc\n");
        assert_eq!(
            lines,
            [
                DiffLine::Same(1, "a".into()),
                DiffLine::Gone(2, "b".into()),
                DiffLine::New(2, "x".into()),
                DiffLine::Same(3, "c".into()),
            ]
        );
    }

    proptest! {
        #[test]
        fn both_texts_can_be_read_off_a_difference(
            old in prop::collection::vec("[abc]?", 0..12), new in prop::collection::vec("[abc]?", 0..12)
        ) {
            let text = |lines: &[String]| lines.iter().map(|line| line.clone() + "\n").collect::<String>();
            let lines = diff(&text(&old), &text(&new));
            let (was, is) = texts(&lines);
            prop_assert_eq!(was, old);
            prop_assert_eq!(is, new);
        }
    }
}
