//! The chief's page: the current step and what it waits for, everyone's presence, the calls, and the whole sheet.

use super::crew::OwnStrips;
use crate::parts::{
    bus::TeamBus,
    call_sheet::CallList,
    figures::{Figures, Offers},
    laptops::SecondLaptop,
    people::People,
    season::SeasonDue,
    sources::Sources,
    step_card::StepCard,
    steps::Steps,
};
use crate::words::{Word as W, say};
use leptos::prelude::*;

/// The chief's page.
#[component]
pub fn Chief() -> impl IntoView {
    view! {
        <div class="chief">
            <div class="chief-step"><StepCard/><Offers/></div>
            <div class="chief-side">
                <section>
                    <h2>{say(W::CallsTitle)}</h2>
                    <CallList/>
                </section>
                <SeasonDue/>
                <People/>
                <SecondLaptop/>
                <TeamBus/>
                <Figures quiet=true/>
                <Sources/>
            </div>
            <div class="chief-sheet"><Steps/></div>
            <div class="chief-strips"><OwnStrips narrow=true/></div>
        </div>
    }
}
