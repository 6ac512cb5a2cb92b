//! What the demo shows: where to look, the live figures, and goodbye.

use std::io::{self, IsTerminal as _, Write as _};
use std::net::SocketAddr;
use std::time::Duration;

use anyhow::{Result, anyhow};

use super::place::Place;
use crate::cli::now::client::{Client, Failure, Key};
use crate::cli::table::{Style, live_line, live_table};
use crate::sim::faults::{FAULTS, Fault};
use crate::sim::{Laid, Switch};
use crate::site::Site;
use crate::web::{Now, SiteInfo};

/// How often the figures are shown in a terminal, and how often as lines.
const REDRAW: Duration = Duration::from_secs(1);
const LINE: Duration = Duration::from_secs(2);
/// Figures that could not be fetched in a row until something is wrong.
const MISSES: u32 = 10;

/// Standard output.
pub(super) struct Screen {
    style: Style,
    /// Lines of the table on the screen, which the next one replaces.
    drawn: usize,
    progress_shown: bool,
}

impl Screen {
    pub(super) fn new() -> Self {
        Self { style: Style::of_stdout(), drawn: 0, progress_shown: false }
    }

    /// What this is.
    pub(super) fn welcome(&self, site: &Site, seed: u64) {
        say(&format!(
            "Panelwright demo: {}. The house, its people, its weather and all its data are INVENTED (seed {seed}).",
            site.name
        ));
        say("Meters, broker, daemon, store and API run in this process, on loopback; nothing leaves it.\n");
    }

    /// How far the history is.
    pub(super) fn progress(&mut self, days: u16, part: f64) {
        if io::stdout().is_terminal() {
            let percent = (part * 100.0).clamp(0.0, 100.0);
            print(&format!("\rLaying in {days} days of history … {percent:.0} %"));
            self.progress_shown = true;
        }
    }

    /// That the history is there.
    pub(super) fn laid(&mut self, days: u16, laid: &Laid) {
        if std::mem::take(&mut self.progress_shown) {
            print("\r\x1b[K");
        }
        say(&format!("Laid in {days} days of history: {} readings.\n", laid.readings));
    }

    /// Where to look.
    pub(super) fn directions(
        &self,
        place: &Place,
        broker: SocketAddr,
        api: SocketAddr,
        site: &Site,
        speed: f64,
    ) {
        let topics: Vec<_> =
            site.devices.iter().map(|device| device.topic.replace("{channel}", "+")).collect();
        let fast =
            if speed > 1.0 { format!(", {speed} simulated seconds per second") } else { String::new() };
        say(&format!("  page     http://{api}/"));
        say(&format!("  API      http://{api}/api/sites/{}/now", site.id));
        say(&format!("  broker   mqtt://{broker}   (MQTT 5 and 3.1.1, no password)"));
        say(&format!("  in       {}", topics.join("   ")));
        say(&format!("  out      panelwright/{}/now", site.id));
        say(&format!("  map      {}", place.map_file().display()));
        let settings = place.settings_file();
        let settings = settings.display();
        say(&format!("  command  panelwright now --settings {settings}"));
        say(&format!(
            "  a load   panelwright demo switch water-heater on --settings {settings}   (on, off, auto)"
        ));
        say(&format!("\nCtrl-C ends it{fast}.\n"));
    }

    /// Shows the live figures, as the API gives them, until something goes wrong.
    pub(super) async fn follow(&mut self, api: SocketAddr, site: &str) -> Result<()> {
        let client = Client::new(&format!("http://{api}"), Key::None).map_err(said)?;
        let site = client.site(Some(site)).await.map_err(said)?;
        let mut missed = 0;
        let mut every = tokio::time::interval(if self.style.terminal { REDRAW } else { LINE });
        loop {
            every.tick().await;
            match client.now(&site.site).await {
                Ok(body) => {
                    missed = 0;
                    let now: Now = serde_json::from_str(&body)?;
                    // Before the first readings there is nothing to show.
                    if now.grid_w.is_some() {
                        self.show(&now, &site);
                    }
                }
                Err(failure) if missed >= MISSES => return Err(said(failure)),
                Err(_) => missed += 1,
            }
        }
    }

    fn show(&mut self, now: &Now, site: &SiteInfo) {
        if !self.style.terminal {
            say(&live_line(now, site));
            return;
        }
        let table = live_table(now, site, usize::MAX, self.style);
        // Up over the table before, and clear from there (ECMA-48: CUU, ED): the directions above stay.
        let up = if self.drawn > 0 { format!("\x1b[{}A\r\x1b[J", self.drawn) } else { String::new() };
        print(&format!("{up}{table}"));
        self.drawn = table.lines().count();
    }

    /// Something that went wrong.
    pub(super) fn problem(&self, error: &anyhow::Error) {
        eprintln!("panelwright: {error:#}");
    }

    /// What is left.
    pub(super) fn farewell(&self, place: &Place) {
        if place.is_temporary() {
            say("The demo's files are removed. Keep them with --data DIR.");
        } else {
            let settings = place.settings_file();
            say(&format!("Look into its history: panelwright history --settings {}", settings.display()));
        }
    }
}

/// That a load was switched by hand; `None` if there is no such load.
pub(super) fn switched(circuit: &str, to: Option<Switch>) {
    match to {
        Some(to) => say(&format!("By hand: {circuit} {}.", to.as_str())),
        None => say(&format!("By hand: there is no load on a circuit \"{circuit}\".")),
    }
}

/// What can be wrong, with `--fault`.
pub(super) fn faults() {
    say("Each makes the invented house differ from its map in one way:\n");
    for fault in FAULTS {
        say(&format!("  {:22}{}", fault.name, fault.story));
    }
}

/// How to find what is wrong.
pub(super) fn hunt(fault: &Fault, place: &Place) {
    let settings = place.settings_file();
    let settings = settings.display();
    say("THE MAP OF THIS HOUSE IS WRONG IN ONE WAY, for you to find and mend.");
    say(&format!("  symptom  {}", fault.symptom));
    say(&format!("  find it  panelwright audit --settings {settings}"));
    say(&format!("  mend it  change the line that it names in {}", place.map_file().display()));
    say(&format!("  reload   kill -HUP {}   (and audit again: the finding is gone)\n", std::process::id()));
}

/// That what was put in is still there.
pub(super) fn fault_is_there(fault: &Fault) {
    say(&format!("The figures are wrong because of the fault that was asked for: {}.", fault.story));
}

fn said(failure: Failure) -> anyhow::Error {
    anyhow!("the demo's API: {}", failure.why)
}

/// A line. A reader that has gone away (`| head`) is no reason to stop the house.
pub(super) fn say(line: &str) {
    print(&format!("{line}\n"));
}

fn print(text: &str) {
    let mut out = io::stdout().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
}
