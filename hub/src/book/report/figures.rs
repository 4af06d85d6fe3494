//! What the figures say of a warm-up's readings, worked out again at the end of each phase.

use super::{Page, clock, escape};
use crate::{
    book::{Rows, timeline::Done},
    core::{lessons::Lessons, live::Live},
};
use spinover_protocol::{Millis, event::Event, message::FigureNow};
use std::fmt::Write;

impl Page<'_> {
    /// What the figures say of these readings at the end of each phase that steps were marked in.
    pub(super) fn figures(&self, story: &[Event], out: &mut String) {
        let ends: Vec<&Done> = self
            .timeline
            .done
            .iter()
            .enumerate()
            .filter(|(n, done)| {
                self.timeline
                    .done
                    .get(n + 1)
                    .is_none_or(|next| next.phase != done.phase)
            })
            .map(|(_, done)| done)
            .collect();
        let mut moments: Vec<(String, Millis)> = ends
            .iter()
            .map(|done| (done.phase.clone(), done.at))
            .collect();
        if moments.is_empty()
            && let Some((_, to_us)) = self.rows.span_us()
        {
            moments.push(("the end".to_owned(), to_us.div_euclid(1000)));
        }
        let said = figures_at(
            story,
            self.rows,
            &moments.iter().map(|(_, at)| *at).collect::<Vec<_>>(),
        );
        let said: Vec<_> = moments
            .iter()
            .zip(said)
            .filter(|(_, figures)| !figures.is_empty())
            .collect();
        if said.is_empty() {
            return;
        }
        out.push_str(r#"<section><h2>Figures</h2><p class="hint">Worked out again from these readings, as they stood when the last step of each phase was marked.</p>"#);
        for ((phase, at), figures) in said {
            let _ = write!(
                out,
                "<h3>{} <span>{}</span></h3><ul>",
                escape(phase),
                clock(self.since(*at))
            );
            for figure in figures {
                let _ = write!(
                    out,
                    "<li><b>{}</b> {}</li>",
                    escape(&figure.label),
                    escape(&figure_words(&figure))
                );
            }
            out.push_str("</ul>");
        }
        out.push_str("</section>\n");
    }
}

fn figure_words(figure: &FigureNow) -> String {
    let Some((value, unit)) = figure.value.zip(figure.unit) else {
        return figure.words.clone();
    };
    let decimals = if value.abs() >= 100.0 { 0 } else { 1 };
    let between = figure
        .low
        .zip(figure.high)
        .map_or_else(String::new, |(low, high)| {
            format!(" ({low:.decimals$} to {high:.decimals$})")
        });
    format!("{value:.decimals$}{between} {unit}. {}", figure.words)
}

/// What the figures say at some times, given the readings up to each.
fn figures_at(story: &[Event], rows: &Rows, moments: &[Millis]) -> Vec<Vec<FigureNow>> {
    let mut record = spinover_protocol::record::Record::default();
    let mut said = vec![Vec::new(); moments.len()];
    let mut events = story.iter().peekable();
    let mut live: Option<Live> = None;
    let mut next = 0;
    let mut up_to = |at: Millis, live: &mut Option<Live>| {
        // Events up to the time, then what the figures say at the moments that have passed.
        while let Some(event) = events.next_if(|event| event.at <= at) {
            record.apply(event);
            if let Some(warmup) = &record.warmup {
                let car = &warmup.car;
                live.get_or_insert_with(|| Live::new(car, Lessons::default()))
                    .follow(car, &record);
            }
        }
        record.clone()
    };
    let done: Result<(), std::convert::Infallible> = rows.each_row(|t_us, cells| {
        while moments.get(next).is_some_and(|at| *at * 1000 < t_us) {
            let record = up_to(moments[next], &mut live);
            said[next] = live
                .as_ref()
                .map_or_else(Vec::new, |live| live.figures(moments[next] * 1000, &record));
            next += 1;
        }
        if live.is_none() {
            up_to(t_us.div_euclid(1000), &mut live);
        }
        if let Some(live) = &mut live {
            let values: Vec<(usize, f64)> = cells
                .iter()
                .map(|(channel, value)| (usize::from(*channel), *value))
                .collect();
            live.batch(t_us, &values);
        }
        Ok(())
    });
    let Ok(()) = done;
    while next < moments.len() {
        let record = up_to(moments[next], &mut live);
        said[next] = live
            .as_ref()
            .map_or_else(Vec::new, |live| live.figures(moments[next] * 1000, &record));
        next += 1;
    }
    said
}
