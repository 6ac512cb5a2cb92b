//! Rows into energy per figure per interval, under the dated map.

mod source;

pub use source::{Level, Source};
