//! Which notices an answer carries.

use super::answer::Rows;
use super::compare::{Case, Compared};
use super::doubts::{self, Level, Nerve, Width};
use super::eligible::{self, Session};
use super::growth::years_between;
use super::notice::{Notice, SetAside, Unused, Why};
use super::summary::Summary;
use super::{Exam, PerEye, planes};
use crate::domain::{Eye, Label};
use std::collections::BTreeSet;

/// Years for which a baseline of the first year of life is not remarked.
const INFANT_YEARS: f64 = 0.25;

/// What the exam itself gives cause to say.
pub(super) fn of_exam(case: &Case<'_>, measured: &PerEye<Option<Summary>>) -> BTreeSet<Notice> {
    let (today, resolution) = (case.today, case.parameters.resolution);
    let eyes = || Eye::BOTH.into_iter().filter_map(|eye| *measured.of(eye));
    let order = |exam: &Exam| (exam.date, exam.time, exam.id.clone());
    let same_day = case.same_day.iter().copied();
    let same_day = same_day.filter(|other| order(other.exam) < order(today.exam));
    let earlier = case.earlier.iter().map(|earlier| earlier.session);
    let same = |other: &Session<'_>| {
        doubts::same_readings(today.exam, other.exam, resolution)
            && eligible::same_modality(today.exam.modality, other.exam.modality)
    };
    let said = [
        (
            Notice::CoarseReadings,
            doubts::is_coarse(today.exam, resolution),
        ),
        (Notice::SameAsEarlierExam, earlier.chain(same_day).any(same)),
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
    let values = PerEye::from_fn(|eye| compared.measured.of(eye).map(|summary| summary.value));
    let mut newest = compared.shifts.iter().rev().map(|shift| shift.epoch);
    let after_event = newest.next() > newest.next();
    let level = Level::of(kept, after_event);
    let nerve = Eye::BOTH.map(|eye| nerve(compared, today, eye, level));
    let same_day = today.exam.label != Some(Label::AfterDecompression)
        && case
            .dated_events
            .iter()
            .any(|event| event.date == today.exam.date);
    let asymmetric = compared.asymmetry_z.is_some_and(|z| z.abs() >= p.z_asym);
    collect([
        (Notice::AfterEvent, after_event),
        (Notice::AgeUnknown, today.age.is_none()),
        (
            Notice::BaselineNerveSuspected,
            nerve.contains(&Some(Nerve::Baseline)),
        ),
        (Notice::BaselineSessionSetAside, left(Unused::Outlier)),
        (Notice::BaselineSessionsDisagree, left(Unused::HigherOfTwo)),
        (
            Notice::CoarseReadings,
            kept.iter().any(|s| doubts::is_coarse(s.exam, p.resolution)),
        ),
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
        (Notice::FarFromOwnLevel, doubts::far_off(rows)),
        (
            Notice::FellowEyeOnly,
            Eye::BOTH.into_iter().any(fellow_only),
        ),
        (
            Notice::InfantGrowth,
            last.age.is_some_and(|age| age < 1.0) && gap > INFANT_YEARS,
        ),
        (Notice::NerveSuspected, nerve.iter().any(Option::is_some)),
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
        (
            Notice::SidesExchangedSuspected,
            doubts::sides_exchanged(values, &compared.expectation),
        ),
        (Notice::SingleSessionBaseline, kept.len() == 1),
        (
            Notice::UnlabelledBaseline,
            kept.iter().any(|s| s.exam.label.is_none()),
        ),
    ])
}

/// Whether one eye of today or of the baseline may be the nerve.
fn nerve(compared: &Compared<'_>, today: &Session<'_>, eye: Eye, level: Level) -> Option<Nerve> {
    let mm = (*compared.measured.of(eye))?.value;
    let [right, left] = compared.expectation.expected;
    let expected = PerEye { right, left };
    let kept = compared.kept.iter().copied();
    let values = compared.summaries.iter();
    let values = values.map(|summaries| summaries.of(eye).map(|summary| summary.value));
    let width = Width {
        mm,
        of_eyeball: doubts::ratio(today.exam, eye, mm),
    };
    let usual = Width {
        mm: *expected.of(eye),
        of_eyeball: doubts::usual_ratio(kept.zip(values), eye),
    };
    let [[right, _], [_, left]] = compared.expectation.covariance;
    let variance = PerEye { right, left };
    let z = (mm - usual.mm) / variance.of(eye).sqrt();
    doubts::nerve(width, usual, level, Some(z))
}

fn collect(said: impl IntoIterator<Item = (Notice, bool)>) -> BTreeSet<Notice> {
    let holding = said.into_iter().filter(|(_, holds)| *holds);
    holding.map(|(notice, _)| notice).collect()
}
