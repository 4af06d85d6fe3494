//! The keys at the foot of every page but the wall: stop, call, and what else a hand reaches for.

use super::hold_key::{HoldKey, STOP_MS};
use crate::{
    app::app,
    pure::route::{Over, Page},
    rest,
    socket::Topic,
    words::{Word as W, say},
};
use leptos::prelude::*;
use spinover_protocol::message::Command;

/// The foot of a page.
#[component]
pub fn Bottom(
    /// The page it stands under.
    page: Memo<Page>,
) -> impl IntoView {
    let app = app();
    let trains = app.about(&[Topic::Welcome], |link| {
        link.mirror()
            .welcome
            .as_ref()
            .is_some_and(|welcome| !welcome.controls.is_empty())
    });
    view! {
        <footer class="bottom">
            <Show when=move || page.get() == Page::Chief>
                {rest::part(|rest| (rest.mark)())}
            </Show>
            <div class="keys">
                <HoldKey
                    label=say(W::StopHold)
                    ms=STOP_MS
                    test="stop-hold"
                    class="stop"
                    done=move |()| app.want(Command::Stop { text: String::new() })
                />
                <button type="button" class="key call" data-test="call-open" on:click=move |_| app.open(Over::Call)>{say(W::Call)}</button>
                <button type="button" class="key" data-test="type-open" on:click=move |_| app.open(Over::Type)>{say(W::TypeIn)}</button>
                <Show when=move || trains.get() == Some(true)>
                    <button type="button" class="key" data-test="train-open" on:click=move |_| app.open(Over::Train)>{say(W::Train)}</button>
                </Show>
            </div>
        </footer>
    }
}
