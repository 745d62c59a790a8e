//! One height offset and two tilts a setup, and its slow angular error where it shows, from places
//! that several setups saw.
//!
//! Model: the mean that setup k measured at place p is h_p + o_k + a_k·(p − c_k) + noise. The
//! heights h_p are eliminated place by place; what is left is a small dense system in the setups'
//! unknowns, solved in rounds of Tukey's weights. Offsets are drawn towards their common mean and
//! tilts towards zero with variances learnt from the solution itself (expectation and
//! maximisation), so that a chain of setups neither sags nor is forced straight. What the solution
//! cannot tell, the height of all setups together, stays as it was delivered: the mean offset of
//! the setups that agree is zero, unless checkpoints say otherwise.
//!
//! Where scanners' positions are known, the misfits that are left are asked for a slow error of the
//! elevation angle (see [`Correction`](super::Correction)); only if they show one beyond doubt is
//! all solved again with it among the unknowns.

mod finish;
mod misfits;
mod prior;
mod report;
mod slow;
mod solver;
#[cfg(test)]
mod tests;

pub use report::{LevelError, LevelReport, Levelled, SlowLevel};
pub use solver::level;
