//! Which notices an answer carries.

use super::answer::Rows;
use super::compare::{Case, Compared};
use super::eligible::Session;
use super::growth::years_between;
use super::notice::{Notice, SetAside, Unused, Why};
use super::summary::Summary;
use super::{PerEye, planes};
use crate::domain::{Eye, Label};
use std::collections::BTreeSet;

/// Years for which a baseline of the first year of life is not remarked.
const INFANT_YEARS: f64 = 0.25;

/// A bare nerve is 0.59 to 0.67 of its sheath (BMC Neurol 2015,
/// doi:10.1186/s12883-015-0361-x); some room on either side.
const NERVE_SHARE: std::ops::RangeInclusive<f64> = 0.55..=0.70;

/// Above this width, mm, no nerve is suspected: common practice, no source.
const NERVE_MOST_MM: f64 = 3.7;

/// What the exam itself gives cause to say.
pub(super) fn of_exam(today: &Session<'_>, measured: &PerEye<Option<Summary>>) -> BTreeSet<Notice> {
    let eyes = || Eye::BOTH.into_iter().filter_map(|eye| *measured.of(eye));
    let said = [
        (Notice::ImplausibleReadingDropped, today.usable.dropped > 0),
        (Notice::RepeatsDisagree, eyes().any(|eye| eye.disagree)),
        (Notice::SingleReading, eyes().any(|eye| eye.readings == 1)),
    ];
    collect(said)
}

/// What the comparison gives cause to say.
pub(super) fn of_comparison(
    case: &Case<'_>,
    compared: &Compared<'_>,
    rows: &Rows,
    set_aside: &[SetAside],
) -> BTreeSet<Notice> {
    let (today, p) = (case.today, case.parameters);
    let (kept, last) = (&compared.kept, compared.last);
    let exams = || kept.iter().chain([&today]);
    let gap = years_between(last.exam.date, today.exam.date);
    let left = |why| {
        set_aside
            .iter()
            .any(|aside| aside.reason == Why::Found(why))
    };
    let some_but_not_all = |known: &dyn Fn(&Session<'_>) -> bool| {
        exams().any(|s| known(s)) && !exams().all(|s| known(s))
    };
    let has_baseline = |eye| compared.observed.iter().any(|o| o.point.eye == eye);
    let fellow_only = |eye: Eye| compared.measured.of(eye).is_some() && !has_baseline(eye);
    let nerve = |eye: Eye| {
        let comparison = rows.of(eye).and_then(|row| row.comparison);
        comparison.is_some_and(|row| {
            let measured = row.expected_mm + row.change_mm;
            measured < NERVE_MOST_MM && NERVE_SHARE.contains(&(measured / row.expected_mm))
        })
    };
    let mut newest = compared.shifts.iter().rev().map(|shift| shift.epoch);
    let after_event = newest.next() > newest.next();
    let same_day = today.exam.label != Some(Label::AfterDecompression)
        && case
            .dated_events
            .iter()
            .any(|event| event.date == today.exam.date);
    let asymmetric = compared.asymmetry_z.is_some_and(|z| z.abs() >= p.z_asym);
    collect([
        (Notice::AfterEvent, after_event),
        (Notice::AgeUnknown, today.age.is_none()),
        (Notice::BaselineSessionSetAside, left(Unused::Outlier)),
        (Notice::BaselineSessionsDisagree, left(Unused::HigherOfTwo)),
        (
            Notice::DefinitionUnknown,
            some_but_not_all(&|s| s.exam.definition.is_some()),
        ),
        (
            Notice::DeviceUnknown,
            exams().any(|s| s.exam.known_device().is_none()),
        ),
        (Notice::EventSameDay, same_day),
        (Notice::EyeAsymmetryChanged, asymmetric),
        (
            Notice::FellowEyeOnly,
            Eye::BOTH.into_iter().any(fellow_only),
        ),
        (
            Notice::InfantGrowth,
            last.age.is_some_and(|age| age < 1.0) && gap > INFANT_YEARS,
        ),
        (Notice::NerveSuspected, Eye::BOTH.into_iter().any(nerve)),
        (Notice::OldBaseline, gap >= p.old_baseline_years),
        (
            Notice::OperatorUnknown,
            exams().any(|s| s.exam.known_operator().is_none()),
        ),
        (
            Notice::PlaneUnknown,
            planes::mixed(exams().map(|s| &s.planes)),
        ),
        (
            Notice::PlanesRestricted,
            exams().any(|s| compared.choice.restricts(&s.planes)),
        ),
        (Notice::SingleSessionBaseline, kept.len() == 1),
        (
            Notice::UnlabelledBaseline,
            kept.iter().any(|s| s.exam.label.is_none()),
        ),
    ])
}

fn collect(said: impl IntoIterator<Item = (Notice, bool)>) -> BTreeSet<Notice> {
    let holding = said.into_iter().filter(|(_, holds)| *holds);
    holding.map(|(notice, _)| notice).collect()
}
