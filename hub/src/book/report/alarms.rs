//! The alarms of a warm-up: when each came, what it read, when it went, who answered it, and what was put aside.

use super::{Page, clock, escape, value};
use crate::book::alarmed::{Answer, Came, PutAside};
use spinover_protocol::{AlarmKey, record::Said};
use std::fmt::Write;

/// Alarms that are listed. A chattering one must not bury the page; the events have all of them.
const LISTED: usize = 100;

impl Page<'_> {
    /// The numbers and times of first-priority alarms, for the time axis.
    pub(super) fn first_alarms(&self) -> Vec<(usize, f64)> {
        let came = self.alarmed.came.iter().enumerate();
        came.take(LISTED)
            .filter(|(_, came)| self.priority(&came.alarm) == 1)
            .map(|(n, came)| (n + 1, self.since(came.at)))
            .collect()
    }

    pub(super) fn alarms(&self, out: &mut String) {
        let (came, aside) = (&self.alarmed.came, &self.alarmed.aside);
        if came.is_empty() && aside.is_empty() {
            if !self.timeline.warmup().car.alarms.is_empty() {
                out.push_str("<section><h2>Alarms</h2><p>None came.</p></section>\n");
            }
            return;
        }
        out.push_str("<section><h2>Alarms</h2>");
        if !came.is_empty() {
            out.push_str("<table><thead><tr><th>No.</th><th>Came</th><th>Alarm</th><th>Answered</th></tr></thead><tbody>");
            for (n, came) in came.iter().take(LISTED).enumerate() {
                self.alarm(n + 1, came, out);
            }
            out.push_str("</tbody></table>");
        }
        if came.len() > LISTED {
            let _ = write!(
                out,
                r#"<p class="hint">{} more came; the exported events have them.</p>"#,
                came.len() - LISTED
            );
        }
        if !aside.is_empty() {
            out.push_str("<h3>Put aside</h3><ul>");
            for aside in aside {
                self.put_aside(aside, out);
            }
            out.push_str("</ul>");
        }
        out.push_str("</section>\n");
    }

    fn alarm(&self, number: usize, came: &Came, out: &mut String) {
        let car = &self.timeline.warmup().car;
        let alarm = car.alarm(&came.alarm);
        let priority = self.priority(&came.alarm);
        let _ = write!(
            out,
            r#"<tr{}><td class="n">A{number}</td><td class="n">{}</td><td>{} <span class="at">priority {priority}</span>"#,
            if priority == 1 {
                r#" class="first""#
            } else {
                ""
            },
            clock(self.since(came.at)),
            self.alarm_words(&came.alarm)
        );
        let channel = alarm.and_then(|alarm| car.channel(alarm.watch.channel()?));
        if let Some(((_, channel), reading)) = channel.zip(came.value) {
            let _ = write!(
                out,
                r#" <span class="at">{} {} {}</span>"#,
                escape(&channel.label),
                value(channel, reading),
                channel.unit
            );
        }
        if let Some(after) = &came.after {
            let _ = write!(out, " <em>followed from: {}</em>", self.alarm_words(after));
        }
        let went = came.returned_at.map_or_else(
            || "still so at the end".to_owned(),
            |at| {
                format!(
                    "gone {}, after {:.1} s",
                    clock(self.since(at)),
                    (at - came.at) as f64 / 1e3
                )
            },
        );
        let _ = write!(out, r#" <span class="went">{went}"#);
        if let Some(reset) = &came.reset {
            let _ = write!(out, "; reset by {}", self.said(reset));
        }
        let answered = match &came.answer {
            Answer::NotAsked if came.after.is_some() => "with the one it followed from".to_owned(),
            Answer::NotAsked => "was put aside".to_owned(),
            Answer::Waits => "<em>nobody</em>".to_owned(),
            Answer::Acknowledged(said) => format!(
                "{}, after {:.1} s",
                by(said),
                (said.at - came.at) as f64 / 1e3
            ),
            Answer::PutAside(said) => {
                format!("put aside by {}: {}", self.said(said), escape(&said.text))
            }
        };
        let _ = write!(out, "</span></td><td>{answered}</td></tr>");
    }

    fn put_aside(&self, aside: &PutAside, out: &mut String) {
        let until = aside.until.map_or_else(
            || "out of service".to_owned(),
            |until| format!("until {}", clock(self.since(until))),
        );
        let back = aside.back.as_ref().map_or_else(
            || "not brought back".to_owned(),
            |back| format!("back {} by {}", clock(self.since(back.at)), by(back)),
        );
        let _ = write!(
            out,
            "<li><b>{}</b> by {}, {until}: {}; {back}</li>",
            self.alarm_words(&aside.alarm),
            self.said(&aside.said),
            escape(&aside.said.text)
        );
    }

    fn priority(&self, alarm: &AlarmKey) -> u8 {
        let alarm = self.timeline.warmup().car.alarm(alarm);
        alarm.map_or(u8::MAX, |alarm| alarm.priority)
    }

    fn alarm_words(&self, key: &AlarmKey) -> String {
        let alarm = self.timeline.warmup().car.alarm(key);
        escape(alarm.map_or(key.as_str(), |alarm| &alarm.text))
    }

    fn said(&self, said: &Said) -> String {
        format!("{}, {}", by(said), clock(self.since(said.at)))
    }
}

fn by(said: &Said) -> String {
    escape(said.by.as_ref().map_or("the hub", |by| &by.name))
}
