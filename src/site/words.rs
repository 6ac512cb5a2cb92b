//! The words of the map and what they stand for, each pair once.

use std::fmt;

use super::model::{EndUse, Leg, System};

impl EndUse {
    /// Every end use, in the order of reports.
    pub const ALL: [Self; 16] = [
        Self::Heating,
        Self::Cooling,
        Self::HotWater,
        Self::Ventilation,
        Self::Dehumidification,
        Self::Lighting,
        Self::Refrigeration,
        Self::Cooking,
        Self::Laundry,
        Self::PlugLoads,
        Self::PoolSpa,
        Self::WellSump,
        Self::EvCharging,
        Self::Pv,
        Self::Storage,
        Self::Other,
    ];

    /// How maps and reports write it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Heating => "heating",
            Self::Cooling => "cooling",
            Self::HotWater => "hot water",
            Self::Ventilation => "ventilation",
            Self::Dehumidification => "dehumidification",
            Self::Lighting => "lighting",
            Self::Refrigeration => "refrigeration",
            Self::Cooking => "cooking",
            Self::Laundry => "laundry",
            Self::PlugLoads => "plug loads",
            Self::PoolSpa => "pool/spa",
            Self::WellSump => "well/sump",
            Self::EvCharging => "EV charging",
            Self::Pv => "PV",
            Self::Storage => "storage",
            Self::Other => "other",
        }
    }

    /// The end use that a map's word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|end_use| end_use.as_str() == word)
    }
}

impl fmt::Display for EndUse {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl System {
    /// Every system.
    pub const ALL: [Self; 2] = [Self::SplitPhase120_240, Self::Wye120_208];

    /// How maps write it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::SplitPhase120_240 => "split-phase 120/240",
            Self::Wye120_208 => "wye 120/208",
        }
    }
}

impl Leg {
    /// How maps and the trade write it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
            Self::C => "C",
        }
    }

    /// The leg that a map's word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::A, Self::B, Self::C].into_iter().find(|leg| leg.as_str() == word)
    }
}

impl fmt::Display for Leg {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}
