//! What everyone is told before they stand at the car, and finds again in the menu.
//!
//! Common practice, no source; every line defers to the rule book and the licensed people there.

use crate::{
    app::app,
    parts::practice,
    socket::Topic,
    store,
    words::{Word as W, say},
};
use leptos::prelude::*;

const CAUTIONS: [(W, W); 5] = [
    (W::CautionsNitroTitle, W::CautionsNitro),
    (W::CautionsHearTitle, W::CautionsHear),
    (W::CautionsFireTitle, W::CautionsFire),
    (W::CautionsLockTitle, W::CautionsLock),
    (W::CautionsReadTitle, W::CautionsRead),
];

/// The cautions.
#[component]
pub fn Cautions(
    /// Shown before the first page, with one key to go on.
    #[prop(optional)]
    first: bool,
) -> impl IntoView {
    let app = app();
    let understood = move |_| {
        store::set_cautions_read();
        app.cautioned.set(true);
        if !first {
            app.close();
        }
    };
    // Whoever comes to the simulator for the first time may begin with a minute of practice, once the hub can be asked for it.
    let live = app.live();
    let practises = app.about(&[Topic::Record, Topic::Sources, Topic::Welcome], |link| {
        practice::simulated(link) && practice::possible(link)
    });
    let practise = move |_| {
        practice::begin(app, false);
        store::set_cautions_read();
        app.cautioned.set(true);
    };
    let list = CAUTIONS.into_iter().map(|(title, text)| view! { <div class="caution-item"><dt>{say(title)}</dt><dd>{say(text)}</dd></div> });
    view! {
        <section class="cautions" data-test="page-cautions">
            {first.then(|| view! { <h1>{say(W::CautionsTitle)}</h1> })}
            <p class="caution-first">{say(W::CautionsAdvises)}</p>
            <p class="caution-first">{say(W::CautionsRules)}</p>
            <dl>{list.collect_view()}</dl>
            <button type="button" class="key primary" data-test="caution-ok" on:click=understood>{say(W::CautionsOk)}</button>
            <Show when=move || first && live.get() && practises.get() == Some(true)>
                <button type="button" class="key" data-test="caution-practise" on:click=practise>{say(W::PracticeFirst)}</button>
            </Show>
        </section>
    }
}
