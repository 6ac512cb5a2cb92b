//! What a CT's number is multiplied by. Doubled, reversed, signed and scaled: no other factor exists.

use super::devices::Devices;
use super::findings::Findings;
use super::model::{ChannelIndex, Ct, Leg, Part, SeriesIndex, Term};
use super::names::shown;
use super::rules;
use super::shape::CtShape;
use super::text::At;
use crate::units::ONE;

/// What a circuit says of all its CTs.
#[derive(Default)]
pub(super) struct Whole<'s> {
    pub(super) doubled: bool,
    pub(super) reversed: bool,
    pub(super) scale: Option<&'s At<f64>>,
    pub(super) generation_positive: bool,
}

/// The term of one CT: its channel times scale, times 2 if doubled, times −1 for each of reversed (on
/// the circuit or the CT) and generation-positive.
pub(super) fn term(
    ct: &CtShape,
    whole: &Whole<'_>,
    devices: &Devices,
    findings: &mut Findings,
) -> Option<Term> {
    let own = scale(ct.scale.as_ref(), findings);
    let shared = scale(whole.scale, findings);
    if let (Some(at), Some(_)) = (&ct.scale, whole.scale) {
        let what = format!("the CT \"{}\" has a scale, and so has its circuit", shown(&ct.channel.value));
        findings.add(&rules::SCALE_TWICE, at.line, what, "write it in one of the two places");
    }
    let channel = devices.find(&ct.channel, findings)?;
    let turned = whole.reversed ^ ct.reversed ^ whole.generation_positive;
    let scale = if ct.scale.is_some() { own } else { shared };
    let millionths = scale * if whole.doubled { 2 } else { 1 } * if turned { -1 } else { 1 };
    Some(Term { series: SeriesIndex(channel.0), part: Part::Net, millionths })
}

/// A CT as the map writes it, beside its term.
pub(super) fn ct(shape: &CtShape, term: &Term, leg: Option<Leg>) -> Ct {
    let scale = shape.scale.as_ref().map(|scale| (scale.value * ONE as f64).round() as i64);
    Ct { channel: ChannelIndex(term.series.0), leg, reversed: shape.reversed, scale }
}

/// A scale in millionths; 1 where there is none or a wrong one.
pub(super) fn scale(scale: Option<&At<f64>>, findings: &mut Findings) -> i64 {
    let Some(At { value, line }) = scale else { return ONE };
    let millionths = value * ONE as f64;
    // A decimal of 6 places is within rounding (2^-53 of at most 10^9) of a whole number.
    let whole = (millionths - millionths.round()).abs() < 1e-5;
    if !(*value > 0.0 && *value <= 1000.0 && whole) {
        let write = if *value < 0.0 {
            format!("write scale = {}, and reversed = true if the CT is turned round", -value)
        } else {
            "write, for example, scale = 1.03".to_owned()
        };
        findings.add(&rules::BAD_SCALE, *line, format!("scale = {value}"), write);
        return ONE;
    }
    if !(0.5..=2.0).contains(value) {
        let write = "write the true scale, or set the CT's ratio in the device";
        findings.add(&rules::ODD_SCALE, *line, format!("scale = {value}"), write);
    }
    millionths.round() as i64
}
