//! The writer: a feed piece by piece, so that ten years need no more memory than a day.
//!
//! Each figure is a `UsagePoint` with one `MeterReading`, whose `ReadingType` says Wh with three places
//! (`powerOfTenMultiplier` −3: history is given to the mWh). Addresses and ids follow from the site, the
//! figure and the time alone, so the same question gives the same file.

use quick_xml::Writer as Xml;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};

use super::rules::LocalTime;
use super::{Flow, GRID_EXPORT, GRID_IMPORT, UOM_WH};
use crate::calendar::{By, Zone};
use crate::exchange::export::Exported;
use crate::exchange::ranges::Chunk;
use crate::history::Summary;
use crate::site::{FigureKey, Role, Site};
use crate::units::{Span, Stamp, TENTHS};

const ATOM: &str = "http://www.w3.org/2005/Atom";
const ESPI: &str = "http://naesb.org/espi";

/// A figure in the file.
#[derive(Clone, Debug)]
struct Meter {
    key: FigureKey,
    title: String,
    flow: Flow,
    /// Its place in addresses.
    place: String,
    blocks: usize,
}

/// Whether intervals of that kind can be written: a `ReadingType` has one length.
pub fn can_write(by: By) -> bool {
    length(by).is_some()
}

fn length(by: By) -> Option<Span> {
    match by {
        By::Minute => Some(Span::MINUTE),
        By::Quarter => Some(Span::QUARTER),
        By::Hour => Some(Span::HOUR),
        // The usual one; the days around a change of the clock say their own.
        By::Day => Some(Span::DAY),
        _ => None,
    }
}

/// Writes a feed: [`Writer::head`], then [`Writer::blocks`] for each chunk, then [`Writer::foot`].
#[derive(Clone, Debug)]
pub struct Writer {
    site: String,
    zone: Zone,
    length: Span,
    from: Stamp,
    updated: Stamp,
    meters: Vec<Meter>,
}

impl Writer {
    /// A feed of the site's grid import and export, and of every circuit, from `from` on in intervals
    /// of `by`; made at `updated`. `None` where [`can_write`] says no.
    pub fn new(site: &Site, zone: &Zone, by: By, from: Stamp, updated: Stamp) -> Option<Self> {
        let defined = |key| site.epochs.iter().any(|e| e.plan.figures.iter().any(|figure| figure.key == key));
        let grid = [
            (FigureKey::Import, GRID_IMPORT, Flow::Forward, "grid-import"),
            (FigureKey::Export, GRID_EXPORT, Flow::Reverse, "grid-export"),
        ];
        let mut meters: Vec<Meter> = grid
            .into_iter()
            .map(|(key, title, flow, place)| Meter {
                key,
                title: title.into(),
                flow,
                place: place.into(),
                blocks: 0,
            })
            .collect();
        meters.extend(site.circuits.iter().enumerate().map(|(index, circuit)| Meter {
            key: FigureKey::Circuit(index),
            title: circuit.latest().label.clone(),
            // A load takes; whatever can give is signed.
            flow: if circuit.latest().role == Role::Load { Flow::Forward } else { Flow::Net },
            place: format!("circuit-{}", circuit.id),
            blocks: 0,
        }));
        meters.retain(|meter| defined(meter.key));
        Some(Self {
            site: format!("{}: {}", site.id, site.name),
            zone: zone.clone(),
            length: length(by)?,
            from,
            updated,
            meters,
        })
    }

    /// Everything before the first block.
    pub fn head(&self) -> String {
        let mut xml = Out::new();
        xml.event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)));
        xml.open("feed", &[("xmlns", ATOM)]);
        xml.leaf("id", &self.id("feed"));
        xml.leaf("title", &self.site);
        xml.leaf("updated", &utc(self.updated));
        xml.newline();
        self.local_time(&mut xml);
        for meter in &self.meters {
            self.usage_point(&mut xml, meter);
        }
        xml.text()
    }

    fn entry(
        &self,
        xml: &mut Out,
        place: &str,
        title: &str,
        links: &[(&str, &str)],
        content: impl FnOnce(&mut Out),
    ) {
        xml.open("entry", &[]);
        xml.leaf("id", &self.id(place));
        for (rel, href) in links {
            xml.event(Event::Empty(
                BytesStart::new("link").with_attributes([("rel", *rel), ("href", *href)]),
            ));
        }
        xml.leaf("title", title);
        xml.open("content", &[]);
        content(xml);
        xml.close("content");
        xml.leaf("updated", &utc(self.updated));
        xml.close("entry");
        xml.newline();
    }

    fn local_time(&self, xml: &mut Out) {
        let local = LocalTime::of(&self.zone, self.from);
        let links = [("self", "LocalTimeParameters/1"), ("up", "LocalTimeParameters")];
        self.entry(xml, "LocalTimeParameters/1", self.zone.name(), &links, |xml| {
            xml.open("LocalTimeParameters", &[("xmlns", ESPI)]);
            xml.leaf("dstEndRule", &format!("{:08X}", local.end));
            xml.leaf("dstOffset", &local.dst_s.to_string());
            xml.leaf("dstStartRule", &format!("{:08X}", local.start));
            xml.leaf("tzOffset", &local.offset_s.to_string());
            xml.close("LocalTimeParameters");
        });
    }

    fn usage_point(&self, xml: &mut Out, meter: &Meter) {
        let point = format!("UsagePoint/{}", meter.place);
        let (list, reading) = (format!("{point}/MeterReading"), format!("{point}/MeterReading/1"));
        let kind = format!("ReadingType/{}", meter.place);
        let links = [
            ("self", point.as_str()),
            ("up", "UsagePoint"),
            ("related", &list),
            ("related", "LocalTimeParameters/1"),
        ];
        self.entry(xml, &point, &meter.title, &links, |xml| {
            xml.open("UsagePoint", &[("xmlns", ESPI)]);
            xml.open("ServiceCategory", &[]);
            // 0 is electricity.
            xml.leaf("kind", "0");
            xml.close("ServiceCategory");
            xml.close("UsagePoint");
        });
        let blocks = format!("{reading}/IntervalBlock");
        let links = [("self", reading.as_str()), ("up", &list), ("related", &blocks), ("related", &kind)];
        self.entry(xml, &reading, &meter.title, &links, |xml| {
            xml.event(Event::Empty(BytesStart::new("MeterReading").with_attributes([("xmlns", ESPI)])));
        });
        let links = [("self", kind.as_str()), ("up", "ReadingType")];
        self.entry(xml, &kind, &format!("{}, Wh, {}", meter.title, meter.flow.as_str()), &links, |xml| {
            xml.open("ReadingType", &[("xmlns", ESPI)]);
            let length = (self.length.0 / TENTHS).to_string();
            // Delta data, electricity of the secondary side, energy: the codes of the standard.
            let fields = [
                ("accumulationBehaviour", "4"),
                ("commodity", "1"),
                ("dataQualifier", "12"),
                ("flowDirection", &meter.flow.code().to_string()),
                ("intervalLength", &length),
                ("kind", "12"),
                ("phase", "0"),
                ("powerOfTenMultiplier", "-3"),
                ("timeAttribute", "0"),
                ("uom", &UOM_WH.to_string()),
            ];
            for (name, value) in fields {
                xml.leaf(name, value);
            }
            xml.close("ReadingType");
        });
    }

    /// One block a figure of what is wholly known in the chunk; `summaries` are those of its intervals.
    /// `exported` counts what was written and what was left out for being known in part.
    pub fn blocks(&mut self, chunk: &Chunk, summaries: &[Summary], exported: &mut Exported) -> String {
        let mut xml = Out::new();
        let mut meters = std::mem::take(&mut self.meters);
        for meter in &mut meters {
            let known: Vec<(&Summary, i64)> = summaries
                .iter()
                .filter_map(|summary| {
                    let amount = summary.get(meter.key)?;
                    let whole = amount.covered >= summary.interval.span();
                    *(if whole { &mut exported.written } else { &mut exported.in_part }) += 1;
                    whole.then(|| Some((summary, (amount.kwh()? * 1e6).round() as i64)))?
                })
                .collect();
            if known.is_empty() {
                continue;
            }
            meter.blocks += 1;
            let list = format!("UsagePoint/{}/MeterReading/1/IntervalBlock", meter.place);
            let own = format!("{list}/{}", meter.blocks);
            self.entry(&mut xml, &own, &meter.title, &[("self", &own), ("up", &list)], |xml| {
                block(xml, chunk, &known);
            });
        }
        self.meters = meters;
        xml.text()
    }

    /// The end of the feed.
    pub fn foot(&self) -> String {
        "</feed>\n".to_owned()
    }

    /// An id that is always the same for the same thing: a UUID of version 8 (RFC 9562, 5.8) whose bits
    /// are the FNV-1a hash of what it names. It only has to be unlike the others, not secret.
    fn id(&self, place: &str) -> String {
        const BASIS: u128 = 0x6c62_272e_07bb_0142_62b8_2175_6295_c58d;
        const PRIME: u128 = 0x0000_0000_0100_0000_0000_0000_0000_013b;
        let name = format!("{}\n{place}\n{}\n{}", self.site, self.from.0, self.length.0);
        let hash = name.bytes().fold(BASIS, |hash, byte| (hash ^ u128::from(byte)).wrapping_mul(PRIME));
        let bits = hash & !(0xf_u128 << 76) & !(0b11_u128 << 62) | 8_u128 << 76 | 0b10_u128 << 62;
        let hex = format!("{bits:032x}");
        format!("urn:uuid:{}-{}-{}-{}-{}", &hex[..8], &hex[8..12], &hex[12..16], &hex[16..20], &hex[20..])
    }
}

fn block(xml: &mut Out, chunk: &Chunk, known: &[(&Summary, i64)]) {
    xml.open("IntervalBlock", &[("xmlns", ESPI)]);
    xml.open("interval", &[]);
    xml.leaf("duration", &((chunk.range.end - chunk.range.start).0 / TENTHS).to_string());
    xml.leaf("start", &chunk.range.start.seconds().to_string());
    xml.close("interval");
    for (summary, mwh) in known {
        xml.open("IntervalReading", &[]);
        xml.open("timePeriod", &[]);
        xml.leaf("duration", &(summary.interval.span().0 / TENTHS).to_string());
        xml.leaf("start", &summary.interval.start.seconds().to_string());
        xml.close("timePeriod");
        xml.leaf("value", &mwh.to_string());
        xml.close("IntervalReading");
    }
    xml.close("IntervalBlock");
}

fn utc(at: Stamp) -> String {
    Zone::utc().rfc3339(at).replace("+00:00", "Z")
}

/// XML into memory, which does not fail.
struct Out(Xml<Vec<u8>>);

impl Out {
    fn new() -> Self {
        Self(Xml::new(Vec::new()))
    }

    fn event(&mut self, event: Event<'_>) {
        let written = self.0.write_event(event);
        debug_assert!(written.is_ok(), "memory takes everything");
    }

    fn open(&mut self, name: &str, attributes: &[(&str, &str)]) {
        self.event(Event::Start(BytesStart::new(name).with_attributes(attributes.iter().copied())));
    }

    fn close(&mut self, name: &str) {
        self.event(Event::End(BytesEnd::new(name)));
    }

    fn leaf(&mut self, name: &str, text: &str) {
        self.open(name, &[]);
        // Characters that XML cannot hold at all would spoil the file.
        let text: String = text.chars().filter(|c| !c.is_control()).collect();
        self.event(Event::Text(BytesText::new(&text)));
        self.close(name);
    }

    fn newline(&mut self) {
        self.event(Event::Text(BytesText::new("\n")));
    }

    fn text(self) -> String {
        String::from_utf8(self.0.into_inner()).unwrap_or_default()
    }
}
