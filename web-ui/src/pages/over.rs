//! What lies over a page until it is closed: a sheet from the foot of a phone, a panel on anything larger.

use super::{
    bands::Bands,
    calibrate::Calibrate,
    cautions::Cautions,
    menu::Menu,
    more::{More, SkipSheet},
    recording::Recording,
    roles::Roles,
    trend::Trend,
    warmup::WarmupSheet,
};
use crate::{
    app::app,
    parts::{
        alarms::{AlarmLine, AlarmList},
        call_sheet::CallSheet,
        devices::Devices,
        keyboard::Shortcuts,
        train::TrainSheet,
        typed::TypeSheet,
    },
    pure::route::Over,
    words::{Word as W, say},
};
use leptos::{ev, html, prelude::*};

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
            let (title, body) = match over {
                Over::Call => (say(W::Call), view! { <CallSheet/> }.into_any()),
                Over::Menu => (say(W::Menu), view! { <Menu/> }.into_any()),
                Over::Type => (say(W::TypeTitle), view! { <TypeSheet/> }.into_any()),
                Over::Train => (say(W::TrainTitle), view! { <TrainSheet/> }.into_any()),
                Over::Cautions => (say(W::CautionsTitle), view! { <Cautions/> }.into_any()),
                Over::Roles => (say(W::RoleTitle), view! { <Roles/> }.into_any()),
                Over::Calibrate => (say(W::Calibrate), view! { <Calibrate/> }.into_any()),
                Over::Bands => (say(W::Bands), view! { <Bands/> }.into_any()),
                Over::Alarms => (say(W::Alarms), view! { <AlarmList/> }.into_any()),
                Over::Devices => (say(W::Devices), view! { <Devices/> }.into_any()),
                Over::Shortcuts => (say(W::Shortcuts), view! { <Shortcuts/> }.into_any()),
                Over::More => (say(W::MoreTitle), view! { <More/> }.into_any()),
                Over::Trend(channel) => (say(W::TrendTitle), view! { <Trend channel=channel.as_str().into()/> }.into_any()),
                Over::Skip(step) => (say(W::Skip), view! { <SkipSheet step=step.as_str().into()/> }.into_any()),
                Over::Recording => (say(W::RecordingTitle), view! { <Recording/> }.into_any()),
                Over::Warmup(id) => (say(W::MoreTitle), view! { <WarmupSheet id=id/> }.into_any()),
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
