//! The load step: a circuit is proven on the spot by switching its load on and off.
//!
//! Somebody switches one load a few times. Every time, the same CTs and the same legs of the mains
//! change by the same amount, and whatever else the house does does not repeat itself in step with it.
//! From what moved, and by how much, follows whether the map of that circuit is true: a CT turned
//! round, on another circuit, on one leg of a load that has two, not closed, or on nothing at all.
//!
//! Only changes count, so the base load of the house does not matter, and neither does a fault
//! elsewhere in the map.

#![allow(clippy::cast_precision_loss, reason = "counts and watts are far below 2^52")]

mod changes;
mod judge;
mod progress;
mod proof;
mod session;
#[cfg(test)]
mod session_tests;
#[cfg(test)]
mod tests;
mod verdict;

pub use changes::Change;
pub use progress::{Moved, Progress, Step, Switching};
pub use proof::{Proof, basis};
pub use session::{End, Session};
pub use verdict::{Kind, Mend, Verdict};

use crate::audit::Window;

/// Times that a load has to be switched (on or off) before a verdict counts: on, off, on, off. By
/// chance another load switches along once; four times in step it does not.
pub const ENOUGH: usize = 4;

/// Times for a verdict that a load which is switched along twice could bring about.
pub const SURE: usize = 6;

/// How far two meters of the same flow may differ: twice what a CT of class 1 may be off at a fifth of
/// its rating (1.5 %, IEC 61869-2), for two CTs, and for what the load changes meanwhile.
pub const TOLERANCE: f64 = 0.08;

/// Below this a step is not told from the rest of a house, in W.
pub const SMALLEST_W: f32 = 25.0;

/// How a change is measured here. Two samples lie between, also where a period is long: readings of two
/// devices do not end at the same moment, so a switching can lie in two samples of a grid.
fn window(period_s: f64) -> Window {
    Window { gap: 2, ..Window::for_period(period_s) }
}
