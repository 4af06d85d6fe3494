//! The pages: which one is shown, and what is common to all.

mod bands;
mod book;
mod calibrate;
mod cars;
mod cautions;
mod chief;
mod crew;
mod edit;
mod figures;
mod join;
mod laptop;
mod menu;
mod more;
mod over;
mod recording;
mod replay;
mod roles;
pub mod second;
mod trend;
mod turnaround;
mod wall;
mod warmup;

use crate::{
    app::{App, LinkView},
    parts::{
        alarms::AlarmLine,
        banners::{Banners, Notices, StopBars},
        bottom::Bottom,
        calls::{Incoming, Receipt, Takeover},
        header::Header,
        keyboard, pen,
    },
    pure::route::Page,
    rest,
    socket::{self, Topic},
    words::{Word as W, say},
};
use leptos::prelude::*;
use spinover_protocol::message::Farewell;

/// What stands before, or in place of, the pages.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Face {
    Join,
    Looking,
    Turned(Farewell),
    Roles,
    Cautions,
    In,
}

/// The whole app.
#[component]
pub fn Root() -> impl IntoView {
    let app = App::new();
    provide_context(app);
    app.start();
    pen::start();
    let face = Memo::new(move |_| {
        app.track(&[Topic::Welcome]);
        match &*app.link.read() {
            LinkView::None
            | LinkView::Refused(
                Farewell::WrongCode | Farewell::TooManyTries | Farewell::PutOut,
                _,
            ) => {
                return Face::Join;
            }
            LinkView::Refused(why, _) => return Face::Turned(*why),
            _ => {}
        }
        let welcomed = socket::with(|link| link.mirror().welcome.is_some()) == Some(true);
        let known = |key: &str| {
            app.car
                .read()
                .as_ref()
                .is_some_and(|car| car.roles.iter().any(|role| role.key.as_str() == key))
        };
        if !welcomed {
            Face::Looking
        } else if !known(&app.person.read().role) {
            Face::Roles
        } else if !app.cautioned.get() {
            Face::Cautions
        } else {
            Face::In
        }
    });
    rest::begin_when(app, move || face.get() == Face::In);
    // Another page begins at its top, however far the one before was scrolled; nothing else moves one, for a finger may be on its way.
    let page = app.page();
    Effect::new(move |before: Option<(Face, Page)>| {
        let now = (face.get(), page.get());
        if before.is_some_and(|before| before != now) {
            window().scroll_to_with_x_and_y(0.0, 0.0);
        }
        now
    });
    // Words are put in as a page is made: in another language, all of it is made anew.
    view! {
        <For each=move || [app.settings.read().language] key=|language| *language children=move |_| faces(face)/>
    }
}

fn faces(face: Memo<Face>) -> impl IntoView {
    move || match face.get() {
        Face::Join => view! { <join::Join/> }.into_any(),
        Face::Looking => view! { <join::Looking/> }.into_any(),
        Face::Turned(why) => view! { <join::Turned why=why/> }.into_any(),
        Face::Roles => view! { <main class="plain"><roles::Roles first=true/></main> }.into_any(),
        Face::Cautions => {
            view! { <main class="plain"><cautions::Cautions first=true/></main> }.into_any()
        }
        Face::In => view! { <Inside/> }.into_any(),
    }
}

/// A joined phone.
#[component]
fn Inside() -> impl IntoView {
    let app = crate::app::app();
    let page = app.page();
    let chief = app.chief();
    let lost = move || matches!(*app.link.read(), LinkView::Lost(_));
    let over_open = move || app.route.read().over.is_some();
    let wall = Memo::new(move |_| matches!(page.get(), Page::Wall | Page::Cars));
    let of = Memo::new(move |_| app.route.read().of.clone());
    keyboard::listen(app, chief);
    // The replay that is open, for as long as the address names it.
    let deck = Memo::new_with_compare(
        move |_| {
            (page.get() == Page::Replay)
                .then(|| Some((app.rest.get()?.open)(app, of.get()?)))
                .flatten()
        },
        |before, now| !matches!((before, now), (Some(None), Some(None))),
    );
    view! {
        <div class="app" data-test=move || format!("page-{}", page.get().key()) data-page=move || page.get().key() class:link-lost=lost class:over-open=over_open>
            // What must never scroll away: the step, the link, and whether the readings are live at all; or that they are a replay.
            <div class="head">
                {move || match deck.get() {
                    // A stop that stands, and the car's most urgent alarm, are true whatever is looked at; they stand outside what
                    // is played back.
                    Some(deck) => view! { <StopBars/><AlarmLine over_replay=true/>{app.rest.get_untracked().map(|rest| (rest.replay_head)(deck))} }.into_any(),
                    None => view! { <Header/><Banners/> }.into_any(),
                }}
                {rest::part(move |rest| (rest.practice)(wall))}
                // Under the step and the link, so that a call never hides that the link is lost.
                <Incoming wall=wall/>
            </div>
            <Show when=move || !matches!(page.get(), Page::Wall | Page::Cars | Page::Replay)>
                <Tabs page=page chief=chief/>
            </Show>
            <main>
                <Show when=move || matches!(page.get(), Page::Crew | Page::Chief | Page::Steps | Page::Laptop)>
                    {rest::part(|rest| (rest.late)())}
                    {rest::part(|rest| (rest.turnaround)())}
                </Show>
                {move || {
                    if let Some(deck) = deck.get() {
                        return app.rest.get_untracked().map_or_else(rest::coming, |rest| (rest.replay)(deck));
                    }
                    // What is being changed must not go because the hub takes another car up.
                    if page.get() != Page::Edit {
                        // Pages are built from the car: another car, other pages.
                        app.car.track();
                    }
                    match page.get() {
                        Page::Crew => view! { <crew::Crew/> }.into_any(),
                        page => app.rest.get().map_or_else(rest::coming, |rest| (rest.page)(page)),
                    }
                }}
            </main>
            <div class="foot">
                <Notices/>
                <Show when=move || !wall.get()>
                    <Receipt/>
                    <Bottom page=page/>
                </Show>
            </div>
            <over::Overlay/>
            <Takeover wall=wall/>
        </div>
    }
}

/// The pages that this person goes between.
pub fn tab_list(chief: bool) -> Vec<(Page, &'static str)> {
    let mut tabs = Vec::new();
    if chief {
        tabs.push((Page::Chief, say(W::PageChief)));
    }
    tabs.push((Page::Crew, say(W::PageCrew)));
    tabs.push((Page::All, say(W::PageAll)));
    if !chief {
        tabs.push((Page::Steps, say(W::PageSteps)));
    }
    tabs.push((Page::Figures, say(W::Figures)));
    tabs.push((Page::Book, say(W::PageBook)));
    tabs.push((Page::Laptop, say(W::PageLaptop)));
    tabs
}

#[component]
fn Tabs(page: Memo<Page>, chief: Memo<bool>) -> impl IntoView {
    let app = crate::app::app();
    view! {
        <nav class="tabs" class:for-chief=chief>
            {move || tab_list(chief.get()).into_iter().map(|(target, label)| view! {
                <button
                    type="button"
                    class="tab"
                    data-test=format!("go-{}", target.key())
                    aria-current=move || (page.get() == target).then_some("page")
                    on:click=move |_| app.go(target)
                >
                    {label}
                </button>
            }).collect_view()}
        </nav>
    }
}
