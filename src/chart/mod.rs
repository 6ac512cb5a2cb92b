//! Drawings as SVG text: stacked bars and areas over time, with their scales.
//!
//! Nothing here knows a colour, a font or a screen. Marks have classes, and the style sheet of the page
//! says what they look like on paper, in the dark or to eyes that tell fewer colours apart. Widths are
//! shares of whatever room there is (percentages, and an inner picture that stretches sideways only), so
//! one drawing fits a phone and a wall: text keeps its size and hairlines stay hairlines.
//!
//! The crate `plotters` was looked at first. Its SVG has fixed pixels, inline colours and inline fonts,
//! no classes, and no text that keeps its size in a drawing that grows: dark, print and a content
//! security policy without inline style would each have needed its output rewritten. What is left to do
//! without it, scales and rectangles, is this module.

mod axis;
mod stack;

pub use axis::Axis;
pub use stack::{Kind, Piece, Slot, Stack, Tick};

/// Text as it stands in an element or in a quoted attribute.
pub fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            c => escaped.push(c),
        }
    }
    escaped
}

/// A coordinate with no more digits than a screen has: `12.5`, `3`.
fn short(value: f64) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_escaped() {
        assert_eq!(escape("<b a=\"1\">&'"), "&lt;b a=&quot;1&quot;&gt;&amp;&#39;");
        assert_eq!(escape("Küche 🍳"), "Küche 🍳");
    }

    #[test]
    fn coordinates_are_short() {
        assert_eq!(
            ["12.5", "3", "0", "0"],
            [12.46, 3.0, -0.01, 0.04].map(short).map(|text| text.leak() as &str)
        );
    }
}
