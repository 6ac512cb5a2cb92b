//! Topic, payload and arrival time into a reading, or the reason why not.

use crate::site::ChannelIndex;
use crate::units::Stamp;

/// Position of a site in the daemon's list; it stays the same across reloads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SiteIndex(pub u32);

/// One value of one channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// Which site.
    pub site: SiteIndex,
    /// Which of its channels.
    pub channel: ChannelIndex,
    /// When, and how much.
    pub sample: Sample,
}

/// An event time and the value at it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Sample {
    /// Event time: the payload's, else the arrival.
    pub at: Stamp,
    /// Power in 0.1 W, or for a counter its count in 0.1 Wh.
    pub value: i64,
}
