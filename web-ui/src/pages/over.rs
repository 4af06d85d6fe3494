//! What lies over a page until it is closed: a sheet from the foot of a phone, a panel on anything larger.

use super::{cautions::Cautions, roles::Roles};
use crate::{
    app::app,
    parts::alarms::AlarmLine,
    pure::route::Over,
    rest,
    words::{Word as W, say},
};
use leptos::{ev, html, prelude::*};

fn title(over: &Over) -> &'static str {
    say(match over {
        Over::Call => W::Call,
        Over::Menu => W::Menu,
        Over::Type => W::TypeTitle,
        Over::Train => W::TrainTitle,
        Over::Cautions => W::CautionsTitle,
        Over::Roles => W::RoleTitle,
        Over::Calibrate => W::Calibrate,
        Over::Bands => W::Bands,
        Over::Alarms => W::Alarms,
        Over::Devices => W::Devices,
        Over::Shortcuts => W::Shortcuts,
        Over::More | Over::Warmup(_) => W::MoreTitle,
        Over::Trend(_) => W::TrendTitle,
        Over::Skip(_) => W::Skip,
        Over::Recording => W::RecordingTitle,
    })
}

/// Whatever the address lays over the page.
#[component]
pub fn Overlay() -> impl IntoView {
    let app = app();
    let over = Memo::new(move |_| app.route.read().over.clone());
    let panel: NodeRef<html::Section> = NodeRef::new();
    Effect::new(move |_| {
        if let Some(panel) = panel.get() {
            let _ = panel.focus();
        }
    });
    let escape = window_event_listener(ev::keydown, move |event| {
        if event.key() == "Escape" && over.with_untracked(Option::is_some) {
            app.close();
        }
    });
    on_cleanup(move || escape.remove());
    move || {
        over.get().map(|over| {
            let title = title(&over);
            let body = match over {
                Over::Cautions => view! { <Cautions/> }.into_any(),
                Over::Roles => view! { <Roles/> }.into_any(),
                over => app.rest.get().map_or_else(rest::coming, |rest| (rest.over)(over)),
            };
            view! {
                <div class="shade" on:click=move |_| app.close()></div>
                <section class="over" data-test="over" role="dialog" aria-modal="true" aria-label=title tabindex="-1" node_ref=panel>
                    <AlarmLine/>
                    <div class="over-top">
                        <h2>{title}</h2>
                        <button type="button" class="key" data-test="over-close" on:click=move |_| app.close()>{say(W::Close)}</button>
                    </div>
                    <div class="over-body">{body}</div>
                </section>
            }
        })
    }
}
