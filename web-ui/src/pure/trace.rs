//! The last two minutes of a channel, and where they lie in a strip. No I/O; times are the hub's milliseconds.
//!
//! In a strip a value is always a place from left to right, so the trace runs downwards: old at the top, now at the marker, what is
//! forecast below it.

use spinover_protocol::message::Quality;
use std::collections::VecDeque;

/// How much is kept.
pub const KEEP_MS: f64 = 120_000.0;
/// Samples closer together than this replace each other: a strip a few hundred pixels wide cannot show more.
const STEP_MS: f64 = 250.0;
/// A longer silence than this breaks the line.
const GAP_MS: f64 = 3_000.0;

/// One remembered reading.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Sample {
    at: f64,
    value: f64,
    good: bool,
}

/// What the pen does next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pen {
    /// Lift it and set it down here.
    Move(f64, f64),
    /// Draw to here.
    Line(f64, f64),
    /// A single mark: a reading that is not believed.
    Mark(f64, f64),
}

/// A channel's last two minutes.
#[derive(Clone, Debug, Default)]
pub struct Trace {
    samples: VecDeque<Sample>,
}

impl Trace {
    /// Takes a reading in. Old and absent ones leave a gap.
    pub fn push(&mut self, at: f64, value: Option<f64>, quality: Quality) {
        let Some(value) = value.filter(|_| matches!(quality, Quality::Good | Quality::Suspect))
        else {
            return;
        };
        let sample = Sample {
            at,
            value,
            good: quality == Quality::Good,
        };
        // Time that goes back means another hub or a set clock: what was kept no longer belongs to this line.
        if self.samples.back().is_some_and(|last| at < last.at) {
            self.samples.clear();
        }
        let before = self
            .samples
            .len()
            .checked_sub(2)
            .and_then(|index| self.samples.get(index))
            .copied();
        match self.samples.back_mut() {
            // The newest is replaced until it stands a whole step from the one before it, so that the line ends at now.
            Some(last) if before.is_some_and(|before| last.at - before.at < STEP_MS) => {
                *last = sample
            }
            _ => self.samples.push_back(sample),
        }
        while self
            .samples
            .front()
            .is_some_and(|first| at - first.at > KEEP_MS)
        {
            self.samples.pop_front();
        }
    }

    /// The least and greatest believed value kept.
    pub fn extent(&self) -> Option<(f64, f64)> {
        let good = self
            .samples
            .iter()
            .filter(|sample| sample.good)
            .map(|sample| sample.value);
        good.fold(None, |extent, value| match extent {
            None => Some((value, value)),
            Some((low, high)) => Some((f64::min(low, value), f64::max(high, value))),
        })
    }

    /// The mean of the believed values since a time.
    pub fn mean_since(&self, from: f64) -> Option<f64> {
        let late = |sample: &&Sample| sample.good && sample.at >= from;
        let values = self.samples.iter().filter(late).map(|sample| sample.value);
        let (sum, count) =
            values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
        (count > 0.0).then(|| sum / count)
    }

    /// The value nearest to that time, and when it was.
    pub fn near(&self, at: f64) -> Option<(f64, f64)> {
        let nearest = self
            .samples
            .iter()
            .min_by(|a, b| (a.at - at).abs().total_cmp(&(b.at - at).abs()))?;
        Some((nearest.at, nearest.value))
    }

    /// Draws the trace into a field `width` by `height`, newest at the bottom edge; `place` gives 0..1 for a value. Of what lies within
    /// one pixel's height only the first, the extremes and the last are drawn: it looks the same, and each line costs a call to the browser.
    pub fn draw(
        &self,
        now: f64,
        width: f64,
        height: f64,
        place: impl Fn(f64) -> f64,
        mut pen: impl FnMut(Pen),
    ) {
        let row_ms = KEEP_MS / height.max(1.0);
        let mut last: Option<f64> = None;
        let mut row: Option<Row> = None;
        for sample in &self.samples {
            let y = height * (1.0 - (now - sample.at) / KEEP_MS);
            if y < 0.0 {
                continue;
            }
            let x = width * place(sample.value);
            if !sample.good {
                pen(Pen::Mark(x, y));
                continue;
            }
            let joined = last.is_some_and(|last| sample.at - last <= GAP_MS);
            last = Some(sample.at);
            // By the hub's clock and not from now, so that a row stays the same as it moves up.
            let number = (sample.at / row_ms).floor();
            match &mut row {
                Some(row) if joined && row.number == number => row.take((x, y)),
                _ => {
                    if let Some(row) = row {
                        row.draw(&mut pen);
                    }
                    row = Some(Row::begin(number, (x, y)));
                    pen(if joined {
                        Pen::Line(x, y)
                    } else {
                        Pen::Move(x, y)
                    });
                }
            }
        }
        if let Some(row) = row {
            row.draw(&mut pen);
        }
    }
}

/// What lies within one pixel's height.
#[derive(Clone, Copy)]
struct Row {
    number: f64,
    first: (f64, f64),
    least: (f64, f64),
    most: (f64, f64),
    last: (f64, f64),
}

impl Row {
    fn begin(number: f64, first: (f64, f64)) -> Self {
        Self {
            number,
            first,
            least: first,
            most: first,
            last: first,
        }
    }

    fn take(&mut self, at: (f64, f64)) {
        if at.0 < self.least.0 {
            self.least = at;
        }
        if at.0 > self.most.0 {
            self.most = at;
        }
        self.last = at;
    }

    /// What comes after its first, in the order of time.
    fn draw(self, pen: &mut impl FnMut(Pen)) {
        let (one, other) = if self.least.1 < self.most.1 {
            (self.least, self.most)
        } else {
            (self.most, self.least)
        };
        let mut before = self.first;
        for at in [one, other, self.last] {
            if at != before {
                pen(Pen::Line(at.0, at.1));
                before = at;
            }
        }
    }
}

/// Where a forecast lies: points of `(seconds from now, value)`, straight lines between, going on below a past that is `past` high at the
/// same pace, and cut off where the strip, `height` in all, ends.
pub fn forecast_places(
    points: &[(f64, f64)],
    width: f64,
    past: f64,
    height: f64,
    place: impl Fn(f64) -> f64,
) -> Vec<(f64, f64)> {
    let per_s = past * 1_000.0 / KEEP_MS;
    let at = |(ahead, value): (f64, f64)| (width * place(value), past + ahead * per_s);
    let mut places = Vec::new();
    let mut before: Option<(f64, f64)> = None;
    for point in points.iter().copied().filter(|(ahead, _)| *ahead >= 0.0) {
        let (_, y) = at(point);
        if y <= height {
            places.push(at(point));
        } else {
            // The value where the line leaves the strip, so that its place is clamped as all places are.
            if let Some(before) = before {
                let last = (height - past) / per_s;
                let share = (last - before.0) / (point.0 - before.0);
                places.push(at((last, before.1 + share * (point.1 - before.1))));
            }
            break;
        }
        before = Some(point);
    }
    places
}

/// A place for values of a channel without a band: the trace's own extent in the middle half, never finer than 2 % of what is plausible.
pub fn free_place(extent: Option<(f64, f64)>, plausible: (f64, f64)) -> impl Fn(f64) -> f64 {
    let (low, high) = extent.unwrap_or(plausible);
    let span = (high - low)
        .max((plausible.1 - plausible.0) * 0.02)
        .max(f64::MIN_POSITIVE);
    let middle = f64::midpoint(low, high);
    move |value| (0.5 + (value - middle) / span / 2.0).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(trace: &Trace, now: f64) -> Vec<Pen> {
        let mut pens = Vec::new();
        trace.draw(now, 100.0, 120.0, |value| value, |pen| pens.push(pen));
        pens
    }

    #[test]
    fn the_newest_reading_is_always_the_end_of_the_line() {
        let mut trace = Trace::default();
        for step in 0..=200 {
            trace.push(
                f64::from(step) * 50.0,
                Some(f64::from(step) / 1000.0),
                Quality::Good,
            );
        }
        let pens = drawn(&trace, 10_000.0);
        assert_eq!(pens.last(), Some(&Pen::Line(20.0, 120.0)));
        assert!(pens.len() <= 10_000 / 250 + 2, "{}", pens.len());
    }

    #[test]
    fn within_a_pixel_row_the_extremes_are_drawn_and_little_else() {
        let mut trace = Trace::default();
        // A row is a second here, and four readings are kept of each.
        for step in 0..400_u32 {
            let value = match step % 40 {
                5 => 0.9,
                6 => 0.1,
                _ => 0.5,
            };
            trace.push(f64::from(step) * 250.0, Some(value), Quality::Good);
        }
        let pens = drawn(&trace, 100_000.0);
        let is = |pen: &Pen, wanted: f64| matches!(pen, Pen::Line(x, _) if *x == wanted);
        assert_eq!(pens.iter().filter(|pen| is(pen, 90.0)).count(), 10);
        assert_eq!(pens.iter().filter(|pen| is(pen, 10.0)).count(), 10);
        assert!(pens.len() < 240, "{}", pens.len());
        let down = |pen: &Pen| match pen {
            Pen::Move(_, y) | Pen::Line(_, y) | Pen::Mark(_, y) => *y,
        };
        assert!(pens.windows(2).all(|two| down(&two[0]) < down(&two[1])));
    }

    #[test]
    fn two_minutes_are_kept_and_silence_breaks_the_line() {
        let mut trace = Trace::default();
        trace.push(0.0, Some(0.1), Quality::Good);
        trace.push(100_000.0, Some(0.5), Quality::Good);
        trace.push(101_000.0, Some(0.6), Quality::Good);
        trace.push(101_500.0, None, Quality::None);
        trace.push(102_000.0, Some(0.9), Quality::Suspect);
        assert_eq!(
            drawn(&trace, 120_000.0)[..2],
            [Pen::Move(10.0, 0.0), Pen::Move(50.0, 100.0)]
        );
        trace.push(121_000.0, Some(0.6), Quality::Good);
        assert_eq!(
            drawn(&trace, 121_000.0),
            [
                Pen::Move(50.0, 99.0),
                Pen::Line(60.0, 100.0),
                Pen::Mark(90.0, 101.0),
                Pen::Move(60.0, 120.0)
            ]
        );
        assert_eq!(trace.extent(), Some((0.5, 0.6)));
        assert_eq!(trace.near(100_400.0), Some((100_000.0, 0.5)));
    }

    #[test]
    fn a_clock_that_goes_back_starts_a_new_line() {
        let mut trace = Trace::default();
        trace.push(50_000.0, Some(0.5), Quality::Good);
        trace.push(10_000.0, Some(0.2), Quality::Good);
        assert_eq!(drawn(&trace, 10_000.0), [Pen::Move(20.0, 120.0)]);
    }

    #[test]
    fn without_a_band_the_trace_keeps_to_the_middle_half() {
        let place = free_place(Some((10.0, 20.0)), (0.0, 100.0));
        assert_eq!((place(10.0), place(20.0), place(1000.0)), (0.25, 0.75, 1.0));
        let steady = free_place(Some((10.0, 10.0)), (0.0, 100.0));
        assert!(
            (steady(10.1) - 0.525).abs() < 1e-9,
            "noise is not blown up to the whole strip"
        );
    }

    #[test]
    fn a_forecast_goes_on_at_the_same_pace_to_the_end_of_the_strip() {
        let points = [(0.0, 0.5), (10.0, 0.6), (50.0, 1.0)];
        let places = forecast_places(&points, 100.0, 120.0, 150.0, |value| value);
        assert_eq!(places, [(50.0, 120.0), (60.0, 130.0), (80.0, 150.0)]);
        assert!(forecast_places(&[], 100.0, 120.0, 150.0, |value| value).is_empty());
    }
}
