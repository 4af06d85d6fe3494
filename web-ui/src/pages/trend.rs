//! One channel's last two minutes, large: values from left to right as in a strip, time downwards, the marks of steps across.

use crate::{
    app::app,
    parts::{pen, strip::Strip},
    pure::{
        show::{Scale, age},
        trace::KEEP_MS,
    },
    socket,
    words::{Word as W, fill, say},
};
use leptos::{ev, html, prelude::*};
use spinover_protocol::{ChannelKey, car::Channel};

/// One channel, large.
#[component]
pub fn Trend(
    /// Which.
    channel: ChannelKey,
) -> impl IntoView {
    let app = app();
    let (index, known) = app.channel(&channel)?;
    let canvas: NodeRef<html::Canvas> = NodeRef::new();
    let asked = RwSignal::new(None::<f64>);
    {
        let known = known.clone();
        Effect::new(move |_| {
            app.clock.track();
            if let Some(canvas) = canvas.get() {
                draw(&canvas, index, &known, asked.get());
            }
        });
    }
    let point = move |event: ev::PointerEvent| {
        if let Some(canvas) = canvas.get_untracked() {
            let box_ = canvas.get_bounding_client_rect();
            asked.set(Some(
                ((f64::from(event.client_y()) - box_.top()) / box_.height()).clamp(0.0, pen::PAST),
            ));
        }
    };
    let scale = Scale::of(&known, app.settings.get_untracked().units);
    let told = move || {
        app.clock.track();
        let share = asked.get()?;
        let now = socket::hub_now() as f64;
        let at = now - (1.0 - share / pen::PAST) * KEEP_MS;
        let (at, value) =
            socket::with_shell(|shell| shell.traces.get(index)?.near(at)).flatten()?;
        Some(fill(W::TrendAgo, &[&age(now - at)]) + ": " + &scale.text_unit(value))
    };
    Some(view! {
        <Strip channel=channel/>
        <p class="trend-told" data-test="trend-told">{told}</p>
        <div class="trend">
            <span class="trend-old">{fill(W::TrendAgo, &[&age(KEEP_MS)])}</span>
            <canvas class="trend-paper" node_ref=canvas on:pointerdown=point on:pointermove=move |event| { if event.buttons() > 0 { point(event) } }></canvas>
            <span class="trend-now">{say(W::TrendNow)}</span>
        </div>
    })
}

fn draw(canvas: &web_sys::HtmlCanvasElement, index: usize, channel: &Channel, asked: Option<f64>) {
    let now = socket::hub_now();
    let (width, height) = (
        f64::from(canvas.client_width()),
        f64::from(canvas.client_height()),
    );
    let past = height * pen::PAST;
    let drawn = socket::with_shell(|shell| {
        let band = crate::app::band_now(shell.link(), &channel.key);
        let trace = shell.traces.get(index)?;
        let place = pen::place(band, channel, Some(trace));
        let context = pen::stroke(
            canvas,
            trace,
            pen::ahead(shell.link(), channel),
            now,
            &place,
        )?;
        let warmup = shell.link().mirror().record.warmup.as_ref();
        let marks = warmup.iter().flat_map(|warmup| warmup.steps.iter());
        let marks: Vec<(f64, String)> = marks
            .map(|(key, mark)| (past * (1.0 - (now - mark.at) as f64 / KEEP_MS), key, mark))
            .filter(|(y, ..)| *y >= 0.0)
            .map(|(y, key, _)| {
                (
                    y,
                    warmup
                        .and_then(|warmup| warmup.sheet.step(key))
                        .map_or_else(|| key.to_string(), |(_, step)| step.text.clone()),
                )
            })
            .collect();
        Some((context, marks))
    });
    let Some((context, marks)) = drawn.flatten() else {
        return;
    };
    context.set_line_width(1.0);
    context.set_font("13px sans-serif");
    context.set_fill_style_str(&context.stroke_style().as_string().unwrap_or_default());
    // Now: what lies below it has not happened yet.
    context.begin_path();
    context.move_to(0.0, past);
    context.line_to(width, past);
    context.stroke();
    for (y, text) in marks {
        context.begin_path();
        context.move_to(0.0, y);
        context.line_to(width, y);
        context.stroke();
        let _ = context.fill_text_with_max_width(&text, 6.0, y - 4.0, width - 12.0);
    }
    if let Some(share) = asked {
        context.set_line_width(3.0);
        context.begin_path();
        context.move_to(0.0, share * height);
        context.line_to(width, share * height);
        context.stroke();
    }
}
