//! Sentences for people which know where their numbers stand, so that whoever shows one can write the numbers
//! as its reader does. As text a sentence is what the API and the command line say: `1234.5`.

use std::fmt::{self, Write};
use std::ops::{Deref, Range};

/// Around a number on its way into a sentence. It is no character of Unicode, and never one of the text.
const MARK: &str = "\u{fdd0}";

/// What comes after numbers, and must not be left behind at the end of a line.
const UNITS: [&str; 10] = ["W", "kW", "Wh", "kWh", "A", "V", "%", "s", "min", "h"];

/// A sentence. It reads as a `str`: its text with plain numbers.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Said {
    text: String,
    /// Where numbers stand, in bytes, by place.
    numbers: Vec<Range<usize>>,
}

/// Writes a sentence as `format!` does; what goes through [`figure`], [`signed`] or [`exact`] is one of its
/// numbers.
macro_rules! said {
    ($($text:tt)*) => { $crate::said::Said::of(format_args!($($text)*)) };
}
pub(crate) use said;

impl Said {
    /// What the macro `said!` makes a sentence of.
    pub fn of(text: fmt::Arguments<'_>) -> Self {
        let mut taker = Taker { said: Self::default(), since: None };
        // Text takes whatever is written to it; a `Display` that fails leaves it at what came before.
        let _ = taker.write_fmt(text);
        taker.said
    }

    /// A sentence that came as text, and in which after `name` no digit stands but in a number.
    pub fn read(text: &str, name: &str) -> Self {
        let mut numbers = Vec::new();
        let mut at = if text.starts_with(name) { name.len() } else { 0 };
        while let Some(start) = text[at..].find(|c: char| c.is_ascii_digit()).map(|found| at + found) {
            let is_part = |(place, byte): &(usize, u8)| {
                byte.is_ascii_digit()
                    || (*byte == b'.'
                        && text.as_bytes().get(start + place + 1).is_some_and(u8::is_ascii_digit))
            };
            let length = text.bytes().skip(start).enumerate().take_while(is_part).count();
            at = start + length;
            let before = text[..start].strip_suffix('-');
            let is_negative = before.is_some_and(|before| before.is_empty() || before.ends_with(' '));
            numbers.push(start - usize::from(is_negative)..at);
        }
        Self { text: text.to_owned(), numbers }
    }

    /// The text with each number as `write` writes it; it gets digits with a point before the tenths, and a
    /// sign where there is one. `gap` comes between a number and its unit.
    pub fn written(&self, gap: char, write: impl Fn(&str) -> String) -> String {
        let mut text = String::with_capacity(self.text.len() + 8);
        let mut done = 0;
        for number in &self.numbers {
            text.push_str(&self.text[done..number.start]);
            text.push_str(&write(&self.text[number.clone()]));
            done = number.end;
            let rest = self.text[done..].strip_prefix(' ').unwrap_or_default();
            let word = rest.split(|c: char| !c.is_alphanumeric() && c != '%').next();
            if word.is_some_and(|word| UNITS.contains(&word)) {
                text.push(gap);
                done += 1;
            }
        }
        text.push_str(&self.text[done..]);
        text
    }

    /// Goes on with more.
    pub fn push(&mut self, more: &Self) {
        let end = self.text.len();
        self.text.push_str(&more.text);
        self.numbers.extend(more.numbers.iter().map(|number| number.start + end..number.end + end));
    }

    /// One of several, with something between them.
    pub fn join(parts: &[Self], between: &str) -> Self {
        let mut whole = Self::default();
        for (place, part) in parts.iter().enumerate() {
            if place > 0 {
                whole.text.push_str(between);
            }
            whole.push(part);
        }
        whole
    }

    /// For a sentence of which this is a part: its numbers stay numbers.
    pub fn inner(&self) -> impl fmt::Display + '_ {
        Inner(self)
    }
}

/// Takes text in, and finds the numbers by their marks.
struct Taker {
    said: Said,
    /// Where the number that is being written began.
    since: Option<usize>,
}

impl Write for Taker {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        if text != MARK {
            self.said.text.push_str(text);
            return Ok(());
        }
        let end = self.said.text.len();
        match self.since.take() {
            None => self.since = Some(end),
            Some(start) => self.said.numbers.push(start..end),
        }
        Ok(())
    }
}

struct Inner<'a>(&'a Said);

impl fmt::Display for Inner<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut done = 0;
        for number in &self.0.numbers {
            f.write_str(&self.0.text[done..number.start])?;
            f.write_str(MARK)?;
            f.write_str(&self.0.text[number.clone()])?;
            f.write_str(MARK)?;
            done = number.end;
        }
        f.write_str(&self.0.text[done..])
    }
}

/// A number on its way into a sentence.
#[derive(Clone, Copy, Debug)]
pub struct Figure {
    value: f64,
    /// `None` for as many as it needs.
    decimals: Option<usize>,
    signed: bool,
}

/// A number with so many decimals.
pub fn figure(value: impl Into<f64>, decimals: usize) -> Figure {
    Figure { value: value.into(), decimals: Some(decimals), signed: false }
}

/// The same with its sign, `+` too.
pub fn signed(value: impl Into<f64>, decimals: usize) -> Figure {
    Figure { signed: true, ..figure(value, decimals) }
}

/// A number with the decimals that it has.
pub fn exact(value: impl Into<f64>) -> Figure {
    Figure { value: value.into(), decimals: None, signed: false }
}

/// How many.
pub fn count(of: usize) -> Figure {
    // Nothing that is counted here comes near the 2⁵³ from which on this would round.
    figure(of as f64, 0)
}

impl fmt::Display for Figure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(MARK)?;
        match (self.decimals, self.signed) {
            (Some(decimals), true) => write!(f, "{:+.decimals$}", self.value)?,
            (Some(decimals), false) => write!(f, "{:.decimals$}", self.value)?,
            (None, _) => write!(f, "{}", self.value)?,
        }
        f.write_str(MARK)
    }
}

impl Deref for Said {
    type Target = str;

    fn deref(&self) -> &str {
        &self.text
    }
}

impl fmt::Display for Said {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.text)
    }
}

/// A text without numbers, or whose numbers stay as they are.
impl From<String> for Said {
    fn from(text: String) -> Self {
        Self { text, numbers: Vec::new() }
    }
}

impl From<&str> for Said {
    fn from(text: &str) -> Self {
        text.to_owned().into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The sentence with brackets around its numbers.
    fn bracketed(said: &Said) -> String {
        said.written('_', |number| format!("[{number}]"))
    }

    #[test]
    fn numbers_are_those_that_were_given_as_such() {
        let label = "Pump 2.5";
        let whole = said!("{label} draws {} W in {} of 24 h", figure(1234.5, 1), count(7));
        assert_eq!(&*whole, "Pump 2.5 draws 1234.5 W in 7 of 24 h");
        assert_eq!(bracketed(&whole), "Pump 2.5 draws [1234.5]_W in [7] of 24 h");
        assert_eq!(bracketed(&said!("{} ± {}", signed(0.5, 2), exact(2.25))), "[+0.50] ± [2.25]");
        assert_eq!(whole.to_string(), &*whole);
        assert_eq!(bracketed(&"made of 5".into()), "made of 5");
    }

    #[test]
    fn sentences_are_made_of_others() {
        let part = said!("{} W", figure(-12.0, 0));
        let mut whole = said!("so: {}", part.inner());
        whole.push(&Said::join(&[part.clone(), "no 3".into(), part], "; "));
        assert_eq!(bracketed(&whole), "so: [-12]_W[-12]_W; no 3; [-12]_W");
    }

    #[test]
    fn in_a_text_without_names_all_digits_are_of_numbers() {
        let check = |text: &str, name: &str, expected: &str| {
            assert_eq!(bracketed(&Said::read(text, name)), expected);
        };
        check("13.5 A: 80 % of its breaker of 40 A", "", "[13.5]_A: [80]_% of its breaker of [40]_A");
        check("Pump 2.5 carries up to 33 A.", "Pump 2.5", "Pump 2.5 carries up to [33]_A.");
        check("from 1600 W, for 60.", "", "from [1600]_W, for [60].");
        check("a surplus of -476.5 W, 3-4", "", "a surplus of [-476.5]_W, [3]-[4]");
        check("", "", "");
        check("Ölpumpe", "Ölpumpe", "Ölpumpe");
    }
}
