//! A warm-up played back: where it stands, what it still needs to be told, and the record as it was then. No I/O, no clock; times are
//! the hub's milliseconds of the day it was recorded.

use super::trace::{KEEP_MS, Trace};
use spinover_protocol::{
    Millis,
    book::{Opened, Outside, Said},
    message::{FigureNow, Frame},
    record::Record,
};
use std::collections::VecDeque;

/// The speeds that it can be played at.
pub const SPEEDS: [u32; 6] = [1, 2, 4, 8, 16, 32];
/// Frames are shown as often as live ones are, in milliseconds of watching.
const FRAME_MS: f64 = 50.0;
/// So much is asked for at once, in milliseconds of watching: little enough to come in a blink.
const CHUNK_MS: f64 = 2_000.0;
/// More is asked for when less than this is left, in milliseconds of watching.
const LEFT_MS: f64 = 1_200.0;
/// Apart in a trace, in milliseconds of the recording.
const TRACE_MS: Millis = 500;
/// A page that was hidden does not catch up: it goes on where it was.
const LONGEST_STEP_MS: f64 = 250.0;

/// Frames that are wanted from the hub.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wanted {
    /// The first.
    pub from: Millis,
    /// Not after this.
    pub to: Millis,
    /// Apart.
    pub step: Millis,
    /// They are the two minutes before a point that was jumped to.
    jump: bool,
    /// What was jumped to since is another point, or the speed is another.
    turn: u32,
}

impl Wanted {
    /// What of the figures belongs to it: from when, to when, and how far apart. Where they stand at a point that was jumped to; once
    /// a second of watching where it plays on.
    pub fn figures(self, speed: u32) -> (Millis, Millis, Millis) {
        match self.jump {
            true => (self.to, self.to, 1),
            false => (self.from, self.to, 1_000 * Millis::from(speed)),
        }
    }
}

/// Where a replay stands.
#[derive(Debug)]
pub struct Playback {
    opened: Opened,
    at: f64,
    speed: u32,
    playing: bool,
    /// The trace behind `at` is not there yet.
    jumped: bool,
    turn: u32,
    asked: bool,
    ahead: VecDeque<Frame>,
    /// Up to where frames were given.
    given_to: Millis,
    frame: Frame,
    traces: Vec<Trace>,
    said: Option<Said>,
    said_ahead: VecDeque<Said>,
    record: Record,
    folded: usize,
    /// When readings were out of band; empty until the hub has found out.
    pub outside: Vec<Outside>,
}

impl Playback {
    /// A replay that stands at its beginning.
    pub fn new(opened: Opened) -> Self {
        let at = opened.from;
        let mut playback = Self {
            opened,
            at: at as f64,
            speed: 1,
            playing: false,
            jumped: true,
            turn: 0,
            asked: false,
            ahead: VecDeque::new(),
            given_to: at,
            frame: Frame::default(),
            traces: Vec::new(),
            said: None,
            said_ahead: VecDeque::new(),
            record: Record::default(),
            folded: 0,
            outside: Vec::new(),
        };
        playback.jump(at);
        playback
    }

    /// What is played back.
    pub fn opened(&self) -> &Opened {
        &self.opened
    }

    /// Where it stands.
    pub fn at(&self) -> Millis {
        self.at as Millis
    }

    /// How fast it plays.
    pub fn speed(&self) -> u32 {
        self.speed
    }

    /// Whether it plays.
    pub fn playing(&self) -> bool {
        self.playing
    }

    /// Whether what is shown is still that of another point.
    pub fn waits(&self) -> bool {
        self.jumped || (self.playing && self.ahead.is_empty() && self.at() < self.opened.to)
    }

    /// The readings as they were.
    pub fn frame(&self) -> &Frame {
        &self.frame
    }

    /// The two minutes before, one trace a channel.
    pub fn traces(&self) -> &[Trace] {
        &self.traces
    }

    /// What the figures said; none when nothing is kept of it.
    pub fn said(&self) -> Option<&[FigureNow]> {
        self.said.as_ref().map(|said| said.figures.as_slice())
    }

    /// The record as it was.
    pub fn record(&self) -> &Record {
        &self.record
    }

    /// Plays on, or pauses. At its end it begins anew.
    pub fn play(&mut self, playing: bool) {
        if playing && self.at() >= self.opened.to {
            self.jump(self.opened.from);
        }
        self.playing = playing;
    }

    /// Plays at that speed from here on.
    pub fn set_speed(&mut self, speed: u32) {
        self.speed = speed;
        self.ahead.clear();
        self.said_ahead.clear();
        self.given_to = self.at();
        self.turn += 1;
    }

    /// Goes to a point.
    pub fn jump(&mut self, at: Millis) {
        let at = at.clamp(self.opened.from, self.opened.to.max(self.opened.from));
        self.at = at as f64;
        self.jumped = true;
        self.ahead.clear();
        self.said_ahead.clear();
        self.given_to = at;
        self.turn += 1;
        self.fold();
    }

    /// What to ask the hub for next; it must be answered by [`Playback::take`] or [`Playback::failed`] before there is more.
    pub fn wants(&mut self) -> Option<Wanted> {
        if self.asked {
            return None;
        }
        let turn = self.turn;
        let speed = f64::from(self.speed);
        let wanted = if self.jumped {
            let to = self.at();
            let from = (to - KEEP_MS as Millis).max(self.opened.from);
            // The last frame is that of the point itself.
            let from = to - (to - from) / TRACE_MS * TRACE_MS;
            Some(Wanted {
                from,
                to,
                step: TRACE_MS,
                jump: true,
                turn,
            })
        } else if self.playing
            && self.given_to < self.opened.to
            && self.given_to as f64 - self.at < LEFT_MS * speed
        {
            let step = (FRAME_MS * speed) as Millis;
            let from = self.given_to + step;
            let to = self.given_to + (CHUNK_MS * speed) as Millis;
            Some(Wanted {
                from,
                to,
                step,
                jump: false,
                turn,
            })
        } else {
            None
        };
        self.asked = wanted.is_some();
        wanted
    }

    /// Takes what was asked for; whether anything that is shown has changed.
    pub fn take(&mut self, wanted: Wanted, frames: Vec<Frame>) -> bool {
        self.asked = false;
        if wanted.turn != self.turn {
            return false;
        }
        if !wanted.jump {
            self.given_to = wanted.to;
            self.ahead.extend(frames);
            return false;
        }
        self.jumped = false;
        let channels = frames.last().map_or(0, |frame| frame.v.len());
        self.traces = vec![Trace::default(); channels];
        for frame in frames {
            self.show(frame);
        }
        true
    }

    /// Takes what the figures said in the time that was asked for, which comes by itself.
    pub fn take_said(&mut self, wanted: Wanted, said: Vec<Said>) {
        if wanted.turn != self.turn {
            return;
        }
        if wanted.jump {
            self.said = None;
        }
        self.said_ahead.extend(said);
        self.speak();
    }

    fn speak(&mut self) {
        let at = self.at();
        while self.said_ahead.front().is_some_and(|said| said.at <= at) {
            self.said = self.said_ahead.pop_front();
        }
    }

    /// What was asked for did not come.
    pub fn failed(&mut self) {
        self.asked = false;
        self.playing = false;
    }

    /// Time has gone on by so many milliseconds of watching; whether anything that is shown has changed.
    pub fn advance(&mut self, ms: f64) -> bool {
        if !self.playing || self.jumped {
            return false;
        }
        let step = ms.clamp(0.0, LONGEST_STEP_MS) * f64::from(self.speed);
        // It never runs ahead of what it has been told: it waits, and the page says so.
        let end = self.given_to.min(self.opened.to) as f64;
        let at = (self.at + step).min(end.max(self.at));
        let moved = at > self.at;
        self.at = at;
        while self
            .ahead
            .front()
            .is_some_and(|frame| frame.now as f64 <= at)
        {
            if let Some(frame) = self.ahead.pop_front() {
                self.show(frame);
            }
        }
        self.speak();
        self.fold();
        if self.at() >= self.opened.to {
            self.playing = false;
            return true;
        }
        moved
    }

    fn show(&mut self, frame: Frame) {
        for (index, trace) in self.traces.iter_mut().enumerate() {
            let (value, quality, _) = frame.reading(index);
            trace.push(frame.now as f64, value, quality);
        }
        self.frame = frame;
    }

    /// Folds the events up to where it stands.
    fn fold(&mut self) {
        let at = self.at();
        let events = &self.opened.events;
        // Events are in the order of their numbers; one before a later time is never behind.
        if self.folded > 0 && events[self.folded - 1].at > at {
            self.record = Record::default();
            self.folded = 0;
        }
        let began = self.opened.entry.begun_at;
        while let Some(event) = events.get(self.folded) {
            // The beginning is part of every point, also of one before the first event.
            if event.at > at.max(began) {
                break;
            }
            self.record.apply(event);
            self.folded += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::{
        book::Listed,
        event::{Audience, Event, EventBody},
    };

    const FROM: Millis = 1_000_000;

    fn opened() -> Opened {
        let called = |seq: u64, at| Event {
            seq,
            at,
            by: None,
            command: None,
            body: EventBody::Called {
                to: Audience::All,
                text: String::new(),
                stop: false,
            },
        };
        Opened {
            entry: Listed {
                begun_at: FROM,
                ..Listed::default()
            },
            events: vec![
                called(1, FROM),
                called(2, FROM + 10_000),
                called(3, FROM + 200_000),
            ],
            from: FROM,
            to: FROM + 300_000,
            readings: 1,
            figures_from: Some(FROM),
            lost: Vec::new(),
        }
    }

    fn frames(wanted: Wanted) -> Vec<Frame> {
        let times = (wanted.from..=wanted.to).step_by(wanted.step as usize);
        times
            .map(|now| Frame {
                now,
                v: vec![Some((now - FROM) as f64)],
                q: "g".to_owned(),
                age: vec![0],
                ..Frame::default()
            })
            .collect()
    }

    fn shown(playback: &Playback) -> f64 {
        playback.frame().v[0].unwrap() + FROM as f64
    }

    #[test]
    fn a_jump_shows_that_point_and_the_record_as_it_was() {
        let mut playback = Playback::new(opened());
        let first = playback.wants().unwrap();
        assert_eq!(playback.wants(), None, "one at a time");
        playback.jump(FROM + 250_123);
        assert_eq!(playback.record().seq, 3);
        assert!(
            !playback.take(first, frames(first)),
            "the point left behind is not shown"
        );
        let there = playback.wants().unwrap();
        assert_eq!(
            (there.to, (there.to - there.from) % there.step),
            (FROM + 250_123, 0)
        );
        assert!(playback.take(there, frames(there)));
        assert_eq!(shown(&playback), (FROM + 250_123) as f64);
        assert!(!playback.waits());
        playback.jump(FROM + 9_999);
        assert_eq!(playback.record().seq, 1, "and back again");
        assert!(playback.waits());
        playback.jump(FROM - 50);
        assert_eq!(playback.at(), FROM);
    }

    #[test]
    fn it_plays_at_its_speed_waits_for_the_hub_and_ends() {
        let mut playback = Playback::new(opened());
        let begin = playback.wants().unwrap();
        playback.take(begin, frames(begin));
        playback.set_speed(32);
        playback.play(true);
        assert!(
            !playback.advance(100.0),
            "nothing is made up before the hub has told"
        );
        assert!(playback.waits());
        let mut watched = 0.0;
        while playback.playing() {
            if let Some(wanted) = playback.wants() {
                playback.take(wanted, frames(wanted));
            }
            let before = playback.at();
            playback.advance(20.0);
            watched += 20.0;
            assert!(playback.at() - before <= 640);
            assert!((playback.at() as f64 - shown(&playback)).abs() <= 1_600.0);
            assert!(watched < 20_000.0);
        }
        assert_eq!(playback.at(), FROM + 300_000);
        assert!(
            (9_370.0..9_420.0).contains(&watched),
            "300 s at 32 times: {watched} ms"
        );
        playback.play(true);
        assert_eq!(playback.at(), FROM, "from the beginning again");
    }

    #[test]
    fn what_does_not_come_pauses_it() {
        let mut playback = Playback::new(opened());
        playback.play(true);
        assert!(playback.wants().is_some());
        playback.failed();
        assert!(!playback.playing());
        assert!(playback.wants().is_some(), "and can be asked for again");
    }

    #[test]
    fn the_figures_are_those_of_the_point() {
        let said = |at| Said {
            at,
            whole: true,
            ..Said::default()
        };
        let mut playback = Playback::new(opened());
        playback.jump(FROM + 100_000);
        let there = playback.wants().unwrap();
        assert_eq!(there.figures(4), (FROM + 100_000, FROM + 100_000, 1));
        playback.take_said(there, vec![said(FROM + 99_200)]);
        assert_eq!(playback.said.as_ref().unwrap().at, FROM + 99_200);
        playback.take(there, frames(there));
        playback.play(true);
        let on = playback.wants().unwrap();
        assert_eq!(on.figures(1), (on.from, on.to, 1_000));
        playback.take_said(on, vec![said(FROM + 100_050), said(FROM + 101_000)]);
        playback.take(on, frames(on));
        playback.advance(100.0);
        assert_eq!(
            playback.said.as_ref().unwrap().at,
            FROM + 100_050,
            "and nothing from ahead of it"
        );
        // What was asked for another point is not shown at this one, and what is not kept is not made up.
        playback.jump(FROM + 5_000);
        playback.take_said(on, vec![said(FROM + 101_000)]);
        assert_eq!(
            playback.said.as_ref().unwrap().at,
            FROM + 100_050,
            "until the point's own have come"
        );
        let back = playback.wants().unwrap();
        playback.take_said(back, Vec::new());
        assert_eq!(playback.said(), None);
    }
}
