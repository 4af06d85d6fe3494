//! The page for the laptop in the pit: how to join, who is here, how the sources are doing, and the chief's way to the files.

use crate::{
    app::app,
    parts::{bus::TeamBus, laptops::SecondLaptop, people::People, sources::Sources},
    pure::route::Page,
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;

/// The laptop's page.
#[component]
pub fn Laptop() -> impl IntoView {
    let app = app();
    let chief = app.chief();
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
                let trust = join.trust.clone().map(|trust| view! {
                    <section class="join-here" data-test="trust-here">
                        <h2>{say(W::TrustHere)}</h2>
                        <div class="qr" data-test="trust-qr" role="img" aria-label=say(W::TrustHere) inner_html=trust.qr_svg></div>
                        <p class="address">{trust.url}</p>
                        <p class="label">{say(W::TrustPrint)}</p>
                        <p class="print" data-test="trust-print">{trust.fingerprint}</p>
                    </section>
                });
                view! {
                    <section class="join-here" data-test="join-here">
                        <h2>{say(W::JoinHere)}</h2>
                        <div class="qr" data-test="qr" role="img" aria-label=say(W::JoinHere) inner_html=join.qr_svg.clone()></div>
                        <p class="label">{say(W::JoinType)}</p>
                        <ul class="addresses">{addresses.collect_view()}</ul>
                        <p class="join-code" data-test="join-code-shown">{fill(W::JoinCodeIs, &[&code])}</p>
                    </section>
                    {trust}
                }
            })}
            <div class="laptop-side">
                <Show when=move || chief.get()>
                    <button type="button" class="key edit-open" data-test="edit-open" on:click=move |_| app.go(Page::Edit)>{say(W::EditTitle)}</button>
                </Show>
                <People/>
                <SecondLaptop/>
                <TeamBus/>
                <Sources all=true/>
            </div>
        </div>
    }
}
