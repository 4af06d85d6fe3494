//! A warm-up on one page, for the phone and for the trailer wall: self-contained HTML with drawings in it, no scripts, nothing
//! from elsewhere. Everything on it comes from the book.

mod alarms;
mod day;
mod figures;
mod photos;
mod plot;
mod tables;

pub(super) use plot::{Plot, Span, alarm_axis, axis, clock, escape, thin};

use super::{
    BookError, Part, Reader, Rows, WarmupEntry,
    alarmed::Alarmed,
    timeline::{Spell, Timeline},
};
use spinover_protocol::{Millis, PersonId, book::is_photo, car::Channel};
use std::fmt::Write;

/// Spells out of band that are listed.
const SPELLS: usize = 12;
/// A spell shorter than this is a blip, in microseconds; it is counted, not listed.
const BLIP_US: i64 = 1_000_000;
/// Height of one channel's plot in its own units, of which the width has 1000.
const HEIGHT: f64 = 92.0;

const STYLE: &str = include_str!("report.css");

/// The report page of a warm-up.
///
/// # Errors
/// When there is no such warm-up, or the book cannot be read.
pub fn html(reader: &Reader, id: &str) -> Result<String, BookError> {
    let entry = reader.warmup(id)?;
    let story = reader.story(id)?;
    let (rows, lost) = reader.rows(id, Part::default())?;
    let Some(timeline) = Timeline::of(&story) else {
        return Err(BookError::Unreadable(format!(
            "warm-up {id} has no beginning"
        )));
    };
    let page = Page {
        entry: &entry,
        timeline: &timeline,
        alarmed: &Alarmed::of(&story),
        rows: &rows,
        begun_us: entry.begun_at * 1000,
    };
    let mut out = head(&format!("{} {}, {}", entry.team, entry.car, entry.sheet));
    page.header(&mut out);
    if !lost.is_empty() {
        let _ = write!(
            out,
            r#"<p class="warn">Part of this warm-up could not be read from the book ({} places).</p>"#,
            lost.len()
        );
    }
    page.day(&mut out);
    page.plots(&mut out);
    page.alarms(&mut out);
    page.steps(&mut out);
    page.calls(&mut out);
    page.off(&mut out);
    page.figures(&story, &mut out);
    page.notes(&mut out);
    photos::section(&entry, reader.photos(), &mut out);
    out.push_str(
        "<footer>Recorded by Spinover. It advises and records; the rule book and the licensed people decide.</footer></main></body></html>\n",
    );
    Ok(out)
}

/// The beginning of a page, up to its first word.
pub(super) fn head(title: &str) -> String {
    format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><title>{}</title><style>{STYLE}</style></head><body><main>\n",
        escape(title)
    )
}

/// Date and time as the laptop's clock says them.
pub(super) fn date(at: Millis) -> String {
    match jiff::Timestamp::from_millisecond(at) {
        Ok(time) => jiff::ZonedDateTime::new(time, jiff::tz::TimeZone::system())
            .strftime("%A %d %B %Y, %H:%M %Z")
            .to_string(),
        Err(_) => at.to_string(),
    }
}

/// A value with the decimals of its channel.
pub(super) fn value(channel: &Channel, value: f64) -> String {
    plot::number(value, usize::from(channel.decimals))
}

struct Page<'a> {
    entry: &'a WarmupEntry,
    timeline: &'a Timeline,
    alarmed: &'a Alarmed,
    rows: &'a Rows,
    begun_us: i64,
}

impl Page<'_> {
    fn since(&self, at: Millis) -> f64 {
        (at - self.entry.begun_at) as f64 / 1e3
    }

    fn since_us(&self, at_us: i64) -> f64 {
        (at_us - self.begun_us) as f64 / 1e6
    }

    /// From the beginning to the end, or to the last thing that is known.
    fn span(&self) -> Span {
        let warmup = self.timeline.warmup();
        let readings = self
            .rows
            .span_us()
            .map(|(from, to)| (self.since_us(from), self.since_us(to)));
        let marks = self.timeline.done.iter().map(|done| self.since(done.at));
        let to_s = marks
            .chain(readings.map(|(_, to)| to))
            .chain(warmup.closed_at.map(|at| self.since(at)));
        let to_s = to_s.fold(1.0, f64::max);
        Span {
            from_s: readings.map_or(0.0, |(from, _)| from.min(0.0)),
            to_s,
        }
    }

    fn name<'n>(&'n self, id: &'n PersonId) -> &'n str {
        self.timeline
            .record
            .people
            .get(id)
            .map_or(id.as_str(), |person| &person.who.name)
    }

    fn header(&self, out: &mut String) {
        let entry = self.entry;
        let _ = write!(
            out,
            r#"<header><p class="car">{} <b>{}</b></p><h1>{}</h1><p class="when">{}, {} min</p>"#,
            escape(&entry.team),
            escape(&entry.car),
            escape(&entry.sheet),
            date(entry.begun_at),
            clock(self.span().to_s)
        );
        if !entry.source.is_empty() {
            let _ = write!(
                out,
                r#"<p class="warn">Not from a live car: {}.</p>"#,
                escape(&entry.source)
            );
        }
        let warmup = self.timeline.warmup();
        if let Some(aborted) = &warmup.aborted {
            let by = aborted.by.as_ref().map_or("the hub", |by| &by.name);
            let _ = write!(
                out,
                r#"<p class="warn">Given up at {} by {}: {}</p>"#,
                clock(self.since(aborted.at)),
                escape(by),
                escape(&aborted.text)
            );
        }
        let named = entry.photos.iter().filter(|name| !is_photo(name));
        let named: Vec<&str> = named.map(String::as_str).collect();
        out.push_str("<dl>");
        for (name, words) in [
            ("Place", &entry.place),
            ("Weather", &entry.weather),
            ("Driver", &entry.driver),
            ("Tags", &entry.tags.join(", ")),
            ("Photos by name", &named.join(", ")),
        ] {
            if !words.is_empty() {
                let _ = write!(out, "<div><dt>{name}</dt><dd>{}</dd></div>", escape(words));
            }
        }
        out.push_str("</dl></header>\n");
    }

    /// The channels worth a plot: those that someone's page shows or that have a band, as far as they had readings. Three or
    /// more of a kind, as one exhaust temperature for each cylinder, share one.
    fn plotted(&self) -> Vec<Vec<usize>> {
        let warmup = self.timeline.warmup();
        let with_readings = |place: &usize| self.rows.columns.contains_key(&(*place as u16));
        let all: Vec<usize> = (0..warmup.car.channels.len())
            .filter(with_readings)
            .collect();
        let shown = |place: &&usize| {
            let key = &warmup.car.channels[**place].key;
            let banded = self.timeline.bands[**place]
                .iter()
                .any(|band| band.band.is_some());
            banded
                || warmup
                    .car
                    .roles
                    .iter()
                    .any(|role| role.strips.contains(key))
        };
        let mut chosen: Vec<usize> = all.iter().filter(shown).copied().collect();
        if chosen.is_empty() {
            chosen = all;
        }
        let kind = |place: usize| {
            let channel = &warmup.car.channels[place];
            (
                channel
                    .key
                    .as_str()
                    .trim_end_matches(|c: char| c.is_ascii_digit()),
                channel.unit,
            )
        };
        let mut plots: Vec<Vec<usize>> = Vec::new();
        for place in &chosen {
            let alike: Vec<usize> = chosen
                .iter()
                .copied()
                .filter(|other| kind(*other) == kind(*place))
                .collect();
            match alike.len() {
                0..3 => plots.push(vec![*place]),
                _ if alike[0] == *place => plots.push(alike),
                _ => {}
            }
        }
        plots
    }

    fn plots(&self, out: &mut String) {
        let span = self.span();
        let numbered: Vec<(usize, f64)> = self
            .timeline
            .done
            .iter()
            .enumerate()
            .map(|(n, done)| (n + 1, self.since(done.at)))
            .collect();
        let alarms = self.first_alarms();
        out.push_str(r#"<section class="plots"><h2>Readings</h2>"#);
        if !numbered.is_empty() {
            out.push_str(r#"<p class="hint">Numbers are the steps below, where they were marked. Grey: the band that held. A heavy bar at the foot: outside it.</p>"#);
        }
        if !alarms.is_empty() {
            out.push_str(r#"<p class="hint">A1 and so on, with a whole line: alarms of the first priority, where they came, by their numbers below.</p>"#);
            out.push_str(&alarm_axis(span, &alarms));
        }
        if !numbered.is_empty() {
            out.push_str(&axis(span, &numbered, false));
        }
        let marks: Vec<(&str, f64)> = numbered
            .iter()
            .map(|(_, t_s)| ("step", *t_s))
            .chain(alarms.iter().map(|(_, t_s)| ("alarm", *t_s)))
            .collect();
        let spells: Vec<Spell> = self
            .timeline
            .spells(self.rows)
            .into_iter()
            .filter(|spell| spell.to_us - spell.from_us >= BLIP_US)
            .collect();
        for places in self.plotted() {
            self.plot(&places, span, &marks, &spells, out);
        }
        out.push_str(&axis(span, &[], true));
        out.push_str("</section>\n");
    }

    fn plot(
        &self,
        places: &[usize],
        span: Span,
        marks: &[(&str, f64)],
        spells: &[Spell],
        out: &mut String,
    ) {
        let channels = &self.timeline.warmup().car.channels;
        let channel = &channels[places[0]];
        let columns: Vec<_> = places
            .iter()
            .map(|place| &self.rows.columns[&(*place as u16)])
            .collect();
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in columns.iter().flat_map(|column| &column.values) {
            (low, high) = (low.min(*value), high.max(*value));
        }
        let ends = (low, high);
        let bands = &self.timeline.bands[places[0]];
        for band in bands.iter().filter_map(|band| band.band) {
            (low, high) = (low.min(band.low), high.max(band.high));
        }
        // A reading that no sensor can honestly give must not flatten the rest.
        low = low.max(channel.plausible.low.min(ends.1));
        high = high.min(channel.plausible.high.max(ends.0));
        let mut plot = Plot::new(span, low, high, HEIGHT);
        for (n, from) in bands.iter().enumerate() {
            let to_s = bands
                .get(n + 1)
                .map_or(span.to_s, |next| self.since(next.at));
            let from_s = if n == 0 {
                span.from_s
            } else {
                self.since(from.at)
            };
            if let Some(band) = from.band {
                plot.band(from_s, to_s, band);
            }
        }
        for (class, t_s) in marks {
            plot.at(class, *t_s);
        }
        for spell in spells
            .iter()
            .filter(|spell| places.contains(&spell.channel))
        {
            plot.bar(self.since_us(spell.from_us), self.since_us(spell.to_us));
        }
        let gap_s = (channel.old_after_ms as f64 / 1e3).max(1.0);
        for column in &columns {
            let times = column
                .rows
                .iter()
                .map(|row| self.since_us(self.rows.times_us[*row as usize]));
            let class = if columns.len() == 1 {
                "trace"
            } else {
                "trace thin"
            };
            plot.trace(
                class,
                &thin(span, times.zip(column.values.iter().copied()), gap_s),
            );
        }
        let last: Vec<String> = columns
            .iter()
            .filter_map(|column| column.values.last())
            .map(|last| value(channel, *last))
            .collect();
        let label = match places {
            [only] => channels[*only].label.clone(),
            several => format!(
                "{} to {}",
                channel.label,
                channels[several[several.len() - 1]].label
            ),
        };
        let _ = write!(
            out,
            r#"<figure><figcaption><b>{}</b> {} <span>lowest {}, highest {}, last {}</span></figcaption>{}</figure>"#,
            escape(&label),
            channel.unit,
            value(channel, ends.0),
            value(channel, ends.1),
            last.join(" "),
            plot.svg(
                &label,
                usize::from(channel.decimals),
                (ends.0.max(low), ends.1.min(high))
            )
        );
    }

    fn off(&self, out: &mut String) {
        let all = self.timeline.spells(self.rows);
        if self
            .timeline
            .bands
            .iter()
            .flatten()
            .all(|band| band.band.is_none())
        {
            return;
        }
        let (mut long, blips): (Vec<Spell>, Vec<Spell>) = all
            .into_iter()
            .partition(|spell| spell.to_us - spell.from_us >= BLIP_US);
        out.push_str("<section><h2>Out of band</h2>");
        if long.is_empty() {
            out.push_str("<p>Nothing was outside the band that held for a second or longer.</p>");
        }
        let more = long.len().saturating_sub(SPELLS);
        long.sort_by(|a, b| b.weight.total_cmp(&a.weight));
        long.truncate(SPELLS);
        if !long.is_empty() {
            out.push_str("<ol>");
            for spell in &long {
                let _ = write!(out, "<li>{}</li>", self.spell_words(spell));
            }
            out.push_str("</ol>");
        }
        if more > 0 || !blips.is_empty() {
            let _ = write!(
                out,
                r#"<p class="hint">Farthest and longest first. Besides these: {more} more, and {} shorter than a second.</p>"#,
                blips.len()
            );
        }
        out.push_str("</section>\n");
    }

    fn spell_words(&self, spell: &Spell) -> String {
        let channel = &self.timeline.warmup().car.channels[spell.channel];
        let phase = self.timeline.phase_at(spell.from_us.div_euclid(1000));
        format!(
            "<b>{}</b> {} for {:.0} s from {}{}: {} {}, band {} to {}",
            escape(&channel.label),
            if spell.low { "low" } else { "high" },
            (spell.to_us - spell.from_us) as f64 / 1e6,
            clock(self.since_us(spell.from_us)),
            phase.map_or_else(String::new, |phase| format!(" ({})", escape(phase))),
            value(channel, spell.worst),
            channel.unit,
            value(channel, spell.band.low),
            value(channel, spell.band.high)
        )
    }

    fn notes(&self, out: &mut String) {
        let notes = &self.timeline.warmup().notes;
        if notes.is_empty() && self.entry.note.is_empty() {
            return;
        }
        out.push_str("<section><h2>Notes</h2>");
        if !self.entry.note.is_empty() {
            let _ = write!(out, "<p>{}</p>", escape(&self.entry.note));
        }
        for note in notes {
            let by = note.by.as_ref().map_or("the hub", |by| &by.name);
            let _ = write!(
                out,
                "<p>{} {}: {}</p>",
                clock(self.since(note.at)),
                escape(by),
                escape(&note.text)
            );
        }
        out.push_str("</section>\n");
    }
}
