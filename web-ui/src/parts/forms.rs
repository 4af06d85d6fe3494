//! Small forms for what only a person can read: weather, mix, the rule for the flow, bleed turns, the time slip.

use super::form_can::Can;
use crate::{
    app::{App, app, wall_time},
    pure::{
        draft::typed_number,
        show::{Scale, number},
    },
    socket::{self, Topic},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    MAX_TEXT,
    link::Link,
    message::Command,
    record::Warmup,
    today::{Conditions, FlowBaseline, MixReading, TimeSlip, Told},
    units::Unit,
};

/// Steps in which bleeds are turned, outwards positive, and their names.
const TURNS: [(f64, &str); 6] = [
    (-0.5, "½"),
    (-0.25, "¼"),
    (-0.125, "⅛"),
    (0.125, "⅛"),
    (0.25, "¼"),
    (0.5, "½"),
];

/// A number that is typed in the phone's unit.
#[derive(Clone, Copy)]
pub(super) struct Entry {
    label: W,
    test: &'static str,
    pub(super) scale: Option<Scale>,
    /// It can lie below nought; number pads have no minus.
    signed: bool,
    text: RwSignal<String>,
}

impl Entry {
    pub(super) fn of(label: W, test: &'static str, unit: Unit) -> Self {
        let app = app();
        let units = app.settings.get_untracked().units;
        let car = app.car.get_untracked();
        let channels = car.as_ref().map_or(&[][..], |car| &car.channels);
        let scale = match unit {
            // A barometer and a time slip have units of their own, whatever the car's pressures and speeds are in.
            Unit::HectoPascal | Unit::MilePerHour => Scale::of_kind(unit, units, channels),
            unit => Scale::of_unit(unit, units, channels),
        };
        Self {
            label,
            test,
            scale: Some(scale),
            signed: false,
            text: RwSignal::new(String::new()),
        }
    }

    /// A bare number.
    fn bare(label: W, test: &'static str) -> Self {
        Self {
            label,
            test,
            scale: None,
            signed: false,
            text: RwSignal::new(String::new()),
        }
    }

    fn signed(self) -> Self {
        Self {
            signed: true,
            ..self
        }
    }

    pub(super) fn fill_in(self, value: f64, decimals: u8) -> Self {
        let shown = self.scale.map_or(value, |scale| scale.value(value));
        self.text
            .set(number(shown, decimals).replace('\u{2212}', "-"));
        self
    }

    /// What was typed, in the wire's unit.
    pub(super) fn value(self) -> Option<f64> {
        let typed = typed_number(&self.text.read())?;
        Some(self.scale.map_or(typed, |scale| scale.back(typed)))
    }

    pub(super) fn empty(self) -> bool {
        self.text.read().trim().is_empty()
    }

    pub(super) fn view(self) -> impl IntoView {
        let Self {
            label,
            test,
            scale,
            signed,
            text,
        } = self;
        let unit = scale.map_or("", |scale| scale.unit.label());
        let turn = move |_| {
            text.update(|text| match text.strip_prefix('-') {
                Some(rest) => *text = rest.to_owned(),
                None => text.insert(0, '-'),
            })
        };
        view! {
            <label class="entry">
                <span>{say(label)} " " <small>{unit}</small></span>
                <span class="entry-row">
                    <input type="text" inputmode="decimal" autocomplete="off" maxlength="10" data-test=test prop:value=text on:input=move |event| text.set(event_target_value(&event))/>
                    {signed.then(|| view! { <button type="button" class="key" data-test=format!("{test}-sign") aria-label=say(W::Sign) on:click=turn>"±"</button> })}
                </span>
            </label>
        }
    }
}

/// One form: a key that opens it, what was told last, the fields, and a key that sends them.
#[component]
pub(super) fn Form(
    title: W,
    test: &'static str,
    hint: W,
    /// What was told last, by whom and when.
    #[prop(into)]
    last: Signal<Option<String>>,
    /// What would be sent; nothing while it is not complete.
    command: Signal<Option<Command>>,
    send_word: W,
    children: Children,
) -> impl IntoView {
    let app = app();
    let send = move |_| {
        if let Some(command) = command.get_untracked() {
            app.want(command);
        }
    };
    view! {
        <details class="form" data-test=test>
            <summary class="key" data-test=format!("{test}-open")>{say(title)}</summary>
            <p class="hint">{say(hint)}</p>
            <div class="entries">{children()}</div>
            <button type="button" class="key primary" data-test=format!("{test}-send") disabled=move || command.read().is_none() on:click=send>{say(send_word)}</button>
            <p class="form-last" data-test=format!("{test}-last")>{last}</p>
        </details>
    }
}

fn told_words<T>(told: &Told<T>, what: &str) -> String {
    let by = told.by.as_ref().map_or("", |who| who.name.as_str());
    fill(W::ToldLast, &[what, by, &wall_time(told.at)])
}

/// What the record holds of it, in words.
pub(super) fn last<T: 'static>(
    app: App,
    of: fn(&Warmup) -> Option<&Told<T>>,
    words: impl Fn(&T) -> String + Send + Sync + 'static,
) -> Signal<Option<String>> {
    let look = move |link: &Link| {
        let told = of(link.mirror().record.warmup.as_ref()?)?;
        Some(told_words(told, &words(&told.value)))
    };
    let found = app.about(&[Topic::Record], look);
    Signal::derive(move || found.get().flatten())
}

/// Every form that this person may fill in.
#[component]
pub fn Forms() -> impl IntoView {
    let app = app();
    let units = Memo::new(move |_| app.settings.read().units);
    let chief = app.chief();
    move || {
        // What is half typed in one unit must not be read in another.
        units.track();
        view! {
            <div class="forms">
                <Bleed/>
                <Weather/>
                <Mix/>
                <Can/>
                {chief.get().then(|| view! { <Rule/> })}
                <Slip/>
            </div>
        }
    }
}

#[component]
fn Weather() -> impl IntoView {
    let app = app();
    let temp = Entry::of(W::AirTemp, "air-temp", Unit::DegC).signed();
    let pressure = Entry::of(W::AirPressure, "air-pressure", Unit::HectoPascal);
    let humidity = Entry::of(W::AirHumidity, "air-humidity", Unit::Percent);
    let place = RwSignal::new(String::new());
    let command = Signal::derive(move || {
        let (temp_c, pressure_hpa, rh_pct) = (temp.value()?, pressure.value()?, humidity.value()?);
        let place = Some(place.read().trim().to_owned()).filter(|place| !place.is_empty());
        Some(Command::SetConditions(Conditions {
            temp_c,
            pressure_hpa,
            rh_pct,
            place,
        }))
    });
    let shown = move |air: &Conditions| {
        let part = |entry: Entry, value: f64| {
            entry
                .scale
                .map_or_else(String::new, |scale| scale.text_unit(value))
        };
        [
            part(temp, air.temp_c),
            part(pressure, air.pressure_hpa),
            part(humidity, air.rh_pct),
        ]
        .join(", ")
    };
    view! {
        <Form title=W::Weather test="form-weather" hint=W::WeatherHint last=last(app, |warmup| warmup.today.conditions.as_ref(), shown) command=command send_word=W::Send>
            {temp.view()}
            {pressure.view()}
            {humidity.view()}
            <label class="entry">
                <span>{say(W::AirPlace)}</span>
                <input type="text" autocomplete="off" maxlength=MAX_TEXT data-test="air-place" prop:value=place on:input=move |event| place.set(event_target_value(&event))/>
            </label>
        </Form>
    }
}

#[component]
fn Mix() -> impl IntoView {
    let app = app();
    let gravity = Entry::bare(W::MixGravity, "mix-sg");
    let temp = Entry::of(W::MixTemp, "mix-temp", Unit::DegC);
    let command = Signal::derive(move || {
        Some(Command::MeasureMix(MixReading {
            sg: gravity.value()?,
            temp_c: temp.value()?,
        }))
    });
    let shown = move |mix: &MixReading| {
        number(mix.sg, 3)
            + ", "
            + &temp
                .scale
                .map_or_else(String::new, |scale| scale.text_unit(mix.temp_c))
    };
    view! {
        <Form title=W::Mix test="form-mix" hint=W::MixHint last=last(app, |warmup| warmup.today.mix.as_ref(), shown) command=command send_word=W::Send>
            {gravity.view()}
            {temp.view()}
        </Form>
    }
}

/// The rule in force: the chief's, else the car file's.
fn rule_now(link: &Link) -> Option<FlowBaseline> {
    let mirror = link.mirror();
    let set = mirror
        .record
        .warmup
        .as_ref()
        .and_then(|warmup| warmup.today.flow.as_ref())
        .map(|told| told.value);
    set.or_else(|| mirror.welcome.as_ref()?.car.fuel.as_ref()?.flow)
}

/// The air's density as the figure says it, and the temperature that was typed.
fn air_now(link: &Link) -> Option<(f64, f64)> {
    let mirror = link.mirror();
    let density = mirror
        .figures
        .iter()
        .find(|figure| figure.key == "air")?
        .value?;
    Some((
        density,
        mirror
            .record
            .warmup
            .as_ref()?
            .today
            .conditions
            .as_ref()?
            .value
            .temp_c,
    ))
}

#[component]
fn Rule() -> impl IntoView {
    let app = app();
    let flow = Entry::of(W::RuleFlow, "rule-flow", Unit::LitrePerMin);
    let density = Entry::of(W::RuleDensity, "rule-density", Unit::KilogramPerCubicMetre);
    let temp = Entry::of(W::AirTemp, "rule-temp", Unit::DegC).signed();
    let per_density = Entry::of(W::RulePerDensity, "rule-per-density", Unit::Percent);
    // The chief thinks in the phone's degrees; the wire in kelvin.
    let fahrenheit = temp.scale.is_some_and(|scale| scale.unit == Unit::DegF);
    let (per_degree_word, per_kelvin) = if fahrenheit {
        (W::RulePerDegF, 1.8)
    } else {
        (W::RulePerDegC, 1.0)
    };
    let per_degree = Entry::of(per_degree_word, "rule-per-degree", Unit::Percent).signed();
    let off = Entry::of(W::RuleOff, "rule-off", Unit::Percent);
    let rule = socket::with(rule_now).flatten();
    if let Some(rule) = rule {
        flow.fill_in(rule.flow_l_per_min, 2);
        density.fill_in(rule.density_kg_m3, 4);
        temp.fill_in(rule.temp_c, 1);
    }
    per_density.fill_in(rule.map_or(1.0, |rule| rule.pct_per_pct_density), 2);
    per_degree.fill_in(rule.map_or(0.0, |rule| rule.pct_per_k) / per_kelvin, 3);
    off.fill_in(rule.map_or(2.0, |rule| rule.sd_pct), 1);
    let air = app.about(&[Topic::Figures, Topic::Record], air_now);
    let take_air = move |_| {
        if let Some((now, temp_c)) = air.get_untracked().flatten() {
            density.fill_in(now, 4);
            temp.fill_in(temp_c, 1);
        }
    };
    let command = Signal::derive(move || {
        Some(Command::SetFlowBaseline(FlowBaseline {
            flow_l_per_min: flow.value()?,
            density_kg_m3: density.value()?,
            temp_c: temp.value()?,
            pct_per_pct_density: per_density.value()?,
            pct_per_k: per_degree.value()? * per_kelvin,
            sd_pct: off.value()?,
        }))
    });
    let shown = move |rule: &FlowBaseline| {
        flow.scale
            .map_or_else(String::new, |scale| scale.text_unit(rule.flow_l_per_min))
    };
    view! {
        <Form title=W::Rule test="form-rule" hint=W::RuleHint last=last(app, |warmup| warmup.today.flow.as_ref(), shown) command=command send_word=W::BandSet>
            {flow.view()}
            {density.view()}
            {temp.view()}
            <button type="button" class="key" data-test="rule-take-air" disabled=move || air.read().as_ref().is_none_or(Option::is_none) on:click=take_air>{say(W::RuleTakeAir)}</button>
            {per_density.view()}
            {per_degree.view()}
            {off.view()}
        </Form>
    }
}

fn turns_words(turns: f64) -> String {
    let size = TURNS
        .iter()
        .find(|(step, _)| *step == turns)
        .map_or_else(|| number(turns.abs(), 3), |(_, name)| (*name).to_owned());
    fill(if turns < 0.0 { W::BleedIn } else { W::BleedOut }, &[&size])
}

#[component]
fn Bleed() -> impl IntoView {
    let app = app();
    let picked = RwSignal::new(None::<f64>);
    let command = Signal::derive(move || picked.get().map(|turns| Command::MoveBleed { turns }));
    let keys = TURNS.into_iter().map(move |(turns, _)| {
        let test = format!("bleed-{}{}", if turns < 0.0 { "in-" } else { "out-" }, (turns.abs() * 8.0) as u8);
        let pressed = move || (picked.get() == Some(turns)).to_string();
        view! { <button type="button" class="key choice" data-test=test aria-pressed=pressed on:click=move |_| picked.set(Some(turns))>{turns_words(turns)}</button> }
    });
    // One turn is told once: after it is written down, the next has to be picked again.
    let count = app.about(&[Topic::Record], |link| {
        link.mirror()
            .record
            .warmup
            .as_ref()
            .map_or(0, |warmup| warmup.bleeds.len())
    });
    Effect::new(move |before: Option<usize>| {
        let now = count.get().unwrap_or_default();
        if before.is_some_and(|before| before != now) {
            picked.set(None);
        }
        now
    });
    view! {
        <Form title=W::Bleed test="form-bleed" hint=W::BleedHint last=last(app, |warmup| warmup.bleeds.last(), |turns| turns_words(*turns)) command=command send_word=W::BleedSend>
            <div class="choices bleed-keys">{keys.collect_view()}</div>
        </Form>
    }
}

#[component]
fn Slip() -> impl IntoView {
    let app = app();
    let time = |label, test| Entry::bare(label, test);
    let speed = |label, test| Entry::of(label, test, Unit::MilePerHour);
    let reaction = time(W::SlipReaction, "slip-reaction").signed();
    let times = [
        (W::Slip60, "slip-t60"),
        (W::Slip330, "slip-t330"),
        (W::Slip660, "slip-t660"),
        (W::Slip1000, "slip-t1000"),
    ]
    .map(|(label, test)| time(label, test));
    let speeds = [
        (W::SlipSpeed330, "slip-v330"),
        (W::SlipSpeed660, "slip-v660"),
        (W::SlipSpeed1000, "slip-v1000"),
    ]
    .map(|(label, test)| speed(label, test));
    let command = Signal::derive(move || {
        let mut entries = std::iter::once(reaction).chain(times).chain(speeds);
        // A field that is not empty and no number would be left out without a word.
        let bad = entries.any(|entry| !entry.empty() && entry.value().is_none());
        let some = times.iter().any(|entry| entry.value().is_some());
        let [t60_s, t330_s, t660_s, t1000_s] = times.map(Entry::value);
        let [v330_mph, v660_mph, v1000_mph] = speeds.map(Entry::value);
        (some && !bad).then(|| {
            Command::TypeSlip(TimeSlip {
                reaction_s: reaction.value(),
                t60_s,
                t330_s,
                t660_s,
                t1000_s,
                v330_mph,
                v660_mph,
                v1000_mph,
            })
        })
    });
    let shown = |slip: &TimeSlip| {
        [slip.t1000_s, slip.t660_s, slip.t330_s, slip.t60_s]
            .into_iter()
            .flatten()
            .next()
            .map_or_else(String::new, |time| number(time, 3) + " s")
    };
    view! {
        <Form title=W::Slip test="form-slip" hint=W::SlipHint last=last(app, |warmup| warmup.slip.as_ref(), shown) command=command send_word=W::Send>
            {reaction.view()}
            {times.map(Entry::view)}
            {speeds.map(Entry::view)}
        </Form>
    }
}
