//! What the pages are put together from, one part a file.

pub mod alarms;
pub mod banners;
pub mod bottom;
pub mod bus;
pub mod call_sheet;
pub mod calls;
pub mod devices;
pub mod figures;
mod form_can;
pub mod forms;
pub mod header;
pub mod hold_key;
pub mod keyboard;
pub mod language;
pub mod laptops;
pub mod past_alarms;
pub mod pen;
pub mod people;
pub mod photos;
pub mod practice;
pub mod sources;
pub mod step_card;
pub mod steps;
pub mod strip;
pub mod train;
pub mod typed;
