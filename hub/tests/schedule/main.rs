//! Turnaround schedules: against published worked examples, another library, the optimum of small plans, and by the command.
mod command;
mod crew;
mod late;
mod marks;
mod measure;
mod outlook;
mod path;
mod reckoning;
mod spread;
mod support;
