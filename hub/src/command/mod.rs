//! The commands of `spinover`: options in, exit code out.

pub mod book;
pub mod check;
pub mod figure;
pub mod figure_warm;
pub mod heap;
mod network;
pub mod serve;
pub mod standby;
mod work;
