//! The ready calls of every role, and those that all have: their words, whom they are for, and their order.

use super::field::{Choose, Field, Place, RowKeys};
use crate::{
    desk::Desk,
    pure::draft::move_one,
    words::{Word as W, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    car::{ReadyCall, Role},
    files::CAR,
};

/// All ready calls.
#[component]
pub fn Calls(desk: Desk) -> impl IntoView {
    let roles = desk
        .with(|draft| draft.car.as_ref().map(|car| car.roles.clone()))
        .flatten()
        .unwrap_or_default();
    let whose = std::iter::once(None).chain((0..roles.len()).map(Some));
    let lists = whose
        .map(|role| view! { <List desk=desk role=role roles=roles.clone()/> })
        .collect_view();
    view! { <div class="edit-cards">{lists}</div> }
}

#[component]
fn List(desk: Desk, role: Option<usize>, roles: Vec<Role>) -> impl IntoView {
    let calls = desk
        .with(|draft| draft.calls(role).to_vec())
        .unwrap_or_default();
    let (title, key, place) = match role.and_then(|nth| roles.get(nth)) {
        Some(role) => (
            role.label.clone(),
            role.key.0.clone(),
            format!("role.{}.calls", role.key),
        ),
        None => (
            say(W::EditEveryRole).to_owned(),
            "all".to_owned(),
            "calls".to_owned(),
        ),
    };
    let place = Place::new(CAR, place);
    let change = move |work: &dyn Fn(&mut Vec<ReadyCall>)| {
        desk.rearrange(|draft| {
            if let Some(calls) = draft.calls_mut(role) {
                work(calls);
            }
        });
    };
    let mut options = vec![(String::new(), say(W::Everyone).to_owned())];
    options.extend(
        roles
            .iter()
            .map(|role| (role.key.0.clone(), role.label.clone())),
    );
    let count = calls.len();
    let rows = calls.into_iter().enumerate().map(|(at, call)| {
        let place = place.key(&at.to_string());
        let edit = move |work: &dyn Fn(&mut ReadyCall)| {
            desk.type_in(|draft| {
                if let Some(call) = draft.calls_mut(role).and_then(|calls| calls.get_mut(at)) {
                    work(call);
                }
            });
        };
        let words = move |text: String| {
            edit(&|call| text.clone_into(&mut call.text));
            true
        };
        let to = move |to: String| {
            let to = Some(to.as_str()).filter(|to| !to.is_empty());
            edit(&|call| call.to = to.map(Into::into));
        };
        view! {
            <li class="edit-call" data-test=format!("edit-call-{at}")>
                <Field desk=desk place=place.key("text") label=say(W::EditWords) value=call.text.clone() test="edit-call-text" set=words/>
                <Choose desk=desk place=place.key("to") label=say(W::CallTo) options=options.clone() value=call.to.map_or_else(String::new, |to| to.0) test="edit-call-to" set=to/>
                <RowKeys
                    test="edit-call" what=call.text first=at == 0 last=at + 1 == count
                    moved=move |down: bool| change(&|calls| move_one(calls, at, down))
                    gone=move |()| change(&|calls| drop(calls.remove(at)))
                />
            </li>
        }
    });
    let rows = rows.collect_view();
    let add = move |_| {
        change(&|calls| {
            calls.push(ReadyCall {
                text: say(W::EditNewCall).to_owned(),
                to: None,
            });
        });
    };
    view! {
        <fieldset class="edit-card" data-test=format!("edit-calls-{key}")>
            <legend>{title}</legend>
            <ol class="edit-rows">{rows}</ol>
            <button type="button" class="key small" data-test="edit-call-add" on:click=add>{say(W::EditAddCall)}</button>
        </fieldset>
    }
}
