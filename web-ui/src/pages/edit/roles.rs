//! What each role's page shows: its name, its strips and figures, in their order.

use super::field::{Field, Place, RowKeys, WrongAt};
use crate::{
    desk::Desk,
    pure::draft::{Draft, move_one},
    socket,
    words::{Word as W, say},
};
use leptos::prelude::*;
use spinover_protocol::{car::Role, files::CAR};

/// All roles.
#[component]
pub fn Roles(desk: Desk) -> impl IntoView {
    let roles = desk
        .with(|draft| draft.car.as_ref().map(|car| car.roles.clone()))
        .flatten();
    let role = |(nth, role)| view! { <One desk=desk nth=nth role=role/> };
    view! {
        <p class="hint">{say(W::EditRolesHint)}</p>
        <div class="edit-cards">{roles.into_iter().flatten().enumerate().map(role).collect_view()}</div>
    }
}

/// Which list of a role.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Strips,
    Figures,
}

impl Kind {
    fn key(self) -> &'static str {
        match self {
            Self::Strips => "strips",
            Self::Figures => "figures",
        }
    }

    /// The list, by keys.
    fn of(self, role: &Role) -> Vec<String> {
        match self {
            Self::Strips => role.strips.iter().map(|key| key.0.clone()).collect(),
            Self::Figures => role.figures.clone(),
        }
    }

    fn put(self, role: &mut Role, list: Vec<String>) {
        match self {
            Self::Strips => role.strips = list.iter().map(|key| key.as_str().into()).collect(),
            Self::Figures => role.figures = list,
        }
    }

    /// All that there are, with what the crew calls them.
    fn all(self, draft: &Draft) -> Vec<(String, String)> {
        match self {
            Self::Strips => {
                let channels = draft.car.iter().flat_map(|car| &car.channels);
                channels
                    .map(|channel| (channel.key.0.clone(), channel.label.clone()))
                    .collect()
            }
            Self::Figures => {
                let label = |key: &String| {
                    let known = socket::with(|link| {
                        let figures = &link.mirror().figures;
                        figures
                            .iter()
                            .find(|figure| figure.key == *key)
                            .map(|figure| figure.label.clone())
                    });
                    (
                        key.clone(),
                        known.flatten().unwrap_or_else(|| key.replace('_', " ")),
                    )
                };
                draft.from.figures.iter().map(label).collect()
            }
        }
    }
}

#[component]
fn One(desk: Desk, nth: usize, role: Role) -> impl IntoView {
    let place = Place::new(CAR, format!("role.{}", role.key));
    let key = role.key.to_string();
    let set = move |text: String| {
        desk.type_in(|draft| {
            if let Some(role) = draft.role_mut(nth) {
                role.label = text;
            }
        });
        true
    };
    view! {
        <fieldset class="edit-card" data-test=format!("edit-role-{key}")>
            <legend>{role.label.clone()} " " <small>{key.clone()}</small></legend>
            <Field desk=desk place=place.key("label") label=say(W::EditName) value=role.label.clone() test="edit-label" set=set/>
            <List desk=desk nth=nth role=role.clone() kind=Kind::Strips/>
            <List desk=desk nth=nth role=role kind=Kind::Figures/>
        </fieldset>
    }
}

/// What is chosen, in its order, and what else there is.
#[component]
fn List(desk: Desk, nth: usize, role: Role, kind: Kind) -> impl IntoView {
    let all = desk.with(|draft| kind.all(draft)).unwrap_or_default();
    let chosen = kind.of(&role);
    let label = |key: &str| {
        let known = all.iter().find(|(known, _)| known == key);
        known.map_or_else(|| key.to_owned(), |(_, label)| label.clone())
    };
    let change = move |work: &dyn Fn(&mut Vec<String>)| {
        desk.rearrange(|draft| {
            if let Some(role) = draft.role_mut(nth) {
                let mut list = kind.of(role);
                work(&mut list);
                kind.put(role, list);
            }
        });
    };
    let count = chosen.len();
    let place = Place::new(CAR, format!("role.{}.{}", role.key, kind.key()));
    let rows = chosen.iter().enumerate().map(|(at, key)| {
        let name = label(key);
        let wrong = place.key(&at.to_string());
        view! {
            <li class="edit-row">
                <span class="edit-row-name">{name.clone()}</span>
                <RowKeys
                    test=format!("edit-{}-{key}", kind.key()) what=name first=at == 0 last=at + 1 == count
                    moved=move |down: bool| change(&|list| move_one(list, at, down))
                    gone=move |()| change(&|list| drop(list.remove(at)))
                />
                <WrongAt desk=desk place=wrong/>
            </li>
        }
    });
    let others = all.iter().filter(|(key, _)| !chosen.contains(key)).map(|(key, label)| {
        let added = key.clone();
        let add = move |_| change(&|list| list.push(added.clone()));
        view! { <button type="button" class="key small" data-test=format!("edit-{}-{key}-add", kind.key()) on:click=add>"+ " {label.clone()}</button> }
    });
    let title = match kind {
        Kind::Strips => W::EditStrips,
        Kind::Figures => W::EditFigures,
    };
    view! {
        <h3>{say(title)}</h3>
        <ol class="edit-rows">{rows.collect_view()}</ol>
        <WrongAt desk=desk place=place.clone()/>
        <details class="edit-more">
            <summary class="key small" data-test=format!("edit-{}-more", kind.key())>{say(W::EditAddMore)}</summary>
            <div class="choices">{others.collect_view()}</div>
        </details>
    }
}
