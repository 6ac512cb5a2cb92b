//! From the settings to the options of each part.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;

use anyhow::{Context, Result, anyhow};

use super::{Config, Maps, Notifier};
use crate::clock::Clock;
use crate::settings::{self, BrokerAddress, Settings};
use crate::units::Span;
use crate::{central, mqtt, publish, store, web};

/// Everything that the settings say, for a daemon on the system's clock. With an embedded broker
/// `embedded` is the address at which it listens.
///
/// # Errors
/// When a file that the settings name cannot be read, or an address is none.
pub fn config(
    settings: &Settings,
    maps: Maps,
    clock: Clock,
    embedded: Option<SocketAddr>,
    notifier: Notifier,
) -> Result<Config> {
    let publish = publish::Options::from_settings(&settings.publish);
    let centrals: Vec<_> =
        settings.central.iter().map(central::Options::from_settings).collect::<Result<_, _>>()?;
    let broker = broker_options(&settings.broker, &publish, clock, embedded)?;
    Ok(Config {
        hub: hub_options(&broker, &publish)?,
        broker,
        store: store::Options {
            directory: settings.store.directory.clone(),
            centrals: centrals.iter().map(|central| central.name.clone()).collect(),
            keep: store::Keep {
                readings: settings.store.keep_readings_days.map(days),
                minutes: settings.store.keep_minutes_days.map(days),
            },
        },
        commit_every: settings.store.commit_every,
        late_window: Span::from_seconds(settings.store.late_window.as_secs() as i64),
        centrals,
        publish,
        listen: settings.web.listen,
        access: web::access::Options::from_settings(&settings.web),
        access_again: None,
        tls: settings.web.tls.clone(),
        sites: settings.sites.clone(),
        maps,
        clock,
        notifier,
    })
}

fn days(days: u32) -> Span {
    Span(i64::from(days) * Span::DAY.0)
}

fn broker_options(
    broker: &settings::Broker,
    publish: &publish::Options,
    clock: Clock,
    embedded: Option<SocketAddr>,
) -> Result<mqtt::Options> {
    let loopback = SocketAddr::from((Ipv4Addr::LOCALHOST, 1883));
    let (host, port, tls) = match &broker.address {
        BrokerAddress::Embedded { listen } => {
            let address = embedded.unwrap_or(if listen.port() == 0 { loopback } else { *listen });
            (address.ip().to_string(), address.port(), false)
        }
        BrokerAddress::Remote { host, port, tls } => (host.clone(), *port, *tls),
    };
    let mut options = mqtt::Options::new(host, port, &broker.client_id, clock);
    options.protocol = match broker.protocol {
        settings::Protocol::V5 => mqtt::Protocol::V5,
        settings::Protocol::V3_1_1 => mqtt::Protocol::V311,
    };
    options.receive_maximum = broker.receive_maximum;
    options.keep_alive = broker.keep_alive;
    options.credentials = broker.username.as_ref().map(|name| {
        let password = broker.password.as_ref().map_or("", |password| password.reveal());
        (name.clone(), password.to_owned())
    });
    if tls {
        options.tls = Some(tls_options(broker)?);
    }
    options.will = Some(will(publish.will()));
    Ok(options)
}

fn will(message: publish::Message) -> mqtt::Will {
    let publish::Message { topic, payload, retain } = message;
    mqtt::Will { topic, payload, qos: mqtt::Qos::AtLeastOnce, retain }
}

/// The same broker once more, under another name and with the last will of the Homie devices.
fn hub_options(broker: &mqtt::Options, publish: &publish::Options) -> Result<mqtt::Options> {
    let homie = publish.homie.as_ref().map(publish::homie::Homie::will).transpose();
    let homie = homie.map_err(|error| anyhow!("publish.homie_device or publish.homie_domain: {error}"))?;
    Ok(mqtt::Options {
        client_id: format!("{}-hub", broker.client_id),
        will: homie.map(will),
        ..broker.clone()
    })
}

fn tls_options(broker: &settings::Broker) -> Result<mqtt::Tls> {
    let ca = broker.ca_file.as_deref().map(read).transpose()?;
    let identity = match &broker.client_identity {
        Some((certificate, key)) => Some(mqtt::Identity { certificate: read(certificate)?, key: read(key)? }),
        None => None,
    };
    Ok(mqtt::Tls { ca, identity })
}

#[expect(clippy::disallowed_methods, reason = "certificates are files")]
fn read(path: &Path) -> Result<Vec<u8>> {
    std::fs::read(path).with_context(|| format!("cannot read {}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_window_that_settings_give_is_the_one_that_the_connection_reasons_for() {
        let key = settings::KEYS.iter().find(|key| key.path == "broker.receive_maximum").expect("the key");
        let connection = mqtt::Options::new("localhost", 1883, "farmhouse", Clock::wall());
        assert_eq!(key.default, Some(connection.receive_maximum.to_string().as_str()));
    }
}
