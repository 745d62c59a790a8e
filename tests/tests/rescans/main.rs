//! Rescans: what changed between two epochs is found, measured and rebuilt, and nothing else moves.
//!
//! One program, because every program of tests costs a fresh machine seconds to link.

mod blend;
mod borders;
mod chain;
mod epochs;
mod folders;
mod kinds;
mod lists;
mod oval;
mod reference;
mod seeds;
mod tie;
mod truth;
mod untouched;
