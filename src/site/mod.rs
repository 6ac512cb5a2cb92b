//! The channel map.

mod model;

pub use model::*;
