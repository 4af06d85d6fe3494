//! figures
pub mod warm;
