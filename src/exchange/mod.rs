//! Figures and readings as text that other programs read and write: CSV (RFC 4180) and the XML of
//! NAESB REQ.21, the Energy Services Provider Interface (ESPI), in which utilities hand out the
//! interval data of their meters.
//!
//! Nothing here opens a file: text comes in and goes out, and the shell moves it. Three rules hold
//! for every form:
//! - **What is not known is missing**: an empty cell, an interval without a reading; never 0.
//! - **A part is never passed off as the whole.** CSV says the coverage beside each energy. ESPI has
//!   no field for it (its qualities tell how a value came about, not how much of the interval it
//!   is), so only wholly covered intervals are written.
//! - **A fault names its line and what to write**, and what is read is bounded ([`MAX_TEXT`]).

pub mod compare;
mod energy;
pub mod espi;
mod export;
mod fault;
mod figures;
mod ranges;
mod readings;

pub use energy::EnergyCsv;
pub use export::{Export, ExportError, Exported, Form, export};
pub use fault::{Fault, Faults};
pub use figures::TOTALS;
pub use ranges::{Chunk, chunks};
pub use readings::{Columns, Limits, ReadingsCsv, Row, value_of};

/// Bytes of an ESPI file: twelve years of quarter hours in both directions take half of it.
pub const MAX_TEXT: usize = 256 << 20;
