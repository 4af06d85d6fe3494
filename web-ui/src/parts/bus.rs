//! How the team's bus is, on the chief's and the laptop's page.

use crate::{
    app::app,
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;

/// The bus; nothing where the hub has none.
#[component]
pub fn TeamBus() -> impl IntoView {
    let app = app();
    // Not the cars, which change all the time.
    let shown = app.about(&[Topic::Team, Topic::Welcome], |link| {
        let team = link.mirror().team.as_ref();
        team.map(|team| (team.here, team.waiting, team.why.clone()))
    });
    move || {
        let (here, waiting, why) = shown.get().flatten()?;
        let state = match here {
            true => fill(W::BusHere, &[&waiting.to_string()]),
            false => fill(W::BusGone, &[&waiting.to_string()]),
        };
        Some(view! {
            <section class="second-laptop" data-test="team-bus" data-bus=if here { "here" } else { "gone" } data-waiting=waiting.to_string()>
                <h2>{say(W::BusTitle)}</h2>
                <p class="second-state">
                    <span class="person-mark" class:gone=!here aria-hidden="true"></span>
                    <strong>{state}</strong>
                    <span class="second-place">{why}</span>
                </p>
            </section>
        })
    }
}
