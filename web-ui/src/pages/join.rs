//! Before one is in: name and code, looking for the hub, and being turned away.

use crate::{
    app::{LinkView, app},
    parts::language::LanguageChoice,
    pure::show::age,
    socket, store,
    words::{Word as W, fill, say},
};
use leptos::{html, prelude::*};
use spinover_protocol::{link::Input, message::Farewell};

/// The longest name that the hub takes, in characters.
const LONGEST_NAME: usize = 40;

/// Name and code.
#[component]
pub fn Join() -> impl IntoView {
    let app = app();
    let person = app.person.get_untracked();
    let name = RwSignal::new(person.name);
    let code = RwSignal::new(person.code);
    let missing = RwSignal::new(None::<W>);
    // Whoever has scanned the code types the name at once: one touch less. Some phones bring their keyboard up at a touch only.
    let field: NodeRef<html::Input> = NodeRef::new();
    Effect::new(move |_| {
        if let Some(field) = field
            .get()
            .filter(|_| name.with_untracked(String::is_empty))
        {
            let _ = field.focus();
        }
    });
    // A code that comes in by the address while the form is open goes into it.
    Effect::new(move |_| {
        let known = app.person.read().code.clone();
        if !known.is_empty() {
            code.set(known);
        }
    });
    let wait = Memo::new(move |_| {
        app.clock.track();
        let LinkView::Refused(Farewell::TooManyTries, _) = &*app.link.read() else {
            return None;
        };
        let left = socket::with_shell(|shell| shell.retry_at.map(|at| (at - shell.now()).max(0.0)))
            .flatten();
        Some(age(left.unwrap_or(0.0) + 999.0))
    });
    let wrong = move || matches!(&*app.link.read(), LinkView::Refused(Farewell::WrongCode, _));
    let put_out = move || matches!(&*app.link.read(), LinkView::Refused(Farewell::PutOut, _));
    let go = move |event: leptos::ev::SubmitEvent| {
        event.prevent_default();
        let (name, code) = (
            name.get_untracked().trim().to_owned(),
            code.get_untracked().trim().to_owned(),
        );
        let lack = if name.is_empty() {
            Some(W::JoinNeedsName)
        } else if code.is_empty() {
            Some(W::JoinNeedsCode)
        } else {
            None
        };
        missing.set(lack);
        if lack.is_none() {
            app.person
                .update(|person| (person.name, person.code) = (name, code));
            // A code that was typed in is meant, whatever this phone was before.
            store::forget_tokens();
            app.join();
        }
    };
    let keep = move |()| {
        app.person.update(|person| {
            (person.name, person.code) = (name.get_untracked(), code.get_untracked());
        });
    };
    view! {
        <main class="plain join" data-test="page-join">
            <p class="brand"><span class="brand-mark" aria-hidden="true"><i></i><i></i><i></i></span>{say(W::AppName)}</p>
            <h1>{say(W::JoinTitle)}</h1>
            <form on:submit=go>
                <label>
                    <span>{say(W::JoinName)}</span>
                    <input
                        node_ref=field type="text" data-test="join-name" name="name" autocomplete="given-name" maxlength=LONGEST_NAME
                        placeholder=say(W::JoinNameHint) prop:value=name on:input=move |event| name.set(event_target_value(&event))
                    />
                </label>
                <label>
                    <span>{say(W::JoinCode)}</span>
                    <input
                        type="text" data-test="join-code" name="code" autocomplete="off" autocapitalize="none" spellcheck="false"
                        prop:value=code on:input=move |event| code.set(event_target_value(&event))
                    />
                    <small>{say(W::JoinCodeHint)}</small>
                </label>
                <Show when=wrong><p class="wrong" role="alert" data-test="join-wrong">{say(W::JoinWrong)}</p></Show>
                <Show when=put_out><p class="wrong" role="alert" data-test="join-put-out">{say(W::JoinPutOut)}</p></Show>
                {move || wait.get().map(|left| view! {
                    <p class="wrong" role="alert" data-test="join-wait"><strong>{say(W::TooMany)}</strong> " " {fill(W::TooManyLeft, &[&left])}</p>
                })}
                {move || missing.get().map(|word| view! { <p class="wrong" role="alert" data-test="join-missing">{say(word)}</p> })}
                <button type="submit" class="key primary" data-test="join-go" disabled=move || wait.get().is_some()>{say(W::JoinGo)}</button>
            </form>
            <LanguageChoice before=keep/>
            <p class="hint">{say(W::CautionsAdvises)}</p>
        </main>
    }
}

/// The hub does not answer yet.
#[component]
pub fn Looking() -> impl IntoView {
    let app = app();
    let seconds = Memo::new(move |_| match *app.link.read() {
        LinkView::Connecting(seconds) => seconds,
        _ => 0,
    });
    let slow = move || seconds.get() > 0;
    view! {
        <main class="plain looking" data-test="page-looking">
            <p class="brand"><span class="brand-mark" aria-hidden="true"><i></i><i></i><i></i></span>{say(W::AppName)}</p>
            <h1>{say(W::Looking)}</h1>
            // A good network answers before anyone could read more than the title.
            <Show when=slow>
                <p class="big">{move || fill(W::LookingFor, &[&age(f64::from(seconds.get()) * 1000.0)])}</p>
                <p>{say(W::LookingHint)}</p>
                <button type="button" class="key primary" on:click=move |_| socket::feed(Input::Wake)>{say(W::TryAgain)}</button>
                <button type="button" class="key" on:click=move |_| app.leave()>{say(W::ChangeCode)}</button>
            </Show>
        </main>
    }
}

/// The hub said goodbye, and another try by itself would not help.
#[component]
pub fn Turned(
    /// Why.
    why: Farewell,
) -> impl IntoView {
    let app = app();
    let reason = move || match &*app.link.read() {
        LinkView::Refused(_, reason) => fill(W::HubSays, &[reason]),
        _ => String::new(),
    };
    let reload = move |_| drop(window().location().reload());
    let words = match why {
        Farewell::WrongVersion => W::WrongVersion,
        _ => W::BadMessage,
    };
    view! {
        <main class="plain turned" data-test="page-turned">
            <p class="brand"><span class="brand-mark" aria-hidden="true"><i></i><i></i><i></i></span>{say(W::AppName)}</p>
            <h1>{say(words)}</h1>
            <p>{reason}</p>
            <button type="button" class="key primary" data-test="reload" on:click=reload>{say(W::Reload)}</button>
        </main>
    }
}
