//! The shape of a map's file, as it is written: nothing is looked up or decided here.

use toml::Spanned;
use toml::de::{DeTable, DeValue};
use toml::value::Datetime;

use super::charging::ChargingShape;
use super::counters::CounterShape;
use super::findings::Findings;
use super::model::Written;
use super::text::{At, Fields, Lines};

/// A whole file.
pub(super) struct MapShape {
    pub(super) site: Option<At<String>>,
    pub(super) name: Option<At<String>>,
    pub(super) time_zone: Option<At<String>>,
    pub(super) billing_day: Option<At<i64>>,
    pub(super) late_window_days: Option<At<i64>>,
    pub(super) system: Option<At<String>>,
    pub(super) main_breaker_a: Option<At<f64>>,
    pub(super) devices: Vec<DeviceShape>,
    pub(super) feeds: Vec<FeedShape>,
    pub(super) buses: Vec<BusShape>,
    pub(super) circuits: Vec<CircuitShape>,
    pub(super) charging: ChargingShape,
    pub(super) accepts: Vec<AcceptShape>,
}

/// `[[accept]]`.
pub(super) struct AcceptShape {
    pub(super) line: usize,
    pub(super) finding: Option<At<String>>,
    pub(super) circuit: Option<At<String>>,
    pub(super) bus: Option<At<String>>,
    pub(super) reason: Option<At<String>>,
}

/// `[[device]]`.
pub(super) struct DeviceShape {
    pub(super) line: usize,
    pub(super) id: Option<At<String>>,
    pub(super) source: Option<At<String>>,
    pub(super) topic: Option<At<String>>,
    pub(super) payload: Option<PayloadShape>,
    pub(super) unit: Option<At<String>>,
    pub(super) volts: Option<At<f64>>,
    pub(super) reading: Option<At<String>>,
    pub(super) every_s: Option<At<f64>>,
    pub(super) max_gap_s: Option<At<f64>>,
    pub(super) stale_after_s: Option<At<f64>>,
    pub(super) rolls_over_at: Option<At<f64>>,
    pub(super) counter: Option<CounterShape>,
    pub(super) export_counter: Option<CounterShape>,
    pub(super) channels: Option<Vec<At<String>>>,
}

/// `payload = { pointer, time }`.
pub(super) struct PayloadShape {
    pub(super) pointer: Option<At<String>>,
    pub(super) time: Option<At<String>>,
}

/// A channel with what is particular to its CT.
pub(super) struct CtShape {
    pub(super) channel: At<String>,
    pub(super) leg: Option<At<String>>,
    pub(super) reversed: bool,
    pub(super) scale: Option<At<f64>>,
}

/// `[[feed]]`.
pub(super) struct FeedShape {
    pub(super) line: usize,
    pub(super) bus: Option<At<String>>,
    pub(super) channels: Vec<CtShape>,
    pub(super) measures: Option<At<String>>,
    pub(super) ct_rating_a: Option<At<f64>>,
    pub(super) from: Option<At<Datetime>>,
    pub(super) until: Option<At<Datetime>>,
    /// Whether the list is there: an absent one is reported as such, and not as empty too.
    pub(super) lists_channels: bool,
    /// First and last line of the list.
    pub(super) channel_lines: Option<(usize, usize)>,
}

/// `[[bus]]`.
pub(super) struct BusShape {
    pub(super) line: usize,
    pub(super) id: Option<At<String>>,
    pub(super) name: Option<At<String>>,
    pub(super) fed_by: Option<At<String>>,
    pub(super) rating_a: Option<At<f64>>,
    pub(super) spaces: Option<At<i64>>,
    pub(super) spares: Vec<At<i64>>,
    pub(super) main_at: Option<At<String>>,
}

/// `[[circuit]]`.
pub(super) struct CircuitShape {
    pub(super) line: usize,
    pub(super) id: Option<At<String>>,
    pub(super) label: Option<At<String>>,
    pub(super) end_use: Option<At<String>>,
    pub(super) bus: Option<At<String>>,
    pub(super) spaces: Vec<At<i64>>,
    pub(super) legs: Vec<At<String>>,
    pub(super) breaker_a: Option<At<f64>>,
    pub(super) ct_rating_a: Option<At<f64>>,
    pub(super) channels: Vec<CtShape>,
    pub(super) doubled: At<bool>,
    pub(super) reversed: bool,
    pub(super) scale: Option<At<f64>>,
    pub(super) sign: Option<At<String>>,
    pub(super) inverter_a: Option<At<f64>>,
    pub(super) shares_neutral_with: Option<At<String>>,
    /// Where the keys of it stand.
    pub(super) written: Written,
    pub(super) from: Option<At<Datetime>>,
    pub(super) until: Option<At<Datetime>>,
}

impl CircuitShape {
    /// The bus that it names, `main` where it names none.
    pub(super) fn bus_id(&self) -> &str {
        self.bus.as_ref().map_or("main", |bus| &bus.value)
    }
}

impl MapShape {
    /// Reads a parsed document; what cannot be read is a finding, and absent.
    pub(super) fn read<'t>(document: &'t DeTable<'t>, lines: &'t Lines, findings: &mut Findings) -> Self {
        let mut top = Fields::new(document, 0, "the map".to_owned(), lines);
        let site = top.string("site", findings);
        top.require("site", site.as_ref(), findings);
        let name = top.string("name", findings);
        let time_zone = top.string("time_zone", findings);
        top.require("time_zone", time_zone.as_ref(), findings);
        let billing_day = top.integer("billing_day", findings);
        let late_window_days = top.integer("late_window_days", findings);
        let service = top.table("service", "[service]".to_owned(), findings);
        top.require("service", service.as_ref(), findings);
        let (mut system, mut main_breaker_a) = (None, None);
        if let Some(mut service) = service {
            system = service.string("system", findings);
            service.require("system", system.as_ref(), findings);
            main_breaker_a = service.number("main_breaker_a", findings);
            service.finish(findings);
        }
        let devices = top.tables("device", findings);
        let devices = devices.into_iter().map(|fields| device(fields, findings)).collect();
        let feeds = top.tables("feed", findings);
        let feeds = feeds.into_iter().map(|fields| feed(fields, lines, findings)).collect();
        let buses = top.tables("bus", findings);
        let buses = buses.into_iter().map(|fields| bus(fields, findings)).collect();
        let circuits = top.tables("circuit", findings);
        let circuits = circuits.into_iter().map(|fields| circuit(fields, lines, findings)).collect();
        let charging = ChargingShape::read(&mut top, findings);
        let accepts = top.tables("accept", findings);
        let accepts = accepts.into_iter().map(|fields| accept(fields, findings)).collect();
        top.finish(findings);
        Self {
            site,
            name,
            time_zone,
            billing_day,
            late_window_days,
            system,
            main_breaker_a,
            devices,
            feeds,
            buses,
            circuits,
            charging,
            accepts,
        }
    }

    /// Every CT that a feed or a circuit names, in the order of the file.
    pub(super) fn cts(&self) -> Vec<&CtShape> {
        let feeds = self.feeds.iter().flat_map(|feed| &feed.channels);
        let mut cts: Vec<_> = feeds.chain(self.circuits.iter().flat_map(|c| &c.channels)).collect();
        cts.sort_by_key(|ct| ct.channel.line);
        cts
    }
}

fn device(fields: Fields<'_>, findings: &mut Findings) -> DeviceShape {
    let mut fields = fields.named_by("id");
    let id = fields.string("id", findings);
    fields.require("id", id.as_ref(), findings);
    let topic = fields.string("topic", findings);
    let source = fields.string("source", findings);
    if source.is_none() {
        fields.require("topic", topic.as_ref(), findings);
    }
    let payload = fields.table("payload", "payload".to_owned(), findings).map(|mut payload| {
        let pointer = payload.string("pointer", findings);
        payload.require("pointer", pointer.as_ref(), findings);
        let time = payload.string("time", findings);
        payload.finish(findings);
        PayloadShape { pointer, time }
    });
    let unit = fields.string("unit", findings);
    fields.require("unit", unit.as_ref(), findings);
    let every_s = fields.number("every_s", findings);
    fields.require("every_s", every_s.as_ref(), findings);
    let shape = DeviceShape {
        line: fields.line,
        id,
        source,
        topic,
        payload,
        unit,
        volts: fields.number("volts", findings),
        reading: fields.string("reading", findings),
        every_s,
        max_gap_s: fields.number("max_gap_s", findings),
        stale_after_s: fields.number("stale_after_s", findings),
        rolls_over_at: fields.number("rolls_over_at", findings),
        counter: fields
            .table("counter", "counter".to_owned(), findings)
            .map(|counter| CounterShape::read(counter, findings)),
        export_counter: fields
            .table("export_counter", "export_counter".to_owned(), findings)
            .map(|counter| CounterShape::read(counter, findings)),
        channels: fields.strings("channels", findings),
    };
    fields.finish(findings);
    shape
}

fn feed<'t>(fields: Fields<'t>, lines: &'t Lines, findings: &mut Findings) -> FeedShape {
    let mut fields = fields.named_by("bus");
    let bus = fields.string("bus", findings);
    fields.require("bus", bus.as_ref(), findings);
    let channels = fields.list("channels", findings, |item, line, findings| ct(item, line, lines, findings));
    fields.require("channels", channels.as_ref(), findings);
    let shape = FeedShape {
        line: fields.line,
        bus,
        lists_channels: channels.is_some(),
        channel_lines: fields.lines_of("channels"),
        channels: channels.unwrap_or_default(),
        measures: fields.string("measures", findings),
        ct_rating_a: fields.number("ct_rating_a", findings),
        from: fields.date("from", findings),
        until: fields.date("until", findings),
    };
    fields.finish(findings);
    shape
}

fn accept(fields: Fields<'_>, findings: &mut Findings) -> AcceptShape {
    let mut fields = fields.named_by("finding");
    let finding = fields.string("finding", findings);
    fields.require("finding", finding.as_ref(), findings);
    let circuit = fields.string("circuit", findings);
    let bus = fields.string("bus", findings);
    let reason = fields.string("reason", findings);
    fields.require("reason", reason.as_ref(), findings);
    let shape = AcceptShape { line: fields.line, finding, circuit, bus, reason };
    fields.finish(findings);
    shape
}

fn bus(fields: Fields<'_>, findings: &mut Findings) -> BusShape {
    let mut fields = fields.named_by("id");
    let id = fields.string("id", findings);
    fields.require("id", id.as_ref(), findings);
    let shape = BusShape {
        line: fields.line,
        id,
        name: fields.string("name", findings),
        fed_by: fields.string("fed_by", findings),
        rating_a: fields.number("rating_a", findings),
        spaces: fields.integer("spaces", findings),
        spares: fields.integers("spares", findings),
        main_at: fields.string("main_at", findings),
    };
    fields.finish(findings);
    shape
}

fn circuit<'t>(fields: Fields<'t>, lines: &'t Lines, findings: &mut Findings) -> CircuitShape {
    let mut fields = fields.named_by("id");
    let id = fields.string("id", findings);
    fields.require("id", id.as_ref(), findings);
    let channels = fields.list("channels", findings, |item, line, findings| ct(item, line, lines, findings));
    let written = Written {
        channels: fields.lines_of("channels"),
        legs: fields.lines_of("legs"),
        spaces: fields.lines_of("spaces"),
        doubled: fields.line_of("doubled"),
        reversed: fields.line_of("reversed"),
        scale: fields.line_of("scale"),
        sign: fields.line_of("sign"),
        bus: fields.line_of("bus"),
        is_reversed: false,
        scale_millionths: None,
    };
    let shape = CircuitShape {
        line: fields.line,
        written,
        id,
        label: fields.string("label", findings),
        end_use: fields.string("end_use", findings),
        bus: fields.string("bus", findings),
        spaces: fields.integers("spaces", findings),
        legs: fields.strings("legs", findings).unwrap_or_default(),
        breaker_a: fields.number("breaker_a", findings),
        ct_rating_a: fields.number("ct_rating_a", findings),
        channels: channels.unwrap_or_default(),
        doubled: fields.flag("doubled", findings),
        reversed: fields.flag("reversed", findings).value,
        scale: fields.number("scale", findings),
        sign: fields.string("sign", findings),
        inverter_a: fields.number("inverter_a", findings),
        shares_neutral_with: fields.string("shares_neutral_with", findings),
        from: fields.date("from", findings),
        until: fields.date("until", findings),
    };
    fields.finish(findings);
    shape
}

/// `"house/5"` or `{ channel = "house/5", leg = "A", reversed = true, scale = 1.03 }`.
fn ct<'t>(
    item: &'t Spanned<DeValue<'t>>,
    line: usize,
    lines: &'t Lines,
    findings: &mut Findings,
) -> Option<CtShape> {
    match item.get_ref() {
        DeValue::String(name) => Some(CtShape {
            channel: At { value: name.clone().into_owned(), line },
            leg: None,
            reversed: false,
            scale: None,
        }),
        DeValue::Table(table) => {
            let fields = Fields::new(table, item.span().start, "CT".to_owned(), lines);
            let mut fields = fields.named_by("channel");
            let channel = fields.string("channel", findings);
            fields.require("channel", channel.as_ref(), findings);
            let leg = fields.string("leg", findings);
            let reversed = fields.flag("reversed", findings).value;
            let scale = fields.number("scale", findings);
            fields.finish(findings);
            // A table without a channel has been reported; an empty name keeps it from being
            // reported as a value of the wrong kind too.
            let channel = channel.unwrap_or(At { value: String::new(), line });
            Some(CtShape { channel, leg, reversed, scale })
        }
        _ => None,
    }
}
