//! What a site has under a name: circuits, channels, counted CTs, accepted findings.

use super::model::{Accept, BESIDE, COUNTED, ChannelIndex, Circuit, EXPORTED, SeriesIndex, Site};

impl Site {
    /// The CT that a series is of: a channel, or a counted CT by its power.
    pub fn ct_of(&self, series: SeriesIndex) -> Option<ChannelIndex> {
        let index = series.0 as usize;
        match index.checked_sub(self.channels.len()) {
            None => Some(ChannelIndex(series.0)),
            Some(split) => self.channel(self.splits.get(split)?.strip_prefix(COUNTED)?),
        }
    }

    /// The CTs that have both power and a counter, in that order.
    pub fn counted(&self) -> Vec<(ChannelIndex, ChannelIndex)> {
        let of = |name: &String| {
            let power = name.strip_prefix(COUNTED)?;
            Some((self.channel(power)?, self.channel(&format!("{power}{BESIDE}"))?))
        };
        self.splits.iter().filter_map(of).collect()
    }

    /// The CTs that have both power and a counter of what flows out, in that order.
    pub fn exported(&self) -> Vec<(ChannelIndex, ChannelIndex)> {
        let of = |name: &String| {
            let power = name.strip_prefix(COUNTED)?;
            Some((self.channel(power)?, self.channel(&format!("{power}{EXPORTED}"))?))
        };
        self.splits.iter().filter_map(of).collect()
    }

    /// Both: every CT with power, and each of the counters beside it.
    pub fn beside(&self) -> Vec<(ChannelIndex, ChannelIndex)> {
        [self.counted(), self.exported()].concat()
    }

    /// Why a finding of that kind about that circuit or bus is taken as it is, if the map says so.
    pub fn accepted(&self, finding: &str, about: &str) -> Option<&Accept> {
        let mut of_kind = self.accepts.iter().filter(|accept| accept.finding == finding);
        of_kind.find(|accept| accept.about.as_deref().is_none_or(|name| name == about))
    }

    /// The place of the circuit of that id in [`Site::circuits`].
    pub fn circuit_index(&self, id: &str) -> Option<usize> {
        self.circuits.iter().position(|circuit| circuit.id == id)
    }

    /// The circuit of that id.
    pub fn circuit(&self, id: &str) -> Option<&Circuit> {
        self.circuit_index(id).map(|index| &self.circuits[index])
    }

    /// What the circuit of that id is called today, or was last; the id where the map has none.
    pub fn label_of<'s>(&'s self, id: &'s str) -> &'s str {
        self.circuit(id).map_or(id, |circuit| &circuit.latest().label)
    }

    /// The channel of that name (`device/channel`).
    pub fn channel(&self, name: &str) -> Option<ChannelIndex> {
        let index = self.channels.iter().position(|channel| channel.name == name)?;
        Some(ChannelIndex(index as u32))
    }
}
