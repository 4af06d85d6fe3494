//! The choice of a language, each named in itself.

use crate::{
    app::app,
    words::{Language, Word as W, say},
};
use leptos::prelude::*;

/// One key a language.
#[component]
pub fn LanguageChoice(
    /// What must be kept before everything is made anew.
    #[prop(optional, into)]
    before: Option<Callback<()>>,
) -> impl IntoView {
    let app = app();
    let keys = Language::ALL.map(|language| {
        let choose = move |_| {
            if let Some(before) = before {
                before.run(());
            }
            app.choose_language(language);
        };
        view! {
            <button
                type="button" class="key choice" lang=language.tag() data-test=format!("language-{}", language.tag())
                aria-pressed=move || (app.settings.read().language == language).to_string() on:click=choose
            >
                {language.name()}
            </button>
        }
    });
    view! {
        <p class="label">{say(W::LanguageTitle)}</p>
        <div class="choices" role="group" aria-label=say(W::LanguageTitle)>{keys}</div>
    }
}
