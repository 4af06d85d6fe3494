//! The hub: takes readings in, holds the one truth, keeps the book, serves the phones.
//!
//! Arrows go one way: `serve`, `sources`, `bus`, `book` -> `core` -> `figures` -> the protocol crate.
pub mod book;
pub mod bus;
pub mod command;
pub mod core;
pub mod figures;
pub mod files;
pub mod pit;
pub mod serve;
pub mod sources;
