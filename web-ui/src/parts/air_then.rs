//! The air when the car will run, the flow that it wants, and the day's trend. It is told; nothing is set by it.

use crate::{
    app::{App, app, clock_text},
    pure::{
        air_then::{Plot, SIZE, plot},
        show::Scale,
    },
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    event::Audience,
    link::Link,
    message::Command,
    turnaround::{AirThen, FlowThen, Likely},
    units::Unit,
};

/// A measurement older than this is said to be old, in minutes; as the hub has it for the air's own figure.
const OLD_MIN: i64 = 60;

fn scale(app: App, unit: Unit) -> Scale {
    let units = app.settings.read().units;
    let car = app.car.read();
    Scale::of_unit(
        unit,
        units,
        car.as_ref().map_or(&[][..], |car| &car.channels),
    )
}

/// A value and half its interval, in this phone's units: `703 ± 18 m`.
fn about(scale: Scale, likely: &Likely) -> String {
    let half = (likely.high - likely.low) / 2.0;
    format!(
        "{} ± {} {}",
        scale.text(likely.middle),
        scale.span(half),
        scale.unit.label()
    )
}

/// The flow in this phone's units, alone.
fn flow_text(app: App, flow: &FlowThen) -> String {
    scale(app, Unit::LitrePerMin).text_unit(flow.l_per_min.middle)
}

/// The air of the turnaround under way, and whether there is a call to the lanes.
fn air_of(link: &Link) -> Option<(AirThen, bool)> {
    let mirror = link.mirror();
    let open = mirror.record.turnaround.as_ref()?;
    let outlook = mirror.turnaround.as_ref()?.outlook.as_deref()?;
    let air = outlook.air.as_deref().cloned()?;
    open.closed_at
        .is_none()
        .then_some((air, open.lanes_at.is_some()))
}

/// The same in one line, for where there is no room: what it will be, and the flow.
#[component]
pub fn AirLine() -> impl IntoView {
    let app = app();
    let air = app.about(&[Topic::Record, Topic::Turnaround], air_of);
    let line = move |(air, _): (AirThen, bool)| {
        let altitude = about(scale(app, Unit::Metre), &air.altitude_m);
        let mut words = fill(W::AirLine, &[&clock_text(air.at), &altitude]);
        if let Some(flow) = &air.flow {
            let now = scale(app, Unit::LitrePerMin).text_unit(flow.now_l_per_min);
            words += &fill(W::AirLineFlow, &[&flow_text(app, flow), &now]);
        }
        view! { <p data-test="air-line">{words}</p> }
    };
    move || air.get().flatten().map(line)
}

/// The card; nothing where nobody measured the air, or no turnaround is under way.
#[component]
pub fn AirCard(
    /// With the key that calls the flow to the crew: where it is needed next.
    #[prop(optional)]
    call: bool,
) -> impl IntoView {
    let app = app();
    let air = app.about(&[Topic::Record, Topic::Turnaround], air_of);
    let shown = move || air.get().flatten();
    let chief = app.chief();
    let call_flow = move |_| {
        let told = shown().and_then(|(air, _)| Some((air.at, air.flow?)));
        if let Some((at, flow)) = told {
            app.want(Command::Call {
                to: Audience::All,
                text: fill(W::AirFlowCall, &[&flow_text(app, &flow), &clock_text(at)]),
            });
        }
    };
    let offers = move || call && chief.get() && shown().is_some_and(|(air, _)| air.flow.is_some());
    view! {
        <Show when=move || shown().is_some()>
            <div class="figure air-then" data-test="air-then">
                {move || shown().map(|(air, called)| card(app, &air, called))}
                <Show when=offers>
                    <button type="button" class="key" data-test="air-flow-call" on:click=call_flow>
                        {move || shown().and_then(|(air, _)| Some(fill(W::AirCallFlow, &[&flow_text(app, &air.flow?)])))}
                    </button>
                </Show>
            </div>
        </Show>
    }
}

fn card(app: App, air: &AirThen, called: bool) -> impl IntoView + use<> {
    let (altitude, temp) = (scale(app, Unit::Metre), scale(app, Unit::DegC));
    let title = if called { W::AirAtCall } else { W::AirAtEnd };
    let (seen_at, at) = (air.seen_at, air.at);
    let age = Memo::new(move |_| (app.second.get() * 1000 - seen_at) / 60_000);
    let old = move || {
        (age.get() > OLD_MIN).then(|| view! { <p class="wrong" data-test="air-old">{fill(W::AirOld, &[&age.get().to_string()])}</p> })
    };
    let mut notes = vec![
        fill(
            W::AirNow,
            &[
                &altitude.text_unit(air.altitude_now_m),
                &clock_text(air.seen_at),
            ],
        ),
        fill(
            W::AirTempThen,
            &[&about(temp, &air.temp_c), &temp.text_unit(air.temp_now_c)],
        ),
        fill(W::AirFrom, &[&air.readings.to_string()]),
    ];
    if air.odd > 0 {
        notes.push(fill(W::AirOdd, &[&air.odd.to_string()]));
    }
    let flow = air.flow.map(|flow| {
        let scale = scale(app, Unit::LitrePerMin);
        let mut words = fill(W::AirFlowNow, &[&scale.text_unit(flow.now_l_per_min)]);
        if flow.by_book {
            words += &(" · ".to_owned() + say(W::AirByBook));
        }
        (about(scale, &flow.l_per_min), words, flow.outside)
    });
    view! {
        <h2 class="name">{fill(title, &[&clock_text(at)])}</h2>
        <p class="figure-value"><span class="digits" data-test="air-altitude" data-metres=air.altitude_m.middle>{about(altitude, &air.altitude_m)}</span> <span>{say(W::AirAltitude)}</span></p>
        {flow.map(|(value, words, outside)| view! {
            <p class="figure-value"><span class="digits" data-test="air-flow">{value}</span> <span>{say(W::AirFlow)}</span></p>
            <p class="figure-words">{outside.then(|| view! { <strong class="look">{say(W::AirOutside)}</strong> })} {words}</p>
        })}
        {plot(air).map(|shown| drawn(app, air, &shown))}
        <p class="turn-note">{notes.join(" · ")}</p>
        {old}
    }
}

fn drawn(app: App, air: &AirThen, shown: &Plot) -> impl IntoView + use<> {
    let scale = scale(app, Unit::Metre);
    let (width, height) = SIZE;
    let dots = shown.seen.iter().map(|(x, y)| {
        // A dot is a line of no length with round ends: a circle would be drawn out with the plot.
        let d = format!("M{x:.1} {y:.1}h0");
        view! { <path class="air-seen" d=d></path> }
    });
    let from = air.trend.first().map_or(air.seen_at, |(at, _)| *at);
    view! {
        <div class="air-plot" aria-hidden="true">
            <div class="air-scale"><span>{scale.text_unit(shown.between_m.1)}</span><span>{scale.text_unit(shown.between_m.0)}</span></div>
            <svg viewBox=format!("0 -4 {width} {}", height + 8.0) preserveAspectRatio="none">
                <polygon class="air-band" points=shown.band.clone()></polygon>
                <polyline class="air-middle" points=shown.middle.clone()></polyline>
                <line class="air-line" x1=shown.now x2=shown.now y1="-4" y2={height + 4.0}></line>
                {dots.collect_view()}
            </svg>
            <div class="air-times"><span>{clock_text(from)}</span><span>{clock_text(air.at)}</span></div>
        </div>
    }
}
