//! What a load step has come to, for whoever shows it.

use super::changes::Change;
use super::verdict::Verdict;
use crate::units::{Span, Stamp};

/// What is to be done now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// Leave the load as it is: readings from before the first switching are still missing.
    Gather {
        /// For about so long.
        left: Span,
    },
    /// Switch the load.
    Switch {
        /// On, or off.
        on: bool,
    },
    /// It was seen; leave it so.
    Hold {
        /// Whether it is on.
        on: bool,
        /// For so long.
        left: Span,
    },
    /// Nothing more: there is a verdict.
    Done,
}

/// One switching that was seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Switching {
    /// When, to within some readings.
    pub at: Stamp,
    /// Whether the load went on.
    pub on: bool,
}

/// A channel or a leg of the feed, and by how much it moved.
#[derive(Clone, Debug, PartialEq)]
pub struct Moved {
    /// `house/3`, `leg A`, or `feed` where legs are not known.
    pub name: String,
    /// The channel (an index into the site's channels); `None` for a leg.
    pub channel: Option<usize>,
    /// Whether the map has it on the circuit.
    pub own: bool,
    /// By how much, at a switching that made the feed rise; `None` while nothing is known.
    pub change: Option<Change>,
    /// What it shows now, in W, a channel as its meter sent it; `None` while nothing came, or from a counter.
    pub now_w: Option<f64>,
}

/// The state of a load step.
#[derive(Clone, Debug, PartialEq)]
pub struct Progress {
    /// What is to be done now.
    pub step: Step,
    /// How many switchings are wanted; more, where the verdict so far could come of another load.
    pub wanted: usize,
    /// How long each state has to be held.
    pub hold: Span,
    /// What was seen, by time.
    pub switchings: Vec<Switching>,
    /// The circuit's CTs, then the legs of its feed, then whatever else moved in step.
    pub moved: Vec<Moved>,
    /// Channels that matter here and send nothing.
    pub silent: Vec<String>,
    /// The verdict so far; it counts once the step is [`Step::Done`].
    pub verdict: Verdict,
}
