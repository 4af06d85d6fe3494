//! Calibration: the chief says what is true at one point, or at two, and sees what the sensor says and what is then shown.

use crate::{
    app::{App, app, wall_time},
    pure::{draft::typed_number, show::Scale, trace::Trace},
    socket::{self, Topic},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    ChannelKey,
    car::Channel,
    link::Link,
    message::{Command, Quality},
    trust::{Calibration, Point},
};

/// A point is the mean of the sensor over this long, in milliseconds: noise must not become an error for the rest of the day.
const OVER_MS: f64 = 2_000.0;

/// The calibration that holds for a channel, and whether the chief set it.
fn holds(link: &Link, key: &ChannelKey) -> (Calibration, Option<i64>) {
    let mirror = link.mirror();
    let set = mirror
        .record
        .warmup
        .as_ref()
        .and_then(|warmup| warmup.today.calibrations.get(key));
    let file = || {
        let welcome = mirror.welcome.as_ref()?;
        Some(welcome.car.channel(key)?.1.sensor.calibration)
    };
    match set {
        Some(told) => (told.value, Some(told.at)),
        None => (file().unwrap_or_default(), None),
    }
}

/// What the sensor itself says: its mean over the last seconds, without the calibration. Nothing where a person typed the reading in
/// or it cannot be believed.
fn sensor_now(
    app: App,
    index: usize,
    (calibration, set_at): (Calibration, Option<i64>),
) -> Option<f64> {
    let reading = app.reading(index)?;
    let reading = reading.get_untracked();
    if reading.typed || reading.quality != Quality::Good {
        return None;
    }
    // What was shown before the calibration was set says nothing by it.
    let from = (socket::hub_now() as f64 - OVER_MS).max(set_at.unwrap_or_default() as f64);
    let mean = |trace: &Trace| trace.mean_since(from);
    let mean = socket::with_shell(|shell| shell.traces.get(index).and_then(mean)).flatten();
    Some(calibration.raw(mean.or(reading.value)?))
}

/// Every channel, each with its own points.
#[component]
pub fn Calibrate() -> impl IntoView {
    let app = app();
    let rows = move || {
        app.car.get().map(|car| {
            let row = |(index, channel): (usize, &Channel)| view! { <Row index=index channel=channel.clone()/> };
            car.channels.iter().enumerate().map(row).collect_view()
        })
    };
    view! {
        <p class="hint">{say(W::CalibrateHint)}</p>
        {rows}
    }
}

#[component]
fn Row(index: usize, channel: Channel) -> impl IntoView {
    let app = app();
    let scale = Scale::of(&channel, app.settings.get_untracked().units);
    let key = channel.key.clone();
    let span = channel.plausible.high - channel.plausible.low;
    let points = RwSignal::new(Vec::<Point>::new());
    let text = RwSignal::new(String::new());
    let of = key.clone();
    let held = app.about(&[Topic::Record, Topic::Welcome], move |link| {
        holds(link, &of)
    });
    let calibration = move || held.get().unwrap_or_default().0;
    let typed = move || {
        let typed = typed_number(&text.read())?;
        Some(scale.back(typed))
    };
    // The means move on by themselves, so they are looked at with the clock.
    let sensor = Memo::new(move |_| {
        app.clock.track();
        sensor_now(app, index, held.get().unwrap_or_default())
    });
    let now = move || {
        let shown = |value: Option<f64>| {
            value.map_or(say(W::NoValue).to_owned(), |value| scale.text_unit(value))
        };
        let raw = sensor.get();
        fill(
            W::CalibrateNow,
            &[&shown(raw), &shown(raw.map(|raw| calibration().apply(raw)))],
        )
    };
    let standing = move || {
        let (calibration, set) = held.get().unwrap_or_default();
        let from = match set {
            Some(at) => fill(W::CalibrateSetAt, &[&wall_time(at)]),
            None if calibration.is_none() => return say(W::CalibrateNone).to_owned(),
            None => say(W::CalibrateFile).to_owned(),
        };
        formula(&scale, &calibration) + ", " + &from
    };
    let made = move || {
        let points = points.read();
        (!points.is_empty()).then(|| Calibration::through(&points, calibration().gain, span))
    };
    let take = move |_| {
        if let (Some(truth), Some(raw)) = (typed(), sensor.get_untracked()) {
            points.update(|points| points.push(Point { raw, truth }));
            text.set(String::new());
        }
    };
    let cannot_take =
        move || typed().is_none() || sensor.get().is_none() || points.read().len() >= 2;
    let send = {
        let key = key.clone();
        move |points: Vec<Point>| {
            let channel = key.clone();
            app.want(Command::Calibrate { channel, points });
        }
    };
    let clear = send.clone();
    let list = move || {
        let line = |point: &Point| {
            let words = fill(
                W::CalibratePoint,
                &[&scale.text_unit(point.raw), &scale.text_unit(point.truth)],
            );
            view! { <li data-test="cal-point">{words}</li> }
        };
        points.read().iter().map(line).collect_view()
    };
    let outcome = move || match made()? {
        Ok(calibration) => Some(formula(&scale, &calibration)),
        Err(_) => Some(say(W::CalibrateBad).to_owned()),
    };
    let set_word = move || match points.read().len() {
        2 => say(W::CalibrateTwo),
        _ => say(W::CalibrateOne),
    };
    view! {
        <details class="form cal-row" data-test=format!("cal-{key}")>
            <summary class="key" data-test=format!("cal-{key}-open")>{channel.label.clone()} " " <small>{standing}</small></summary>
            <p class="cal-now" data-test=format!("cal-{key}-now")>{now}</p>
            <label class="entry">
                <span>{say(W::CalibrateTrue)} " " <small>{scale.unit.label()}</small></span>
                <input type="text" inputmode="decimal" autocomplete="off" maxlength="10" data-test=format!("cal-{key}-true") prop:value=text on:input=move |event| text.set(event_target_value(&event))/>
            </label>
            <button type="button" class="key" data-test=format!("cal-{key}-take") disabled=cannot_take on:click=take>{say(W::CalibrateTake)}</button>
            <ul>{list}</ul>
            <p class="cal-made" class:wrong=move || made().is_some_and(|made| made.is_err())>{outcome}</p>
            <div class="choices wide">
                <button
                    type="button" class="key primary" data-test=format!("cal-{key}-set")
                    disabled=move || made().is_none_or(|made| made.is_err())
                    on:click=move |_| { send(points.get_untracked()); points.set(Vec::new()); }
                >{set_word}</button>
                <button type="button" class="key" data-test=format!("cal-{key}-again") disabled=move || points.read().is_empty() on:click=move |_| points.set(Vec::new())>{say(W::CalibrateAgain)}</button>
                <button type="button" class="key" data-test=format!("cal-{key}-clear") disabled=move || held.get().unwrap_or_default().1.is_none() on:click=move |_| clear(Vec::new())>{say(W::BandClear)}</button>
            </div>
        </details>
    }
}

/// `sensor × 1.020 − 2.5 psi`, in the phone's units. What a sensor's 0 becomes is the shift, also where two units have two noughts.
fn formula(scale: &Scale, calibration: &Calibration) -> String {
    let offset = scale.value(calibration.apply(scale.back(0.0)));
    let digits = usize::from(scale.decimals) + 1;
    let sign = if offset < 0.0 { "\u{2212}" } else { "+" };
    fill(
        W::CalibrateFormula,
        &[
            &format!("{:.3}", calibration.gain),
            sign,
            &format!("{:.digits$}", offset.abs()),
            scale.unit.label(),
        ],
    )
}
