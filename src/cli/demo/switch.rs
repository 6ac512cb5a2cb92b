//! `panelwright demo switch`: a load of the invented house, switched by hand.
//!
//! The demo's meters listen on a topic of the broker inside the demo. A real house has no such topic: nothing of the
//! service switches anything.

use std::time::Duration;

use anyhow::{Context, Result, bail};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{AsyncClient, Event, Incoming, MqttOptions};

use super::super::{Common, Exit};
use crate::settings::{self, BrokerAddress};
use crate::sim::{Switch, switchable};

/// What the demo's meters listen to.
pub(super) const FILTER: &str = "heron-lane/switch/+";
const START: &str = "heron-lane/switch/";
/// How long the demo's broker may take: it is on this machine.
const WITHIN: Duration = Duration::from_secs(5);

/// Switch a load of the demo's house by hand.
///
/// For a load step, in another terminal than `panelwright verify`. The demo has to run; no real house is switched.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright demo switch water-heater on --settings ./demo/panelwright.toml
  panelwright demo switch water-heater auto --settings ./demo/panelwright.toml")]
pub(super) struct Args {
    /// The circuit's id.
    #[arg(value_name = "CIRCUIT", value_parser = circuits())]
    circuit: String,
    /// on, off, or auto: it does again what it does by itself.
    #[arg(value_name = "STATE", value_parser = states())]
    state: String,
}

fn circuits() -> clap::builder::PossibleValuesParser {
    switchable().collect::<Vec<_>>().into()
}

fn states() -> clap::builder::PossibleValuesParser {
    Switch::ALL.iter().map(|(_, name)| *name).collect::<Vec<_>>().into()
}

/// Circuit and state of a message to the meters; `None` if it is none of theirs.
pub(super) fn read(topic: &[u8], payload: &[u8]) -> Option<(String, Switch)> {
    let circuit = std::str::from_utf8(topic).ok()?.strip_prefix(START)?;
    let to = Switch::named(std::str::from_utf8(payload).ok()?.trim())?;
    Some((circuit.to_owned(), to))
}

/// Tells the demo.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    let settings = settings::load_here(common.settings.as_deref())
        .map_err(|problems| anyhow::anyhow!("{problems}"))
        .context("name the settings that the demo printed with --settings")?;
    let (host, port) = match settings.broker.address {
        BrokerAddress::Remote { host, port, tls: false } if is_here(&host) => (host, port),
        _ => bail!("these are not the settings of a demo: its broker is on loopback"),
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let told = runtime.block_on(async { tokio::time::timeout(WITHIN, tell(&host, port, args)).await });
    told.map_err(|_| anyhow::anyhow!("no answer within {} s", WITHIN.as_secs()))
        .flatten()
        .with_context(|| format!("the demo's broker at {host}:{port}: does the demo run?"))?;
    super::super::print(&format!("{}: {}\n", args.circuit, args.state))?;
    Ok(Exit::Fine)
}

fn is_here(host: &str) -> bool {
    host.parse().is_ok_and(|address: std::net::IpAddr| address.is_loopback())
}

async fn tell(host: &str, port: u16, args: &Args) -> Result<()> {
    let mut options = MqttOptions::new(format!("heron-lane-hand-{}", std::process::id()), host, port);
    options.set_keep_alive(Duration::from_secs(30));
    let (client, mut events) = AsyncClient::new(options, 8);
    let topic = format!("{START}{}", args.circuit);
    client.publish(topic, QoS::AtLeastOnce, false, args.state.clone()).await?;
    loop {
        if let Event::Incoming(Incoming::PubAck(_)) = events.poll().await? {
            // The connection ends with the process; the broker has the message.
            return Ok(client.disconnect().await?);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_meant_for_the_meters_is_read() {
        let check = |topic: &str, payload: &str, expected: Option<(&str, Switch)>| {
            let found = read(topic.as_bytes(), payload.as_bytes());
            assert_eq!(found, expected.map(|(id, to)| (id.to_owned(), to)), "{topic} {payload}");
        };
        check("heron-lane/switch/dryer", "on", Some(("dryer", Switch::On)));
        check("heron-lane/switch/dryer", " auto\n", Some(("dryer", Switch::Auto)));
        check("heron-lane/switch/dryer", "ON", None);
        check("heron-lane/meter/barn", "on", None);
    }
}
