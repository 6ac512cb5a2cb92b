//! Readings into ticks, ticks into flows: the one law, kept in integers.

mod flows;
mod row;

pub use flows::Flows;
pub use row::{ClosedMinute, Row};
