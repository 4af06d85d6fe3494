//! A recording (CSV) played back at any speed, by the car file's map of its columns.

use super::clock::SourceClock;
use super::decode::pass_time;
use super::framing::{Line, MAX_LINE, Splitter};
use super::index::ChannelIndex;
use super::map::ReplayMap;
use super::spec::Speed;
use super::table::{Cell, Row, Table};
use super::tally::{Tally, tell};
use super::{Feed, HubGone, Running, Source};
use crate::core::feed::{Batch, FaultKind};
use anyhow::{Context, bail};
use spinover_protocol::message::SourceState;
use std::{
    collections::VecDeque,
    fs::File,
    io::Read,
    path::{Path, PathBuf},
    sync::Arc,
    time::Duration,
};
use tokio::time::Instant;

/// Bytes read at once.
const CHUNK: usize = 64 * 1024;
/// Between two turns of a recording that loops, its time goes on by this, in seconds.
const TURN_S: f64 = 1.0;
/// Lines looked through for the header when the car file does not say how many come before it.
const HEADER_WITHIN: usize = 200;

/// A recording played back.
#[derive(Debug)]
pub struct Replay {
    file: PathBuf,
    table: Table,
    index: Arc<ChannelIndex>,
    speed: Speed,
    again: bool,
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
                    file: file.to_owned(),
                    table,
                    index,
                    speed,
                    again,
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

/// A file's name without its path: a crew has no use for the path, and it may tell what it should not.
fn shown(file: &Path) -> String {
    file.file_name()
        .unwrap_or(file.as_os_str())
        .to_string_lossy()
        .into_owned()
}

impl Source for Replay {
    fn name(&self) -> String {
        format!("replay:{}", shown(&self.file))
    }

    fn not_live(&self) -> Option<String> {
        Some(format!("recording {}", shown(&self.file)))
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(async move { self.play(&feed).await })
    }
}

impl Replay {
    async fn play(mut self, feed: &Feed) -> anyhow::Result<()> {
        let mut tally = Tally::default();
        let mut clock = SourceClock::default();
        feed.state(SourceState::Up).await?;
        loop {
            let delivered = self.turn(&mut clock, &mut tally, feed).await?;
            tell(feed, tally.rest(Instant::now())).await?;
            // A recording without a single value would turn without end and without a pause.
            if !self.again || !delivered {
                break;
            }
        }
        feed.state(SourceState::Ended).await?;
        Ok(())
    }

    /// Plays the file once; whether it held anything.
    async fn turn(
        &mut self,
        clock: &mut SourceClock,
        tally: &mut Tally,
        feed: &Feed,
    ) -> anyhow::Result<bool> {
        let mut lines = Lines::open(&self.file)?;
        let mut pace = Pace::new(self.speed);
        let mut first = true;
        self.table.rewind();
        while let Some(line) = lines.next()? {
            let number = lines.number;
            if number <= self.table.header_line {
                continue;
            }
            if line.is_empty() && lines.long {
                tally.note(FaultKind::TooLong, || format!("line {number} of the recording has more than {MAX_LINE} bytes and was left out"));
                continue;
            }
            let Some(row) = self.table.row(&line, number, tally) else {
                continue;
            };
            let Row { said_s, cells } = row;
            let values = self.values(&cells, number, tally);
            let t_s = match said_s {
                Some(said) => {
                    if std::mem::take(&mut first) && clock.last().is_some() {
                        clock.start_again(said, TURN_S);
                    }
                    let Some(time) = pass_time(clock, said, tally) else {
                        continue;
                    };
                    pace.until(time, feed, tally).await?;
                    Some(time)
                }
                // Its time could not be read, which is counted; its values still belong right after the row before.
                None => clock.last(),
            };
            if !values.is_empty() {
                feed.batch(Batch { t_s, values }).await?;
            }
            let due = tally.due(Instant::now());
            tell(feed, due).await?;
        }
        Ok(!first)
    }

    fn values(&self, cells: &[Cell], number: usize, tally: &mut Tally) -> Vec<(usize, f64)> {
        let mut values = Vec::with_capacity(cells.len());
        for cell in cells {
            match self.index.absurd(cell.channel, cell.value) {
                Some(why) => tally.note(FaultKind::Absurd, || format!("line {number}: {why}")),
                None => values.push((cell.channel, cell.value)),
            }
        }
        values
    }
}

/// Waits for each row's moment. Rows of equal time come together.
struct Pace {
    speed: Speed,
    start: Option<(f64, Instant)>,
}

impl Pace {
    fn new(speed: Speed) -> Self {
        Self { speed, start: None }
    }

    async fn until(&mut self, time: f64, feed: &Feed, tally: &mut Tally) -> Result<(), HubGone> {
        let (first, began) = *self.start.get_or_insert_with(|| (time, Instant::now()));
        let Some(wait_s) = self.speed.wait_s(time - first) else {
            return Ok(());
        };
        // Past any honest gap the row just comes at once.
        let moment = Duration::try_from_secs_f64(wait_s)
            .ok()
            .and_then(|wait| began.checked_add(wait))
            .unwrap_or(began);
        while Instant::now() < moment {
            let step = moment.min(Instant::now() + super::tally::REPORT_EVERY);
            tokio::time::sleep_until(step).await;
            tell(feed, tally.due(Instant::now())).await?;
        }
        Ok(())
    }
}

/// A file's lines, never holding more than a chunk and a line of it.
struct Lines {
    file: File,
    name: String,
    splitter: Splitter,
    ready: VecDeque<Option<Vec<u8>>>,
    ended: bool,
    /// The number of the line that came last, from 1.
    number: usize,
    /// The line that came last was too long, and came empty.
    long: bool,
}

impl Lines {
    fn open(file: &Path) -> anyhow::Result<Self> {
        let name = shown(file);
        let file = File::open(file).with_context(|| format!("cannot open the recording {name}"))?;
        Ok(Self {
            file,
            name,
            splitter: Splitter::default(),
            ready: VecDeque::new(),
            ended: false,
            number: 0,
            long: false,
        })
    }

    fn next(&mut self) -> anyhow::Result<Option<Vec<u8>>> {
        let mut chunk = Vec::new();
        while self.ready.is_empty() && !self.ended {
            chunk.resize(CHUNK, 0);
            let count = self
                .file
                .read(&mut chunk)
                .with_context(|| format!("cannot read the recording {}", self.name))?;
            let ready = &mut self.ready;
            let each = |line: Line<'_>| {
                ready.push_back(if let Line::Whole(line) = line {
                    Some(line.to_vec())
                } else {
                    None
                })
            };
            if count == 0 {
                self.ended = true;
                self.splitter.end(each);
            } else {
                self.splitter.push(&chunk[..count], each);
            }
        }
        let Some(line) = self.ready.pop_front() else {
            return Ok(None);
        };
        self.number += 1;
        self.long = line.is_none();
        Ok(Some(line.unwrap_or_default()))
    }
}
