//! Rows into energy per figure per interval, under the dated map.
//!
//! What is stored are channels (and the few sign splits that are not linear); every figure is a sum
//! over them that the map of the time defines. So the map is applied here, when history is read: a
//! corrected map corrects all history at once.
//!
//! Three rules make the figures trustworthy:
//! - **A sum is known only where all its terms are.** Its coverage says how much of the interval
//!   that is, and its energy is the energy of that time alone.
//! - Where every term of a sum covers a whole row, rows add up as they are, from the coarsest that
//!   fits. Where one does not, the row is looked up in finer rows, down to the minute; only a minute
//!   that is covered in part is taken as the mean power of each term over the shortest coverage.
//! - A change of the map cuts the interval; the minute in which it happens still counts by the map
//!   that held when the minute began.
//!
//! Energy without coverage (a counter that went on while its messages were lost) is known for the
//! series itself. A sum over several series does not know it, as it cannot say when it flowed.

mod changes;
mod channel;
mod compare;
mod day_runs;
mod energy;
mod memory;
mod note;
mod piece;
mod plan;
mod profile;
#[cfg(test)]
mod profile_tests;
mod rank;
mod runs;
mod source;
mod summary;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod view_tests;
mod week;

pub use changes::{map_changes, map_form};
pub use channel::{Held, Holder, OfChannel, channel};
pub use compare::{Change, MISSING, Pair, compare};
pub use day_runs::{DayRules, DayRuns, places, series_of, tallies};
pub use energy::{energy, energy_of};
pub use memory::Memory;
pub use note::{MAX_NOTE, Note, NoteBy, note_text};
pub use profile::{Profile, QUARTERS, Slot, WEEKDAYS, profile, profile_of};
pub use rank::{EndUseShare, MINUTES_OVER, Rank, Ranked, Ranking, rank, rank_of};
pub use runs::{Runs, Tally};
pub use source::{Level, Source};
pub use summary::{Amount, Summary};
pub use week::{Column, SLOTS, SeriesSums, Stretch, WeekSums};
