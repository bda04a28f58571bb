//! Doubts about what was measured, told by the numbers alone: the nerve for its sheath, one side for the
//! other, an earlier exam sent again, a value far from the patient's own level.
//!
//! A doubt takes no rise away. It says what to check first, and bars the exam from serving later ones
//! ([`super::Notice::is_doubt`]).

use super::eligible::{Session, same_borders, same_modality};
use super::verdict::Expectation;
use super::{Exam, PerEye, Rows};
use crate::domain::Eye;

/// Exchanging both eyes is suspected when each is at least so many SD off...
const EXCHANGED_FROM_Z: f64 = 2.3;
/// ...and less than so many SD off with the other eye's expectation.
const EXCHANGED_UNDER_Z: f64 = 1.0;

/// A bare nerve is 0.59 to 0.67 of its sheath in healthy adults (BMC Neurol 2015,
/// doi:10.1186/s12883-015-0361-x), and less of a widened one; some room on either side.
const NERVE_SHARE: std::ops::RangeInclusive<f64> = 0.40..=0.70;

/// From this width on, mm, no nerve is suspected where neither an eyeball tells the scale of the picture nor
/// the level is settled: common practice, no source.
const NERVE_UNDER_MM: f64 = 3.7;

/// A fall that error alone makes in one of a thousand exams is no sign of a nerve: so many SD below what is
/// expected, one-sided. Where operators change after an event, a new level is now and then 0.70 of the old.
const NERVE_BELOW_Z: f64 = 3.09;

/// Share of the own level beyond which something else may have been measured: an engineering choice.
const FAR_SHARE: f64 = 0.60;

/// So few equal readings are chance.
const SAME_LEAST: usize = 4;

/// Keeps a share that prints as exactly a limit on the side of the doubt.
const HAIR: f64 = 1e-9;

/// Whether right and left fit better when exchanged.
pub(super) fn sides_exchanged(measured: PerEye<Option<f64>>, expectation: &Expectation) -> bool {
    let (Some(right), Some(left)) = (measured.right, measured.left) else {
        return false;
    };
    let [expected_right, expected_left] = expectation.expected;
    let [[rr, _], [_, ll]] = expectation.covariance;
    let z = |value: f64, expected: f64, variance: f64| (value - expected).abs() / variance.sqrt();
    let as_told = [z(right, expected_right, rr), z(left, expected_left, ll)];
    let exchanged = [z(left, expected_right, rr), z(right, expected_left, ll)];
    as_told.iter().all(|z| *z > EXCHANGED_FROM_Z)
        && exchanged.iter().all(|z| *z < EXCHANGED_UNDER_Z)
}

/// Which of two exams may be of the nerve.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Nerve {
    Today,
    Baseline,
}

/// One eye at one time: its width, and the width divided by that of the eyeball where that was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Width {
    pub(super) mm: f64,
    pub(super) of_eyeball: Option<f64>,
}

/// How well the level is known that an exam is held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Level {
    /// A person has said that the pressure was not raised at it, or two exams agree on it and nothing
    /// happened since: nobody's sheath falls to 0.70 of that.
    Settled,
    /// It may be that of a crisis, from which a sheath does fall so far.
    Open,
}

impl Level {
    /// Of the exams kept as baseline.
    pub(super) fn of(kept: &[&Session<'_>], after_event: bool) -> Self {
        let labelled = kept.iter().any(|session| session.exam.label.is_some());
        if labelled || (kept.len() > 1 && !after_event) {
            Level::Settled
        } else {
            Level::Open
        }
    }
}

/// Which of the two may be the nerve, if one of them may. Where both have an eyeball their ratios are held
/// against each other, which the scale of the picture does not change. Else the smaller one must also be as
/// small as a nerve can be; not so today's under a level that is settled. A rise is never called a sheath
/// after a nerve without that: in a crisis a small sheath may widen as much. `z` says how far today's lies
/// from what is expected, in SD, where that is known: without eyeballs a fall within error is none.
pub(super) fn nerve(today: Width, baseline: Width, level: Level, z: Option<f64>) -> Option<Nerve> {
    let scaled = today.of_eyeball.zip(baseline.of_eyeball);
    let (now, usual) = scaled.unwrap_or((today.mm, baseline.mm));
    let small = |width: Width| scaled.is_some() || width.mm < NERVE_UNDER_MM;
    let share = |nerve: f64, sheath: f64| {
        let share = nerve / sheath;
        (NERVE_SHARE.start() - HAIR..=NERVE_SHARE.end() + HAIR).contains(&share)
    };
    let falls = scaled.is_some() || z.is_none_or(|z| z < -NERVE_BELOW_Z);
    if falls && (small(today) || level == Level::Settled) && share(now, usual) {
        Some(Nerve::Today)
    } else if small(baseline) && share(usual, now) {
        Some(Nerve::Baseline)
    } else {
        None
    }
}

/// The sessions without those that nobody has labelled and that are of the nerve beside one that somebody
/// has: the lower of two would hide nothing, and flag everything after it. The others come second.
pub(super) fn without_nerves<'s, 'a>(
    sessions: Vec<&'s Session<'a>>,
) -> (Vec<&'s Session<'a>>, Vec<&'s Session<'a>>) {
    let sheaths: Vec<&Session<'_>> = sessions
        .iter()
        .copied()
        .filter(|session| session.exam.label.is_some())
        .collect();
    sessions.into_iter().partition(|session| {
        let is_nerve = |sheath: &&Session<'_>| {
            let (own, other) = (session.exam, sheath.exam);
            let alike = same_modality(own.modality, other.modality)
                && same_borders(own.definition, other.definition);
            alike
                && Eye::BOTH.into_iter().any(|eye| {
                    let pair = width(session, eye).zip(width(sheath, eye));
                    pair.and_then(|(own, sheath)| nerve(own, sheath, Level::Settled, None))
                        == Some(Nerve::Today)
                })
        };
        session.exam.label.is_some() || !sheaths.iter().any(is_nerve)
    })
}

/// Mean of the readings of one eye, without what is known of operator and device.
fn width(session: &Session<'_>, eye: Eye) -> Option<Width> {
    let readings = session.usable.readings.of(eye);
    let count = readings.len();
    let sum: i64 = readings.iter().map(|reading| reading.um).sum();
    let mm = sum as f64 / count as f64 / 1000.0 - session.exam.known.offset_mm();
    (count > 0).then(|| Width {
        mm,
        of_eyeball: ratio(session.exam, eye, mm),
    })
}

/// Mean ratio of sheath and eyeball of the sessions that measured both; `None` without one. `values` are
/// their widths.
pub(super) fn usual_ratio<'s>(
    sessions: impl Iterator<Item = (&'s Session<'s>, Option<f64>)>,
    eye: Eye,
) -> Option<f64> {
    let ratios: Vec<f64> = sessions
        .filter_map(|(session, width)| ratio(session.exam, eye, width?))
        .collect();
    let count = ratios.len();
    (count > 0).then(|| ratios.iter().sum::<f64>() / count as f64)
}

/// Width of the sheath divided by that of the eyeball, where that was measured.
pub(super) fn ratio(exam: &Exam, eye: Eye, width: f64) -> Option<f64> {
    let eyeball = (*exam.eyeball_mm.of(eye)).filter(|mm| *mm > 0.0)?;
    Some(width / eyeball)
}

/// Whether a row lies so far from the expected value that something else may have been measured.
pub(super) fn far_off(rows: &Rows) -> bool {
    let rows = [&rows.right, &rows.left, &rows.both].into_iter().flatten();
    let mut compared = rows.filter_map(|row| row.comparison);
    compared.any(|row| row.change_mm.abs() > FAR_SHARE * row.expected_mm + HAIR)
}

/// Whether all readings of both exams are equal, eye by eye and in order. Readings of whole millimetres
/// and the like are equal by chance.
pub(super) fn same_readings(today: &Exam, earlier: &Exam, resolution: f64) -> bool {
    let count = today.eyes.right.len() + today.eyes.left.len();
    count >= SAME_LEAST && !is_coarse(today, resolution) && today.eyes == earlier.eyes
}

/// Whether an eye with readings has fewer digits than the site's resolution.
pub(super) fn is_coarse(exam: &Exam, resolution: f64) -> bool {
    Eye::BOTH.into_iter().any(|eye| {
        let step = *exam.step_mm.of(eye);
        !exam.eyes.of(eye).is_empty() && step.is_some_and(|step| step > resolution + HAIR)
    })
}
