//! The steps of all sheets: what must be true, whose they are, how long they take, and the readings that they wait for.

use super::field::{Choose, Field, Place, Tick, WrongAt};
use crate::{
    desk::Desk,
    pure::draft::{typed_ms, typed_number},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    car::Car,
    files::sheet_id,
    sheet::{Gate, Must, Step},
};

type At = (usize, usize, usize);

/// All sheets.
#[component]
pub fn Steps(desk: Desk) -> impl IntoView {
    let sheets = desk.with(|draft| draft.sheets.clone()).unwrap_or_default();
    let car = desk
        .with(|draft| draft.car.clone())
        .flatten()
        .unwrap_or_default();
    let sheets = sheets.into_iter().flatten().enumerate().map(|(sheet, content)| {
        let phases = content.phases.into_iter().enumerate().map(|(phase, content)| {
            let steps = content.steps.into_iter().enumerate();
            let steps = steps.map(|(nth, step)| view! { <One desk=desk at=(sheet, phase, nth) step=step car=car.clone()/> });
            view! { <h3 class="phase-title">{content.name}</h3> {steps.collect_view()} }
        });
        view! { <section><h2>{content.name}</h2> {phases.collect_view()}</section> }
    });
    view! {
        <p class="hint">{say(W::EditStepsHint)}</p>
        {sheets.collect_view()}
    }
}

thread_local! {
    /// The steps that are open, by their keys: forms that are made anew stay open.
    static OPEN: std::cell::RefCell<std::collections::BTreeSet<String>> = const { std::cell::RefCell::new(std::collections::BTreeSet::new()) };
}

#[component]
fn One(desk: Desk, at: At, step: Step, car: Car) -> impl IntoView {
    let key = step.key.to_string();
    let name = format!("{}/{key}", at.0);
    let open = RwSignal::new(OPEN.with_borrow(|open| open.contains(&name)));
    let toggled = move |_| {
        open.update(|open| *open = !*open);
        OPEN.with_borrow_mut(|all| match open.get_untracked() {
            true => drop(all.insert(name.clone())),
            false => drop(all.remove(&name)),
        });
    };
    let text = move || {
        desk.watch(|draft| draft.step(at).map(|step| step.text.clone()))
            .flatten()
    };
    let owner = {
        let car = car.clone();
        move || {
            let owner = desk
                .watch(|draft| draft.step(at).map(|step| step.owner.clone()))
                .flatten()?;
            car.role(&owner).map(|role| role.label.clone())
        }
    };
    let id = sheet_id(at.0);
    let prefix = format!("{}.", Place::new(&id, place_of(desk, at)).field);
    let wrong = {
        let id = id.clone();
        move || {
            let outcome = desk.outcome.read();
            let wrongs = outcome.iter().flat_map(|outcome| &outcome.mistakes);
            wrongs
                .filter(|wrong| wrong.id == id && (wrong.field.clone() + ".").starts_with(&prefix))
                .count()
        }
    };
    let more = move || {
        open.get().then(|| {
            let step = desk
                .with(|draft| draft.step(at).cloned())
                .flatten()
                .unwrap_or_default();
            view! { <Form desk=desk at=at step=step car=car.clone()/> }
        })
    };
    view! {
        <div class="edit-step" data-test=format!("edit-step-{key}")>
            <button type="button" class="edit-step-line" data-test="edit-step-open" aria-expanded=move || open.get().to_string() on:click=toggled>
                <strong>{text}</strong>
                <small>{owner} {move || (wrong() > 0).then(|| format!(" · {}", fill(W::EditWrong, &[&wrong().to_string()])))}</small>
            </button>
            {more}
        </div>
    }
}

/// The step's name in mistakes: its phase's key, then its own.
fn place_of(desk: Desk, at: At) -> String {
    let keys = desk.with(|draft| {
        let phase = draft.sheets.get(at.0)?.as_ref()?.phases.get(at.1)?;
        Some(format!(
            "phase.{}.step.{}",
            phase.key,
            phase.steps.get(at.2)?.key
        ))
    });
    keys.flatten().unwrap_or_default()
}

fn seconds(ms: Option<i64>) -> String {
    ms.map_or_else(String::new, |ms| (ms as f64 / 1000.0).to_string())
}

#[component]
fn Form(desk: Desk, at: At, step: Step, car: Car) -> impl IntoView {
    let place = Place::new(&sheet_id(at.0), place_of(desk, at));
    let edit = move |work: &dyn Fn(&mut Step)| {
        desk.type_in(|draft| {
            if let Some(step) = draft.step_mut(at) {
                work(step);
            }
        });
    };
    let words = move |set: fn(&mut Step, String)| {
        Callback::new(move |text: String| {
            edit(&|step| set(step, text.clone()));
            true
        })
    };
    let time = move |set: fn(&mut Step, Option<i64>)| {
        Callback::new(move |text: String| match typed_ms(&text) {
            Ok(ms) => {
                edit(&|step| set(step, ms));
                true
            }
            Err(()) => false,
        })
    };
    let owners = car
        .roles
        .iter()
        .map(|role| (role.key.0.clone(), role.label.clone()))
        .collect();
    let owner = move |key: String| edit(&|step| step.owner = key.as_str().into());
    let safety = move |yes: bool| {
        edit(&|step| {
            step.safety = yes;
            // A safety step is always ordered.
            step.ordered |= yes;
        });
    };
    let ordered = move |yes: bool| edit(&|step| step.ordered = yes);
    let gates = step.gates.iter().cloned().enumerate();
    let gates = gates.map(|(nth, gate)| view! { <GateRow desk=desk at=at nth=nth gate=gate car=car.clone() place=place.key(&format!("gate.{nth}"))/> });
    let gates = gates.collect_view();
    let first = car
        .channels
        .first()
        .map(|channel| channel.key.clone())
        .unwrap_or_default();
    let add = move |_| {
        desk.rearrange(|draft| {
            if let Some(step) = draft.step_mut(at) {
                step.gates.push(Gate {
                    channel: first.clone(),
                    must: Must::AtLeast(0.0),
                    for_ms: 0,
                });
            }
        });
    };
    view! {
        <div class="edit-form">
            <WrongAt desk=desk place=place.clone()/>
            <Field desk=desk place=place.key("text") label=say(W::EditStepText) value=step.text test="edit-step-text" set=words(|step, text| step.text = text)/>
            <Field desk=desk place=place.key("caution") label=say(W::EditCaution) value=step.caution.unwrap_or_default() test="edit-caution" set=words(|step, text| step.caution = Some(text).filter(|text| !text.is_empty()))/>
            <div class="edit-pair">
                <Choose desk=desk place=place.key("owner") label=say(W::EditOwner) options=owners value=step.owner.0 test="edit-owner" set=owner/>
                <Field desk=desk place=place.key("dwell_s") label=say(W::EditDwell) unit="s" number=true value=seconds(step.dwell_ms) test="edit-dwell" set=time(|step, ms| step.dwell_ms = ms)/>
                <Field desk=desk place=place.key("limit_s") label=say(W::EditLimit) unit="s" number=true value=seconds(step.limit_ms) test="edit-limit" set=time(|step, ms| step.limit_ms = ms)/>
            </div>
            <Field desk=desk place=place.key("late_call") label=say(W::EditLate) value=step.late_call.unwrap_or_default() test="edit-late" set=words(|step, text| step.late_call = Some(text).filter(|text| !text.is_empty()))/>
            <Tick desk=desk place=place.key("safety") label=say(W::EditSafety) value=step.safety test="edit-safety" set=safety/>
            <Tick desk=desk place=place.key("ordered") label=say(W::EditOrdered) value=step.ordered test="edit-ordered" set=ordered/>
            <h4>{say(W::EditGates)}</h4>
            <ol class="edit-rows">{gates}</ol>
            <button type="button" class="key small" data-test="edit-gate-add" on:click=add>{say(W::EditAddGate)}</button>
        </div>
    }
}

#[component]
fn GateRow(desk: Desk, at: At, nth: usize, gate: Gate, car: Car, place: Place) -> impl IntoView {
    let edit = move |work: &dyn Fn(&mut Gate)| {
        desk.type_in(|draft| {
            if let Some(gate) = draft.step_mut(at).and_then(|step| step.gates.get_mut(nth)) {
                work(gate);
            }
        });
    };
    // Another channel has another unit, and another question has a limit or none: the row is made anew.
    let anew = move |work: &dyn Fn(&mut Gate)| {
        desk.rearrange(|draft| {
            if let Some(gate) = draft.step_mut(at).and_then(|step| step.gates.get_mut(nth)) {
                work(gate);
            }
        });
    };
    let channel = move |key: String| anew(&|gate| gate.channel = key.as_str().into());
    let limit_of = |must: Must| match must {
        Must::AtLeast(limit) | Must::AtMost(limit) => Some(limit),
        Must::InBand(_) => None,
    };
    let must = move |word: String| {
        anew(&|gate| {
            let limit = limit_of(gate.must).unwrap_or_default();
            gate.must = match word.as_str() {
                "at_least" => Must::AtLeast(limit),
                "at_most" => Must::AtMost(limit),
                _ => Must::InBand(true),
            };
        });
    };
    let limit = move |text: String| {
        let number = typed_number(&text);
        if let Some(number) = number {
            edit(&|gate| {
                gate.must = match gate.must {
                    Must::AtLeast(_) => Must::AtLeast(number),
                    Must::AtMost(_) => Must::AtMost(number),
                    in_band => in_band,
                };
            });
        }
        number.is_some()
    };
    let held = move |text: String| {
        let ms = typed_ms(&text);
        if let Ok(ms) = ms {
            edit(&|gate| gate.for_ms = ms.unwrap_or_default());
        }
        ms.is_ok()
    };
    let gone = move |_| {
        desk.rearrange(|draft| {
            if let Some(step) = draft.step_mut(at).filter(|step| nth < step.gates.len()) {
                step.gates.remove(nth);
            }
        });
    };
    let word = match gate.must {
        Must::AtLeast(_) => "at_least",
        Must::AtMost(_) => "at_most",
        Must::InBand(_) => "in_band",
    };
    let asks = [
        ("at_least", W::EditAtLeast),
        ("at_most", W::EditAtMost),
        ("in_band", W::InBand),
    ];
    let asks = asks
        .map(|(key, word)| (key.to_owned(), say(word).to_owned()))
        .to_vec();
    let found = car
        .channel(&gate.channel)
        .map(|(_, channel)| channel.clone());
    let unit = found.as_ref().map_or("", |channel| channel.unit.label());
    let channels = car
        .channels
        .iter()
        .map(|channel| (channel.key.0.clone(), channel.label.clone()))
        .collect();
    let label = found.map_or_else(|| gate.channel.0.clone(), |channel| channel.label);
    view! {
        <li class="edit-gate" data-test=format!("edit-gate-{nth}")>
            <Choose desk=desk place=place.key("channel") label=say(W::EditReading) options=channels value=gate.channel.0.clone() test="edit-gate-channel" set=channel/>
            <Choose desk=desk place=place.key("in_band") label=say(W::EditMust) options=asks value=word.to_owned() test="edit-gate-must" set=must/>
            {limit_of(gate.must).map(|value| view! {
                <Field desk=desk place=place.key(word) label=say(W::EditLimitValue) unit=unit number=true value=value.to_string() test="edit-gate-limit" set=limit/>
            })}
            <Field desk=desk place=place.key("for_s") label=say(W::EditFor) unit="s" number=true value=seconds(Some(gate.for_ms).filter(|ms| *ms > 0)) test="edit-gate-for" set=held/>
            <button type="button" class="key small" data-test="edit-gate-out" aria-label=format!("{}: {label}", say(W::EditOut)) on:click=gone>"✕"</button>
            <WrongAt desk=desk place=place/>
        </li>
    }
}
