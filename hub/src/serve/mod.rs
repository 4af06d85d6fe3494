//! serve
