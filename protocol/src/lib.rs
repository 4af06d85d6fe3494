//! What crosses the wire.
