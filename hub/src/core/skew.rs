//! How a source's clock runs against the hub's, from the times at which its readings came.
//!
//! What comes is only ever late, never early, so the quickest readings tell the clocks and the slow ones the way. The line under all
//! delays is found as the edge of their lower convex hull below the middle of the watched time, which is the line with the least sum
//! of distances: S. Moon, P. Skelly, D. Towsley, *Estimation and removal of clock skew from network delay measurements*, IEEE INFOCOM
//! 1999; by hull: L. Zhang, Z. Liu, C. Xia, *Clock synchronization algorithms for network measurements*, IEEE INFOCOM 2002.
//! The error of the drift is at most the least extra delay near both ends of the watched time over that time.

use std::collections::VecDeque;

/// Of the readings in a window, by the source's time, only the quickest counts.
const WINDOW_US: i64 = 1_000_000;
/// Watched for this long; a crystal's drift changes as it warms.
const WATCHED_US: i64 = 600_000_000;

/// Delay against the source's time: `late = at + slope * (t - from)`, in microseconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    from_us: i64,
    at_us: f64,
    slope: f64,
    /// Over how long it was watched, in microseconds.
    pub span_us: i64,
}

impl Line {
    /// The least of (hub's time less source's time) to be expected at a source's time, in microseconds.
    pub fn least_us(&self, t_us: i64) -> f64 {
        self.at_us + self.slope * (t_us - self.from_us) as f64
    }

    /// How much faster than the hub's the source's clock runs: 0.001 is a millisecond a second.
    pub fn drift(&self) -> f64 {
        -self.slope
    }
}

/// The quickest readings of one source.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Skew {
    /// Closed windows: source's time, and hub's time less that, in microseconds.
    points: VecDeque<(i64, i64)>,
    open: Option<(i64, i64)>,
    line: Option<Line>,
}

impl Skew {
    /// Takes one reading's times in.
    pub fn push(&mut self, now_us: i64, t_us: i64) {
        let point = (t_us, now_us.saturating_sub(t_us));
        match &mut self.open {
            Some(open) if open.0.div_euclid(WINDOW_US) == t_us.div_euclid(WINDOW_US) => {
                if point.1 < open.1 {
                    *open = point;
                }
            }
            // Several senders on one clock may be a little out of step with one another.
            Some(open) if t_us < open.0 => {}
            open => {
                if let Some(closed) = open.replace(point) {
                    self.points.push_back(closed);
                    while self
                        .points
                        .front()
                        .is_some_and(|first| closed.0 - first.0 > WATCHED_US)
                    {
                        self.points.pop_front();
                    }
                    self.line = lowest(&self.points);
                }
            }
        }
    }

    /// The line under all delays; nothing from less than two windows.
    pub fn line(&self) -> Option<Line> {
        self.line
    }
}

/// The edge of the lower hull below the mean of the times.
fn lowest(points: &VecDeque<(i64, i64)>) -> Option<Line> {
    let (first, last) = (points.front()?, points.back()?);
    if points.len() < 2 {
        return None;
    }
    // Times and delays from the first point keep every bit in a double.
    let from = |(t, late): &(i64, i64)| ((t - first.0) as f64, (late - first.1) as f64);
    let mut hull: Vec<(f64, f64)> = Vec::new();
    for point in points.iter().map(from) {
        while let [.., a, b] = hull[..] {
            let turns_up = (b.0 - a.0) * (point.1 - a.1) > (b.1 - a.1) * (point.0 - a.0);
            if turns_up {
                break;
            }
            hull.pop();
        }
        hull.push(point);
    }
    let mean = points.iter().map(|point| from(point).0).sum::<f64>() / points.len() as f64;
    let edge = hull
        .windows(2)
        .find(|edge| edge[1].0 >= mean)
        .or_else(|| hull.windows(2).last())?;
    let slope = (edge[1].1 - edge[0].1) / (edge[1].0 - edge[0].0);
    Some(Line {
        from_us: first.0,
        at_us: first.1 as f64 + edge[0].1 - slope * edge[0].0,
        slope,
        span_us: last.0 - first.0,
    })
}
