//! Figures as people read them: three or four digits, a unit, and the marks of their language.

use crate::said::Said;

/// How a language writes numbers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(in crate::web) enum Numbers {
    /// `1,234.5`
    #[default]
    Point,
    /// `1.234,5`
    Comma,
    /// `1 234,5`
    Space,
    /// `1’234.5`
    Apostrophe,
}

/// Between groups of three digits where a language leaves a gap: a narrow one that does not break.
const GAP: &str = "\u{202f}";
/// Between a number and its unit.
const UNIT_GAP: char = '\u{a0}';
/// The minus sign, which is as wide as a plus sign and as a digit.
const MINUS: char = '\u{2212}';
/// For what is not known.
pub(in crate::web) const UNKNOWN: &str = "unknown";

/// Languages that do not write as English does, by the Unicode CLDR (the symbols `decimal` and `group`
/// of each; from memory of it, not read by the tests). A region goes before its language.
const LANGUAGES: &[(&str, Numbers)] = &[
    ("de-ch", Numbers::Apostrophe),
    ("de-li", Numbers::Apostrophe),
    ("es-mx", Numbers::Point),
    ("es-us", Numbers::Point),
    ("pt-pt", Numbers::Space),
    ("bg", Numbers::Space),
    ("cs", Numbers::Space),
    ("da", Numbers::Comma),
    ("de", Numbers::Comma),
    ("el", Numbers::Comma),
    ("es", Numbers::Comma),
    ("et", Numbers::Space),
    ("fi", Numbers::Space),
    ("fr", Numbers::Space),
    ("hr", Numbers::Comma),
    ("hu", Numbers::Space),
    ("id", Numbers::Comma),
    ("it", Numbers::Comma),
    ("lt", Numbers::Space),
    ("lv", Numbers::Space),
    ("nb", Numbers::Space),
    ("nl", Numbers::Comma),
    ("nn", Numbers::Space),
    ("no", Numbers::Space),
    ("pl", Numbers::Space),
    ("pt", Numbers::Comma),
    ("ro", Numbers::Comma),
    ("ru", Numbers::Space),
    ("sk", Numbers::Space),
    ("sl", Numbers::Comma),
    ("sr", Numbers::Comma),
    ("sv", Numbers::Space),
    ("tr", Numbers::Comma),
    ("uk", Numbers::Space),
];

impl Numbers {
    /// All ways, in the order of the page.
    pub(in crate::web) const ALL: [Self; 4] = [Self::Point, Self::Comma, Self::Space, Self::Apostrophe];

    /// By an `Accept-Language` header (RFC 9110, 12.5.4): the first language that it names decides, as
    /// browsers write the one that is liked best first.
    pub(in crate::web) fn of_languages(header: &str) -> Self {
        let first = header.split([',', ';']).next().unwrap_or_default().trim().to_ascii_lowercase();
        let language = first.split('-').next().unwrap_or_default();
        let find = |tag: &str| LANGUAGES.iter().find(|(name, _)| *name == tag).map(|(_, numbers)| *numbers);
        find(&first).or_else(|| find(language)).unwrap_or_default()
    }

    /// Its name for the templates.
    pub(in crate::web) fn name(self) -> &'static str {
        match self {
            Self::Point => "point",
            Self::Comma => "comma",
            Self::Space => "space",
            Self::Apostrophe => "apostrophe",
        }
    }

    /// The one of that name.
    pub(in crate::web) fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|one| one.name() == name)
    }

    /// Before the tenths.
    pub(in crate::web) fn decimal(self) -> &'static str {
        match self {
            Self::Point | Self::Apostrophe => ".",
            Self::Comma | Self::Space => ",",
        }
    }

    /// Between groups of three digits.
    pub(in crate::web) fn group(self) -> &'static str {
        match self {
            Self::Point => ",",
            Self::Comma => ".",
            Self::Space => GAP,
            Self::Apostrophe => "\u{2019}",
        }
    }

    /// A number with so many decimals; a rounded −0 is 0.
    pub(in crate::web) fn number(self, value: f64, decimals: usize) -> String {
        if !value.is_finite() {
            return UNKNOWN.to_owned();
        }
        // Halves go up, as they do in the script: the formatter would take them to the even neighbour.
        let tens = 10f64.powi(decimals as i32);
        let scaled = value.abs() * tens;
        let is_half = scaled.fract() == 0.5;
        let size = if is_half { (scaled + 0.5) / tens } else { value.abs() };
        let sign = if value < 0.0 { "-" } else { "" };
        self.digits(&format!("{sign}{size:.decimals$}"))
    }

    /// A number that was written plainly: `-1234.5`. Its decimals stay as they are, and a rounded −0 is 0.
    pub(in crate::web) fn digits(self, plain: &str) -> String {
        let digits = plain.trim_start_matches(['-', '+']);
        let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
        let mut text = String::with_capacity(digits.len() + 8);
        match plain.as_bytes().first() {
            Some(b'-') if digits.bytes().any(|digit| matches!(digit, b'1'..=b'9')) => text.push(MINUS),
            Some(b'+') => text.push('+'),
            _ => {}
        }
        for (place, digit) in whole.chars().enumerate() {
            if place > 0 && (whole.len() - place).is_multiple_of(3) {
                text.push_str(self.group());
            }
            text.push(digit);
        }
        if !part.is_empty() {
            text.push_str(self.decimal());
            text.push_str(part);
        }
        text
    }

    /// A sentence with its numbers.
    pub(in crate::web) fn said(self, said: &Said) -> String {
        said.written(UNIT_GAP, |plain| self.digits(plain))
    }

    fn with_unit(self, value: f64, decimals: usize, unit: &str) -> String {
        format!("{}{UNIT_GAP}{unit}", self.number(value, decimals))
    }

    /// A power: whole watts below 1 kW, three or four digits above.
    pub(in crate::web) fn watts(self, watts: Option<f64>) -> String {
        match watts {
            None => UNKNOWN.to_owned(),
            Some(watts) if watts.abs() < 999.5 => self.with_unit(watts, 0, "W"),
            Some(watts) if watts.abs() < 99_950.0 => self.with_unit(watts / 1000.0, 2, "kW"),
            Some(watts) => self.with_unit(watts / 1000.0, 0, "kW"),
        }
    }

    /// How many decimals of a kWh are worth showing beside one of this size.
    pub(in crate::web) fn decimals_of_kwh(largest: f64) -> usize {
        match largest.abs() {
            kwh if kwh < 9.995 => 2,
            kwh if kwh < 999.5 => 1,
            _ => 0,
        }
    }

    /// An energy.
    pub(in crate::web) fn kwh(self, kwh: Option<f64>) -> String {
        match kwh {
            None => UNKNOWN.to_owned(),
            Some(kwh) => self.with_unit(kwh, Self::decimals_of_kwh(kwh), "kWh"),
        }
    }

    /// A current.
    pub(in crate::web) fn amps(self, amps: Option<f64>) -> String {
        match amps {
            None => UNKNOWN.to_owned(),
            // Nothing is 0 A, as it is 0 W.
            Some(amps) => self.with_unit(amps, usize::from((0.05..9.95).contains(&amps.abs())), "A"),
        }
    }

    /// A share, 0 to 1, in percent.
    pub(in crate::web) fn percent(self, share: Option<f64>) -> String {
        match share {
            None => UNKNOWN.to_owned(),
            Some(share) => {
                let percent = share * 100.0;
                self.with_unit(percent, usize::from(percent.abs() < 9.95), "%")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::said::{figure, said};

    #[test]
    fn the_first_language_decides() {
        let check = |header, expected| assert_eq!(Numbers::of_languages(header), expected, "{header}");
        check("", Numbers::Point);
        check("en-US,en;q=0.9,de;q=0.5", Numbers::Point);
        check("de-DE", Numbers::Comma);
        check("de-CH,de;q=0.9", Numbers::Apostrophe);
        check("FR;q=0.9", Numbers::Space);
        check("pt-BR", Numbers::Comma);
        check("pt-PT", Numbers::Space);
        check("tlh, *", Numbers::Point);
    }

    #[test]
    fn figures_have_as_many_digits_as_are_read() {
        let check = |text: String, expected: &str| assert_eq!(text.replace(UNIT_GAP, " "), expected);
        let point = Numbers::Point;
        check(point.watts(None), "unknown");
        check(point.watts(Some(-0.2)), "0 W");
        check(point.watts(Some(446.5)), "447 W");
        check(point.watts(Some(447.5)), "448 W");
        check(point.watts(Some(999.4)), "999 W");
        check(point.watts(Some(999.5)), "1.00 kW");
        check(point.watts(Some(-12_341.0)), "−12.34 kW");
        check(point.watts(Some(1_234_567.0)), "1,235 kW");
        check(point.kwh(Some(0.0)), "0.00 kWh");
        check(point.kwh(Some(34.56)), "34.6 kWh");
        check(point.kwh(Some(12_345.6)), "12,346 kWh");
        check(point.amps(Some(8.23)), "8.2 A");
        check(point.amps(Some(80.2)), "80 A");
        check(point.amps(Some(0.04)), "0 A");
        check(point.percent(Some(0.0523)), "5.2 %");
        check(point.percent(Some(0.523)), "52 %");
        check(point.percent(None), "unknown");
        check(point.number(f64::NAN, 1), "unknown");
        check(Numbers::Comma.number(-1_234_567.25, 1), "−1.234.567,3");
        check(Numbers::Space.number(1_234.5, 1), "1\u{202f}234,5");
        check(Numbers::Apostrophe.number(1_234.5, 1), "1’234.5");
        check(Numbers::Comma.digits("+1234.50"), "+1.234,50");
        check(Numbers::Comma.digits("-0.0"), "0,0");
        check(Numbers::Space.digits("-1500"), "−1\u{202f}500");
        check(
            Numbers::Comma.said(&said!("Pump 2.5 draws {} W", figure(1234.5, 1))),
            "Pump 2.5 draws 1.234,5 W",
        );
    }
}
