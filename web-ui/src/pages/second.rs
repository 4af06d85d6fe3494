//! The pages and sheets of the app's second file; see [`crate::rest`].

use super::{
    bands::Bands, book::Book, calibrate::Calibrate, edit::Edit, figures::FiguresPage,
    laptop::Laptop, menu::Menu, more, more::SkipSheet, recording::Recording, replay, trend::Trend,
    turnaround::TurnaroundPage, wall::Wall, warmup::WarmupSheet,
};
use crate::{
    parts::{
        alarms::AlarmList, devices::Devices, keyboard::Shortcuts, train::TrainSheet,
        typed::TypeSheet,
    },
    player::Deck,
    pure::route::{Over, Page},
};
use leptos::prelude::*;

/// The body of a page; nothing for those of the first file.
pub fn page(page: Page) -> AnyView {
    match page {
        Page::Figures => view! { <FiguresPage/> }.into_any(),
        Page::Laptop => view! { <Laptop/> }.into_any(),
        Page::Turnaround => view! { <TurnaroundPage/> }.into_any(),
        Page::Wall => view! { <Wall/> }.into_any(),
        Page::Edit => view! { <Edit/> }.into_any(),
        Page::Book | Page::Replay => view! { <Book/> }.into_any(),
        Page::Crew | Page::All | Page::Steps | Page::Chief => ().into_any(),
    }
}

/// What lies over a page; nothing for those of the first file.
pub fn over(over: Over) -> AnyView {
    match over {
        Over::Menu => view! { <Menu/> }.into_any(),
        Over::Type => view! { <TypeSheet/> }.into_any(),
        Over::Train => view! { <TrainSheet/> }.into_any(),
        Over::Calibrate => view! { <Calibrate/> }.into_any(),
        Over::Bands => view! { <Bands/> }.into_any(),
        Over::Alarms => view! { <AlarmList/> }.into_any(),
        Over::Devices => view! { <Devices/> }.into_any(),
        Over::Shortcuts => view! { <Shortcuts/> }.into_any(),
        Over::More => view! { <more::More/> }.into_any(),
        Over::Trend(channel) => view! { <Trend channel=channel.as_str().into()/> }.into_any(),
        Over::Skip(step) => view! { <SkipSheet step=step.as_str().into()/> }.into_any(),
        Over::Recording => view! { <Recording/> }.into_any(),
        Over::Warmup(id) => view! { <WarmupSheet id=id/> }.into_any(),
        Over::Call | Over::Cautions | Over::Roles => ().into_any(),
    }
}

/// A replay's head.
pub fn replay_head(deck: Deck) -> AnyView {
    view! { <replay::ReplayHead deck=deck/> }.into_any()
}

/// A replay's page.
pub fn replay(deck: Deck) -> AnyView {
    view! { <replay::Replay deck=deck/> }.into_any()
}
