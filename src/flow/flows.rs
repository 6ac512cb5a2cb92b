//! The live figures of a site at one tick.

use crate::site::{ChannelIndex, FigureKey};
use crate::units::{Stamp, Watts};

/// Every figure of the plan at one moment; what is not known is `None`, never 0.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Flows {
    /// The tick that they belong to.
    pub at: Stamp,
    /// In the order of the plan.
    pub figures: Vec<(FigureKey, Option<Watts>)>,
    /// Channels that have no fresh value.
    pub unknown: Vec<ChannelIndex>,
}

impl Flows {
    /// The figure's power, if the plan defines it and all its terms are known.
    pub fn watts(&self, key: FigureKey) -> Option<Watts> {
        self.figures.iter().find(|(other, _)| *other == key).and_then(|(_, watts)| *watts)
    }
}
