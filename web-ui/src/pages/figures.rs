//! All figures, and the forms for what they need from people.

use crate::parts::{air_then::AirCard, figures::Figures, forms::Forms};
use leptos::prelude::*;

/// The page of the figures.
#[component]
pub fn FiguresPage() -> impl IntoView {
    view! {
        <div class="figures-page">
            <Figures all=true/>
            <AirCard/>
            <Forms/>
        </div>
    }
}
