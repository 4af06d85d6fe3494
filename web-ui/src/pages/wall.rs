//! The view for a wall: no keys, everything large.

use crate::{
    app::app,
    parts::{
        figures::Figures,
        step_card::{Waits, current_waiting},
        strip::Strip,
    },
    socket::Topic,
};
use leptos::prelude::*;
use spinover_protocol::{ChannelKey, link::Link};

/// More strips than this stand in two columns.
const ONE_COLUMN: usize = 7;

fn wall_strips(link: &Link) -> Vec<ChannelKey> {
    let Some(welcome) = &link.mirror().welcome else {
        return Vec::new();
    };
    let wall = welcome
        .car
        .role(&"wall".into())
        .or_else(|| welcome.car.role(&welcome.you.role))
        .filter(|role| !role.strips.is_empty());
    let keys = match wall {
        Some(role) => role.strips.clone(),
        None => welcome
            .car
            .channels
            .iter()
            .map(|channel| channel.key.clone())
            .collect(),
    };
    keys.into_iter()
        .filter(|key| welcome.car.channel(key).is_some())
        .collect()
}

/// The wall.
#[component]
pub fn Wall() -> impl IntoView {
    let app = app();
    let strips = app.about(&[Topic::Welcome], wall_strips);
    let waiting = current_waiting();
    let count = move || strips.read().as_ref().map_or(0, Vec::len);
    let many = move || if count() > ONE_COLUMN { "yes" } else { "no" };
    view! {
        <div class="wall">
            <div
                class="strips"
                data-many=many
                style:--rows=move || count().div_ceil(2).to_string()
            >
                {move || strips.get().unwrap_or_default().into_iter().map(|key| view! { <Strip channel=key/> }).collect_view()}
            </div>
            <div class="wall-side">
                <Waits waiting=waiting/>
                <Figures/>
            </div>
        </div>
    }
}
