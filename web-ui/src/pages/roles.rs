//! Choosing a role, from those of the car.

use crate::{
    app::app,
    words::{Word as W, say},
};
use leptos::prelude::*;

/// The roles as keys.
#[component]
pub fn Roles(
    /// Shown before the first page, with a title of its own.
    #[prop(optional)]
    first: bool,
) -> impl IntoView {
    let app = app();
    let roles = move || {
        app.car
            .get()
            .map(|car| car.roles.clone())
            .unwrap_or_default()
    };
    let now = move || app.person.read().role.clone();
    view! {
        <section class="roles" data-test="page-roles">
            {first.then(|| view! { <h1>{say(W::RoleTitle)}</h1> })}
            <p class="hint">{say(W::RoleHint)}</p>
            <div class="choices wide">
                {move || roles().into_iter().map(|role| {
                    let key = role.key.0.clone();
                    let pressed = { let key = key.clone(); move || (now() == key).to_string() };
                    view! {
                        <button type="button" class="key choice" data-test=format!("role-{}", role.key) aria-pressed=pressed on:click=move |_| app.choose_role(&key)>
                            {role.label.clone()}
                        </button>
                    }
                }).collect_view()}
            </div>
        </section>
    }
}
