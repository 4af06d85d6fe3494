//! One channel's last two minutes, large: values from left to right as in a strip, time downwards, the marks of steps across, and a line to
//! read values at.

use crate::{
    app::{app, wall_time},
    parts::{pen, strip::Strip},
    pure::{
        show::{Scale, age},
        trace::KEEP_MS,
    },
    socket,
    words::{Word as W, fill, say},
};
use leptos::{ev, html, prelude::*};
use spinover_protocol::{ChannelKey, car::Channel, link::Link};
use wasm_bindgen::JsCast;
use web_sys::CanvasRenderingContext2d;

/// The arrow keys move the line so far, in milliseconds; with Page Up and Down, ten times that.
const STEP_MS: f64 = 1_000.0;
/// Lines across stand so far apart, in milliseconds.
const GRID_MS: f64 = 30_000.0;
/// The size of the letters in the drawing, in CSS pixels.
const LETTERS: f64 = 14.0;
/// The longest name of a step in the drawing, in characters.
const NAME: usize = 24;

/// One channel, large.
#[component]
pub fn Trend(
    /// Which.
    channel: ChannelKey,
) -> impl IntoView {
    let app = app();
    let (index, known) = app.channel(&channel)?;
    let canvas: NodeRef<html::Canvas> = NodeRef::new();
    // The time that is asked for stays asked for, while its place moves up with the trace.
    let asked = RwSignal::new(None::<f64>);
    let scale = Scale::of(&known, app.settings.get_untracked().units);
    {
        let known = known.clone();
        Effect::new(move |_| {
            app.clock.track();
            if let Some(canvas) = canvas.get() {
                draw(&canvas, index, &known, scale, asked.get());
            }
        });
    }
    let point = move |event: &ev::PointerEvent| {
        if let Some(canvas) = canvas.get_untracked() {
            let box_ = canvas.get_bounding_client_rect();
            let share =
                ((f64::from(event.client_y()) - box_.top()) / box_.height()).clamp(0.0, pen::PAST);
            asked.set(Some(
                socket::hub_now() as f64 - (1.0 - share / pen::PAST) * KEEP_MS,
            ));
        }
    };
    let down = move |event: ev::PointerEvent| {
        // A finger that leaves the drawing sideways goes on moving the line.
        let target = event.current_target();
        if let Some(target) = target.and_then(|target| target.dyn_into::<web_sys::Element>().ok()) {
            let _ = target.set_pointer_capture(event.pointer_id());
        }
        point(&event);
    };
    let key = move |event: ev::KeyboardEvent| {
        let now = socket::hub_now() as f64;
        let by = match event.key().as_str() {
            "ArrowUp" | "ArrowLeft" => -STEP_MS,
            "ArrowDown" | "ArrowRight" => STEP_MS,
            "PageUp" => -10.0 * STEP_MS,
            "PageDown" => 10.0 * STEP_MS,
            "Home" => -KEEP_MS,
            "End" => KEEP_MS,
            _ => return,
        };
        event.prevent_default();
        let at = asked.get_untracked().unwrap_or(now) + by;
        asked.set(Some(at.clamp(now - KEEP_MS, now)));
    };
    // The second is enough for words; the drawing goes by tenths.
    let told = Memo::new(move |_| {
        app.second.track();
        let now = socket::hub_now() as f64;
        let asked = asked.get()?.max(now - KEEP_MS);
        let (at, value) =
            socket::with_shell(|shell| shell.traces.get(index)?.near(asked)).flatten()?;
        let ago = fill(W::TrendAgo, &[&age(now - at)]);
        Some(scale.text_unit(value) + " · " + &ago + " · " + &wall_time(at as i64))
    });
    let label = known.label.clone();
    let seconds = move || {
        app.second.track();
        asked.get().map_or(0.0, |at| {
            ((socket::hub_now() as f64 - at) / 1000.0).clamp(0.0, KEEP_MS / 1000.0)
        })
    };
    Some(view! {
        <Strip channel=channel/>
        <p class="trend-told" data-test="trend-told">{move || told.get().unwrap_or_else(|| say(W::TrendHint).to_owned())}</p>
        <div class="trend">
            <span class="trend-old">{fill(W::TrendAgo, &[&age(KEEP_MS)])}</span>
            <canvas
                class="trend-paper" data-test="trend-paper" node_ref=canvas
                tabindex="0" role="slider" aria-orientation="vertical" aria-label=fill(W::TrendLine, &[&label])
                aria-valuemin=move || (-KEEP_MS / 1000.0).to_string() aria-valuemax="0" aria-valuenow=move || format!("{:.0}", -seconds()) aria-valuetext=move || told.get()
                on:pointerdown=down on:pointermove=move |event| { if event.buttons() > 0 { point(&event) } } on:keydown=key
            ></canvas>
            <span class="trend-now">{say(W::TrendNow)}</span>
        </div>
    })
}

/// The steps that were marked, and how long ago in milliseconds.
fn marks(link: &Link, now: i64) -> Vec<(f64, String)> {
    let Some(warmup) = &link.mirror().record.warmup else {
        return Vec::new();
    };
    let marked = warmup.steps.iter().map(|(key, mark)| {
        let text = warmup
            .sheet
            .step(key)
            .map_or_else(|| key.to_string(), |(_, step)| step.text.clone());
        ((now - mark.at) as f64, text)
    });
    marked.filter(|(ago, _)| *ago <= KEEP_MS).collect()
}

fn draw(
    canvas: &web_sys::HtmlCanvasElement,
    index: usize,
    channel: &Channel,
    scale: Scale,
    asked: Option<f64>,
) {
    let now = socket::hub_now();
    let Some(brush) = pen::Brush::of(canvas) else {
        return;
    };
    let (width, height) = (brush.width, brush.height);
    let past = height * pen::PAST;
    let y_of = |ago: f64| past * (1.0 - ago / KEEP_MS);
    let drawn = socket::with_shell(|shell| {
        let band = crate::app::band_now(shell.link(), &channel.key);
        let trace = shell.traces.get(index)?;
        let place = pen::place(band, channel, Some(trace));
        let context = pen::stroke(
            &brush,
            trace,
            pen::ahead(shell.link(), channel),
            now,
            &place,
        );
        let found = asked.and_then(|asked| trace.near(asked));
        let found = found.map(|(at, value)| (y_of(now as f64 - at), place(value) * width));
        Some((context, marks(shell.link(), now), band, found))
    });
    let Some((context, marks, band, found)) = drawn.flatten() else {
        return;
    };
    context.set_font(&format!("600 {LETTERS}px sans-serif"));
    context.set_fill_style_str(&context.stroke_style().as_string().unwrap_or_default());
    context.set_line_width(1.0);
    // Now: what lies below it has not happened yet.
    line(context, (0.0, past), (width, past));
    let mut ago = GRID_MS;
    while ago < KEEP_MS {
        let y = y_of(ago);
        line(context, (width - 24.0, y), (width, y));
        right(
            context,
            &fill(W::Seconds, &[&(ago / 1000.0).to_string()]),
            width - 28.0,
            y + LETTERS / 3.0,
        );
        ago += GRID_MS;
    }
    if let Some(band) = band {
        // The ends of the band, at the lines that it lies between.
        right(
            context,
            &scale.text(band.low),
            width / 3.0 - 6.0,
            height - 8.0,
        );
        let _ = context.fill_text(
            &scale.text(band.high),
            width * 2.0 / 3.0 + 6.0,
            height - 8.0,
        );
    }
    let mut marks: Vec<_> = marks
        .into_iter()
        .map(|(ago, text)| (y_of(ago), text))
        .collect();
    marks.sort_by(|(one, _), (other, _)| other.total_cmp(one));
    let mut above = f64::INFINITY;
    for (y, text) in marks {
        line(context, (0.0, y), (width, y));
        // Of steps that were marked one upon the other only the latest is named: names upon each other would be none.
        if y < above - LETTERS - 2.0 {
            let _ = context.fill_text(&short(&text), 6.0, y - 4.0);
            above = y;
        }
    }
    if let Some((y, x)) = found {
        context.set_line_width(3.0);
        line(context, (0.0, y), (width, y));
        line(context, (x, 0.0), (x, past));
        context.begin_path();
        let _ = context.arc(x, y, 9.0, 0.0, std::f64::consts::TAU);
        context.stroke();
    }
}

/// A step's text up to its colon, or the beginning of it.
fn short(text: &str) -> String {
    let head = text.split(':').next().unwrap_or(text);
    if head.chars().count() <= NAME {
        return head.to_owned();
    }
    head.chars().take(NAME - 1).chain(['…']).collect()
}

fn line(context: &CanvasRenderingContext2d, from: (f64, f64), to: (f64, f64)) {
    context.begin_path();
    context.move_to(from.0, from.1);
    context.line_to(to.0, to.1);
    context.stroke();
}

/// Writes text that ends there.
fn right(context: &CanvasRenderingContext2d, text: &str, x: f64, y: f64) {
    context.set_text_align("right");
    let _ = context.fill_text(text, x, y);
    context.set_text_align("left");
}
