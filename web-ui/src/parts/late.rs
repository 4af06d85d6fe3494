//! What the hub itself has said to be late between rounds, until whoever's it is has seen it.

use crate::{
    app::app,
    pure::turnaround::percent,
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{RoleKey, TaskKey, link::Link, message::Command};

/// One thing that is late.
#[derive(Clone, Debug, PartialEq)]
struct Late {
    task: Option<TaskKey>,
    words: String,
    owner: Option<RoleKey>,
    mine: bool,
}

fn late(link: &Link, all: bool, chief: bool) -> Vec<Late> {
    let mirror = link.mirror();
    let role = mirror.welcome.as_ref().map(|welcome| &welcome.you.role);
    let Some(turnaround) = &mirror.record.turnaround else {
        return Vec::new();
    };
    let shown = turnaround.unseen().map(|told| {
        let owner = turnaround.late_owner(told.task.as_ref()).cloned();
        let text = told
            .task
            .as_ref()
            .and_then(|task| turnaround.plan.task(task));
        let words = match text {
            Some((_, task)) => {
                let late = told.late_min.unwrap_or_default().ceil().max(1.0);
                fill(W::LateTask, &[&task.text, &late.to_string()])
            }
            None => fill(W::LateChance, &[&percent(told.chance.unwrap_or_default())]),
        };
        let own = owner.is_some() && owner.as_ref() == role;
        Late {
            task: told.task.clone(),
            words,
            mine: own || chief,
            owner,
        }
    });
    shown.filter(|late| all || late.mine).collect()
}

/// What is late and unseen: all of it on the board, one's own elsewhere; with "seen" for whoever's it is.
#[component]
pub fn LateBars(
    /// Also what is others'.
    #[prop(optional)]
    all: bool,
) -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let shown = Memo::new(move |_| {
        app.track(&[Topic::Record, Topic::Welcome]);
        crate::socket::with(|link| late(link, all, chief.get())).unwrap_or_default()
    });
    let bar = move |late: Late| {
        let label = late.owner.as_ref().map(|owner| {
            let car = app.car.read_untracked();
            let known = car
                .as_ref()
                .and_then(|car| car.role(owner).map(|role| role.label.clone()));
            known.unwrap_or_else(|| owner.to_string())
        });
        let test = late
            .task
            .as_ref()
            .map_or("chance".to_owned(), ToString::to_string);
        let task = late.task.clone();
        let seen = move |_| app.want(Command::SeeLate { task: task.clone() });
        view! {
            <div class="late-bar" data-test=format!("late-{test}")>
                <p><strong class="tag">{say(W::TurnLate)}</strong> " " {late.words} {label.map(|label| view! { " " <small>{label}</small> })}</p>
                {late.mine.then(|| view! { <button type="button" class="key" data-test=format!("late-seen-{test}") on:click=seen>{say(W::Seen)}</button> })}
            </div>
        }
    };
    view! { <div role="status">{move || shown.get().into_iter().map(bar).collect_view()}</div> }
}
