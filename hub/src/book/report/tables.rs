//! The tables of the report: steps with times and names, calls with who saw them.

use super::{Page, clock, escape, value};
use crate::book::timeline::Done;
use spinover_protocol::{Millis, PersonId, event::Audience, record::Call};
use std::fmt::Write;

impl Page<'_> {
    pub(super) fn steps(&self, out: &mut String) {
        if self.timeline.done.is_empty() {
            return;
        }
        out.push_str("<section><h2>Steps</h2><table><thead><tr><th>No.</th><th>Time</th><th>Step</th><th>Marked by</th></tr></thead><tbody>");
        let mut phase = "";
        for (n, done) in self.timeline.done.iter().enumerate() {
            if done.phase != phase {
                phase = &done.phase;
                let _ = write!(
                    out,
                    r#"<tr class="phase"><th colspan="4">{}</th></tr>"#,
                    escape(phase)
                );
            }
            self.step(n + 1, done, out);
        }
        out.push_str("</tbody></table>");
        let warmup = self.timeline.warmup();
        let undone: Vec<String> = warmup
            .sheet
            .steps()
            .filter(|(_, step)| !warmup.steps.contains_key(&step.key))
            .map(|(_, step)| escape(&step.text))
            .collect();
        if !undone.is_empty() {
            let _ = write!(
                out,
                "<h3>Not marked</h3><ul><li>{}</li></ul>",
                undone.join("</li><li>")
            );
        }
        out.push_str("</section>\n");
    }

    fn step(&self, number: usize, done: &Done, out: &mut String) {
        let by = done.by.as_ref().map_or("the hub", |by| &by.name);
        let _ = write!(
            out,
            r#"<tr><td class="n">{number}</td><td class="n">{}</td><td>{}"#,
            clock(self.since(done.at)),
            escape(&done.text)
        );
        if let Some(reason) = &done.skipped {
            let _ = write!(out, r#" <strong>Skipped: {}</strong>"#, escape(reason));
        }
        let car = &self.timeline.warmup().car;
        for (key, reading) in &done.readings {
            let Some((_, channel)) = car.channel(key) else {
                continue;
            };
            let _ = write!(
                out,
                r#" <span class="at">{} {} {}</span>"#,
                escape(&channel.label),
                value(channel, *reading),
                channel.unit
            );
        }
        let _ = write!(out, "</td><td>{}", escape(by));
        if let Some(asked) = &done.asked_by {
            let _ = write!(out, " agreed, {} asked", escape(&asked.name));
        }
        out.push_str("</td></tr>");
    }

    pub(super) fn calls(&self, out: &mut String) {
        let warmup = self.timeline.warmup();
        if warmup.calls.is_empty() {
            return;
        }
        out.push_str("<section><h2>Calls</h2><table class=\"calls\"><thead><tr><th>Time</th><th>From</th><th>To</th><th>Words</th><th>Seen by, after</th></tr></thead><tbody>");
        for call in &warmup.calls {
            self.call(call, out);
        }
        out.push_str("</tbody></table></section>\n");
    }

    fn call(&self, call: &Call, out: &mut String) {
        let car = &self.timeline.warmup().car;
        let to = match &call.to {
            Audience::All => "all".to_owned(),
            Audience::Role(key) => car
                .role(key)
                .map_or(key.to_string(), |role| role.label.clone()),
        };
        let _ = write!(
            out,
            r#"<tr{}><td class="n">{}</td><td>{}</td><td>{}</td><td>{}{}</td><td>"#,
            if call.stop { r#" class="stop""# } else { "" },
            clock(self.since(call.said.at)),
            escape(call.said.by.as_ref().map_or("the hub", |by| &by.name)),
            escape(&to),
            if call.stop {
                "<strong>STOP</strong> "
            } else {
                ""
            },
            escape(&call.said.text)
        );
        let mut seen: Vec<(&PersonId, &Millis)> = call.seen.iter().collect();
        seen.sort_by_key(|(_, at)| **at);
        let seen: Vec<String> = seen
            .into_iter()
            .map(|(id, at)| {
                format!(
                    "{} {:.1} s",
                    escape(self.name(id)),
                    (at - call.said.at) as f64 / 1e3
                )
            })
            .collect();
        let people = self
            .timeline
            .record
            .people
            .values()
            .map(|person| &person.who);
        let not: Vec<String> = people
            .filter(|who| call.is_for(who) && !call.seen.contains_key(&who.id))
            .map(|who| escape(&who.name))
            .collect();
        out.push_str(&seen.join(", "));
        if !not.is_empty() {
            let _ = write!(
                out,
                "{}<em>not seen by {}</em>",
                if seen.is_empty() { "" } else { "; " },
                not.join(", ")
            );
        }
        out.push_str("</td></tr>");
    }
}
