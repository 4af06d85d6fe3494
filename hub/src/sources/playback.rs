//! Plays a file's lines back at any speed: paced by the times in it, looped, its oddities counted. What a line means is
//! up to the one who knows the format.

use super::clock::SourceClock;
use super::decode::pass_time;
use super::framing::{Line, MAX_LINE, Splitter};
use super::spec::Speed;
use super::tally::{REPORT_EVERY, Tally, tell};
use super::{Feed, HubGone};
use crate::core::feed::{Batch, Fault, FaultKind};
use anyhow::Context;
use spinover_protocol::message::SourceState;
use std::{
    collections::VecDeque,
    fs::File,
    io::Read,
    path::{Path, PathBuf},
    time::Duration,
};
use tokio::time::Instant;

/// Bytes read at once.
const CHUNK: usize = 64 * 1024;
/// Between two turns of a recording that loops, its time goes on by this, in seconds.
const TURN_S: f64 = 1.0;

/// What one line of a recording holds.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Moment {
    /// Its time in seconds, as the recording says it; `None` is the time of the line before.
    pub said_s: Option<f64>,
    /// Channels and values in the channels' units.
    pub values: Vec<(usize, f64)>,
}

/// One who knows what the lines of a file mean.
pub(super) trait Script: Send {
    /// The file begins (again).
    fn rewind(&mut self) {}

    /// Reads a line, numbered from 1; `None` when there is nothing in it. What cannot be taken is counted.
    fn line(&mut self, line: &[u8], number: usize, tally: &mut Tally) -> Option<Moment>;
}

/// A file, and how it is to be played.
#[derive(Clone, Debug)]
pub(super) struct Playback {
    /// The file.
    pub file: PathBuf,
    /// How fast its time goes.
    pub speed: Speed,
    /// From the start again when it has ended.
    pub again: bool,
}

impl Playback {
    /// Plays it to its end.
    pub(super) async fn play(&self, mut script: impl Script, feed: &Feed) -> anyhow::Result<()> {
        let mut tally = Tally::default();
        let mut clock = SourceClock::default();
        feed.state(SourceState::Up).await?;
        loop {
            let delivered = self.turn(&mut script, &mut clock, &mut tally, feed).await?;
            tell(feed, tally.rest(Instant::now())).await?;
            // A recording without a single value would turn without end and without a pause.
            if !self.again || !delivered {
                break;
            }
        }
        feed.state(SourceState::Ended).await?;
        Ok(())
    }

    /// Reads it from beginning to end at once, as it would be played: `row` gets each row's time in seconds and its values, `wrong` each
    /// line that could not be taken whole, by its number from 1.
    pub(super) fn whole(
        &self,
        mut script: impl Script,
        mut row: impl FnMut(Option<f64>, Vec<(usize, f64)>),
        mut wrong: impl FnMut(usize, Fault),
    ) -> anyhow::Result<()> {
        let mut lines = Lines::open(&self.file)?;
        let mut clock = SourceClock::default();
        script.rewind();
        while let Some(line) = lines.next()? {
            let number = lines.number;
            let mut tally = Tally::default();
            if lines.long {
                tally.note(FaultKind::TooLong, || too_long(number));
            } else if let Some(Moment { said_s, values }) = script.line(&line, number, &mut tally) {
                let time = match said_s {
                    // One that goes back too far leaves its row out.
                    Some(said) => pass_time(&mut clock, said, &mut tally).map(Some),
                    None => Some(clock.last()),
                };
                if let Some(t_s) = time
                    && !values.is_empty()
                {
                    row(t_s, values);
                }
            }
            if tally.waits() {
                for fault in tally.rest(Instant::now()) {
                    wrong(number, fault);
                }
            }
        }
        Ok(())
    }

    /// Plays the file once; whether it held any value.
    async fn turn(
        &self,
        script: &mut impl Script,
        clock: &mut SourceClock,
        tally: &mut Tally,
        feed: &Feed,
    ) -> anyhow::Result<bool> {
        let mut lines = Lines::open(&self.file)?;
        let mut pace = Pace::new(self.speed);
        let (mut first, mut delivered) = (true, false);
        script.rewind();
        while let Some(line) = lines.next()? {
            let number = lines.number;
            if lines.long {
                tally.note(FaultKind::TooLong, || too_long(number));
                continue;
            }
            let Some(Moment { said_s, values }) = script.line(&line, number, tally) else {
                continue;
            };
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
                None => clock.last(),
            };
            if !values.is_empty() {
                delivered = true;
                feed.batch(Batch { t_s, values }).await?;
            }
            let due = tally.due(Instant::now());
            tell(feed, due).await?;
        }
        Ok(delivered)
    }
}

fn too_long(number: usize) -> String {
    format!("line {number} of the recording has more than {MAX_LINE} bytes and was left out")
}

/// A file's name without its path: a crew has no use for the path, and it may tell what it should not.
pub(super) fn shown(file: &Path) -> String {
    file.file_name()
        .unwrap_or(file.as_os_str())
        .to_string_lossy()
        .into_owned()
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
            let step = moment.min(Instant::now() + REPORT_EVERY);
            tokio::time::sleep_until(step).await;
            tell(feed, tally.due(Instant::now())).await?;
        }
        Ok(())
    }
}

/// A file's lines, never holding more than a chunk and a line of it.
pub(super) struct Lines {
    file: File,
    name: String,
    splitter: Splitter,
    ready: VecDeque<Option<Vec<u8>>>,
    ended: bool,
    /// The number of the line that came last, from 1.
    pub(super) number: usize,
    /// The line that came last was too long, and came empty.
    long: bool,
}

impl Lines {
    pub(super) fn open(file: &Path) -> anyhow::Result<Self> {
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

    pub(super) fn next(&mut self) -> anyhow::Result<Option<Vec<u8>>> {
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
