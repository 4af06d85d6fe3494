//! How cost grows with phones, channels, rate and the book: the exponents, and a picture of the points that they are fitted to.
//!
//! `bench_growth FILE... [--svg docs/growth.svg] [--json]`
//!
//! It measures nothing itself: the files are what `bench fanout --json` and `bench start --json` printed. Each panel has both axes
//! logarithmic, so that a power is a straight line; the grey one is linear growth from where the fitted line begins.
#![forbid(unsafe_code)]

use anyhow::{Context, Result, bail};
use clap::Parser;
use plotters::prelude::*;
use serde_json::{Value, json};
use spinover_tests::fan;
use std::{ops::Range, path::PathBuf};

const ACROSS: usize = 3;
const PANEL: (u32, u32) = (400, 280);

/// What is plotted of `bench fanout`: the key under `growth`, what grows, with what.
const OF_FANOUT: [(&str, &str, &str); 6] = [
    (
        "cpu_over_phones_at_20",
        "share of a core, 20 frames/s",
        "phones",
    ),
    (
        "cpu_over_phones_at_100",
        "share of a core, 100 frames/s",
        "phones",
    ),
    (
        "cpu_over_rate_at_100_phones",
        "share of a core, 100 phones",
        "frames/s",
    ),
    (
        "cpu_over_channels",
        "share of a core, 100 phones",
        "channels",
    ),
    ("bytes_over_channels", "bytes a frame", "channels"),
    ("memory_over_phones_at_20", "memory, MB", "phones"),
];
/// The same of `bench start`: the key in each size. The book's own size comes besides.
const OF_START: [(&str, &str); 5] = [
    ("ready_after_kill", "ready after a kill, ms"),
    ("list", "the list, ms"),
    ("find", "a search, ms"),
    ("comparison", "a comparison with ten, ms"),
    ("slips_of_all", "all time slips, ms"),
];

#[derive(Parser)]
struct Asked {
    /// What `bench fanout --json` and `bench start --json` printed.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Where the picture goes.
    #[arg(long)]
    svg: Option<PathBuf>,
    /// One line of numbers.
    #[arg(long)]
    json: bool,
}

/// Something that was measured at several sizes.
struct Series {
    what: String,
    over: &'static str,
    points: Vec<(f64, f64)>,
}

impl Series {
    fn new(what: &str, over: &'static str, mut points: Vec<(f64, f64)>) -> Option<Self> {
        points.sort_by(|one, other| one.0.total_cmp(&other.0));
        let grows = points.first()?.0 < points.last()?.0;
        grows.then(|| Self {
            what: what.to_owned(),
            over,
            points,
        })
    }

    fn exponent(&self) -> f64 {
        fan::power(&self.points).0
    }

    /// The fitted power at both ends, and linear growth from its beginning.
    fn lines(&self) -> [[(f64, f64); 2]; 2] {
        let (from, to) = (self.points[0].0, self.points[self.points.len() - 1].0);
        let (exponent, times) = fan::power(&self.points);
        let fitted = |at: f64| times * at.powf(exponent);
        let begin = fitted(from);
        [
            [(from, begin), (to, fitted(to))],
            [(from, begin), (to, begin * to / from)],
        ]
    }

    fn draw(&self, area: &DrawingArea<SVGBackend<'_>, plotters::coord::Shift>) -> Result<()> {
        let lines = self.lines();
        let all = || self.points.iter().chain(lines.iter().flatten());
        let mut chart = ChartBuilder::on(area)
            .caption(
                format!("{}: exponent {:.2}", self.what, self.exponent()),
                ("sans-serif", 15),
            )
            .margin(8)
            .x_label_area_size(36)
            .y_label_area_size(56)
            .build_cartesian_2d(
                around(all().map(|point| point.0)).log_scale(),
                around(all().map(|point| point.1)).log_scale(),
            )?;
        chart
            .configure_mesh()
            .x_desc(self.over)
            .x_label_formatter(&plain)
            .y_label_formatter(&plain)
            .light_line_style(TRANSPARENT)
            .draw()?;
        let [fitted, linear] = lines;
        let grey = RGBColor(150, 150, 150);
        chart.draw_series([
            PathElement::new(linear.to_vec(), grey),
            PathElement::new(fitted.to_vec(), BLACK.stroke_width(2)),
        ])?;
        let dots = self.points.iter();
        chart.draw_series(dots.map(|point| Circle::new(*point, 3, BLACK.filled())))?;
        Ok(())
    }
}

/// A little more than all values, so that no point lies on an edge.
fn around(values: impl Iterator<Item = f64>) -> Range<f64> {
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), value| {
        (low.min(value), high.max(value))
    });
    low / 1.3..high * 1.3
}

/// Three significant digits, without noughts behind them.
fn plain(value: &f64) -> String {
    let digits = (2 - value.abs().log10().floor() as i32).clamp(0, 6) as usize;
    let text = format!("{value:.digits$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

/// Of a bench's numbers, whichever it was.
fn series(told: &Value) -> Result<Vec<Series>> {
    let number = |value: &Value| value.as_f64().context("no number where one was printed");
    let mut all = Vec::new();
    if let Some(growth) = told.get("growth") {
        for (key, what, over) in OF_FANOUT {
            let points = growth[key]["points"].as_array().context("no points")?;
            let points = points
                .iter()
                .map(|xy| Ok((number(&xy[0])?, number(&xy[1])?)));
            all.extend(Series::new(what, over, points.collect::<Result<_>>()?));
        }
    } else if let Some(sizes) = told.get("sizes").and_then(Value::as_array) {
        let of = |what: &str, value: &dyn Fn(&Value) -> Value| {
            let points = sizes
                .iter()
                .map(|size| Ok((number(&size["warmups"])?, number(&value(size))?)));
            Ok::<_, anyhow::Error>(Series::new(
                what,
                "warm-ups",
                points.collect::<Result<_>>()?,
            ))
        };
        for (key, what) in OF_START {
            all.extend(of(what, &|size| size[key]["median_ms"].clone())?);
        }
        all.extend(of("the book, MB", &|size| size["book_mb"].clone())?);
    } else {
        bail!("neither `growth` nor `sizes` is in it");
    }
    Ok(all)
}

fn main() -> Result<()> {
    let asked = Asked::parse();
    let mut all = Vec::new();
    for file in &asked.files {
        let text = std::fs::read_to_string(file).with_context(|| file.display().to_string())?;
        let told = serde_json::from_str(&text).with_context(|| file.display().to_string())?;
        all.extend(series(&told).with_context(|| file.display().to_string())?);
    }
    if let Some(svg) = &asked.svg {
        let rows = all.len().div_ceil(ACROSS);
        let size = (PANEL.0 * ACROSS as u32, PANEL.1 * rows as u32);
        let root = SVGBackend::new(svg, size).into_drawing_area();
        root.fill(&WHITE)?;
        for (area, one) in root.split_evenly((rows, ACROSS)).iter().zip(&all) {
            one.draw(area)?;
        }
        root.present()?;
    }
    let told = all.iter().map(|one| {
        json!({ "what": one.what, "over": one.over, "exponent": one.exponent(), "points": one.points })
    });
    spinover_tests::tell(&told.collect(), asked.json);
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_power_is_fitted_and_labels_are_short() {
        let points = vec![(10.0, 2.0), (1000.0, 2000.0), (100.0, 63.245_553_2)];
        let one = Series::new("cost", "phones", points).unwrap();
        assert!((one.exponent() - 1.5).abs() < 1e-6);
        let [fitted, linear] = one.lines();
        assert!((fitted[1].1 - 2000.0).abs() < 0.01 && (linear[1].1 - 200.0).abs() < 0.01);
        assert_eq!(plain(&0.05), "0.05");
        assert_eq!(plain(&1000.0), "1000");
        assert!(Series::new("cost", "phones", vec![(10.0, 2.0)]).is_none());
    }
}
