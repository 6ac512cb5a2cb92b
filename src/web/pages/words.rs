//! Dates and times as people say them.

const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// `3 February 2026` out of `2026-02-03`; what is no date stays as it is.
pub(super) fn date(iso: &str) -> String {
    let parts: Vec<Option<usize>> = iso.splitn(3, '-').map(|part| part.parse().ok()).collect();
    match parts[..] {
        [Some(year), Some(month @ 1..=12), Some(day)] => format!("{day} {} {year}", MONTHS[month - 1]),
        _ => iso.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_read_as_they_are_said() {
        assert_eq!(date("2026-02-03"), "3 February 2026");
        assert_eq!(date("2026-13-03"), "2026-13-03");
        assert_eq!(date("soon"), "soon");
    }
}
