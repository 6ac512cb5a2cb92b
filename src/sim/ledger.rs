//! The truth, added up.

use super::Truth;

/// Joules in a kilowatt-hour.
const JOULES_PER_KWH: f64 = 3.6e6;

/// True energies over some seconds, in kWh.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ledger {
    /// How many seconds it holds.
    pub seconds: u64,
    joules: Totals,
}

#[derive(Clone, Debug, Default, PartialEq)]
struct Totals {
    circuits: Vec<f64>,
    import: f64,
    export: f64,
    generation: f64,
    consumption: f64,
    untracked: f64,
}

impl Ledger {
    /// Adds a second.
    pub fn add(&mut self, truth: &Truth) {
        self.seconds += 1;
        let sums = &mut self.joules;
        sums.circuits.resize(truth.circuits.len(), 0.0);
        for (sum, watts) in sums.circuits.iter_mut().zip(&truth.circuits) {
            *sum += watts;
        }
        sums.import += truth.grid.max(0.0);
        sums.export += (-truth.grid).max(0.0);
        sums.generation += truth.generation;
        sums.consumption += truth.consumption;
        sums.untracked += truth.untracked;
    }

    /// Adds what another holds.
    pub fn append(&mut self, other: &Self) {
        self.seconds += other.seconds;
        let (sums, more) = (&mut self.joules, &other.joules);
        sums.circuits.resize(sums.circuits.len().max(more.circuits.len()), 0.0);
        for (sum, joules) in sums.circuits.iter_mut().zip(&more.circuits) {
            *sum += joules;
        }
        sums.import += more.import;
        sums.export += more.export;
        sums.generation += more.generation;
        sums.consumption += more.consumption;
        sums.untracked += more.untracked;
    }

    /// By circuit, in the order of the map; generation is negative.
    pub fn circuits(&self) -> Vec<f64> {
        self.joules.circuits.iter().map(|joules| joules / JOULES_PER_KWH).collect()
    }

    /// From the grid.
    pub fn import(&self) -> f64 {
        self.joules.import / JOULES_PER_KWH
    }

    /// Into the grid.
    pub fn export(&self) -> f64 {
        self.joules.export / JOULES_PER_KWH
    }

    /// By PV.
    pub fn generation(&self) -> f64 {
        self.joules.generation / JOULES_PER_KWH
    }

    /// By the house.
    pub fn consumption(&self) -> f64 {
        self.joules.consumption / JOULES_PER_KWH
    }

    /// By loads without a CT.
    pub fn untracked(&self) -> f64 {
        self.joules.untracked / JOULES_PER_KWH
    }
}
