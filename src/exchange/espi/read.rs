//! The reader: XML events into entries.
//!
//! It knows elements by their local names, as files use the two namespaces with and without prefixes.
//! Entities that a document defines are not looked up, and a document type is refused: nothing in a
//! file can grow when it is read.

use quick_xml::Reader as Xml;
use quick_xml::events::{BytesStart, Event};

use super::resolve::{Block, Entry, Kind, RawReading, ReadingType, resolve};
use super::{Feed, UOM_WH};
use crate::exchange::MAX_TEXT;
use crate::exchange::fault::{Fault, Faults, shown};

/// Elements inside of each other; the standard needs eight.
const MAX_DEPTH: usize = 40;
/// Bytes of text in one element: titles are sentences, values are numbers.
const MAX_LEAF: usize = 16 << 10;
/// Readings in a file: ten years of minutes.
const MAX_READINGS: usize = 5_300_000;
/// Entries in a file: a block a day for each of a hundred meters over ten years.
const MAX_ENTRIES: usize = 400_000;

/// Reads a file. What is wrong comes with it: the feed then lacks what could not be read.
pub fn read(text: &str) -> (Feed, Faults) {
    let mut reader = Reader::new(text);
    if text.len() > MAX_TEXT {
        reader.fault(format!("the file has more than {} MiB", MAX_TEXT >> 20), "split it by time");
    } else {
        reader.run(text);
    }
    let Reader { entries, summary_mwh, mut faults, .. } = reader;
    let series = resolve(entries, &mut faults);
    (Feed { series, summary_mwh }, faults)
}

struct Reader {
    line: u64,
    /// Local names of the open elements.
    open: Vec<String>,
    /// The text of the innermost one.
    text: String,
    entry: Option<Entry>,
    entries: Vec<Entry>,
    readings: usize,
    summary: Summary,
    summary_mwh: Option<i64>,
    faults: Faults,
}

/// The file's own sum, as it is read.
#[derive(Default)]
struct Summary {
    value: Option<i64>,
    multiplier: i64,
    uom: Option<i64>,
}

impl Reader {
    fn new(_: &str) -> Self {
        Self {
            line: 1,
            open: Vec::new(),
            text: String::new(),
            entry: None,
            entries: Vec::new(),
            readings: 0,
            summary: Summary::default(),
            summary_mwh: None,
            faults: Faults::default(),
        }
    }

    fn fault(&mut self, what: impl Into<String>, hint: &str) {
        self.faults.add(Fault::new(self.line, what, hint));
    }

    fn run(&mut self, text: &str) {
        let mut xml = Xml::from_str(text);
        let mut counted = 0;
        loop {
            let event = xml.read_event();
            let position = usize::try_from(xml.buffer_position()).unwrap_or(text.len()).min(text.len());
            let starts = self.line;
            let ends = starts + newlines(&text.as_bytes()[counted..position]);
            counted = position;
            let go_on = match event {
                Ok(Event::Start(element)) => {
                    self.line = ends;
                    self.start(&element)
                }
                Ok(Event::Empty(element)) => {
                    self.line = ends;
                    let go_on = self.start(&element);
                    self.end();
                    go_on
                }
                Ok(Event::End(_)) => {
                    self.end();
                    true
                }
                Ok(Event::Text(text)) => self.add(&text.xml10_content()),
                Ok(Event::CData(text)) => self.add(&text.xml10_content()),
                Ok(Event::GeneralRef(reference)) => self.reference(&reference),
                Ok(Event::DocType(_)) => {
                    self.fault("there is a document type", "ESPI has none: leave `<!DOCTYPE …>` out");
                    false
                }
                Ok(Event::Eof) => {
                    if let Some(open) = self.open.last().cloned() {
                        self.fault(format!("the file ends inside of <{open}>"), "get the whole file again");
                    } else if self.entries.is_empty() {
                        self.fault(
                            "there is no <entry>",
                            "ESPI is an Atom feed of entries: is it the right file?",
                        );
                    }
                    false
                }
                Ok(_) => true,
                Err(error) => {
                    self.line = ends;
                    self.fault(format!("this is no XML: {error}"), "get the file again, or mend it");
                    false
                }
            };
            self.line = ends;
            if !go_on {
                return;
            }
        }
    }

    /// Adds to the innermost element's text; whether to go on.
    fn add(&mut self, text: &str) -> bool {
        if self.text.len() + text.len() <= MAX_LEAF {
            self.text.push_str(text);
            return true;
        }
        if text.trim().is_empty() {
            return true;
        }
        self.fault(format!("an element holds more than {MAX_LEAF} bytes"), "no element of ESPI does");
        false
    }

    fn reference(&mut self, reference: &quick_xml::events::BytesRef<'_>) -> bool {
        let character = match &**reference {
            "lt" => Some('<'),
            "gt" => Some('>'),
            "amp" => Some('&'),
            "apos" => Some('\''),
            "quot" => Some('"'),
            _ => reference.resolve_char_ref().ok().flatten(),
        };
        match character {
            Some(character) => self.add(character.encode_utf8(&mut [0; 4])),
            None => {
                let what = format!("&{}; stands for nothing", shown(reference));
                self.fault(what, "write the character itself, or its number as in &#233;");
                false
            }
        }
    }

    fn start(&mut self, element: &BytesStart<'_>) -> bool {
        let name = local(element.name().0).to_owned();
        if self.open.len() >= MAX_DEPTH {
            self.fault(format!("elements lie more than {MAX_DEPTH} deep"), "no element of ESPI does");
            return false;
        }
        self.text.clear();
        match name.as_str() {
            "entry" => {
                if self.entries.len() >= MAX_ENTRIES {
                    self.fault(format!("the file has more than {MAX_ENTRIES} entries"), "split it by time");
                    return false;
                }
                self.entry = Some(Entry { line: self.line, ..Entry::default() });
            }
            "link" => self.link(element),
            "MeterReading" => self.kind(Kind::MeterReading),
            "ReadingType" => self.kind(Kind::ReadingType(ReadingType::default())),
            "IntervalBlock" => self.kind(Kind::Block(Block::default())),
            "IntervalReading" => {
                if self.readings >= MAX_READINGS {
                    self.fault(format!("the file has more than {MAX_READINGS} readings"), "split it by time");
                    return false;
                }
                self.readings += 1;
                let line = self.line;
                if let Some(block) = self.block() {
                    block.readings.push(RawReading { line, ..RawReading::default() });
                }
            }
            "currentBillingPeriodOverAllConsumption" => self.summary = Summary::default(),
            _ => {}
        }
        self.open.push(name);
        true
    }

    fn kind(&mut self, kind: Kind) {
        if let Some(entry) = &mut self.entry
            && entry.kind == Kind::Other
        {
            entry.kind = kind;
        }
    }

    fn block(&mut self) -> Option<&mut Block> {
        match self.entry.as_mut().map(|entry| &mut entry.kind) {
            Some(Kind::Block(block)) => Some(block),
            _ => None,
        }
    }

    fn link(&mut self, element: &BytesStart<'_>) {
        let (mut rel, mut href) = (String::new(), String::new());
        for attribute in element.attributes().flatten() {
            let value = attribute.normalized_value(quick_xml::XmlVersion::Implicit1_0).unwrap_or_default();
            match local(attribute.key.0) {
                "rel" => rel = value.into_owned(),
                "href" => href = value.into_owned(),
                _ => {}
            }
        }
        let Some(entry) = &mut self.entry else { return };
        match rel.as_str() {
            "self" => entry.own = href,
            "up" => entry.up = href,
            "related" => entry.related.push(href),
            _ => {}
        }
    }

    fn end(&mut self) {
        let Some(name) = self.open.pop() else { return };
        let text = std::mem::take(&mut self.text);
        let text = text.trim();
        let parent = self.open.last().map(String::as_str).unwrap_or_default();
        match (parent, name.as_str()) {
            (_, "entry") => self.entries.extend(self.entry.take()),
            ("entry", "title") => {
                if let Some(entry) = &mut self.entry {
                    entry.title = text.chars().take(200).collect();
                }
            }
            ("ReadingType", _) => self.reading_type(&name, text),
            ("IntervalReading" | "timePeriod" | "ReadingQuality", _) => {
                self.reading(parent.to_owned(), &name, text)
            }
            ("currentBillingPeriodOverAllConsumption", _) => {
                let number = text.parse().ok();
                match name.as_str() {
                    "value" => self.summary.value = number,
                    "powerOfTenMultiplier" => self.summary.multiplier = number.unwrap_or(0),
                    "uom" => self.summary.uom = number,
                    _ => {}
                }
            }
            (_, "currentBillingPeriodOverAllConsumption") => {
                let summary = std::mem::take(&mut self.summary);
                if let (Some(value), Some(UOM_WH)) = (summary.value, summary.uom) {
                    self.summary_mwh = super::resolve::scaled(value, summary.multiplier);
                }
            }
            _ => {}
        }
    }

    fn reading_type(&mut self, name: &str, text: &str) {
        let Some(Entry { kind: Kind::ReadingType(of), .. }) = &mut self.entry else { return };
        let place = match name {
            "accumulationBehaviour" => &mut of.accumulation,
            "flowDirection" => &mut of.flow,
            "powerOfTenMultiplier" => &mut of.multiplier,
            "uom" => &mut of.uom,
            _ => return,
        };
        match text.parse() {
            Ok(number) => *place = Some(number),
            Err(_) => self.fault(
                format!("<{name}> is no whole number: \"{}\"", shown(text)),
                "see what the utility sends",
            ),
        }
    }

    fn reading(&mut self, parent: String, name: &str, text: &str) {
        let Some(reading) = self.block().and_then(|block| block.readings.last_mut()) else { return };
        let place = match (parent.as_str(), name) {
            ("IntervalReading", "value") => &mut reading.value,
            ("timePeriod", "start") => &mut reading.start,
            ("timePeriod", "duration") => &mut reading.seconds,
            ("ReadingQuality", "quality") => &mut reading.quality,
            _ => return,
        };
        match text.parse() {
            Ok(number) => *place = Some(number),
            Err(_) => {
                reading.spoilt = true;
                self.fault(
                    format!("<{name}> is no whole number: \"{}\"", shown(text)),
                    "see what the utility sends",
                );
            }
        }
    }
}

fn local(name: &str) -> &str {
    name.rsplit_once(':').map_or(name, |(_, local)| local)
}

fn newlines(bytes: &[u8]) -> u64 {
    bytes.iter().filter(|byte| **byte == b'\n').count() as u64
}
