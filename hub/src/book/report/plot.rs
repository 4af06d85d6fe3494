//! Plots as SVG text: a trace over time with its band, and marks on the time axis. Numbers in, text out.

use spinover_protocol::car::Band;
use std::fmt::Write;

/// Width of a plot's drawing, in its own units; it is scaled to the page.
pub const WIDTH: f64 = 1000.0;
/// Room at the left for the numbers of the value axis.
pub const LEFT: f64 = 70.0;
/// Columns in which a trace is drawn. A trace has far more readings than a page has dots; in each column the lowest and the
/// highest are kept, so that a single spike still shows.
const COLUMNS: usize = 620;

/// What lies on the time axis, in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// Its left end.
    pub from_s: f64,
    /// Its right end.
    pub to_s: f64,
}

impl Span {
    /// Where a time lies across the drawing.
    pub fn x(&self, t_s: f64) -> f64 {
        LEFT + (t_s - self.from_s) / (self.to_s - self.from_s).max(1e-9) * (WIDTH - LEFT)
    }

    /// Round times to write on the axis: eight or so.
    pub fn ticks(&self) -> Vec<f64> {
        const STEPS: [f64; 13] = [
            1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0,
        ];
        let long = self.to_s - self.from_s;
        let step = STEPS
            .into_iter()
            .find(|step| long / step <= 9.0)
            .unwrap_or(7200.0);
        let first = (self.from_s / step).ceil() as i64;
        let last = (self.to_s / step).floor() as i64;
        (first..=last).take(1000).map(|n| n as f64 * step).collect()
    }
}

/// A time as minutes and seconds, `-0:05` before the beginning.
pub fn clock(t_s: f64) -> String {
    let whole = t_s.abs().round() as i64;
    let sign = if t_s < 0.0 && whole > 0 { "-" } else { "" };
    format!("{sign}{}:{:02}", whole / 60, whole % 60)
}

/// A value with so many decimals, and no minus before a zero.
pub fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(zero) if zero.chars().all(|c| matches!(c, '0' | '.')) => zero.to_owned(),
        _ => text,
    }
}

/// Text that can stand between tags or in an attribute.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// One column of a thinned trace: where it lies in time, and the lowest and highest value in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reach {
    /// Middle of the readings in it, in seconds.
    pub t_s: f64,
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
}

/// Thins a trace for drawing. A gap longer than `gap_s` breaks it; each unbroken piece comes by itself.
pub fn thin(span: Span, points: impl Iterator<Item = (f64, f64)>, gap_s: f64) -> Vec<Vec<Reach>> {
    let width_s = (span.to_s - span.from_s).max(1e-9) / COLUMNS as f64;
    let mut pieces: Vec<Vec<Reach>> = Vec::new();
    let mut column = usize::MAX;
    let mut last_s = f64::NEG_INFINITY;
    for (t_s, value) in points {
        if !(span.from_s..=span.to_s).contains(&t_s) {
            continue;
        }
        let here = ((t_s - span.from_s) / width_s) as usize;
        let broken = (t_s - last_s).abs() > gap_s;
        last_s = t_s;
        if broken {
            pieces.push(Vec::new());
        }
        let Some(piece) = pieces.last_mut() else {
            continue;
        };
        match piece.last_mut() {
            Some(reach) if here == column && !broken => {
                reach.low = reach.low.min(value);
                reach.high = reach.high.max(value);
            }
            _ => piece.push(Reach {
                t_s,
                low: value,
                high: value,
            }),
        }
        column = here;
    }
    pieces
}

/// A drawing of one channel over time.
#[derive(Debug)]
pub struct Plot {
    span: Span,
    low: f64,
    high: f64,
    height: f64,
    body: String,
}

impl Plot {
    /// A drawing of that height whose value axis runs from `low` to `high`.
    pub fn new(span: Span, low: f64, high: f64, height: f64) -> Self {
        let (low, high) = if high > low {
            (low, high)
        } else {
            (low - 1.0, high + 1.0)
        };
        let room = (high - low) * 0.06;
        Self {
            span,
            low: low - room,
            high: high + room,
            height,
            body: String::new(),
        }
    }

    fn y(&self, value: f64) -> f64 {
        let value = value.clamp(self.low, self.high);
        self.height - (value - self.low) / (self.high - self.low) * self.height
    }

    /// A band from one time to another: a shaded strip between two thin lines.
    pub fn band(&mut self, from_s: f64, to_s: f64, band: Band) {
        let (from_s, to_s) = (from_s.max(self.span.from_s), to_s.min(self.span.to_s));
        if to_s <= from_s {
            return;
        }
        let (x, w) = (self.span.x(from_s), self.span.x(to_s) - self.span.x(from_s));
        let (top, bottom) = (self.y(band.high), self.y(band.low));
        let _ = write!(
            self.body,
            r#"<path class="band" d="M{x:.1} {top:.1}h{w:.1}V{bottom:.1}h-{w:.1}z"/><path class="edge" d="M{x:.1} {top:.1}h{w:.1}M{x:.1} {bottom:.1}h{w:.1}"/>"#
        );
    }

    /// An area between two values at each time.
    pub fn area(&mut self, class: &str, points: &[(f64, f64, f64)]) {
        let mut d = String::new();
        for (n, (t_s, _, high)) in points.iter().enumerate() {
            let _ = write!(
                d,
                "{}{:.1} {:.1}",
                if n == 0 { 'M' } else { 'L' },
                self.span.x(*t_s),
                self.y(*high)
            );
        }
        for (t_s, low, _) in points.iter().rev() {
            let _ = write!(d, "L{:.1} {:.1}", self.span.x(*t_s), self.y(*low));
        }
        if !d.is_empty() {
            let _ = write!(self.body, r#"<path class="{class}" d="{d}z"/>"#);
        }
    }

    /// A trace.
    pub fn trace(&mut self, class: &str, pieces: &[Vec<Reach>]) {
        let mut d = String::new();
        for piece in pieces {
            for (n, reach) in piece.iter().enumerate() {
                let (x, low, high) = (
                    self.span.x(reach.t_s),
                    self.y(reach.low),
                    self.y(reach.high),
                );
                let _ = write!(d, "{}{x:.1} {high:.1}", if n == 0 { 'M' } else { 'L' });
                if (low - high).abs() >= 0.1 {
                    let _ = write!(d, "V{low:.1}");
                } else if n == 0 && piece.len() == 1 {
                    // A single reading is a dot; a line of no length would not be drawn.
                    d.push_str("h0.5");
                }
            }
        }
        if !d.is_empty() {
            let _ = write!(self.body, r#"<path class="{class}" d="{d}"/>"#);
        }
    }

    /// A heavy bar along the foot from one time to another: here something was off.
    pub fn bar(&mut self, from_s: f64, to_s: f64) {
        let (from, to) = (
            self.span.x(from_s),
            self.span.x(to_s).max(self.span.x(from_s) + 2.0),
        );
        let _ = write!(
            self.body,
            r#"<path class="departs" d="M{from:.1} {y}H{to:.1}"/>"#,
            y = self.height
        );
    }

    /// A line across at a time.
    pub fn at(&mut self, class: &str, t_s: f64) {
        let _ = write!(
            self.body,
            r#"<path class="{class}" d="M{:.1} 0V{:.1}"/>"#,
            self.span.x(t_s),
            self.height
        );
    }

    /// The finished drawing, with the ends of the value axis written by it.
    pub fn svg(self, label: &str, decimals: usize, ends: (f64, f64)) -> String {
        let mut out = format!(
            r#"<svg viewBox="0 0 {WIDTH} {}" role="img" aria-label="{}">"#,
            self.height,
            escape(label)
        );
        let _ = write!(
            out,
            r#"<path class="frame" d="M{LEFT} 0H{WIDTH}V{h}H{LEFT}z"/>"#,
            h = self.height
        );
        out.push_str(&self.body);
        // The lowest is written at its height, the highest at least a line above it.
        let low_y = (self.y(ends.0) + 5.0).clamp(30.0, self.height - 2.0);
        let high_y = (self.y(ends.1) + 5.0).clamp(13.0, low_y - 15.0);
        for (value, y) in [(ends.1, high_y), (ends.0, low_y)] {
            let _ = write!(
                out,
                r#"<text x="{}" y="{y:.1}" class="end">{}</text>"#,
                LEFT - 6.0,
                number(value, decimals)
            );
        }
        out.push_str("</svg>");
        out
    }
}

/// Marks on a time axis with the row that each one's label has: labels that would stand on one another go up a row.
fn stacked(span: Span, marks: &[(usize, f64)], width: f64) -> (Vec<(usize, f64, usize)>, usize) {
    let mut rows_end: Vec<f64> = Vec::new();
    let mut placed = Vec::new();
    for (number, t_s) in marks {
        let x = span.x(*t_s);
        let row = rows_end
            .iter()
            .position(|end| *end <= x)
            .unwrap_or(rows_end.len());
        if row == rows_end.len() {
            rows_end.push(0.0);
        }
        rows_end[row] = x + width;
        placed.push((*number, x, row));
    }
    (placed, rows_end.len())
}

/// Alarms above the time axis, each with a flag that has its number in it.
pub fn alarm_axis(span: Span, alarms: &[(usize, f64)]) -> String {
    // Many that come together would push the page down: the highest rows have lines only, the table has their times.
    const ROWS: usize = 4;
    let (placed, rows) = stacked(span, alarms, 52.0);
    let height = rows.min(ROWS) as f64 * 28.0 + 2.0;
    let mut out = format!(r#"<svg viewBox="0 0 {WIDTH} {height}" aria-hidden="true">"#);
    for (number, x, row) in placed {
        let y = height - row.min(ROWS) as f64 * 28.0;
        let _ = write!(out, r#"<path class="alarm" d="M{x:.1} {y:.1}V{height}"/>"#);
        if row >= ROWS {
            continue;
        }
        // At the right end the flag flies to the left.
        let way = if x > WIDTH - 52.0 { -1.0 } else { 1.0 };
        let top = y - 26.0;
        let _ = write!(
            out,
            r#"<path class="flag" d="M{x:.1} {y:.1}V{top:.1}h{:.0}l{:.0} 12l{:.0} 12z"/><text x="{:.1}" y="{:.1}" class="on-flag">A{number}</text>"#,
            way * 40.0,
            way * 10.0,
            way * -10.0,
            x + way * 21.0,
            top + 17.0
        );
    }
    out.push_str("</svg>");
    out
}

/// The time axis: round times, numbered steps above it where they were marked.
pub fn axis(span: Span, steps: &[(usize, f64)], clock_row: bool) -> String {
    let (placed, rows) = stacked(span, steps, 22.0);
    let steps_height = rows as f64 * 20.0;
    let height = steps_height + if clock_row { 24.0 } else { 4.0 };
    let mut out = format!(r#"<svg viewBox="0 0 {WIDTH} {height}" aria-hidden="true">"#);
    for (number, x, row) in placed {
        let y = steps_height - row as f64 * 20.0;
        let _ = write!(
            out,
            r#"<path class="step" d="M{x:.1} {y:.1}V{steps_height}"/><text x="{x:.1}" y="{:.1}" class="number">{number}</text>"#,
            y - 5.0
        );
    }
    if clock_row {
        for t_s in span.ticks() {
            let x = span.x(t_s);
            let _ = write!(
                out,
                r#"<path class="edge" d="M{x:.1} {steps_height}v6"/><text x="{x:.1}" y="{:.1}" class="tick">{}</text>"#,
                steps_height + 20.0,
                clock(t_s)
            );
        }
    }
    out.push_str("</svg>");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPAN: Span = Span {
        from_s: 0.0,
        to_s: 100.0,
    };

    #[test]
    fn a_spike_survives_thinning_and_a_gap_breaks_the_trace() {
        let mut points: Vec<(f64, f64)> = (0..100_000).map(|n| (n as f64 / 1000.0, 1.0)).collect();
        points[51_234].1 = 9.0;
        points.retain(|(t_s, _)| !(60.0..70.0).contains(t_s));
        let pieces = thin(SPAN, points.into_iter(), 1.0);
        assert_eq!(pieces.len(), 2);
        assert!(pieces.iter().map(Vec::len).sum::<usize>() <= COLUMNS + 2);
        let highest = pieces
            .iter()
            .flatten()
            .max_by(|a, b| a.high.total_cmp(&b.high))
            .unwrap();
        assert_eq!((highest.low, highest.high), (1.0, 9.0));
        assert!((highest.t_s - 51.2).abs() < 0.2);
    }

    #[test]
    fn ticks_are_round_and_few() {
        for (to_s, step) in [(8.0, 1.0), (168.0, 30.0), (600.0, 120.0), (3600.0, 600.0)] {
            let ticks = Span { from_s: 0.0, to_s }.ticks();
            assert_eq!(ticks[1] - ticks[0], step, "{to_s}");
            assert!(ticks.len() <= 10);
        }
        assert_eq!(
            [clock(0.0), clock(61.4), clock(-5.0), clock(-0.2)],
            ["0:00", "1:01", "-0:05", "0:00"]
        );
    }

    #[test]
    fn words_cannot_break_out() {
        assert_eq!(escape("<b a=\"'\">&"), "&lt;b a=&quot;&#39;&quot;&gt;&amp;");
        let plot = Plot::new(SPAN, 0.0, 1.0, 50.0);
        assert!(
            plot.svg("\"><script>", 1, (0.0, 1.0))
                .contains("&quot;&gt;&lt;script&gt;")
        );
    }
}
