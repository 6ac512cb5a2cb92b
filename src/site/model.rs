//! What a validated channel map is: the site, its devices, buses and circuits, and the plan that
//! every figure is computed by.
//!
//! A map is dated. Each stretch of time between two changes is an [`Epoch`] with a [`Plan`] of its
//! own; a circuit keeps its identity (its id) across epochs, so its history outlives a moved CT.
//!
//! Figures are sums over *series*. The channels of the site are its first series; the sign-split
//! series (grid, each PV and storage circuit, self-consumed) follow. A channel's series is the
//! measured energy itself, so that a corrected map corrects all history; a split series is
//! accumulated tick by tick because a sign split is not linear.

use std::ops::Range;

use super::loading::Loading;
use crate::units::{Span, Stamp};

/// What the series of a counted CT is called before the name of its channel.
pub(super) const COUNTED: &str = "counted/";
/// What a channel's counter is called behind the channel's name.
pub(super) const BESIDE: &str = "/counter";
/// And its counter of what flows the other way.
pub(super) const EXPORTED: &str = "/export-counter";

/// Index of a channel in [`Site::channels`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChannelIndex(pub u32);

/// Index of a series: channels first (`0..channels.len()`), then [`Site::splits`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SeriesIndex(pub u32);

/// A home (or barn, or shop) with one service, one time zone and one channel map.
#[derive(Clone, Debug)]
pub struct Site {
    /// `[a-z0-9-]`, 1 to 64 characters: it goes into topics and file names.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// IANA name, known to the bundled time-zone database.
    pub time_zone: String,
    /// Day of the month on which a billing month starts, 1 to 28.
    pub billing_day: u8,
    /// How old a reading may be when it comes; as the settings say if `None`.
    pub late_window: Option<Span>,
    /// The utility service.
    pub service: Service,
    /// Where channels come from.
    pub devices: Vec<Device>,
    /// Every channel, used or spare, in the order of the map.
    pub channels: Vec<Channel>,
    /// Every bus: the service point first, then the panels, parents before children.
    pub buses: Vec<Bus>,
    /// Every circuit, by the order in which its id first appears.
    pub circuits: Vec<Circuit>,
    /// EV chargers that get advice, and the watch over breakers.
    pub loading: Loading,
    /// Every `[[feed]]`, in the order of the map. A subpanel that is measured by the CTs of its feeder
    /// circuit has none.
    pub feeds: Vec<FeedEntry>,
    /// Findings that the owner of the map knows of and takes as they are.
    pub accepts: Vec<Accept>,
    /// The names of all sign-split series of all epochs, in a fixed order.
    pub splits: Vec<String>,
    /// Back to back from [`Stamp::MIN`] to [`Stamp::MAX`]; at least one.
    pub epochs: Vec<Epoch>,
}

impl Site {
    /// The epoch that holds `at`.
    pub fn epoch(&self, at: Stamp) -> &Epoch {
        let after = self.epochs.partition_point(|epoch| epoch.span.end <= at);
        &self.epochs[after.min(self.epochs.len() - 1)]
    }

    /// How many series there are: channels and splits.
    pub fn series_len(&self) -> usize {
        self.channels.len() + self.splits.len()
    }

    /// The series of split number `split` (an index into [`Site::splits`]).
    pub fn split_series(&self, split: usize) -> SeriesIndex {
        SeriesIndex((self.channels.len() + split) as u32)
    }

    /// The name under which a series is stored: `house/m1` for a channel, `split:grid` for a split.
    pub fn series_name(&self, series: SeriesIndex) -> String {
        let index = series.0 as usize;
        match self.channels.get(index) {
            Some(channel) => channel.name.clone(),
            None => format!("split:{}", self.splits[index - self.channels.len()]),
        }
    }
}

/// The utility service.
#[derive(Clone, Debug, PartialEq)]
pub struct Service {
    /// Which conductors there are.
    pub system: System,
    /// Rating of the main breaker in A, if the map says.
    pub main_breaker_a: Option<f64>,
}

/// The kinds of service that a map can name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum System {
    /// Single-phase three-wire, 120/240 V: legs A and B, half a turn apart.
    SplitPhase120_240,
    /// Three-phase four-wire wye, 120/208 V: legs A, B and C, a third of a turn apart.
    Wye120_208,
}

impl System {
    /// The ungrounded conductors.
    pub fn legs(self) -> &'static [Leg] {
        match self {
            Self::SplitPhase120_240 => &[Leg::A, Leg::B],
            Self::Wye120_208 => &[Leg::A, Leg::B, Leg::C],
        }
    }

    /// Volts between two legs, nominal.
    pub fn leg_to_leg_v(self) -> f64 {
        match self {
            Self::SplitPhase120_240 => 240.0,
            Self::Wye120_208 => 208.0,
        }
    }
}

/// One ungrounded conductor of the service.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Leg {
    /// Leg A.
    A,
    /// Leg B.
    B,
    /// Leg C (wye only).
    C,
}

/// What sends channels.
#[derive(Clone, Debug)]
pub struct Device {
    /// `[a-z0-9-]`; channels are named `device/channel`. The counters beside a device's power are a device of their
    /// own, `house/counter`, whose channels are named `house/1/counter`.
    pub id: String,
    /// Topic pattern; `{channel}` stands for the channel's name where each has a topic of its own. Empty
    /// where readings come from files alone.
    pub topic: String,
    /// How a payload is read.
    pub payload: Payload,
    /// What the number means.
    pub unit: Unit,
    /// How a reading covers time.
    pub reading: ReadingKind,
    /// Nominal period.
    pub every: Span,
    /// The longest stretch that one reading may cover; default 3 × `every`.
    pub max_gap: Span,
    /// After this long without a reading a channel no longer holds up the accounting, and its live
    /// value is unknown; default `max_gap` plus the settle time.
    pub stale_after: Span,
}

impl Device {
    /// Whether its readings come from files alone (`source = "import"`): it has no topic, is never
    /// live, and nobody waits for it.
    pub fn is_imported(&self) -> bool {
        self.topic.is_empty()
    }
}

/// How a device's payload is read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Payload {
    /// The payload is the number.
    Number,
    /// The payload is JSON.
    Json {
        /// RFC 6901 pointer to the value; `{channel}` may stand in it.
        pointer: String,
        /// Pointer to the time, if the payload says it.
        time: Option<String>,
    },
}

/// The unit of a device's numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Unit {
    /// Watts.
    W,
    /// Kilowatts.
    KW,
    /// Amperes; times `volts` they are an apparent power, and marked so.
    A {
        /// Nominal volts that the current is taken at.
        volts: f64,
    },
    /// A counter in Wh.
    Wh {
        /// Where the counter starts again at 0, in Wh, if it does.
        rolls_over_at_wh: Option<f64>,
    },
    /// A counter in kWh.
    KWh {
        /// Where the counter starts again at 0, in Wh, if it does.
        rolls_over_at_wh: Option<f64>,
    },
}

impl Unit {
    /// Whether the value is an energy that only grows.
    pub fn is_counter(self) -> bool {
        matches!(self, Self::Wh { .. } | Self::KWh { .. })
    }

    /// Whether the power is apparent (VA), not active.
    pub fn is_apparent(self) -> bool {
        matches!(self, Self::A { .. })
    }
}

/// How a reading covers time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReadingKind {
    /// The average since the reading before: it covers the span behind it.
    Mean,
    /// A sample: it holds until the next.
    Instant,
}

/// One CT input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Channel {
    /// `device/channel`, the name that maps, tables and the store use.
    pub name: String,
    /// Index into [`Site::devices`].
    pub device: usize,
    /// The device's own name for it: what `{channel}` stands for.
    pub key: String,
}

impl Channel {
    /// Whether it is a counter beside another channel's power: `house/1/counter`, `house/1/export-counter`.
    pub fn is_beside(&self) -> bool {
        // A channel of that name of its own has no second slash.
        let power = self.name.strip_suffix(BESIDE).or_else(|| self.name.strip_suffix(EXPORTED));
        power.is_some_and(|power| power.contains('/'))
    }
}

/// A busbar.
#[derive(Clone, Debug, PartialEq)]
pub struct Bus {
    /// `service`, `main` or the id of a subpanel.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// Index of the bus above; `None` for the service point.
    pub parent: Option<usize>,
    /// The circuit of the parent that feeds it, by id, where the map names one.
    pub fed_by: Option<String>,
    /// Busbar rating in A, if the map says.
    pub rating_a: Option<f64>,
    /// What a panel is like in front of whoever opens it.
    pub panel: PanelForm,
}

/// The positions of a panel, as far as the map tells.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PanelForm {
    /// How many breaker positions it has.
    pub spaces: Option<u16>,
    /// Positions that no circuit is on: breakers without a load, and empty ones.
    pub spares: Vec<u16>,
    /// The main breaker (or the feeder's lugs) is at the bottom, beside the highest numbers.
    pub main_at_bottom: bool,
    /// Line of the map file (1-based) where its `[[bus]]` starts; 1 where it has none.
    pub line: usize,
}

/// A circuit's identity, with everything that the map said of it over time.
#[derive(Clone, Debug)]
pub struct Circuit {
    /// `[a-z0-9-]`, stable: history, topics and the API use it.
    pub id: String,
    /// What it was under each date, oldest first, without overlap.
    pub entries: Vec<CircuitEntry>,
}

impl Circuit {
    /// The entry in force at `at`.
    pub fn entry(&self, at: Stamp) -> Option<&CircuitEntry> {
        self.entries.iter().find(|entry| entry.span.contains(&at))
    }

    /// The latest entry: what the circuit is called today, or was last.
    pub fn latest(&self) -> &CircuitEntry {
        self.entries.last().expect("a circuit has at least one entry")
    }
}

/// A circuit as one dated entry of the map has it.
#[derive(Clone, Debug)]
pub struct CircuitEntry {
    /// When it holds.
    pub span: Range<Stamp>,
    /// The text on the panel directory.
    pub label: String,
    /// What the energy is for; a feeder need not say.
    pub end_use: EndUse,
    /// What it does in the books.
    pub role: Role,
    /// Index into [`Site::buses`].
    pub bus: usize,
    /// Breaker positions in the panel; empty where the map does not say.
    pub spaces: Vec<u16>,
    /// The legs it draws from, by the map or by its spaces; empty where neither says.
    pub legs: Vec<Leg>,
    /// Breaker rating in A.
    pub breaker_a: Option<f64>,
    /// Primary rating of its CTs in A.
    pub ct_rating_a: Option<f64>,
    /// The measuring channels with their factors; empty for a circuit without a CT.
    pub terms: Vec<Term>,
    /// The same CTs, in the same order, as the map writes them.
    pub cts: Vec<Ct>,
    /// One CT stands for both legs of a balanced load.
    pub doubled: bool,
    /// Line of the map file (1-based) where the entry starts, for messages.
    pub line: usize,
    /// Where the map says what of it, for suggestions that name the line to change.
    pub written: Written,
    /// What only the rules of the trade ask about.
    pub trade: Trade,
}

/// What a map can say of a circuit for the rules of the trade alone.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trade {
    /// Rated output of a PV or storage inverter in A.
    pub inverter_a: Option<f64>,
    /// The circuit that it shares its neutral with (a multiwire branch circuit), and the line that says so.
    pub shares_neutral_with: Option<(String, usize)>,
}

/// A CT of a feed or circuit, as the map writes it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ct {
    /// Its channel.
    pub channel: ChannelIndex,
    /// The leg that the map writes on it; `None` where it does not say.
    pub leg: Option<Leg>,
    /// Turned round, by its own key and not by its circuit's.
    pub reversed: bool,
    /// Its own scale in millionths, if it has one.
    pub scale: Option<i64>,
}

/// Lines of an entry (1-based, first and last of the value). `None` where the key is not written.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Written {
    /// `channels`.
    pub channels: Option<(usize, usize)>,
    /// `legs`.
    pub legs: Option<(usize, usize)>,
    /// `spaces`.
    pub spaces: Option<(usize, usize)>,
    /// `doubled`.
    pub doubled: Option<usize>,
    /// `reversed`.
    pub reversed: Option<usize>,
    /// `scale`.
    pub scale: Option<usize>,
    /// `sign`.
    pub sign: Option<usize>,
    /// `bus`.
    pub bus: Option<usize>,
    /// The circuit's `reversed` is true.
    pub is_reversed: bool,
    /// The circuit's own scale in millionths.
    pub scale_millionths: Option<i64>,
}

/// A `[[feed]]`: the CTs that measure what flows into a bus.
#[derive(Clone, Debug, PartialEq)]
pub struct FeedEntry {
    /// When it holds.
    pub span: Range<Stamp>,
    /// Index into [`Site::buses`]: mains CTs above a tap ahead of the main are the service point's.
    pub bus: usize,
    /// The measuring channels with their factors.
    pub terms: Vec<Term>,
    /// The same CTs, in the same order, as the map writes them.
    pub cts: Vec<Ct>,
    /// Line of the map file (1-based) where it starts.
    pub line: usize,
    /// First and last line of its `channels`.
    pub channels: (usize, usize),
    /// Primary rating of its CTs in A.
    pub ct_rating_a: Option<f64>,
}

/// `[[accept]]`: a finding that the map's owner has looked into and takes as it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Accept {
    /// The finding's kind: the id of a rule of `check`, or a kind of the audit.
    pub finding: String,
    /// The circuit or bus that it is about; `None` accepts it everywhere in the site.
    pub about: Option<String>,
    /// Why, in the owner's words.
    pub reason: String,
    /// Line of the map file (1-based).
    pub line: usize,
}

/// What a circuit does in the books.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Takes energy; tracked.
    Load,
    /// Gives energy to its bus: a negative flow.
    Pv,
    /// Takes and gives; neither load nor source.
    Storage,
    /// Feeds a bus (index into [`Site::buses`]). Measured, it is the feed of that bus and no load
    /// of its own; unmeasured, the circuits of that bus count on the bus above.
    Feeder(usize),
}

/// What a circuit's energy is for.
///
/// The groups of ANSI/RESNET/ICC 301, with lighting and appliances kept in finer parts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs, reason = "each name is its own definition")]
pub enum EndUse {
    Heating,
    Cooling,
    HotWater,
    Ventilation,
    Dehumidification,
    Lighting,
    Refrigeration,
    Cooking,
    Laundry,
    PlugLoads,
    PoolSpa,
    WellSump,
    EvCharging,
    Pv,
    Storage,
    Other,
}

/// A stretch of time with one plan.
#[derive(Clone, Debug)]
pub struct Epoch {
    /// When it holds.
    pub span: Range<Stamp>,
    /// How figures are computed in it.
    pub plan: Plan,
}

/// How every figure follows from the series, in one epoch.
#[derive(Clone, Debug, Default)]
pub struct Plan {
    /// The split series that exist in this epoch: (index into [`Site::splits`], rule).
    pub splits: Vec<(usize, SplitRule)>,
    /// Every figure that the map defines in this epoch. A figure that is absent is unknown; one
    /// with no terms is a known zero.
    pub figures: Vec<Figure>,
}

/// One figure and the sum that it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Which figure.
    pub key: FigureKey,
    /// The sum.
    pub terms: Vec<Term>,
}

/// Names of the figures that a plan can define. Powers in W live, energies in history.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FigureKey {
    /// Flow into the service point, + import, − export.
    Grid,
    /// The part of the grid flow above 0.
    Import,
    /// The part of the grid flow below 0, as a positive number.
    Export,
    /// The parts of all PV circuits below 0, as a positive number.
    Generation,
    /// grid + generation − storage.
    Consumption,
    /// The sum of all measured load circuits, with the standby of PV circuits.
    Tracked,
    /// What flows into the buses and into none of their measured circuits; signed.
    Untracked,
    /// Generation that did not leave the site.
    SelfConsumed,
    /// What storage circuits take (+) or give (−).
    Storage,
    /// −grid + what EV chargers take: what the house could still use before it leaves the site.
    /// Signed here; shown as 0 where it is below. Live only.
    Surplus,
    /// A circuit (index into [`Site::circuits`]); a load is positive.
    Circuit(usize),
    /// Flow into a bus (index into [`Site::buses`]).
    BusFeed(usize),
    /// What flows into a bus and into none of its measured circuits; signed.
    BusUntracked(usize),
    /// Flow on one leg of the mains as the mains CTs measure it.
    MainsLeg(Leg),
}

/// One term of a sum: a part of a series times a factor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Term {
    /// Which series.
    pub series: SeriesIndex,
    /// Which part of it.
    pub part: Part,
    /// The factor in millionths: `2 × 1.03` is 2,060,000, reversed is negative.
    pub millionths: i64,
}

/// Which part of a series a term takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// In less out.
    Net,
    /// The part above 0.
    In,
    /// The part below 0, as a positive number.
    Out,
}

/// How a split series follows from the channels at each tick. All terms are channels or counted CTs, net.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SplitRule {
    /// A counted CT. In: what its counter grew, in the shape of its power above 0; out: what its counter of export
    /// grew, in the shape of its power below 0, or where it has none that power. Stands before the splits that
    /// add it up.
    Counted {
        /// Whose power it is.
        power: ChannelIndex,
        /// Its counter.
        counter: ChannelIndex,
        /// Its counter of what flows out.
        export: Option<ChannelIndex>,
    },
    /// In: the sum where it is above 0; out: where it is below.
    Signed(Vec<Term>),
    /// In: Σ over PV of max(−p, 0), less max(−grid, 0), not below 0 (what storage exports is not
    /// taken off generation); out: always 0.
    SelfConsumed {
        /// The grid flow.
        grid: Vec<Term>,
        /// Each PV circuit.
        pv: Vec<Vec<Term>>,
    },
}
