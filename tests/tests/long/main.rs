//! What takes minutes because it goes at its own pace: one program, so that these tests run side by side.

mod demo;
mod replay;
