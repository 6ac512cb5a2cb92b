//! Readings into ticks, ticks into flows: the one law, kept in integers.
//!
//! At each bus `feed = Σ circuits + untracked`. All of it is sums over *series* (see
//! [`crate::site`]), so this module has three things to do: say what time each reading covers
//! (`channel`), let a counter say the energy where a CT has one beside its power (`counted`), split the sums whose sign matters, tick by tick (`split`), and add ticks up to
//! minutes ([`SiteFlow`] as they come, [`account()`] from kept readings).

mod account;
mod channel;
mod counted;
#[cfg(test)]
mod counted_tests;
mod evaluate;
mod flows;
mod late;
mod row;
mod site_flow;
mod split;
#[cfg(test)]
mod tests;

pub use account::account;
pub use counted::{Compared, LONGEST, MOST, compare, is_count};
pub use evaluate::{evaluate, part_of, rounded};
pub use flows::Flows;
pub use row::{ClosedMinute, Row};
pub use site_flow::{SiteFlow, Taken};

use crate::units::Span;

/// How long after its end a tick stays open for readings that are under way: broker, network and a
/// device's own delay together stay well below 2 s on a home network.
pub const SETTLE: Span = Span::from_seconds(2);
