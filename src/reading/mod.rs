//! Topic, payload and arrival time into readings, or the reasons why not.
//!
//! A [`Router`] is built once from the maps. It finds the channels of a topic by one hash look-up
//! and reads the payload without a tree of it in memory. What cannot be read is a [`Refusal`],
//! counted by reason in the [`Outcome`]; nothing that a device sends can make it panic, and one
//! bad channel of a message takes no other with it.

mod complaints;
mod json;
mod number;
mod router;
mod time;
mod topics;

pub use complaints::Complaints;
pub use number::{MAX_COUNTER_KWH, MAX_POWER_W};
pub use router::{MAX_PAYLOAD, Router};
pub use time::{EARLIEST, LATE_WINDOW, MAX_AHEAD};

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

/// How a message came, which decides whether its arrival tells when it was measured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Delivery {
    /// As it was published: the arrival is the event time unless the payload says better.
    #[default]
    Live,
    /// The last message that the broker kept for new subscribers; of unknown age.
    Retained,
    /// Queued by the broker while nobody was listening, or delivered again after a reconnection:
    /// when it was measured only its payload can say.
    Backlog,
}

/// Why a message, or one channel of it, gave no reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Refusal {
    /// No map names the topic.
    UnknownTopic,
    /// The topic fits a device's pattern, and the map has no such channel.
    UnknownChannel,
    /// The payload has no content.
    Empty,
    /// The payload is longer than [`MAX_PAYLOAD`].
    TooLarge,
    /// The payload is not UTF-8.
    NotUtf8,
    /// The payload should be a number and is not.
    NotANumber,
    /// NaN or an infinity.
    NotFinite,
    /// The payload should be JSON and is not.
    NotJson,
    /// The JSON has nothing, or `null`, at the pointer.
    Missing,
    /// The JSON has no number at the pointer.
    WrongType,
    /// No panel has such a power ([`MAX_POWER_W`]), no counter such a count ([`MAX_COUNTER_KWH`]).
    OutOfRange,
    /// The payload should say its time, and does not or not readably.
    BadTime,
    /// The payload's time is more than [`MAX_AHEAD`] ahead of the arrival.
    FutureTime,
    /// The payload's time is before [`EARLIEST`].
    OldTime,
    /// The payload's time is further back than the late window of the site.
    TooLate,
    /// Retained, without a time of its own: it is old, and nobody knows how old.
    Retained,
    /// From a backlog, without a time of its own: it cannot be placed.
    Backlog,
}

impl Refusal {
    /// Every reason, in the order of its number.
    pub const ALL: [Self; 17] = [
        Self::UnknownTopic,
        Self::UnknownChannel,
        Self::Empty,
        Self::TooLarge,
        Self::NotUtf8,
        Self::NotANumber,
        Self::NotFinite,
        Self::NotJson,
        Self::Missing,
        Self::WrongType,
        Self::OutOfRange,
        Self::BadTime,
        Self::FutureTime,
        Self::OldTime,
        Self::TooLate,
        Self::Retained,
        Self::Backlog,
    ];

    /// A short stable name, for the label of a metric.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::UnknownTopic => "unknown_topic",
            Self::UnknownChannel => "unknown_channel",
            Self::Empty => "empty",
            Self::TooLarge => "too_large",
            Self::NotUtf8 => "not_utf8",
            Self::NotANumber => "not_a_number",
            Self::NotFinite => "not_finite",
            Self::NotJson => "not_json",
            Self::Missing => "missing",
            Self::WrongType => "wrong_type",
            Self::OutOfRange => "out_of_range",
            Self::BadTime => "bad_time",
            Self::FutureTime => "future_time",
            Self::OldTime => "old_time",
            Self::TooLate => "too_late",
            Self::Retained => "retained",
            Self::Backlog => "backlog",
        }
    }

    /// What is wrong and what to do about it, for a log line.
    pub const fn advice(self) -> &'static str {
        match self {
            Self::UnknownTopic => "no map names this topic: narrow the subscription or add the device",
            Self::UnknownChannel => {
                "the map has no such channel: name it in a feed or a circuit, or ignore it"
            }
            Self::Empty => "the payload is empty: see what the device sends",
            Self::TooLarge => "the payload is over 1 MiB: this cannot be a meter's message",
            Self::NotUtf8 => "the payload is not UTF-8 text: see what the device sends",
            Self::NotANumber => {
                "the payload is no number: give the device a `payload` with a pointer if it is JSON"
            }
            Self::NotFinite => "the value is not finite: the device has no measurement",
            Self::NotJson => "the payload is no valid JSON: leave out `payload` if it is a plain number",
            Self::Missing => "nothing is at the pointer: compare the device's `pointer` with the payload",
            Self::WrongType => "no number is at the pointer: compare the device's `pointer` with the payload",
            Self::OutOfRange => "no panel has such a value: check the device's `unit`",
            Self::BadTime => "the payload says no readable time: RFC 3339 or Unix seconds or milliseconds",
            Self::FutureTime => "the time is in the future: set the device's clock, or this machine's",
            Self::OldTime => "the time is before the year 2000: set the device's clock",
            Self::TooLate => {
                "the reading is older than the late window: set the device's clock, widen `late_window_days`, \
                 or import it"
            }
            Self::Retained => "a retained message without a time is of unknown age; it is no reading",
            Self::Backlog => "a backlog without times cannot be placed: let the device send its time",
        }
    }
}

/// What became of one message.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outcome {
    /// How many readings it gave.
    pub accepted: u32,
    refused: [u32; Refusal::ALL.len()],
}

impl Outcome {
    /// How often it was refused for that reason.
    pub fn refused(&self, reason: Refusal) -> u32 {
        self.refused[reason as usize]
    }

    /// The reasons that occurred, with how often.
    pub fn refusals(&self) -> impl Iterator<Item = (Refusal, u32)> + '_ {
        Refusal::ALL.into_iter().zip(self.refused).filter(|(_, count)| *count > 0)
    }

    fn refuse(&mut self, reason: Refusal) {
        self.refused[reason as usize] += 1;
    }

    fn of(reason: Refusal) -> Self {
        let mut outcome = Self::default();
        outcome.refuse(reason);
        outcome
    }
}

#[cfg(test)]
mod tests;
