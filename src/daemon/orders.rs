//! Commands in, from the message to the answer.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Result;
use tokio::sync::{mpsc, oneshot};
use tokio::time::timeout;

use super::chargers::Chargers;
use super::intake::Control;
use super::kept::Kept;
use crate::engine::Engine;
use crate::mqtt;
use crate::publish::{self, Commands, EvPart, Form, Message, Rejected, Request};
use crate::reading::{Delivery, SiteIndex};
use crate::site::Site;
use crate::status::Board;
use crate::surplus::{Guidance, Settings};
use crate::units::{Span, Stamp};

/// The intake answers between two batches; it takes longer only while maps are read again.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);
/// Refusals are logged this seldom, each with how many there were, and too many at once answered so.
const TELL_EVERY: Span = Span::from_seconds(10);

/// Reads, carries out, keeps and answers.
pub(super) struct Orders {
    commands: Commands,
    sites: Vec<Arc<Site>>,
    control: mpsc::Sender<Control>,
    file: Kept,
    chargers: Chargers,
    /// What holds differs from the file.
    unwritten: bool,
    told: Option<Stamp>,
    untold: u64,
}

/// What became of a message.
pub(super) struct Outcome {
    pub(super) site: SiteIndex,
    /// What holds now, or why not.
    pub(super) result: Result<Settings, String>,
    pub(super) answer: Option<Message>,
    /// The Homie property that was asked to be set.
    pub(super) property: Option<(usize, EvPart)>,
}

impl Orders {
    /// `None` where the settings accept no commands.
    pub(super) fn start(
        options: &publish::Options,
        sites: &[Arc<Site>],
        directory: &Path,
        control: mpsc::Sender<Control>,
    ) -> Result<Option<Self>> {
        let Some(commands) = Commands::new(options, sites) else { return Ok(None) };
        let file = Kept::new(directory, "chargers.json");
        let chargers = file.read()?.unwrap_or_default();
        let sites = sites.to_vec();
        Ok(Some(Self { commands, sites, control, file, chargers, unwritten: false, told: None, untold: 0 }))
    }

    /// Tells the engine what an earlier run was told.
    pub(super) fn restore(&self, sites: &[Arc<Site>], engine: &mut Engine, now: Stamp) {
        self.chargers.restore(sites, engine, now);
    }

    /// What to subscribe to.
    pub(super) fn filters(&self) -> Vec<String> {
        self.commands.filters()
    }

    /// The maps were read again.
    pub(super) fn on_sites(&mut self, sites: &[Arc<Site>]) {
        self.sites = sites.to_vec();
        self.commands.on_sites(sites);
    }

    /// What holds now: a target that was reached is not to come back after a restart.
    pub(super) fn follow(&mut self, site: SiteIndex, guidance: &Guidance) {
        let Some(map) = self.sites.get(site.0 as usize) else { return };
        self.unwritten |= self.chargers.follow(map, guidance);
    }

    /// Writes down what came to hold without a command, such as the end of a target.
    pub(super) async fn write_quietly(&mut self) {
        if let Err(error) = self.write().await {
            tracing::error!("what chargers were told is not kept: {error:#}");
            // Not again with every tick: with the next change.
            self.unwritten = false;
        }
    }

    /// Writes down what holds, if that is news.
    async fn write(&mut self) -> Result<()> {
        if !self.unwritten {
            return Ok(());
        }
        let (file, chargers) = (self.file.clone(), self.chargers.clone());
        tokio::task::spawn_blocking(move || file.write(&chargers)).await??;
        self.unwritten = false;
        Ok(())
    }

    /// Reads a message, has it carried out and keeps what follows. `None` if nobody is to be answered.
    pub(super) async fn obey(
        &mut self,
        message: &mqtt::Message,
        board: &Board,
        now: Stamp,
    ) -> Option<Outcome> {
        let retained = message.delivery == Delivery::Retained;
        match self.commands.read(message.topic(), &message.payload, retained, now) {
            Ok(request) => Some(self.carry_out(request, board, now).await),
            Err(rejected) => self.reject(message.topic(), rejected, board, now),
        }
    }

    async fn carry_out(&mut self, request: Request, board: &Board, now: Stamp) -> Outcome {
        let Request { site, command, form } = request;
        let result = match self.lead(site, command).await {
            Ok(settings) => {
                if let Some(map) = self.sites.get(site.0 as usize) {
                    self.unwritten |= self.chargers.told(map, command.ev, settings);
                }
                match self.write().await {
                    Ok(()) => Ok(settings),
                    Err(error) => Err(format!("it holds, but a restart will forget it: {error:#}")),
                }
            }
            Err(why) => Err(why),
        };
        match &result {
            Ok(_) => drop(board.counters.commands_accepted.inc()),
            Err(why) => {
                board.command_refused("not carried out");
                self.complain("a command", why, now);
            }
        }
        let told = result.as_ref().map(|settings| (command.ev, *settings)).map_err(String::as_str);
        let answer = self.commands.answer(site, &form, told);
        Outcome { site, result, answer, property: property(&form) }
    }

    async fn lead(&self, site: SiteIndex, command: crate::surplus::Command) -> Result<Settings, String> {
        let id = self.sites.get(site.0 as usize).map_or_else(String::new, |site| site.id.clone());
        let (answer, result) = oneshot::channel();
        let asked = async {
            self.control.send(Control::Lead(id, command, answer)).await.ok()?;
            result.await.ok()
        };
        match timeout(ANSWER_WITHIN, asked).await {
            Ok(Some(Ok(settings))) => Ok(settings),
            Ok(Some(Err(refused))) => Err(refused.to_string()),
            Ok(None) | Err(_) => Err("the daemon is busy or about to stop: try again".into()),
        }
    }

    fn reject(&mut self, topic: &str, rejected: Rejected, board: &Board, now: Stamp) -> Option<Outcome> {
        let Rejected { site, form, reason, why } = rejected;
        board.command_refused(reason);
        let fresh = self.complain(topic, &why, now);
        // A flood is not answered message by message, and nobody waits for an answer to what is kept.
        if reason == "retained" || reason == "too many" && !fresh {
            return None;
        }
        let site = site?;
        let answer = self.commands.answer(site, &form, Err(&why));
        Some(Outcome { site, result: Err(why), answer, property: property(&form) })
    }

    /// Logs a refusal, unless one was just now.
    fn complain(&mut self, what: &str, why: &str, now: Stamp) -> bool {
        let just_now = self.told.is_some_and(|told| now >= told && now - told < TELL_EVERY);
        if just_now {
            self.untold += 1;
            return false;
        }
        tracing::warn!(before = self.untold, "{} is refused: {why}", clipped(what));
        (self.told, self.untold) = (Some(now), 0);
        true
    }
}

/// Topics are the sender's; a log line has an end.
fn clipped(topic: &str) -> String {
    topic.chars().take(120).collect()
}

fn property(form: &Form) -> Option<(usize, EvPart)> {
    match form {
        Form::Homie(property) => *property,
        Form::Json(_) => None,
    }
}
