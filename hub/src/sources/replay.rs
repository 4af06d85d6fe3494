//! A recording (CSV) played back at any speed, by the car file's map of its columns.

use super::index::ChannelIndex;
use super::map::ReplayMap;
use super::playback::{Lines, Moment, Playback, Script, shown};
use super::spec::Speed;
use super::table::{Row, Table};
use super::tally::Tally;
use super::{Feed, Running, Source};
use crate::core::feed::Fault;
use anyhow::{Context, bail};
use std::{path::Path, sync::Arc};

/// Lines looked through for the header when the car file does not say how many come before it.
const HEADER_WITHIN: usize = 200;

/// A recording played back.
#[derive(Debug)]
pub struct Replay {
    playback: Playback,
    rows: Rows,
}

impl Replay {
    /// Opens the recording and finds its header, so that a wrong map is refused before anything runs.
    ///
    /// # Errors
    /// When the file cannot be read, has no such header, or lacks a mapped column; the message says which and what is there.
    pub fn open(
        index: Arc<ChannelIndex>,
        file: &Path,
        map: &ReplayMap,
        speed: Speed,
        again: bool,
    ) -> anyhow::Result<Self> {
        let mut lines = Lines::open(file)?;
        let within = map.skip_lines.map_or(HEADER_WITHIN, |skip| skip + 1);
        let mut number = 0;
        while let Some(line) = lines.next()? {
            number += 1;
            if number > within {
                break;
            }
            let candidate = match map.skip_lines {
                Some(skip) => number == skip + 1,
                None => Table::is_header(&line, map),
            };
            if candidate {
                let table = Table::new(&line, number, map, &index).with_context(|| shown(file))?;
                return Ok(Self {
                    playback: Playback {
                        file: file.to_owned(),
                        speed,
                        again,
                    },
                    rows: Rows { table, index },
                });
            }
        }
        match map.skip_lines {
            Some(skip) => bail!(
                "{}: it ends before line {}, where the car file ([replay] skip_lines = {skip}) has the header",
                shown(file),
                skip + 1
            ),
            None => bail!(
                "{}: none of its first {HEADER_WITHIN} lines begins with the time column {:?}; name it in [replay] time, or say with skip_lines how many lines come before the header",
                shown(file),
                map.time.column
            ),
        }
    }
}

impl Replay {
    /// Reads all of it at once; see [`Playback::whole`].
    pub(super) fn whole(
        self,
        row: impl FnMut(Option<f64>, Vec<(usize, f64)>),
        wrong: impl FnMut(usize, Fault),
    ) -> anyhow::Result<()> {
        self.playback.whole(self.rows, row, wrong)
    }
}

impl Source for Replay {
    fn name(&self) -> String {
        format!("replay:{}", shown(&self.playback.file))
    }

    fn not_live(&self) -> Option<String> {
        Some(format!("recording {}", shown(&self.playback.file)))
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(async move { self.playback.play(self.rows, &feed).await })
    }
}

/// The rows below the header.
#[derive(Debug)]
struct Rows {
    table: Table,
    index: Arc<ChannelIndex>,
}

impl Script for Rows {
    fn rewind(&mut self) {
        self.table.rewind();
    }

    fn line(&mut self, line: &[u8], number: usize, tally: &mut Tally) -> Option<Moment> {
        if number <= self.table.header_line {
            return None;
        }
        // A row whose time cannot be read, which is counted, still belongs right after the row before.
        let Row { said_s, mut values } = self.table.row(line, number, tally)?;
        self.index.sift(&mut values, number, tally);
        Some(Moment { said_s, values })
    }
}
