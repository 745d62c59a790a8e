//! Shared pieces of the benches.
