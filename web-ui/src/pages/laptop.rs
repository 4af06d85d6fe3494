//! The page for the laptop in the pit: how to join, who is here, how the sources are doing.

use crate::{
    app::app,
    parts::{laptops::SecondLaptop, people::People, sources::Sources},
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;

/// The laptop's page.
#[component]
pub fn Laptop() -> impl IntoView {
    let app = app();
    let join = app.about(&[Topic::Welcome], |link| {
        link.mirror()
            .welcome
            .as_ref()
            .map(|welcome| welcome.join.clone())
    });
    view! {
        <div class="laptop">
            {move || join.get().flatten().map(|join| {
                let code = join.urls.first().and_then(|url| url.split_once('#')).map(|(_, code)| code.to_owned()).unwrap_or_default();
                let addresses = join.urls.iter().map(|url| {
                    let address = url.split('#').next().unwrap_or(url).trim_end_matches('/').to_owned();
                    view! { <li class="address">{address}</li> }
                });
                view! {
                    <section class="join-here" data-test="join-here">
                        <h2>{say(W::JoinHere)}</h2>
                        <div class="qr" data-test="qr" role="img" aria-label=say(W::JoinHere) inner_html=join.qr_svg.clone()></div>
                        <p class="label">{say(W::JoinType)}</p>
                        <ul class="addresses">{addresses.collect_view()}</ul>
                        <p class="join-code" data-test="join-code-shown">{fill(W::JoinCodeIs, &[&code])}</p>
                    </section>
                }
            })}
            <div class="laptop-side">
                <People/>
                <SecondLaptop/>
                <Sources all=true/>
            </div>
        </div>
    }
}
