//! When a site's figures go out: not too often, not for nothing, never too seldom.

use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;

use super::announce::{Announcement, Announcer};
use super::figures::{EvPart, Today};
use super::homie::{Devices, Homie, Manner};
use super::json::Json;
use super::now::MAX_INTERVAL;
use super::output::{Message, Now, Output};
use crate::flow::Flows;
use crate::reading::SiteIndex;
use crate::settings;
use crate::site::Site;
use crate::surplus::{Guidance, Settings};
use crate::units::{Span, Stamp, TENTHS};

/// What the settings say about topics out.
#[derive(Clone, Debug, PartialEq)]
pub struct Options {
    /// Topic of a site's figures as JSON; `{site}` stands for its id. `None` publishes none.
    pub json: Option<String>,
    /// Topic of a site's alerts; `{site}` stands for its id. `None` publishes none.
    pub alerts: Option<String>,
    /// Topic of what the audit finds at a site; `{site}` stands for its id. `None` publishes nothing.
    pub findings: Option<String>,
    /// Topic that says `online` or `offline`; it is the connection's last will too.
    pub state: String,
    /// The least time between two messages of one site.
    pub min_interval: Span,
    /// The longest time between two messages of one site whose figures arrive; more than
    /// [`MAX_INTERVAL`] is taken as that, because a reader takes older figures as stale.
    pub max_interval: Span,
    /// How far a power has to move, in W, to be worth a message before `max_interval` is over.
    pub dead_band_w: f64,
    /// Where the Homie devices are; `None` publishes none.
    pub homie: Option<Homie>,
    /// The user's own announcements.
    pub announce: Vec<Announcement>,
    /// Topic of a site's commands as JSON, `{site}` stands for its id. `None` accepts none, in
    /// whatever form.
    pub commands: Option<String>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            json: Some("panelwright/{site}/now".into()),
            alerts: Some("panelwright/{site}/alerts".into()),
            findings: Some("panelwright/{site}/findings".into()),
            state: "panelwright/state".into(),
            min_interval: Span::from_seconds(1),
            max_interval: MAX_INTERVAL,
            // Common practice, not measured: less than 1 W moves nothing that an automation acts on.
            dead_band_w: 1.0,
            homie: Some(Homie::default()),
            announce: Vec::new(),
            commands: None,
        }
    }
}

impl Options {
    /// Topics out as the settings describe them.
    pub fn from_settings(settings: &settings::Publish) -> Self {
        let span = |time: Duration| Span((time.as_secs_f64() * TENTHS as f64).round() as i64);
        Self {
            json: settings.json.clone(),
            alerts: settings.alerts.clone(),
            findings: settings.findings.clone(),
            state: settings.state.clone(),
            min_interval: span(settings.min_interval),
            max_interval: span(settings.max_interval),
            dead_band_w: settings.dead_band_w,
            homie: settings.homie.clone().map(|(domain, device)| Homie { domain, device }),
            announce: settings.announce.iter().map(Announcement::from_settings).collect(),
            commands: settings.commands.clone(),
        }
    }

    /// How the topics begin that are published at, up to where they differ from site to site.
    pub fn own_topics(&self) -> Vec<String> {
        let beginning = |topic: &String| topic.split("{site}").next().unwrap_or_default().to_owned();
        let topics = [&self.json, &self.alerts, &self.commands].into_iter().flatten().map(beginning);
        let homie = self.homie.as_ref().map(|homie| format!("{}/5/{}", homie.domain, homie.device));
        // One that differs from its very start would leave out everything.
        topics.chain(homie).chain([self.state.clone()]).filter(|topic| !topic.is_empty()).collect()
    }

    /// The connection's last will: the broker publishes it for us when the connection breaks, so
    /// that nobody takes the retained figures for live ones.
    pub fn will(&self) -> Message {
        Message::retained(&*self.state, Json::OFFLINE)
    }
}

/// Decides what is published when. It is told what happens and when, and answers with messages;
/// it keeps the latest figures of every site, because a client's own queue does not outlive a lost
/// session.
pub struct Publisher {
    options: Options,
    outputs: Vec<Box<dyn Output>>,
    sites: Vec<Line>,
    /// What takes back sites that were removed while the broker was away; at most one per removed
    /// site and output.
    gone: Vec<Message>,
    up: bool,
}

/// One site and the latest that is known and that was said of it.
struct Line {
    site: Arc<Site>,
    latest: Option<Latest>,
    sent: Option<Sent>,
    /// What the last audit found, as JSON.
    findings: Option<Bytes>,
}

struct Latest {
    flows: Arc<Flows>,
    guidance: Arc<Guidance>,
    body: Bytes,
}

/// What was said last, and when.
struct Sent {
    at: Stamp,
    flows: Arc<Flows>,
    guidance: Arc<Guidance>,
}

impl Sent {
    /// Whether `latest` says something else: a figure moved by more than the dead-band, became
    /// known or unknown, came or went; or other advice is given.
    fn differs(&self, latest: &Latest, dead_band_w: f64) -> bool {
        if latest.guidance.differs(&self.guidance) {
            return true;
        }
        let latest = &latest.flows;
        let said = &self.flows;
        if said.figures.len() != latest.figures.len() || said.unknown != latest.unknown {
            return true;
        }
        said.figures.iter().zip(&latest.figures).any(|((key, was), (new_key, is))| {
            key != new_key
                || match (was, is) {
                    (Some(was), Some(is)) => (was.0 - is.0).abs() > dead_band_w,
                    (None, None) => false,
                    _ => true,
                }
        })
    }
}

impl Publisher {
    /// A publisher that is not connected yet; [`Publisher::on_up`] starts it.
    pub fn new(options: Options, sites: &[Arc<Site>]) -> Self {
        let json = Json::new(&options);
        Self::with_outputs(options, sites, vec![Box::new(json)])
    }

    /// The same with outputs of the caller's.
    pub fn with_outputs(options: Options, sites: &[Arc<Site>], outputs: Vec<Box<dyn Output>>) -> Self {
        let mut outputs = outputs;
        outputs.iter_mut().for_each(|output| output.on_sites(sites));
        let sites = sites.iter().map(|site| Line::new(site.clone())).collect();
        Self { options, outputs, sites, gone: Vec::new(), up: false }
    }

    /// A publisher of what hubs are told value by value: Homie devices and announcements.
    pub fn for_hubs(options: Options, sites: &[Arc<Site>]) -> Self {
        let manner = Manner {
            dead_band_w: options.dead_band_w,
            max_interval: options.max_interval,
            commands: options.commands.is_some(),
        };
        let homie = options.homie.as_ref().and_then(|homie| Devices::new(homie, manner));
        let mut outputs: Vec<Box<dyn Output>> = Vec::new();
        outputs.extend(homie.map(|devices| Box::new(devices) as Box<dyn Output>));
        if !options.announce.is_empty() {
            outputs.push(Box::new(Announcer::new(&options)));
        }
        Self::with_outputs(options, sites, outputs)
    }

    /// Every topic under which the broker may keep something of ours, with the maps as they are at
    /// `at`: of the figures as JSON, of the daemon's state, and of this publisher's outputs.
    pub fn retains(&self, at: Stamp) -> Vec<String> {
        let json = Json::new(&self.options);
        let mut topics = Vec::new();
        let outputs = || self.outputs.iter().map(|output| &**output).chain([&json as &dyn Output]);
        for output in outputs() {
            output.retains_always(&mut topics);
            for line in self.sites.iter().filter(|line| !line.site.id.is_empty()) {
                output.retains(&line.site, at, &mut topics);
            }
        }
        topics
    }

    /// The connection is up, new or again: everything is said again, since the broker may have
    /// forgotten it and what was on its way may be lost.
    pub fn on_up(&mut self, now: Stamp) -> Vec<Message> {
        self.up = true;
        let mut out = std::mem::take(&mut self.gone);
        for output in &mut self.outputs {
            output.on_up(now, &mut out);
        }
        for index in 0..self.sites.len() {
            self.sites[index].sent = None;
            self.send(index, now, &mut out);
            self.say_findings(index, &mut out);
        }
        out
    }

    /// The connection is gone. Nothing is said until it is back.
    pub fn on_down(&mut self) {
        self.up = false;
        self.outputs.iter_mut().for_each(|output| output.on_down());
    }

    /// The energies of a site's local day so far, as they have become known.
    pub fn on_today(&mut self, site: SiteIndex, today: &Arc<Today>) -> Vec<Message> {
        let mut out = Vec::new();
        let Some(line) = self.sites.get(site.0 as usize) else { return out };
        for output in &mut self.outputs {
            output.on_today(site, &line.site, today, &mut out);
        }
        out
    }

    /// New figures of a site; `body` is what [`super::now_body`] makes of them.
    pub fn on_flows(
        &mut self,
        site: SiteIndex,
        flows: &Flows,
        guidance: &Arc<Guidance>,
        body: &Bytes,
        now: Stamp,
    ) -> Vec<Message> {
        let mut out = Vec::new();
        let index = site.0 as usize;
        if let Some(line) = self.sites.get_mut(index) {
            line.latest = Some(Latest {
                flows: Arc::new(flows.clone()),
                guidance: Arc::clone(guidance),
                body: body.clone(),
            });
            if line.is_due(&self.options, now) {
                self.send(index, now, &mut out);
            }
        }
        out
    }

    /// What the audit finds at a site, as the body of its topic. It goes out if it is something else than
    /// before, and wholly again after each reconnection.
    pub fn on_findings(&mut self, site: SiteIndex, body: Bytes) -> Vec<Message> {
        let mut out = Vec::new();
        let index = site.0 as usize;
        if let Some(line) = self.sites.get_mut(index).filter(|line| line.findings.as_ref() != Some(&body)) {
            line.findings = Some(body);
            self.say_findings(index, &mut out);
        }
        out
    }

    fn say_findings(&mut self, index: usize, out: &mut Vec<Message>) {
        let Line { site, findings: Some(body), .. } = &self.sites[index] else { return };
        if self.up {
            self.outputs.iter_mut().for_each(|output| output.on_findings(site, body, out));
        }
    }

    /// A property of a charger was asked to be set: says what it is now, and why not if it is not
    /// what was asked.
    pub fn on_command(
        &mut self,
        site: SiteIndex,
        property: (usize, EvPart),
        outcome: Result<Settings, &str>,
    ) -> Vec<Message> {
        let mut out = Vec::new();
        let Some(line) = self.sites.get(site.0 as usize).filter(|_| self.up) else { return out };
        for output in &mut self.outputs {
            output.on_command(site, &line.site, property, outcome, &mut out);
        }
        out
    }

    /// What has become due since; to be called at [`Publisher::due`].
    pub fn on_tick(&mut self, now: Stamp) -> Vec<Message> {
        let mut out = Vec::new();
        for index in 0..self.sites.len() {
            if self.sites[index].is_due(&self.options, now) {
                self.send(index, now, &mut out);
            }
        }
        out
    }

    /// When [`Publisher::on_tick`] has something to say, if nothing else happens before.
    pub fn due(&self) -> Option<Stamp> {
        if !self.up {
            return None;
        }
        self.sites.iter().filter_map(|line| line.due(&self.options)).min()
    }

    /// The map was read again. Sites keep their positions; one that is gone from the list, or has
    /// another id at its position, is taken back from the broker.
    pub fn on_sites(&mut self, sites: &[Arc<Site>]) -> Vec<Message> {
        let mut out = Vec::new();
        let mut before = std::mem::take(&mut self.sites).into_iter();
        for site in sites {
            match before.next() {
                Some(line) if line.site.id == site.id => {
                    self.sites.push(Line { site: site.clone(), ..line });
                }
                old => {
                    self.take_back(old, sites, &mut out);
                    self.sites.push(Line::new(site.clone()));
                }
            }
        }
        for old in before {
            self.take_back(Some(old), sites, &mut out);
        }
        self.outputs.iter_mut().for_each(|output| output.on_sites(sites));
        if !self.up {
            self.gone.append(&mut out);
        }
        out
    }

    /// The daemon is about to stop in an orderly way: what to say last.
    pub fn on_shutdown(&mut self, now: Stamp) -> Vec<Message> {
        let mut out = Vec::new();
        for output in &mut self.outputs {
            output.on_shutdown(now, &mut out);
        }
        self.up = false;
        out
    }

    fn take_back(&mut self, old: Option<Line>, sites: &[Arc<Site>], out: &mut Vec<Message>) {
        let Some(old) = old else { return };
        if sites.iter().any(|site| site.id == old.site.id) {
            return;
        }
        for output in &mut self.outputs {
            output.on_removed(&old.site, out);
        }
    }

    fn send(&mut self, index: usize, now: Stamp, out: &mut Vec<Message>) {
        if !self.up {
            return;
        }
        let line = &mut self.sites[index];
        let Some(latest) = &line.latest else { return };
        let says = Now {
            index: SiteIndex(index as u32),
            site: &line.site,
            flows: &latest.flows,
            guidance: &latest.guidance,
            body: &latest.body,
        };
        for output in &mut self.outputs {
            output.on_now(says, out);
        }
        line.sent =
            Some(Sent { at: now, flows: Arc::clone(&latest.flows), guidance: Arc::clone(&latest.guidance) });
    }
}

impl Line {
    fn new(site: Arc<Site>) -> Self {
        Self { site, latest: None, sent: None, findings: None }
    }

    /// When the latest figures are to go out: at once if none went out before, after
    /// `min_interval` if they differ, after `max_interval` if they are only newer.
    fn due(&self, options: &Options) -> Option<Stamp> {
        let latest = self.latest.as_ref()?;
        let Some(sent) = &self.sent else { return Some(Stamp::MIN) };
        if sent.differs(latest, options.dead_band_w) {
            return Some(sent.at + options.min_interval);
        }
        let newer = latest.flows.at != sent.flows.at;
        newer.then(|| sent.at + options.max_interval.min(MAX_INTERVAL).max(options.min_interval))
    }

    /// A clock that was set back must not silence a site until it has caught up.
    fn is_due(&self, options: &Options, now: Stamp) -> bool {
        let set_back = self.sent.as_ref().is_some_and(|sent| now < sent.at);
        self.due(options).is_some_and(|due| due <= now || set_back)
    }
}
