//! The second laptop: how it follows, on the chief's page; and on every page, when this phone is at a laptop that is not in charge.

use super::hold_key::{HoldKey, MARK_MS};
use crate::{
    app::app,
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    hubs::{Hubs, Standing},
    link::Link,
    message::Command,
};

/// Where the other laptop is, without what every address begins with.
fn place(hubs: &Hubs) -> String {
    let first = hubs.other.as_ref().and_then(|other| other.urls.first());
    first.map_or_else(String::new, |url| {
        url.trim_start_matches("http://").to_owned()
    })
}

/// What this phone's hub says of the two; nothing for a laptop that is alone.
fn hubs(link: &Link) -> Option<(Hubs, bool)> {
    let hubs = &link.mirror().hubs;
    (hubs.other.is_some() || hubs.standing != Standing::InCharge)
        .then(|| (hubs.clone(), link.in_charge()))
}

/// How the second laptop follows, and the key that hands over to it.
#[component]
pub fn SecondLaptop() -> impl IntoView {
    let app = app();
    let shown = app.about(&[Topic::Hubs, Topic::Welcome], hubs);
    let chief = app.chief();
    move || {
        let (hubs, in_charge) = shown.get().flatten()?;
        let other = hubs.other.clone().filter(|_| in_charge)?;
        let state = match other.here {
            true => fill(W::SecondFollows, &[&other.behind.to_string()]),
            false => say(W::SecondNotThere).to_owned(),
        };
        let standing = if other.here { "follows" } else { "gone" };
        Some(view! {
            <section class="second-laptop" data-test="second-laptop" data-second=standing data-behind=other.behind.to_string()>
                <h2>{say(W::SecondLaptop)}</h2>
                <p class="second-state">
                    <span class="person-mark" class:gone=!other.here aria-hidden="true"></span>
                    <strong>{state}</strong>
                    <span class="second-place">{fill(W::SecondAt, &[&place(&hubs)])}</span>
                </p>
                <Show when=move || chief.get() && other.here>
                    <HoldKey label=say(W::HandOver) ms=MARK_MS test="hand-over" done=move |()| app.want(Command::TakeOver {})/>
                    <p class="hint">{say(W::HandOverHint)}</p>
                </Show>
            </section>
        })
    }
}

/// Says that nothing can be marked here, and why; on a standby whose first laptop has gone, the chief can let it take over.
#[component]
pub fn NotInCharge() -> impl IntoView {
    let app = app();
    let shown = app.about(&[Topic::Hubs, Topic::Welcome], hubs);
    let chief = app.chief();
    move || {
        let (hubs, in_charge) = shown.get().flatten()?;
        if in_charge {
            return None;
        }
        let first_here = hubs.other.as_ref().is_some_and(|other| other.here);
        let (key, title, words) = match hubs.standing {
            Standing::Standby if first_here => (
                "on-standby",
                W::OnStandby,
                say(W::StandbyFirstHere).to_owned(),
            ),
            Standing::Standby => (
                "on-standby",
                W::OnStandby,
                say(W::StandbyFirstGone).to_owned(),
            ),
            // One that has not heard of it yet is replaced all the same.
            Standing::Replaced | Standing::InCharge => (
                "on-replaced",
                W::OnReplaced,
                fill(W::ReplacedBy, &[&place(&hubs)]),
            ),
        };
        let takes = hubs.standing == Standing::Standby;
        Some(view! {
            <div class="banner still" data-test=key role="alert">
                <div>
                    <strong>{say(title)}</strong>
                    <span>{words}</span>
                </div>
                <Show when=move || takes && chief.get()>
                    <HoldKey label=say(W::TakeOverHold) ms=MARK_MS test="take-over" class="lift" done=move |()| app.want(Command::TakeOver {})/>
                </Show>
            </div>
        })
    }
}
