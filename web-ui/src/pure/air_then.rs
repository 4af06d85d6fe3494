//! The day's air as a little plot: what was measured, what is to come and how surely. No I/O.

use spinover_protocol::turnaround::AirThen;

/// Width and height of the plot's own units.
pub const SIZE: (f64, f64) = (300.0, 90.0);
/// So many metres of density altitude are always shown, so that a still day does not look wild.
const LEAST_M: f64 = 100.0;

/// The plot, as points of an SVG.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plot {
    /// What was measured: a dot each.
    pub seen: Vec<(f64, f64)>,
    /// Between the low and the high end of what is to come, as a polygon.
    pub band: String,
    /// The middle of what is to come, as a line.
    pub middle: String,
    /// Where now is, from the left.
    pub now: f64,
    /// The lowest and the highest altitude shown, metres.
    pub between_m: (f64, f64),
}

/// The plot of that air; none where there is but one moment to show.
pub fn plot(air: &AirThen) -> Option<Plot> {
    let from = air.trend.first().map_or(air.seen_at, |(at, _)| *at);
    let to = air.course.last().map_or(air.at, |(at, ..)| *at);
    if to <= from || air.course.is_empty() {
        return None;
    }
    let of_course = air
        .course
        .iter()
        .flat_map(|(_, low, _, high)| [*low, *high]);
    let all = air
        .trend
        .iter()
        .map(|(_, altitude)| *altitude)
        .chain(of_course);
    let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
        (low.min(value), high.max(value))
    });
    let more = ((LEAST_M - (high - low)) / 2.0).max(0.0);
    let (low, high) = (low - more, high + more);
    let x = |at: i64| (at - from) as f64 / (to - from) as f64 * SIZE.0;
    let y = |altitude: f64| (high - altitude) / (high - low) * SIZE.1;
    let points = |points: Vec<(f64, f64)>| {
        let texts: Vec<String> = points
            .iter()
            .map(|(x, y)| format!("{x:.1},{y:.1}"))
            .collect();
        texts.join(" ")
    };
    let upper = air.course.iter().map(|(at, _, _, high)| (x(*at), y(*high)));
    let lower = air
        .course
        .iter()
        .rev()
        .map(|(at, low, _, _)| (x(*at), y(*low)));
    let middle = air
        .course
        .iter()
        .map(|(at, _, middle, _)| (x(*at), y(*middle)));
    Some(Plot {
        seen: air
            .trend
            .iter()
            .map(|(at, altitude)| (x(*at), y(*altitude)))
            .collect(),
        band: points(upper.chain(lower).collect()),
        middle: points(middle.collect()),
        now: x(air.seen_at),
        between_m: (low, high),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_earliest_is_left_the_highest_is_up_and_a_still_day_lies_flat() {
        let air = AirThen {
            at: 3_000,
            seen_at: 1_000,
            trend: vec![(0, 500.0), (1_000, 520.0)],
            course: vec![(1_000, 515.0, 520.0, 525.0), (3_000, 480.0, 540.0, 600.0)],
            ..AirThen::default()
        };
        let shown = plot(&air).unwrap();
        assert_eq!(shown.between_m, (480.0, 600.0));
        assert_eq!(shown.seen, [(0.0, 75.0), (100.0, 60.0)]);
        assert_eq!(shown.now, 100.0);
        assert!(
            shown.band.ends_with("300.0,90.0 100.0,63.8"),
            "{}",
            shown.band
        );
        let still = AirThen {
            trend: vec![(0, 500.0)],
            course: vec![(0, 500.0, 500.0, 500.0), (9, 500.0, 500.0, 500.0)],
            ..air.clone()
        };
        assert_eq!(plot(&still).unwrap().between_m, (450.0, 550.0));
        assert_eq!(plot(&AirThen::default()), None);
    }
}
