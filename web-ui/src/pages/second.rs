//! The pages and sheets of the app's second file; see [`crate::rest`].

use super::{
    bands::Bands,
    book::Book,
    calibrate::Calibrate,
    cars::Cars,
    chief::Chief,
    crew::AllStrips,
    edit::Edit,
    figures::FiguresPage,
    laptop::Laptop,
    menu::Menu,
    more,
    more::SkipSheet,
    recording::Recording,
    replay,
    trend::Trend,
    turnaround::{TurnaroundLine, TurnaroundPage},
    wall::Wall,
    warmup::WarmupSheet,
};
use crate::{
    parts::{
        alarms::AlarmList, call_sheet::CallSheet, devices::Devices, figures::Figures,
        keyboard::Shortcuts, late::LateBars, practice::PracticeBars, step_card::MarkRow,
        steps::Steps, train::TrainSheet, typed::TypeSheet,
    },
    player::Deck,
    pure::route::{Over, Page},
};
use leptos::prelude::*;

/// The body of a page; nothing for the one of the first file.
pub fn page(page: Page) -> AnyView {
    match page {
        Page::All => view! { <AllStrips/> }.into_any(),
        Page::Steps => view! { <Steps/> }.into_any(),
        Page::Chief => view! { <Chief/> }.into_any(),
        Page::Figures => view! { <FiguresPage/> }.into_any(),
        Page::Laptop => view! { <Laptop/> }.into_any(),
        Page::Turnaround => view! { <TurnaroundPage/> }.into_any(),
        Page::Wall => view! { <Wall/> }.into_any(),
        Page::Cars => view! { <Cars/> }.into_any(),
        Page::Edit => view! { <Edit/> }.into_any(),
        Page::Book | Page::Replay => view! { <Book/> }.into_any(),
        Page::Crew => ().into_any(),
    }
}

/// What lies over a page; nothing for those of the first file.
pub fn over(over: Over) -> AnyView {
    match over {
        Over::Call => view! { <CallSheet/> }.into_any(),
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
        Over::Cautions | Over::Roles => ().into_any(),
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

/// The bars of a practice.
pub fn practice(wall: Memo<bool>) -> AnyView {
    view! { <PracticeBars wall=wall/> }.into_any()
}

/// What is late between rounds.
pub fn late() -> AnyView {
    view! { <LateBars/> }.into_any()
}

/// The line of the time between rounds.
pub fn turnaround() -> AnyView {
    view! { <TurnaroundLine/> }.into_any()
}

/// The key that marks the step.
pub fn mark() -> AnyView {
    view! { <MarkRow/> }.into_any()
}

/// The figures of one's role.
pub fn figures() -> AnyView {
    view! { <Figures/> }.into_any()
}
