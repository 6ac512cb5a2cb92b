//! Stacks side by side: bars of intervals, or an area of many.

use std::fmt::Write as _;

use super::{Axis, escape, short};

/// The inner picture is so wide before it is stretched: about what a chart has on a screen, so that a
/// hatch is stretched little.
const WIDTH: f64 = 800.0;
/// Room below the picture for the ticks' words.
const FOOT: f64 = 22.0;
/// Room above it for the topmost number.
const HEAD: f64 = 12.0;
/// Height of the strip that tells what is known.
const COVER: f64 = 4.0;

/// How the stacks stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Bars, with room between them.
    Bars,
    /// One beside the other, as an area.
    Area,
}

impl Kind {
    fn as_str(self) -> &'static str {
        match self {
            Self::Bars => "bars",
            Self::Area => "area",
        }
    }
}

/// A part of a stack.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// Its class is `k-` and this; marks of one class are one path.
    pub class: String,
    /// Above 0 it stands on the stack above the line, below 0 it hangs below it.
    pub value: f64,
}

/// One stack.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Slot {
    /// From the line outwards.
    pub pieces: Vec<Piece>,
    /// The share of its time, 0 to 1, in which it is known; `None` where its time has not come.
    pub coverage: Option<f64>,
    /// What it is compared with: a short line at that height.
    pub ghost: Option<f64>,
}

/// Words below a slot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tick {
    /// Which slot.
    pub slot: usize,
    /// Where there is room.
    pub text: String,
    /// Where there is little; empty for nothing.
    pub short: String,
}

/// A chart of stacks.
#[derive(Clone, Debug)]
pub struct Stack {
    /// What it shows, for those who do not see it.
    pub label: String,
    /// The stacks, in the order of time.
    pub slots: Vec<Slot>,
    /// Bars or area.
    pub kind: Kind,
    /// Words below.
    pub ticks: Vec<Tick>,
    /// Height of the picture in CSS pixels, without words.
    pub height: u32,
    /// The scale; [`Stack::axis`] gives one that fits.
    pub axis: Axis,
    /// Slots at which something is noted.
    pub marks: Vec<usize>,
    /// Whether a strip below tells what is known.
    pub shows_coverage: bool,
}

impl Stack {
    /// A scale that holds these slots.
    pub fn axis(slots: &[Slot], ticks: usize) -> Axis {
        let (mut low, mut high) = (0f64, 0f64);
        for slot in slots {
            let sum = |above: bool| {
                let values = slot.pieces.iter().map(|piece| piece.value);
                values.filter(|value| (*value > 0.0) == above).sum::<f64>()
            };
            high = high.max(sum(true)).max(slot.ghost.unwrap_or(0.0));
            low = low.min(sum(false)).min(slot.ghost.unwrap_or(0.0));
        }
        // What hangs a hair below the line is not worth a scale of its own: it is drawn over the line.
        if -low < 0.03 * high {
            low = 0.0;
        }
        Axis::around(low, high, ticks)
    }

    /// The drawing: numbers of the scale, and the picture. `number` writes a value of the scale.
    pub fn draw(&self, number: impl Fn(f64) -> String) -> String {
        let height = f64::from(self.height);
        let foot = if self.ticks.is_empty() { COVER } else { FOOT };
        let whole = HEAD + height + foot;
        let mut svg = String::with_capacity(16 << 10);
        let _ = write!(
            svg,
            r#"<div class="chart"><svg class="axis" height="{whole}" aria-hidden="true" focusable="false">"#
        );
        for tick in self.axis.ticks() {
            let y = HEAD + self.axis.y(tick, height);
            let text = escape(&number(tick));
            let _ = write!(svg, r#"<text class="scale" x="100%" y="{}">{text}</text>"#, short(y + 4.0));
        }
        let _ = write!(
            svg,
            r#"</svg><svg class="plot" height="{whole}" data-slots="{}" role="img" aria-label="{}">"#,
            self.slots.len(),
            escape(&self.label)
        );
        for tick in self.axis.ticks() {
            let y = short(HEAD + self.axis.y(tick, height));
            let class = if tick == 0.0 { "zero" } else { "grid" };
            let _ = write!(svg, r#"<line class="{class}" x1="0" x2="100%" y1="{y}" y2="{y}"/>"#);
        }
        let _ = write!(
            svg,
            r#"<svg y="{HEAD}" height="{height}" viewBox="0 0 {WIDTH} {height}" preserveAspectRatio="none">"#
        );
        self.pieces(&mut svg, height);
        svg.push_str("</svg>");
        self.feet(&mut svg, height);
        svg.push_str("</svg></div>");
        svg
    }

    /// Width of a slot in the inner picture, and where in it a bar starts and how wide it is.
    fn slot(&self) -> (f64, f64, f64) {
        let slot = WIDTH / self.slots.len().max(1) as f64;
        match self.kind {
            Kind::Bars => (slot, 0.13 * slot, 0.74 * slot),
            // A hair wider than its slot, so that no seam shows between neighbours.
            Kind::Area => (slot, 0.0, slot + 0.3),
        }
    }

    /// One path a class, in the order in which the classes first come.
    fn pieces(&self, svg: &mut String, height: f64) {
        let (slot, start, width) = self.slot();
        let mut paths: Vec<(&str, String)> = Vec::new();
        let mut ghosts = String::new();
        for (index, stack) in self.slots.iter().enumerate() {
            let x = index as f64 * slot + start;
            let (mut above, mut below) = (0.0, 0.0);
            for piece in &stack.pieces {
                let base = if piece.value > 0.0 { &mut above } else { &mut below };
                let (from, to) = (self.axis.y(*base, height), self.axis.y(*base + piece.value, height));
                *base += piece.value;
                let place = match paths.iter().position(|(class, _)| *class == piece.class) {
                    Some(place) => place,
                    None => {
                        paths.push((&piece.class, String::new()));
                        paths.len() - 1
                    }
                };
                // What is thinner than a tenth of a pixel is not drawn.
                if (from - to).abs() >= 0.05 {
                    let path = &mut paths[place].1;
                    let (x, y, w, h) = (short(x), short(from), short(width), short(to - from));
                    let _ = write!(path, "M{x} {y}h{w}v{h}h-{w}z");
                }
            }
            match (stack.ghost, self.kind) {
                (None, _) => {}
                (Some(ghost), Kind::Bars) => {
                    let y = short(self.axis.y(ghost, height) - 1.0);
                    let _ = write!(ghosts, "M{} {y}h{}v2h-{1}z", short(x), short(width));
                }
                (Some(ghost), Kind::Area) => {
                    let y = short(self.axis.y(ghost, height));
                    let follows = index > 0 && self.slots[index - 1].ghost.is_some();
                    let to = if follows { format!("V{y}") } else { format!("M{} {y}", short(x)) };
                    let _ = write!(ghosts, "{to}h{}", short(slot));
                }
            }
        }
        for (class, path) in paths.iter().filter(|(_, path)| !path.is_empty()) {
            let hatch = if class.starts_with("untracked") { r#" fill="url(#hatch)""# } else { "" };
            let _ = write!(svg, r#"<path class="k-{}"{hatch} d="{path}"/>"#, escape(class));
        }
        if !ghosts.is_empty() {
            let _ = write!(svg, r#"<path class="ghost {}" d="{ghosts}"/>"#, self.kind.as_str());
        }
    }

    /// What is known, what is noted, and the words below.
    fn feet(&self, svg: &mut String, height: f64) {
        let bottom = HEAD + height;
        let share = 100.0 / self.slots.len().max(1) as f64;
        if self.shows_coverage {
            let slot = WIDTH / self.slots.len().max(1) as f64;
            let (mut known, mut gaps) = (String::new(), String::new());
            for (index, coverage) in
                self.slots.iter().enumerate().filter_map(|(i, slot)| Some((i, slot.coverage?)))
            {
                let x = index as f64 * slot;
                let part = slot * coverage.clamp(0.0, 1.0);
                if part > 0.0 {
                    let _ = write!(known, "M{} 0h{}v{COVER}h-{1}z", short(x), short(part));
                }
                if coverage < 0.9999 {
                    let _ = write!(gaps, "M{} 0h{}v{COVER}h-{1}z", short(x + part), short(slot - part));
                }
            }
            let _ = write!(
                svg,
                r#"<svg y="{}" height="{COVER}" viewBox="0 0 {WIDTH} {COVER}" preserveAspectRatio="none"><path class="known" d="{known}"/><path class="gap" d="{gaps}"/></svg>"#,
                bottom + 1.0
            );
        }
        for mark in &self.marks {
            let x = short2((*mark as f64 + 0.5) * share);
            let _ = write!(svg, r#"<line class="mark" x1="{x}%" x2="{x}%" y1="0" y2="{}"/>"#, short(bottom));
        }
        for tick in &self.ticks {
            let x = short2((tick.slot as f64 + 0.5) * share);
            let y = bottom + 18.0;
            let mut word = |class: &str, text: &str| {
                let _ = write!(svg, r#"<text class="tick{class}" x="{x}%" y="{y}">{}</text>"#, escape(text));
            };
            if tick.text == tick.short {
                word("", &tick.text);
            } else {
                word(" wide", &tick.text);
                if !tick.short.is_empty() {
                    word(" narrow", &tick.short);
                }
            }
        }
    }
}

/// A percentage.
fn short2(value: f64) -> String {
    format!("{value:.2}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(class: &str, value: f64) -> Piece {
        Piece { class: class.to_owned(), value }
    }

    fn chart(slots: Vec<Slot>) -> Stack {
        let axis = Stack::axis(&slots, 3);
        Stack {
            label: "Energy of <two> days".to_owned(),
            slots,
            kind: Kind::Bars,
            ticks: vec![Tick { slot: 0, text: "Mon 2".into(), short: "2".into() }],
            height: 100,
            axis,
            marks: vec![1],
            shows_coverage: true,
        }
    }

    #[test]
    fn what_is_above_stands_and_what_is_below_hangs() {
        let slots = vec![
            Slot {
                pieces: vec![piece("ev", 6.0), piece("heating", 2.0), piece("grid", -2.0)],
                coverage: Some(1.0),
                ghost: None,
            },
            Slot { pieces: vec![piece("ev", 10.0)], coverage: Some(0.5), ghost: Some(5.0) },
        ];
        let svg = chart(slots).draw(|value| format!("{value} kWh"));
        // 15 units high, from −5 to 10, on 100 pixels; a slot has 400 units, its bar 74 % of it.
        assert!(
            svg.contains(r#"<path class="k-ev" d="M52 66.7h296v-40h-296zM452 66.7h296v-66.7h-296z"/>"#),
            "{svg}"
        );
        assert!(svg.contains(r#"<path class="k-heating" d="M52 26.7h296v-13.3h-296z"/>"#), "{svg}");
        assert!(svg.contains(r#"<path class="k-grid" d="M52 66.7h296v13.3h-296z"/>"#), "{svg}");
        assert!(svg.contains(r#"<path class="ghost bars" d="M452 32.3h296v2h-296z"/>"#), "{svg}");
        assert!(svg.contains(r#"<path class="known" d="M0 0h400v4h-400zM400 0h200v4h-200z"/>"#), "{svg}");
        assert!(svg.contains(r#"<path class="gap" d="M600 0h200v4h-200z"/>"#), "{svg}");
        assert!(svg.contains("Energy of &lt;two&gt; days") && svg.contains(">10 kWh</text>"), "{svg}");
        assert!(svg.contains(r#"<line class="mark" x1="75.00%""#), "{svg}");
    }

    #[test]
    fn nothing_at_all_is_an_empty_picture() {
        let svg = chart(vec![]).draw(|value| value.to_string());
        assert!(svg.contains("data-slots=\"0\"") && !svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    }
}
