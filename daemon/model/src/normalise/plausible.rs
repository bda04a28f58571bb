//! Whether a value can be a sheath at all. A value outside is kept, shown and not used.

use crate::domain::{Millimetres, Remark, RemarkCode};

/// The gate without a configuration: the extremes of published series are 2.0 mm in children and
/// 7.6 mm in raised pressure; the margin around them is an engineering choice.
pub const GATE: (Millimetres, Millimetres) =
    (Millimetres::from_um(1_800), Millimetres::from_um(10_000));

/// Widths published for the whole eyeball are 21 to 23 mm (BMC Neurol 2015,
/// doi:10.1186/s12883-015-0361-x); the margin is an engineering choice.
const EYEBALL: (Millimetres, Millimetres) =
    (Millimetres::from_um(18_000), Millimetres::from_um(28_000));

/// Published elevations of a swollen disc are 0.6 to 1.2 mm (Ultrasound J 2023,
/// doi:10.1186/s13089-023-00324-7); a sheath in centimetres lies in the same range.
const DISC: (Millimetres, Millimetres) = (Millimetres::from_um(300), Millimetres::from_um(1_300));

/// Nerves without sheath: pooled mean 3.08 mm (J Neuroimaging 2020, doi:10.1111/jon.12691). A child's
/// sheath may measure the same (mean 3.08 mm, Clin Radiol 1999,
/// doi:10.1016/S0009-9260(99)91176-5), so the value alone decides nothing.
const NERVE: (Millimetres, Millimetres) =
    (Millimetres::from_um(2_500), Millimetres::from_um(3_500));

fn within(value: Millimetres, range: (Millimetres, Millimetres)) -> bool {
    (range.0..=range.1).contains(&value)
}

fn times_ten(value: Millimetres) -> Millimetres {
    Millimetres::from_um(value.um().saturating_mul(10))
}

/// The blocking remark on a sheath value outside the gate.
#[must_use]
pub fn remark(value: Millimetres, gate: (Millimetres, Millimetres)) -> Option<Remark> {
    if within(value, gate) {
        return None;
    }
    let maybe = if within(value, EYEBALL) {
        "it may be the diameter of the eyeball"
    } else if within(value, DISC) {
        "it may be the height of the optic disc, or centimetres under the wrong unit"
    } else if within(times_ten(value), gate) {
        "ten times as much could be one, so a unit or a decimal point may have slipped"
    } else if within(value, (times_ten(gate.0), times_ten(gate.1))) {
        "a tenth of it could be one, so a unit or a decimal point may have slipped"
    } else {
        "a unit or a decimal point may have slipped"
    };
    Some(
        Remark::of(
            RemarkCode::Implausible,
            format!(
                "{value} is outside {} to {}, the widths a sheath can have; {maybe}.",
                gate.0, gate.1
            ),
        )
        .act("Compare with the picture; nothing was converted."),
    )
}

/// A note on a value that a bare nerve may have as well.
#[must_use]
pub fn maybe_nerve(value: Millimetres) -> Option<Remark> {
    within(value, NERVE).then(|| {
        Remark::of(
            RemarkCode::MaybeNerveAlone,
            format!("{value} is published for sheaths of children and for nerves without sheath."),
        )
        .act("Compare with the patient's earlier values and the picture.")
    })
}
