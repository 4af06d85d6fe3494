//! A comparison on one page, drawn like the report.

use super::{Comparison, FALSE_SHARE, FEWEST, Laid};
use crate::book::report::{Plot, Span, axis, date, escape, head, thin, value};
use std::fmt::Write;

/// Height of one channel's plot in its own units, of which the width has 1000.
const HEIGHT: f64 = 110.0;

/// The comparison as a page of HTML, whole in itself.
pub fn html(comparison: &Comparison) -> String {
    let entry = &comparison.entry;
    let mut out = head(&format!("{} {} compared", entry.team, entry.car));
    let _ = write!(
        out,
        r#"<header><p class="car">{} <b>{}</b></p><h1>{}, compared</h1><p class="when">{}</p>"#,
        escape(&entry.team),
        escape(&entry.car),
        escape(&entry.sheet),
        date(entry.begun_at)
    );
    if !entry.source.is_empty() {
        let _ = write!(
            out,
            r#"<p class="warn">Not from a live car: {}.</p>"#,
            escape(&entry.source)
        );
    }
    let count = comparison.earlier.len();
    let _ = write!(
        out,
        "<p>Against {count} earlier warm-up{}; times count from {}.</p></header>\n<section><h2>What departs</h2>",
        if count == 1 { "" } else { "s" },
        escape(&comparison.origin())
    );
    found(comparison, &mut out);
    burnouts(comparison, &mut out);
    out.push_str(r#"</section><section><h2>Readings</h2><p class="hint">Line: this warm-up. Grey: eight in ten of the earlier ones; dashed: their median. A heavy bar at the foot: it departs.</p>"#);
    let cells = comparison
        .channels
        .first()
        .map_or(0, |(_, laid)| laid.this.len());
    let span = Span {
        from_s: comparison.from_s,
        to_s: comparison.from_s + cells as f64 * comparison.cell_s,
    };
    // Those that depart come first, the weightiest at the top.
    let rank = |place: &usize| {
        let key = entry.channels[*place].key.as_str();
        comparison
            .found
            .iter()
            .position(|finding| finding.channel == key)
            .unwrap_or(usize::MAX)
    };
    let mut channels: Vec<&(usize, Laid)> = comparison.channels.iter().collect();
    channels.sort_by_key(|(place, _)| rank(place));
    for (place, laid) in channels {
        plot(comparison, *place, laid, span, &mut out);
    }
    out.push_str(&axis(span, &[], true));
    out.push_str("</section><section><h2>Earlier warm-ups</h2><ul>");
    for earlier in comparison.earlier.iter().rev() {
        let _ = write!(
            out,
            "<li>{} <span class=\"hint\">{} {}</span></li>",
            date(earlier.begun_at),
            escape(&earlier.place),
            escape(&earlier.weather)
        );
    }
    out.push_str("</ul></section><footer>Recorded by Spinover. It advises and records; the rule book and the licensed people decide.</footer></main></body></html>\n");
    out
}

fn found(comparison: &Comparison, out: &mut String) {
    if !comparison.can_judge() {
        let _ = write!(
            out,
            "<p>Too few to say what is usual: {FEWEST} earlier warm-ups are needed at least.</p>"
        );
        return;
    }
    if comparison.found.is_empty() {
        out.push_str("<p>Nothing departs from the usual.</p>");
    } else {
        out.push_str("<ol>");
        for finding in &comparison.found {
            let _ = write!(out, "<li>{}</li>", escape(&finding.words));
        }
        out.push_str("</ol>");
    }
    let _ = write!(
        out,
        r#"<p class="hint">The weightiest first. Of channels named so, {:.0} % are expected to be named by chance (t-test for one new value in each cell of {:.1} s; Simes, Benjamini-Hochberg).</p>"#,
        FALSE_SHARE * 100.0,
        comparison.cell_s
    );
}

/// Each burn-out's time and peak, the newest first.
fn burnouts(comparison: &Comparison, out: &mut String) {
    if comparison.burnouts.is_empty() {
        return;
    }
    out.push_str("</section><section><h2>Burn-outs</h2>");
    for words in super::burnout::words(comparison) {
        let _ = write!(out, "<p>{}</p>", escape(&words));
    }
    out.push_str("<table><thead><tr><th>Warm-up</th><th>Time</th><th>Highest engine speed</th></tr></thead><tbody>");
    for burnout in comparison.burnouts.iter().rev() {
        let _ = write!(
            out,
            r#"<tr><td class="id">{}</td><td class="n">{:.1} s</td><td class="n">{:.0} rpm</td></tr>"#,
            escape(&burnout.warmup),
            burnout.length_s,
            burnout.peak
        );
    }
    out.push_str(r#"</tbody></table><p class="hint">Time: above the middle between idle and the highest speed of the phase.</p>"#);
}

fn plot(comparison: &Comparison, place: usize, laid: &Laid, span: Span, out: &mut String) {
    let channel = &comparison.entry.channels[place];
    let usual: Vec<(f64, f64, f64, f64)> = (0..laid.this.len())
        .filter_map(|cell| {
            let usual = laid.usual(cell)?;
            Some((
                comparison.middle_s(cell),
                usual.low,
                usual.median,
                usual.high,
            ))
        })
        .collect();
    let this = || {
        let cells = laid.this.iter().enumerate();
        cells.filter_map(|(cell, value)| Some((comparison.middle_s(cell), (*value)?)))
    };
    let all = || {
        this()
            .map(|(_, value)| value)
            .chain(usual.iter().flat_map(|(_, low, _, high)| [*low, *high]))
    };
    let (low, high) = all().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
        (low.min(value), high.max(value))
    });
    let mut plot = Plot::new(span, low, high, HEIGHT);
    plot.area(
        "usual",
        &usual
            .iter()
            .map(|(t_s, low, _, high)| (*t_s, *low, *high))
            .collect::<Vec<_>>(),
    );
    let gap_s = comparison.cell_s * 3.5;
    plot.trace(
        "middle",
        &thin(
            span,
            usual.iter().map(|(t_s, _, median, _)| (*t_s, *median)),
            gap_s,
        ),
    );
    plot.at("step", 0.0);
    for finding in comparison
        .found
        .iter()
        .filter(|finding| finding.channel == channel.key.as_str())
    {
        plot.bar(finding.from_s, finding.to_s);
    }
    plot.trace("trace", &thin(span, this(), gap_s));
    let _ = write!(
        out,
        r#"<figure><figcaption><b>{}</b> {} <span>lowest {}, highest {}</span></figcaption>{}</figure>"#,
        escape(&channel.label),
        channel.unit,
        value(channel, low),
        value(channel, high),
        plot.svg(&channel.label, usize::from(channel.decimals), (low, high))
    );
}
