//! What people measured and typed in: the air, the mix, the chief's rule for the flow, calibrations, bleed turns, the time slip.

use super::{Page, clock, escape};
use spinover_protocol::{
    today::{TimeSlip, Told},
    units::Unit,
};
use std::fmt::Write;

/// A value in one unit, and in another behind it.
fn both(value: f64, unit: Unit, other: Unit) -> String {
    let there = unit.convert(value, other);
    there.map_or_else(
        || format!("{value:.1} {unit}"),
        |there| format!("{value:.1} {unit} ({there:.1} {other})"),
    )
}

impl Page<'_> {
    /// Everything that was typed in, as far as there is any.
    pub(super) fn day(&self, out: &mut String) {
        let warmup = self.timeline.warmup();
        let mut lines = Vec::new();
        if let Some(told) = &warmup.today.conditions {
            let air = &told.value;
            let place = air.place.as_deref().unwrap_or_default();
            lines.push((
                "Air",
                format!(
                    "{}, {}, {:.0} % humidity {}",
                    both(air.temp_c, Unit::DegC, Unit::DegF),
                    both(air.pressure_hpa, Unit::HectoPascal, Unit::InHg),
                    air.rh_pct,
                    escape(place)
                ),
                self.told(told),
            ));
        }
        if let Some(told) = &warmup.today.mix {
            let (sg, temp_c) = (told.value.sg, told.value.temp_c);
            let temp = both(temp_c, Unit::DegC, Unit::DegF);
            lines.push(("Mix", format!("gravity {sg:.3} at {temp}"), self.told(told)));
        }
        if let Some(told) = &warmup.today.flow {
            let flow = both(
                told.value.flow_l_per_min,
                Unit::LitrePerMin,
                Unit::UsGalPerMin,
            );
            let words = format!("{flow} at {:.3} kg/m3", told.value.density_kg_m3);
            lines.push(("Rule for the flow", words, self.told(told)));
        }
        for (key, told) in &warmup.today.calibrations {
            let Some((_, channel)) = warmup.car.channel(key) else {
                continue;
            };
            let (gain, offset) = (told.value.gain, told.value.offset);
            let label = escape(&channel.label);
            let words = format!("{label}: sensor × {gain:.4} {offset:+.3} {}", channel.unit);
            lines.push(("Calibrated", words, self.told(told)));
        }
        for told in &warmup.bleeds {
            let way = if told.value < 0.0 { "in" } else { "out" };
            let words = format!("{:.2} turns {way}", told.value.abs());
            lines.push(("Bleeds", words, self.told(told)));
        }
        if let Some(told) = &warmup.slip {
            lines.push(("Time slip", slip(&told.value), self.told(told)));
        }
        if lines.is_empty() {
            return;
        }
        out.push_str("<section><h2>The day and the run</h2><ul>");
        for (name, words, told) in lines {
            let _ = write!(
                out,
                r#"<li><b>{name}</b> {words} <span class="hint">{told}</span></li>"#
            );
        }
        out.push_str("</ul></section>\n");
    }

    /// Who said it, and when; what was known before the warm-up has no time in it.
    fn told<T>(&self, told: &Told<T>) -> String {
        let by = escape(told.by.as_ref().map_or("the hub", |by| &by.name));
        match self.since(told.at) {
            before if before < 0.0 => format!("{by}, before"),
            since => format!("{by}, {}", clock(since)),
        }
    }
}

/// What is on a slip, in the order in which it is printed there.
fn slip(slip: &TimeSlip) -> String {
    let lines = [
        ("reaction", slip.reaction_s, 3, "s"),
        ("60 ft", slip.t60_s, 3, "s"),
        ("330 ft", slip.t330_s, 3, "s"),
        ("", slip.v330_mph, 2, "mph"),
        ("660 ft", slip.t660_s, 3, "s"),
        ("", slip.v660_mph, 2, "mph"),
        ("1000 ft", slip.t1000_s, 3, "s"),
        ("", slip.v1000_mph, 2, "mph"),
    ];
    let words = lines
        .into_iter()
        .filter_map(|(name, value, decimals, unit)| {
            let value = value?;
            Some(
                format!("{name} {value:.decimals$} {unit}")
                    .trim()
                    .to_owned(),
            )
        });
    words.collect::<Vec<_>>().join(", ")
}
