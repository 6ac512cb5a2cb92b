//! The one function that evaluates a sum over series, for live figures and for history alike.

use crate::site::{Part, SeriesIndex, Term};
use crate::units::ONE;

/// Σ value × factor, in value units × millionths; `None` as soon as one term is not known.
///
/// Sums are exact: i128 holds 10 MW over a century times any allowed factor many times over.
pub fn evaluate(terms: &[Term], mut value: impl FnMut(SeriesIndex, Part) -> Option<i64>) -> Option<i128> {
    let mut sum = 0_i128;
    for term in terms {
        sum += i128::from(value(term.series, term.part)?) * i128::from(term.millionths);
    }
    Some(sum)
}

/// Millionths back to whole units, half away from zero.
pub fn rounded(millionths: i128) -> i64 {
    let one = i128::from(ONE);
    let half = if millionths < 0 { -one / 2 } else { one / 2 };
    ((millionths + half) / one) as i64
}

/// The part of a signed value that a term takes.
pub fn part_of(net: i64, part: Part) -> i64 {
    match part {
        Part::Net => net,
        Part::In => net.max(0),
        Part::Out => (-net).max(0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_is_symmetric() {
        for (millionths, want) in
            [(499_999, 0), (500_000, 1), (-499_999, 0), (-500_000, -1), (1_500_000, 2), (-1_500_000, -2)]
        {
            assert_eq!(rounded(millionths), want, "{millionths}");
        }
    }

    #[test]
    fn an_empty_sum_is_a_known_zero_and_a_missing_term_is_not() {
        let term = Term { series: SeriesIndex(0), part: Part::Net, millionths: 2 * ONE };
        assert_eq!(evaluate(&[], |_, _| None), Some(0));
        assert_eq!(evaluate(&[term], |_, _| None), None);
        assert_eq!(evaluate(&[term], |_, part| Some(part_of(-3, part))), Some(-6_000_000));
    }
}
