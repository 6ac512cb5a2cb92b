//! The site that a command is about, with the settings and the store that go with it.

use std::fmt::Display;
use std::path::Path;
use std::sync::Arc;

use super::{Common, Exit};
use crate::calendar::{CalendarError, Zone};
use crate::reading::SiteIndex;
use crate::settings::{self, Settings};
use crate::site::{Severity, Site};
use crate::store::{self, Reader};
use crate::units::Stamp;
use crate::web::HistoryError;

/// Why a command cannot do its work, and how it ends for it.
#[derive(Debug)]
pub(super) struct Refusal {
    pub(super) exit: Exit,
    pub(super) why: String,
}

impl Refusal {
    pub(super) fn new(exit: Exit, why: impl Display) -> Self {
        Self { exit, why: why.to_string() }
    }

    /// Of a store that does not answer.
    pub(super) fn of_store(error: store::Error) -> Self {
        let exit = if matches!(error, store::Error::Missing { .. }) { Exit::Away } else { Exit::Short };
        Self::new(exit, error)
    }

    /// Of a time that makes no sense in the option `--name`.
    pub(super) fn of_time(name: &str, error: &CalendarError) -> Self {
        Self::new(Exit::Usage, format!("--{name}: {error}"))
    }

    /// Of a question that makes no sense, or that the store does not answer.
    pub(super) fn of_question(error: HistoryError) -> Self {
        match error {
            HistoryError::Asked { what, .. } => Self::new(Exit::Usage, format!("--{what}")),
            HistoryError::Failed(why) => Self::new(Exit::Short, why),
        }
    }

    /// Says it, and how the command ends.
    pub(super) fn say(self) -> Exit {
        eprintln!("panelwright: {}", self.why);
        self.exit
    }
}

/// A site of the settings.
#[derive(Debug)]
pub(super) struct House {
    pub(super) settings: Settings,
    pub(super) sites: Vec<Arc<Site>>,
    pub(super) index: SiteIndex,
    pub(super) zone: Zone,
}

impl House {
    /// The site of that id, or the only one.
    pub(super) fn find(common: &Common, id: Option<&str>) -> Result<Self, Refusal> {
        let settings = settings::load_here(common.settings.as_deref())
            .map_err(|problems| Refusal::new(Exit::Config, problems))?;
        let sites = maps(&settings.sites)?;
        let index = chosen(&sites, id)?;
        let zone = Zone::new(&sites[index].time_zone).map_err(|error| Refusal::new(Exit::Config, error))?;
        Ok(Self { settings, sites, index: SiteIndex(index as u32), zone })
    }

    pub(super) fn site(&self) -> &Arc<Site> {
        &self.sites[self.index.0 as usize]
    }

    /// A reader of the store; the daemon may run meanwhile, or not.
    pub(super) fn reader(&self) -> Result<Reader, Refusal> {
        Reader::offline(&self.settings.store.directory, &self.sites).map_err(Refusal::of_store)
    }

    /// The moment that an option names, if it is given.
    pub(super) fn time(&self, name: &str, text: Option<&str>) -> Result<Option<Stamp>, Refusal> {
        text.map(|text| self.zone.parse(text).map_err(|error| Refusal::of_time(name, &error))).transpose()
    }
}

/// The maps of the settings' directory; all of them must be right, as for the daemon.
fn maps(directory: &Path) -> Result<Vec<Arc<Site>>, Refusal> {
    let (sites, findings) = settings::load_sites(directory);
    let errors: Vec<String> =
        findings.iter().filter(|found| found.severity == Severity::Error).map(ToString::to_string).collect();
    if errors.is_empty() {
        Ok(sites.into_iter().map(Arc::new).collect())
    } else {
        Err(Refusal::new(Exit::Config, errors.join("\n")))
    }
}

/// The position of the site that was asked for.
pub(super) fn chosen(sites: &[Arc<Site>], id: Option<&str>) -> Result<usize, Refusal> {
    let known = || sites.iter().map(|site| site.id.as_str()).collect::<Vec<_>>().join(", ");
    match (id, sites) {
        (Some(id), _) => sites.iter().position(|site| site.id == id).ok_or_else(|| {
            Refusal::new(Exit::Usage, format!("there is no site `{id}`; there is: {}", known()))
        }),
        (None, [_]) => Ok(0),
        (None, []) => Err(Refusal::new(Exit::Config, "there is no map of a site; see `panelwright check`")),
        (None, _) => {
            let why = format!("there are several sites; name one with --site: {}", known());
            Err(Refusal::new(Exit::Usage, why))
        }
    }
}
