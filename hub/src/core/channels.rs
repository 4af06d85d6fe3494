//! The latest reading of each channel: what each source says of it, which of them is heard, and how far it can be trusted.

use super::{feed::Batch, judge::Judge};
use spinover_protocol::{
    Millis,
    car::Channel,
    message::{Frame, LastValue, SRC_NONE, SRC_TYPED},
    trust::{Calibration, Doubt, Quality, Sensor, source_name},
};
use std::collections::BTreeMap;

/// A typed reading counts as fresh for this long: a person looked at a gauge, and cannot look twenty times a second.
pub const TYPED_OLD_AFTER_MS: i64 = 30_000;

/// The latest reading that one source, or a person, gave of one channel.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Latest {
    /// As the sensor gave it.
    raw: f64,
    /// Calibrated.
    value: f64,
    came: Millis,
    doubt: Option<Doubt>,
}

/// What one source says of one channel.
#[derive(Clone, Debug, PartialEq)]
struct Heard {
    latest: Latest,
    judge: Judge,
    /// When it was last good, and since when without a gap.
    good: Option<(Millis, Millis)>,
    /// It has come back after a gap.
    back: bool,
}

#[derive(Clone, Debug, PartialEq, Default)]
struct State {
    heard: BTreeMap<u8, Heard>,
    /// The source that is heard.
    speaking: Option<u8>,
    /// A person's word, until a source says something.
    typed: Option<Latest>,
    calibration: Calibration,
}

/// Values of a batch that are heard: those of channels for which this source is the one that speaks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Spoken {
    /// All of them, calibrated: what phones are shown and the record keeps.
    pub all: Vec<(usize, f64)>,
    /// Those of them that are good: what figures go by.
    pub good: Vec<(usize, f64)>,
}

/// All channels of a car.
#[derive(Clone, Debug, PartialEq)]
pub struct Channels {
    channels: Vec<Channel>,
    /// For each channel, the rank of each source: 0 is the first choice.
    ranks: Vec<Vec<usize>>,
    states: Vec<State>,
    frames: u64,
}

impl Channels {
    /// Channels that nothing has been heard of. `sources` are their names in order: `dash=can:can0`, or a SPEC alone.
    pub fn new(channels: &[Channel], sources: &[String]) -> Self {
        let rank = |channel: &Channel| {
            let prefer = &channel.sensor.prefer;
            let own = |(place, source): (usize, &String)| {
                let named = source_name(source)
                    .and_then(|name| prefer.iter().position(|wanted| wanted == name));
                named.unwrap_or(prefer.len() + place)
            };
            sources.iter().enumerate().map(own).collect()
        };
        Self {
            channels: channels.to_vec(),
            ranks: channels.iter().map(rank).collect(),
            states: vec![State::default(); channels.len()],
            frames: 0,
        }
    }

    /// Sets the calibration of a channel. What was said before is shown by it too.
    pub fn calibrate(&mut self, index: usize, calibration: Calibration) {
        let Some((channel, state)) = self.channels.get(index).zip(self.states.get_mut(index))
        else {
            return;
        };
        if state.calibration == calibration {
            return;
        }
        state.calibration = calibration;
        for heard in state.heard.values_mut() {
            heard.judge.calibrated();
            heard.latest.value = calibration.apply(heard.latest.raw);
            let held = heard.latest.doubt.filter(|doubt| *doubt == Doubt::Stuck);
            let inside = channel.plausible.holds(heard.latest.value);
            heard.latest.doubt = if inside { held } else { Some(Doubt::Range) };
        }
    }

    /// Takes a source's values in. Without a source time, the time of arrival serves for the rate of change.
    pub fn take(&mut self, now: Millis, source: usize, batch: &Batch) -> Spoken {
        let t_s = batch.t_s.unwrap_or(now as f64 / 1000.0);
        let source = place(source);
        let mut spoken = Spoken::default();
        for &(index, raw) in &batch.values {
            let Some((channel, state)) = self.channels.get(index).zip(self.states.get_mut(index))
            else {
                continue;
            };
            let rank = |of: u8| rank(&self.ranks[index], of);
            let latest = state.hear(now, source, t_s, raw, channel, &rank);
            if state.speaking == Some(source) {
                spoken.all.push((index, latest.value));
                if latest.doubt.is_none() {
                    spoken.good.push((index, latest.value));
                }
            }
        }
        spoken
    }

    /// Takes a reading that a person typed in, unless a source is delivering that channel well.
    pub fn take_typed(&mut self, now: Millis, index: usize, value: f64) {
        let live =
            self.reading(now, index).1 == Quality::Good && self.source(now, index) != SRC_TYPED;
        if let (false, Some(channel), Some(state)) =
            (live, self.channels.get(index), self.states.get_mut(index))
        {
            let doubt = (!channel.plausible.holds(value)).then_some(Doubt::Range);
            state.typed = Some(Latest {
                raw: value,
                value,
                came: now,
                doubt,
            });
        }
    }

    /// What is heard of a channel: from where, and the reading.
    fn heard(&self, now: Millis, index: usize) -> Option<(u8, Latest)> {
        let (channel, state) = self.channels.get(index).zip(self.states.get(index))?;
        if let Some(typed) = state.typed {
            return Some((SRC_TYPED, typed));
        }
        let speaker = state.speaker(now, channel, &|of| rank(&self.ranks[index], of))?;
        Some((speaker, state.heard.get(&speaker)?.latest))
    }

    /// A channel's value, quality and age in milliseconds.
    pub fn reading(&self, now: Millis, index: usize) -> (Option<f64>, Quality, i64) {
        let Some((source, latest)) = self.heard(now, index) else {
            return (None, Quality::None, 0);
        };
        let old_after = if source == SRC_TYPED {
            TYPED_OLD_AFTER_MS
        } else {
            self.channels[index].old_after_ms
        };
        (
            Some(latest.value),
            latest.quality(now, old_after),
            latest.age(now),
        )
    }

    /// A channel's value when it is good.
    pub fn good(&self, now: Millis, index: usize) -> Option<f64> {
        match self.reading(now, index) {
            (value, Quality::Good, _) => value,
            _ => None,
        }
    }

    /// Where a channel's reading comes from: a source's place, [`SRC_TYPED`] or [`SRC_NONE`].
    pub fn source(&self, now: Millis, index: usize) -> u8 {
        self.heard(now, index)
            .map_or(SRC_NONE, |(source, _)| source)
    }

    /// Why a channel's reading is suspect, where it is.
    pub fn doubt(&self, now: Millis, index: usize) -> Option<Doubt> {
        match self.reading(now, index).1 {
            Quality::Suspect => self.heard(now, index)?.1.doubt,
            _ => None,
        }
    }

    /// Whether not the first choice speaks: a better one has been heard before, or is named in the car file.
    fn is_second(&self, index: usize, source: u8) -> bool {
        let (ranks, state) = (&self.ranks[index], &self.states[index]);
        let known = self.channels[index].sensor.prefer.len();
        let own = rank(ranks, source);
        let better = |(place, rank): (usize, &usize)| {
            *rank < own && (*rank < known || state.heard.contains_key(&self::place(place)))
        };
        source != SRC_TYPED && ranks.iter().enumerate().any(better)
    }

    /// The last that a source said of each channel.
    pub fn said_by(&self, now: Millis, source: usize) -> Vec<LastValue> {
        let source = place(source);
        let one = |(index, state): (usize, &State)| {
            let latest = state.heard.get(&source)?.latest;
            let channel = &self.channels[index];
            let quality = latest.quality(now, channel.old_after_ms);
            Some(LastValue {
                channel: channel.key.clone(),
                value: latest.value,
                q: quality.letter(),
                why: latest.doubt.filter(|_| quality == Quality::Suspect),
                age: latest.age(now),
                speaks: self.source(now, index) == source,
            })
        };
        self.states.iter().enumerate().filter_map(one).collect()
    }

    /// All of them as one frame; each call counts one up.
    pub fn frame(&mut self, now: Millis) -> Frame {
        self.frames += 1;
        let mut frame = Frame {
            n: self.frames,
            now,
            ..Frame::default()
        };
        for index in 0..self.channels.len() {
            let (value, quality, age) = self.reading(now, index);
            let source = self.source(now, index);
            frame.v.push(value);
            frame.q.push(quality.letter());
            frame.age.push(age);
            frame.src.push(source);
            let why = self.doubt(now, index).map_or('-', Doubt::letter);
            frame.why.push(why);
            if source != SRC_NONE && self.is_second(index, source) {
                frame.second.push(index);
            }
        }
        if frame.why.bytes().all(|why| why == b'-') {
            frame.why.clear();
        }
        frame
    }
}

/// A source's place as frames carry it.
fn place(source: usize) -> u8 {
    u8::try_from(source).unwrap_or(u8::MAX).min(SRC_TYPED - 1)
}

/// A source that the hub did not name comes last.
fn rank(ranks: &[usize], source: u8) -> usize {
    ranks
        .get(usize::from(source))
        .copied()
        .unwrap_or(usize::MAX / 2 + usize::from(source))
}

impl Latest {
    fn age(&self, now: Millis) -> i64 {
        (now - self.came).max(0)
    }

    fn quality(&self, now: Millis, old_after: i64) -> Quality {
        match self {
            _ if self.age(now) > old_after => Quality::Old,
            Self { doubt: Some(_), .. } => Quality::Suspect,
            _ => Quality::Good,
        }
    }
}

impl Heard {
    /// It has been good within the channel's limit: fit to speak.
    fn is_fit(&self, now: Millis, channel: &Channel) -> bool {
        self.good
            .is_some_and(|(at, _)| now - at <= channel.old_after_ms)
    }

    fn note_good(&mut self, now: Millis, channel: &Channel) {
        let since = match self.good {
            Some((at, since)) if now - at <= channel.old_after_ms => since,
            Some(_) => {
                self.back = true;
                now
            }
            None => now,
        };
        self.good = Some((now, since));
    }

    /// It may take over from one that speaks well: it was never lost, or has been good for long enough since.
    fn is_steady(&self, now: Millis, channel: &Channel) -> bool {
        let hold = channel
            .sensor
            .back_after_ms
            .unwrap_or(Sensor::BACK_AFTER_MS);
        self.is_fit(now, channel)
            && self
                .good
                .is_some_and(|(_, since)| !self.back || now - since >= hold)
    }
}

impl State {
    /// Takes one value in, and settles who speaks.
    fn hear(
        &mut self,
        now: Millis,
        source: u8,
        t_s: f64,
        raw: f64,
        channel: &Channel,
        rank: &dyn Fn(u8) -> usize,
    ) -> Latest {
        // What has been shown since the last word must not be forgotten by this one.
        self.speaking = self.speaker(now, channel, rank);
        self.typed = None;
        let value = self.calibration.apply(raw);
        let mut latest = Latest {
            raw,
            value,
            came: now,
            doubt: None,
        };
        let heard = self.heard.entry(source).or_insert_with(|| Heard {
            latest,
            judge: Judge::default(),
            good: None,
            back: false,
        });
        latest.doubt = heard.judge.judge(channel, t_s, raw, value);
        heard.latest = latest;
        if latest.doubt.is_none() {
            heard.note_good(now, channel);
        }
        let steady = latest.doubt.is_none() && heard.is_steady(now, channel);
        // A better one takes over when it says something, so that what is shown never gets older by it.
        let better = self
            .speaking
            .is_none_or(|speaks| rank(source) < rank(speaks));
        self.speaking = if better && steady {
            Some(source)
        } else {
            self.speaker(now, channel, rank)
        };
        latest
    }

    /// Who speaks at that time, by what has come so far: whoever spoke, while it is fit; else the best one that is. Where none is,
    /// whoever spoke, while it says anything at all; else the best one that does; else the one that was heard last.
    fn speaker(&self, now: Millis, channel: &Channel, rank: &dyn Fn(u8) -> usize) -> Option<u8> {
        let best = |able: &dyn Fn(&Heard) -> bool| {
            let spoke = self
                .speaking
                .filter(|speaks| self.heard.get(speaks).is_some_and(able));
            let fit = self.heard.iter().filter(|(_, heard)| able(heard));
            spoke.or_else(|| fit.map(|(source, _)| *source).min_by_key(|of| rank(*of)))
        };
        best(&|heard| heard.is_fit(now, channel))
            .or_else(|| best(&|heard| heard.latest.age(now) <= channel.old_after_ms))
            .or_else(|| {
                let last = self
                    .heard
                    .iter()
                    .max_by_key(|(of, heard)| (heard.latest.came, std::cmp::Reverse(rank(**of))));
                last.map(|(source, _)| *source)
            })
    }
}

#[cfg(test)]
mod tests;
