//! The book as phones read it: the list of warm-ups, what people write about one, and a warm-up to play back. These are the
//! answers and bodies of `/api/book`, which is plain HTTP: none of it is live, and none of it may delay what is.

use crate::json::FromJson;
use crate::{ChannelKey, Millis, event::Event, message::FigureNow};
use serde::{Deserialize, Serialize};

/// Longest note about a warm-up, in characters.
pub const MAX_NOTE: usize = 4_000;
/// Most tags of one warm-up.
pub const MAX_TAGS: usize = 20;
/// Largest photo that is taken in, in bytes.
pub const MAX_PHOTO: usize = 12_000_000;
/// Most photos of one warm-up.
pub const MAX_PHOTOS: usize = 40;
/// A phone makes a photo whose longer side has more pixels than this smaller before it sends it.
pub const PHOTO_SIDE: u32 = 2_000;
/// Most frames in one answer: two minutes of traces at four a second, and room.
pub const MAX_FRAMES: i64 = 1_200;

/// A warm-up in the list.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Listed {
    /// Its id.
    pub id: String,
    /// When it began.
    pub begun_at: Millis,
    /// When it was closed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed_at: Option<Millis>,
    /// The name of its sheet.
    pub sheet: String,
    /// The team.
    pub team: String,
    /// The car.
    pub car: String,
    /// Why its readings were not live; empty when they were.
    #[serde(default)]
    pub source: String,
    /// Where it was.
    #[serde(default)]
    pub place: String,
    /// The weather in words.
    #[serde(default)]
    pub weather: String,
    /// Who drove.
    #[serde(default)]
    pub driver: String,
    /// Free words.
    #[serde(default)]
    pub note: String,
    /// Words to find it by.
    #[serde(default)]
    pub tags: Vec<String>,
    /// Photos, in the order in which they came: names of pictures that the hub keeps (see [`is_photo`]), and names that were
    /// only written down.
    #[serde(default)]
    pub photos: Vec<String>,
    /// When it was deleted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub deleted_at: Option<Millis>,
    /// By whom.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub deleted_by: Option<String>,
    /// Until when it can be restored, where it was deleted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kept_until: Option<Millis>,
}

impl Listed {
    /// Whether all of these words occur in what people would look for it by: id and date, team, car, sheet, place, weather,
    /// driver, note, tags. Capitals do not matter.
    pub fn matches<T: AsRef<str>>(&self, words: &[T]) -> bool {
        let mut text = [&self.id, &self.team, &self.car, &self.sheet, &self.source]
            .into_iter()
            .chain([&self.place, &self.weather, &self.driver, &self.note])
            .chain(&self.tags)
            .fold(String::new(), |text, part| text + part + "\n");
        text = text.to_lowercase();
        words
            .iter()
            .all(|word| text.contains(&word.as_ref().to_lowercase()))
    }
}

/// What people write about a warm-up afterwards. Absent fields stay as they are.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, FromJson)]
#[serde(default, deny_unknown_fields)]
pub struct Remarks {
    /// Where it was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// The weather in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub weather: Option<String>,
    /// Who drove.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub driver: Option<String>,
    /// Free words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// Words to find it by, in place of those before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tags: Option<Vec<String>>,
}

/// Whether a name is that of a picture that the hub keeps: the BLAKE3 hash of its bytes in 64 small hex digits, a dot, and what it
/// is (`jpg`, `png`, `webp`). `/photo/NAME` gives it.
pub fn is_photo(name: &str) -> bool {
    name.split_once('.').is_some_and(|(hash, end)| {
        hash.len() == 64
            && hash
                .bytes()
                .all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'))
            && ["jpg", "png", "webp"].contains(&end)
    })
}

/// The photo that was taken in, under the name that it got.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct Taken {
    /// Its name.
    pub photo: String,
}

/// Who deletes or restores, as they name themselves.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct By {
    /// Their name.
    pub by: String,
}

/// What a link to a report, an export or a photo carries in place of the code: it opens nothing else, and not for long.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct Ticket {
    /// The ticket.
    pub ticket: String,
    /// How long it is good for, in seconds.
    pub for_s: u64,
}

/// A warm-up opened for playing back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Opened {
    /// What is known of it.
    pub entry: Listed,
    /// Its events, and before them the last joinings of those who were there: folded up to a time they give the record as it
    /// was then.
    pub events: Vec<Event>,
    /// Its beginning, or its first reading if that is earlier.
    pub from: Millis,
    /// Its end: the last event or reading.
    pub to: Millis,
    /// How many readings there are.
    pub readings: u64,
    /// When its figures first spoke; none when nothing that they said was kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub figures_from: Option<Millis>,
    /// What of it cannot be read from the book, in words; empty for a sound one.
    pub lost: Vec<String>,
}

/// A time in which a channel was outside the band that held.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Outside {
    /// The channel.
    pub channel: ChannelKey,
    /// First reading outside.
    pub from: Millis,
    /// Last reading outside.
    pub to: Millis,
    /// Below the band rather than above it.
    pub low: bool,
    /// The reading farthest outside, in the channel's unit.
    pub worst: f64,
}

/// What the figures said at a time, as phones were shown it. Where a channel was expected to go, which is drawn on its strip, is not kept.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(deny_unknown_fields)]
pub struct Said {
    /// When, in milliseconds.
    pub at: Millis,
    /// These are all; else those that say another thing than before.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub whole: bool,
    /// The figures.
    pub figures: Vec<FigureNow>,
    /// Keys of figures that were no longer there.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gone: Vec<String>,
}

impl Said {
    /// What has changed since the figures said `before`; none when nothing has.
    pub fn since(before: &[FigureNow], at: Millis, now: &[FigureNow]) -> Option<Self> {
        let changed = now.iter().filter(|figure| !before.contains(figure));
        let gone = before
            .iter()
            .filter(|was| now.iter().all(|figure| figure.key != was.key));
        let said = Self {
            at,
            whole: false,
            figures: changed.cloned().collect(),
            gone: gone.map(|was| was.key.clone()).collect(),
        };
        (!said.figures.is_empty() || !said.gone.is_empty()).then_some(said)
    }

    /// What the figures say after this, when they said `before`. A figure keeps its place; a new one comes last.
    pub fn after(self, before: &mut Vec<FigureNow>) {
        if self.whole {
            *before = self.figures;
            return;
        }
        before.retain(|was| !self.gone.contains(&was.key));
        for figure in self.figures {
            match before.iter_mut().find(|was| was.key == figure.key) {
                Some(was) => *was = figure,
                None => before.push(figure),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_words_must_occur_whatever_their_capitals() {
        let listed = Listed {
            id: "2026-05-16T14-03-22Z".to_owned(),
            place: "North bank".to_owned(),
            tags: vec!["new bleeds".to_owned()],
            ..Listed::default()
        };
        for (words, found) in [
            (&["2026-05", "NORTH"][..], true),
            (&["bleeds"], true),
            (&["north", "south"], false),
            (&[], true),
        ] {
            assert_eq!(listed.matches(words), found, "{words:?}");
        }
    }
}
