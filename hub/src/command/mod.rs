//! The subcommands of `spinover`: each reads its arguments, calls the hub, and prints. No figure is worked out here.
pub mod check;
