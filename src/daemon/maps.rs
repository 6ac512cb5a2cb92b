//! The list of sites over reloads: a site keeps its place for as long as the daemon runs.

use std::sync::Arc;

use anyhow::Result;

use crate::site::{Epoch, Plan, Site};
use crate::units::Stamp;

/// Reads all maps; the error is every finding, one a line.
pub type Load = Box<dyn Fn() -> Result<Vec<Site>> + Send>;

/// The sites, and how to read them again.
pub struct Maps {
    load: Load,
    sites: Vec<Arc<Site>>,
    /// Whether the site of that place is in the maps now.
    present: Vec<bool>,
}

impl Maps {
    /// Reads the maps for the first time.
    ///
    /// # Errors
    /// Every finding.
    pub fn load(load: Load) -> Result<Self> {
        let sites: Vec<_> = load()?.into_iter().map(Arc::new).collect();
        Ok(Self { load, present: vec![true; sites.len()], sites })
    }

    /// Reads them again; if any is bad, nothing changes.
    ///
    /// # Errors
    /// Every finding.
    pub fn reload(&mut self) -> Result<()> {
        let fresh = (self.load)()?;
        self.present.fill(false);
        for site in fresh {
            match self.sites.iter().position(|old| old.id == site.id) {
                Some(place) => {
                    self.sites[place] = Arc::new(site);
                    self.present[place] = true;
                }
                None => {
                    self.sites.push(Arc::new(site));
                    self.present.push(true);
                }
            }
        }
        for (site, present) in self.sites.iter_mut().zip(&self.present) {
            if !present && !site.devices.is_empty() {
                *site = Arc::new(retired(site));
            }
        }
        Ok(())
    }

    /// Every site that there is or was, by its place.
    pub fn list(&self) -> Vec<Arc<Site>> {
        self.sites.clone()
    }

    /// The sites of the maps, for people.
    pub fn visible(&self) -> Vec<Arc<Site>> {
        self.sites
            .iter()
            .zip(&self.present)
            .filter(|(_, present)| **present)
            .map(|(site, _)| site.clone())
            .collect()
    }

    /// Whether the site of this place is in the maps.
    pub fn is_present(&self, place: usize) -> bool {
        self.present.get(place).copied().unwrap_or(false)
    }
}

/// What holds the place of a site whose map is gone: no devices, no figures; its history stays.
fn retired(site: &Site) -> Site {
    Site {
        devices: Vec::new(),
        channels: Vec::new(),
        buses: Vec::new(),
        circuits: Vec::new(),
        feeds: vec![],
        accepts: vec![],
        splits: Vec::new(),
        epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan: Plan::default() }],
        ..site.clone()
    }
}
