//! The form that asks what to add to the can; the figures answer.

use super::forms::{Entry, Form, last};
use crate::{
    app::app,
    pure::show::number,
    words::{Word as W, fill},
};
use leptos::prelude::*;
use spinover_protocol::{message::Command, today::CanPlan, units::Unit};

/// What the can holds and is to hold.
#[component]
pub fn Can() -> impl IntoView {
    let app = app();
    let held = Entry::of(W::CanHeld, "can-held", Unit::Litre);
    let held_pct = Entry::of(W::CanHeldPct, "can-held-pct", Unit::Percent);
    let want = Entry::of(W::CanWant, "can-want", Unit::Litre);
    let want_pct = Entry::of(W::CanWantPct, "can-want-pct", Unit::Percent);
    let temp = Entry::of(W::CanTemp, "can-temp", Unit::DegC);
    let command = Signal::derive(move || {
        // A field that is not empty and no number would be left out without a word.
        if !held_pct.empty() && held_pct.value().is_none() {
            return None;
        }
        Some(Command::PlanCan(CanPlan {
            held_l: held.value()?,
            held_pct: held_pct.value(),
            want_l: want.value()?,
            want_pct: want_pct.value()?,
            temp_c: temp.value()?,
        }))
    });
    let shown = move |plan: &CanPlan| {
        let litres = want
            .scale
            .map_or_else(String::new, |scale| scale.text_unit(plan.want_l));
        fill(W::CanOf, &[&litres, &number(plan.want_pct, 1)])
    };
    view! {
        <Form title=W::Can test="form-can" hint=W::CanHint last=last(app, |warmup| warmup.today.can.as_ref(), shown) command=command send_word=W::CanSend>
            {held.view()}
            {held_pct.view()}
            {want.view()}
            {want_pct.view()}
            {temp.view()}
        </Form>
    }
}
