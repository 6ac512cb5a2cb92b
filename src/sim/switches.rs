//! Loads that somebody switches by hand, so that a load step can be tried in the demo.

use super::loads::{Draw, Draws, KINDS, Kind};

/// What is done to a load.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Switch {
    /// It runs, at what it draws when all of it is on.
    On,
    /// It draws nothing.
    Off,
    /// It does what it does by itself.
    Auto,
}

impl Switch {
    /// All of them, with their names.
    pub const ALL: &[(Self, &'static str)] = &[(Self::On, "on"), (Self::Off, "off"), (Self::Auto, "auto")];

    /// The one of that name.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.iter().find(|(_, known)| *known == name).map(|(switch, _)| *switch)
    }

    /// Its name.
    pub fn as_str(self) -> &'static str {
        Self::ALL.iter().find(|(switch, _)| *switch == self).map_or("auto", |(_, name)| name)
    }
}

/// The circuits of the demo whose loads can be switched, by id.
pub fn switchable() -> impl Iterator<Item = &'static str> {
    Kind::ALL.iter().map(|(_, id)| *id)
}

/// What every switch is at.
#[derive(Clone, Debug)]
pub(super) struct Switches([Switch; KINDS]);

impl Default for Switches {
    fn default() -> Self {
        Self([Switch::Auto; KINDS])
    }
}

impl Switches {
    /// Switches the load of a circuit; false if there is none.
    pub(super) fn set(&mut self, circuit: &str, to: Switch) -> bool {
        let kind = Kind::named(circuit);
        kind.map(|kind| self.0[kind as usize] = to).is_some()
    }

    /// On what loads draw.
    pub(super) fn on_loads(&self, draws: &mut Draws) {
        for (kind, _) in Kind::ALL {
            match self.0[*kind as usize] {
                Switch::On => draws.set(*kind, Draw::rated(*kind)),
                Switch::Off => draws.set(*kind, Draw::default()),
                Switch::Auto => {}
            }
        }
    }
}
