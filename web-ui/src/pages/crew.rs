//! A crew member's page: the strips of their role, the first one large, and the role's figures. And all strips, for anyone.

use crate::{
    app::app,
    parts::{figures::Figures, header::step_now, strip::Strip},
    rest,
    socket::Topic,
    words::{Word as W, say},
};
use leptos::prelude::*;
use spinover_protocol::{ChannelKey, link::Link};

fn own_strips(link: &Link) -> Vec<ChannelKey> {
    let Some(welcome) = &link.mirror().welcome else {
        return Vec::new();
    };
    let strips = welcome
        .car
        .role(&welcome.you.role)
        .map(|role| role.strips.clone())
        .unwrap_or_default();
    strips
        .into_iter()
        .filter(|key| welcome.car.channel(key).is_some())
        .collect()
}

/// The caution of one's own step: whoever does it should read it, not only the chief.
#[component]
fn OwnCaution() -> impl IntoView {
    let app = app();
    let step = app.about(&[Topic::Record, Topic::Welcome], step_now);
    move || {
        let caution = step
            .get()
            .filter(|step| step.mine)
            .and_then(|step| step.caution);
        caution
            .map(|caution| view! { <p class="caution own" data-test="own-caution">{caution}</p> })
    }
}

/// The strips of one's role.
#[component]
pub fn OwnStrips(
    /// In a narrow column beside other things, and none larger than the others.
    #[prop(optional)]
    narrow: bool,
) -> impl IntoView {
    let app = app();
    let strips = app.about(&[Topic::Welcome], own_strips);
    let one = move |(place, key)| view! { <Strip channel=key first={place == 0 && !narrow}/> };
    view! {
        <div class="strips" class:narrow=narrow>
            {move || strips.get().unwrap_or_default().into_iter().enumerate().map(one).collect_view()}
        </div>
        <Show when=move || strips.read().as_ref().is_none_or(Vec::is_empty)>
            <p class="hint">{say(W::NoStrips)}</p>
        </Show>
    }
}

/// The role's page.
#[component]
pub fn Crew() -> impl IntoView {
    view! {
        <OwnCaution/>
        <OwnStrips/>
        {rest::part(|rest| (rest.figures)())}
    }
}

/// Every channel of the car.
#[component]
pub fn AllStrips() -> impl IntoView {
    let app = app();
    view! {
        <div class="strips all">
            {move || app.car.get().map(|car| car.channels.iter().map(|channel| view! { <Strip channel=channel.key.clone()/> }).collect_view())}
        </div>
        <Figures all=true/>
    }
}
