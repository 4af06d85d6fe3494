//! The figures against reference values, injected faults, real recordings, and by the command.
mod air;
mod command;
mod cylinders;
mod flow;
mod idle;
mod mix;
mod recordings;
mod statistics;
mod support;
mod units;
mod weather;
