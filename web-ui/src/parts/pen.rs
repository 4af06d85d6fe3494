//! Draws the traces onto the strips' canvases, a few times a second, straight from the buffers: no nodes, no signals.

use crate::{
    app::{after_frame, band_now},
    player,
    pure::trace::{Pen, Trace, forecast_places, free_place},
    socket,
};
use leptos::{
    ev,
    prelude::{document, window_event_listener},
};
use spinover_protocol::{Millis, car::Band, car::Channel, link::Link};
use std::cell::{Cell, RefCell};
use wasm_bindgen::JsCast;
use web_sys::{CanvasRenderingContext2d, HtmlCanvasElement};

/// A trace moves a pixel in about half a second; drawing it five times a second is already smooth.
const DRAW_MS: f64 = 200.0;
/// So many turns draw all strips, so that no one of them keeps a slow phone from a touch.
const TURNS: usize = 4;
/// Asking for a box's size or its ink makes the browser lay the page out, so both are asked for seldom, in milliseconds.
const LOOK_MS: f64 = 1_000.0;
/// The share of a strip's height, from the top, that the past takes; the forecast has the rest.
pub const PAST: f64 = 0.7;

/// Where traces come from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Feed {
    /// The hub, now.
    #[default]
    Live,
    /// A warm-up that is played back.
    Replay,
    /// None: the reading alone is known.
    Still,
}

impl Feed {
    /// Looks at the trace of the channel at that place, where there is one.
    pub fn trace<T>(self, index: usize, look: impl FnOnce(Option<&Trace>) -> T) -> Option<T> {
        match self {
            Self::Live => socket::with_shell(|shell| look(shell.traces.get(index))),
            Self::Replay => player::with(|playback| look(playback.traces().get(index))),
            Self::Still => Some(look(None)),
        }
    }
}

struct Paper {
    id: u32,
    feed: Feed,
    index: usize,
    channel: Channel,
    canvas: HtmlCanvasElement,
    brush: Option<Brush>,
    looked: f64,
    drawn: f64,
}

/// A canvas as large as its box, and the ink of the stylesheet, so that day and night are chosen in one place.
pub struct Brush {
    context: CanvasRenderingContext2d,
    ink: String,
    /// The box's width in CSS pixels.
    pub width: f64,
    /// Its height.
    pub height: f64,
    ratio: f64,
}

impl Brush {
    /// Looks at a canvas, and makes it as large as its box.
    pub fn of(canvas: &HtmlCanvasElement) -> Option<Self> {
        let window = web_sys::window()?;
        let ratio = window.device_pixel_ratio().clamp(1.0, 3.0);
        let (width, height) = (
            f64::from(canvas.client_width()),
            f64::from(canvas.client_height()),
        );
        let (wide, high) = ((width * ratio) as u32, (height * ratio) as u32);
        if canvas.width() != wide || canvas.height() != high {
            canvas.set_width(wide);
            canvas.set_height(high);
        }
        let computed = window.get_computed_style(canvas).ok().flatten();
        let ink = computed.and_then(|style| style.get_property_value("color").ok());
        Some(Self {
            context: canvas.get_context("2d").ok()??.dyn_into().ok()?,
            ink: ink.unwrap_or_else(|| "#000".to_owned()),
            width,
            height,
            ratio,
        })
    }
}

thread_local! {
    static PAPERS: RefCell<Vec<Paper>> = const { RefCell::new(Vec::new()) };
    static NEXT: Cell<u32> = const { Cell::new(0) };
}

/// Starts the pen: called once.
pub fn start() {
    let _ = window_event_listener(ev::resize, |_| look_again());
    after_frame(|| {
        if document().hidden() {
            return;
        }
        let now = socket::now();
        PAPERS.with_borrow_mut(|papers| {
            let most = papers.len().div_ceil(TURNS);
            let due = papers
                .iter_mut()
                .filter(|paper| now - paper.drawn >= DRAW_MS);
            due.take(most).for_each(|paper| draw(paper, now));
        });
    });
}

/// The page has another size, or another light.
pub fn look_again() {
    PAPERS.with_borrow_mut(|papers| {
        for paper in papers {
            (paper.looked, paper.drawn) = (0.0, 0.0);
        }
    });
}

/// Draws that channel's trace on that canvas from now on; the number is for `forget`.
pub fn remember(feed: Feed, index: usize, channel: Channel, canvas: HtmlCanvasElement) -> u32 {
    let id = NEXT.replace(NEXT.get() + 1);
    PAPERS.with_borrow_mut(|papers| {
        papers.push(Paper {
            id,
            feed,
            index,
            channel,
            canvas,
            brush: None,
            looked: 0.0,
            drawn: 0.0,
        })
    });
    id
}

/// Draws it no more.
pub fn forget(id: u32) {
    PAPERS.with_borrow_mut(|papers| papers.retain(|paper| paper.id != id));
}

/// Where a value lies on a strip, from 0 to 1.
pub fn place(
    band: Option<Band>,
    channel: &Channel,
    trace: Option<&Trace>,
) -> Box<dyn Fn(f64) -> f64> {
    match band {
        Some(band) => Box::new(move |value| band.place(value)),
        None => Box::new(free_place(
            trace.and_then(Trace::extent),
            (channel.plausible.low, channel.plausible.high),
        )),
    }
}

fn draw(paper: &mut Paper, now: f64) {
    paper.drawn = now;
    if paper.brush.is_none() || now - paper.looked >= LOOK_MS {
        paper.looked = now;
        paper.brush = Brush::of(&paper.canvas);
    }
    let Paper {
        feed,
        index,
        channel,
        brush: Some(brush),
        ..
    } = paper
    else {
        return;
    };
    match feed {
        Feed::Live => {
            let now = socket::hub_now();
            socket::with_shell(|shell| {
                let band = band_now(shell.link(), &channel.key);
                if let Some(trace) = shell.traces.get(*index) {
                    let place = place(band, channel, Some(trace));
                    stroke(brush, trace, ahead(shell.link(), channel), now, &place);
                }
            });
        }
        Feed::Still => {}
        Feed::Replay => {
            player::with(|playback| {
                let band = player::band(playback, &channel.key);
                if let Some(trace) = playback.traces().get(*index) {
                    let place = place(band, channel, Some(trace));
                    stroke(brush, trace, &[], playback.at(), &place);
                }
            });
        }
    }
}

/// Where a figure expects the channel to go: seconds from now, and the value then.
pub fn ahead<'a>(link: &'a Link, channel: &Channel) -> &'a [(f64, f64)] {
    let forecasts = link
        .mirror()
        .figures
        .iter()
        .filter_map(|figure| figure.forecast.as_ref());
    forecasts
        .into_iter()
        .find(|ahead| ahead.channel == channel.key)
        .map_or(&[], |ahead| &ahead.points)
}

/// Clears the paper, and draws one trace and its dotted continuation.
pub fn stroke<'a>(
    brush: &'a Brush,
    trace: &Trace,
    ahead: &[(f64, f64)],
    now: Millis,
    place: &dyn Fn(f64) -> f64,
) -> &'a CanvasRenderingContext2d {
    let Brush {
        context,
        ink,
        width,
        height,
        ratio,
    } = brush;
    let (width, height) = (*width, *height);
    let _ = context.set_transform(*ratio, 0.0, 0.0, *ratio, 0.0, 0.0);
    context.clear_rect(0.0, 0.0, width, height);
    context.set_stroke_style_str(ink);
    context.set_line_width(2.0);
    context.set_line_join("round");
    // Half a line's width is kept free at both sides, so that a trace at the end of the strip is still seen.
    let inner = |value: f64| (1.5 + place(value) * (width - 3.0)) / width;
    context.begin_path();
    let mut marks = Vec::new();
    trace.draw(now as f64, width, height * PAST, inner, |pen| match pen {
        Pen::Move(x, y) => context.move_to(x, y),
        Pen::Line(x, y) => context.line_to(x, y),
        Pen::Mark(x, y) => marks.push((x, y)),
    });
    context.stroke();
    context.set_line_width(1.0);
    for (x, y) in marks {
        context.stroke_rect(x - 1.5, y - 1.5, 3.0, 3.0);
    }
    let places = forecast_places(ahead, width, height * PAST, height, inner);
    if let Some((x, y)) = places.first() {
        context.set_line_width(2.5);
        let _ = context.set_line_dash(&js_sys::Array::of2(&2.0.into(), &4.0.into()));
        context.begin_path();
        context.move_to(*x, *y);
        places[1..]
            .iter()
            .for_each(|(x, y)| context.line_to(*x, *y));
        context.stroke();
        let _ = context.set_line_dash(&js_sys::Array::new());
    }
    context
}
