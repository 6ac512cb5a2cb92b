//! `panelwright verify`

use std::fmt::Write as _;
use std::io::{IsTerminal as _, Write as _};
use std::time::Duration;

use anyhow::Result;
use clap::ValueEnum;
use reqwest::Method;

use super::house::{House, Refusal};
use super::now::client::{Client, Failure};
use super::{Common, Exit, print};
use crate::verify::Kind;
use crate::web::views::verify::{CAUTIONS, Proofs, VerifyBody, VerifyMoved, VerifyStart, VerifyVerdict};

/// How often the daemon is asked: it looks twice a second itself.
const EVERY: Duration = Duration::from_millis(500);

/// Is the map true of this circuit? Switch its load on and off, and see what moved.
///
/// The running daemon watches the readings: it says what to do, sees each switching, and comes to a verdict
/// after four of them. It ends with status 0 if the circuit is as mapped, and with 1 if anything else came out.
///
/// Never open a panel for this: the load is switched at its own switch, not at its breaker. Work on CTs is for
/// a licensed electrician, under the code in force where you are.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright verify water-heater
  panelwright verify dryer --site heron-lane --format json
  panelwright verify --list
  panelwright verify --end")]
pub(super) struct Args {
    /// The circuit's id.
    #[arg(value_name = "CIRCUIT", required_unless_present_any = ["end", "list"])]
    circuit: Option<String>,
    /// The site's id; not needed where there is one site.
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Form,
    /// End the load step that is under way, whoever began it.
    #[arg(long, conflicts_with_all = ["circuit", "list"])]
    end: bool,
    /// Show what was proved of each circuit, and which have no proof that holds.
    #[arg(long, conflicts_with = "circuit")]
    list: bool,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
enum Form {
    /// For people.
    #[default]
    Table,
    /// For programs: the outcome, once it is there.
    Json,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    match answer(common, args) {
        Ok(exit) => Ok(exit),
        Err(refusal) => Ok(refusal.say()),
    }
}

impl From<Failure> for Refusal {
    fn from(failure: Failure) -> Self {
        let more = if failure.unreachable {
            "; a load step is watched by the running daemon: start it (`panelwright run`), or name its settings \
             with --settings"
        } else {
            ""
        };
        Self::new(failure.exit, format!("{}{more}", failure.why))
    }
}

fn answer(common: &Common, args: &Args) -> Result<Exit, Refusal> {
    let house = House::find(common, args.site.as_deref())?;
    let client = Client::here(&house.settings)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Refusal::new(Exit::Short, format!("no runtime: {error}")))?;
    let daemon = Daemon { client, site: house.site().id.clone() };
    runtime.block_on(async {
        if args.list {
            return list(&daemon, args.format).await;
        }
        if args.end {
            let body = daemon.end().await?;
            say(&format!("ended: the load step of {}\n", body.circuit.unwrap_or_default()))?;
            return Ok(Exit::Fine);
        }
        let circuit = args.circuit.clone().unwrap_or_default();
        verify(&daemon, circuit, args.format).await
    })
}

/// The daemon's API for one site.
struct Daemon {
    client: Client,
    site: String,
}

impl Daemon {
    async fn call<T: serde::de::DeserializeOwned>(
        &self,
        method: Method,
        what: &[&str],
        json: Option<String>,
    ) -> Result<T, Refusal> {
        let path = [&["api", "sites", self.site.as_str()], what].concat();
        let text = self.client.call(method, &path, json).await?;
        serde_json::from_str(&text).map_err(|error| {
            Refusal::new(Exit::Away, format!("the daemon's answer is no load step: {error}"))
        })
    }

    async fn start(&self, circuit: String) -> Result<VerifyBody, Refusal> {
        let json = serde_json::to_string(&VerifyStart { circuit })
            .map_err(|error| Refusal::new(Exit::Short, error))?;
        self.call(Method::POST, &["verify"], Some(json)).await
    }

    async fn state(&self) -> Result<VerifyBody, Refusal> {
        self.call(Method::GET, &["verify"], None).await
    }

    async fn end(&self) -> Result<VerifyBody, Refusal> {
        self.call(Method::POST, &["verify", "end"], None).await
    }
}

async fn verify(daemon: &Daemon, circuit: String, format: Form) -> Result<Exit, Refusal> {
    let begun = daemon.start(circuit).await?;
    let mut screen = Screen { json: format == Form::Json, said: String::new(), drawn: false };
    screen.begin(&begun)?;
    let watch = async {
        loop {
            let body = daemon.state().await?;
            if body.circuit != begun.circuit || body.started != begun.started {
                return Err(Refusal::new(Exit::Short, "another load step was begun meanwhile"));
            }
            if body.state != "running" && (body.kept || body.ended.as_deref() != Some("settled")) {
                return Ok(body);
            }
            screen.show(&body)?;
            tokio::time::sleep(EVERY).await;
        }
    };
    let body = tokio::select! {
        body = watch => body?,
        _ = tokio::signal::ctrl_c() => {
            daemon.end().await?;
            return Err(Refusal::new(Exit::Short, "stopped; nothing was kept"));
        }
    };
    screen.end(&body)?;
    let proven = body.ended.as_deref() == Some("settled")
        && body.verdict.as_ref().is_some_and(|verdict| verdict.kind == Kind::AsMapped.as_str());
    Ok(if proven { Exit::Fine } else { Exit::Short })
}

fn say(text: &str) -> Result<(), Refusal> {
    print(text).map_err(|error| Refusal::new(Exit::Short, format!("{error:#}")))
}

/// Where it is shown: one line for each thing to do; in a terminal the figures go on below it.
struct Screen {
    json: bool,
    said: String,
    /// Whether the last line is to be drawn over.
    drawn: bool,
}

impl Screen {
    fn begin(&mut self, body: &VerifyBody) -> Result<(), Refusal> {
        let mut text = String::from("CAUTION\n");
        for caution in CAUTIONS {
            let _ = writeln!(text, "  {caution}");
        }
        let _ = writeln!(
            text,
            "\nLoad step of {}: {}. It ends by itself at {}; Ctrl-C ends it now.",
            body.circuit.as_deref().unwrap_or_default(),
            body.label.as_deref().unwrap_or_default(),
            body.until.as_deref().unwrap_or_default(),
        );
        self.put(&text)
    }

    /// To whoever does it; the outcome alone goes to standard output where a program reads it.
    fn put(&self, text: &str) -> Result<(), Refusal> {
        if !self.json {
            return say(text);
        }
        // Nobody may be looking.
        let _ = std::io::stderr().lock().write_all(text.as_bytes());
        Ok(())
    }

    fn show(&mut self, body: &VerifyBody) -> Result<(), Refusal> {
        let Some(step) = &body.step else { return Ok(()) };
        let terminal = !self.json && std::io::stdout().is_terminal();
        let clear = if self.drawn { "\r\x1b[K" } else { "" };
        // The seconds that are left are drawn over, or said once.
        let said = format!("{} {} {}", step.action, step.seen, step.wanted);
        let fresh = said != self.said;
        if fresh {
            self.said = said;
            self.put(&format!("{clear}{}\n", step.text))?;
            if !body.silent.is_empty() {
                self.put(&format!("No readings from {}: see /health.\n", body.silent.join(", ")))?;
            }
        }
        if terminal {
            let now: Vec<String> = body.moved.iter().map(figure).collect();
            let left = step.left_s.map(|left| format!("{left:.0} s  ")).unwrap_or_default();
            let clear = if fresh { "" } else { clear };
            self.put(&format!("{clear}  {left}{}", now.join("   ")))?;
            self.drawn = true;
        }
        Ok(())
    }

    fn end(&mut self, body: &VerifyBody) -> Result<(), Refusal> {
        if self.drawn {
            self.put("\r\x1b[K")?;
        }
        if self.json {
            let text = serde_json::to_string(body).map_err(|error| Refusal::new(Exit::Short, error))?;
            return say(&(text + "\n"));
        }
        say(&outcome(body))
    }
}

/// `house/3 12.5 W`.
fn figure(moved: &VerifyMoved) -> String {
    let now = moved.now_w.map_or_else(|| "-".to_owned(), |watts| format!("{watts:.0} W"));
    format!("{} {now}", moved.name)
}

/// The verdict, what moved, and what to do.
fn outcome(body: &VerifyBody) -> String {
    let mut text = String::new();
    let Some(verdict) = &body.verdict else { return text };
    match body.ended.as_deref() {
        Some("settled") => {}
        Some("timed-out") => text.push_str("The time is over.\n"),
        Some("stopped") => text.push_str("It was ended from elsewhere.\n"),
        Some("map-changed") => text.push_str("The map was read again; begin anew.\n"),
        _ => text.push_str("It ended early.\n"),
    }
    let _ = writeln!(text, "\n{}: {}", body.circuit.as_deref().unwrap_or_default(), verdict.words);
    let _ = writeln!(text, "  {}", verdict.what);
    for moved in &body.moved {
        let Some(watts) = moved.watts else { continue };
        let of = match (&moved.circuit, moved.own) {
            (Some(circuit), false) => format!("   (mapped to {circuit})"),
            _ => String::new(),
        };
        let error = moved.error_w.map(|error| format!(" ± {:.0}", 2.0 * error)).unwrap_or_default();
        let _ = writeln!(text, "  {:16}{watts:>9.0}{error} W in {} switchings{of}", moved.name, moved.seen);
    }
    text.push_str(&mend(verdict));
    let _ = writeln!(text, "  next: {}", verdict.next);
    if body.kept {
        text.push_str("  kept with its date; `panelwright schedule` shows it\n");
    }
    text
}

fn mend(verdict: &VerifyVerdict) -> String {
    match (verdict.line, &verdict.write) {
        (Some(line), Some(write)) => format!("  in the map, at line {line}: {write}\n"),
        _ => String::new(),
    }
}

async fn list(daemon: &Daemon, format: Form) -> Result<Exit, Refusal> {
    let proofs: Proofs = daemon.call(Method::GET, &["proofs"], None).await?;
    if format == Form::Json {
        let text = serde_json::to_string_pretty(&proofs).map_err(|error| Refusal::new(Exit::Short, error))?;
        return say(&(text + "\n")).map(|()| Exit::Fine);
    }
    let mut text = String::new();
    for proof in &proofs.proofs {
        let holds = if proof.holds { "" } else { "  (the map has changed since)" };
        let _ = writeln!(text, "{:24}{}  {}{holds}", proof.circuit, proof.at, proof.verdict.words);
    }
    if !proofs.unproven.is_empty() {
        let _ = writeln!(text, "not proven: {}", proofs.unproven.join(", "));
    }
    say(&text).map(|()| Exit::Fine)
}
