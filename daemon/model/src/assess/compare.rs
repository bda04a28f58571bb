//! One exam against the exams before it, step by step.

use super::answer::{Assessment, Basis, Fit, Row, Rows};
use super::arithmetic::arithmetic;
use super::covariance::Point;
use super::doubts;
use super::eligible::{Earlier, Events, Session, expired, same_borders, same_modality};
use super::model::{Identities, Observed, Setting};
use super::notice::{Notice, Reason, SetAside, Unused};
use super::planes::{self, Choice};
use super::predict::{Field, Prediction, predict};
use super::screen::screen;
use super::summary::Summary;
use super::verdict::{Expectation, asymmetry, rows, worst};
use super::{Modality, Parameters, PerEye, Status, growth, remarks};
use crate::domain::{Event, Eye, Label};
use chrono::NaiveDate;
use std::collections::{BTreeMap, BTreeSet};

/// An exam to assess and all that may bear on it. Nothing later than the exam is here.
#[derive(Debug, Clone, Copy)]
pub(super) struct Case<'a> {
    pub(super) today: &'a Session<'a>,
    /// Exams of earlier days, oldest first.
    pub(super) earlier: &'a [Earlier<'a>],
    /// Exams of the same day that were assessed before; not all of them are known to be earlier.
    pub(super) earlier_today: &'a [Earlier<'a>],
    /// Other exams of the same day.
    pub(super) same_day: &'a [&'a Session<'a>],
    /// Dated events and events told by labels.
    pub(super) events: &'a Events<'a>,
    /// Dated events alone.
    pub(super) dated_events: &'a [Event],
    pub(super) parameters: &'a Parameters,
    /// Whether a doubt about what was measured keeps an exam from bearing on others: always, save where
    /// it is measured what the doubts cost.
    pub(super) heeds_doubts: bool,
}

/// A comparison that was possible, with all that went into it.
#[derive(Debug, Clone)]
pub(super) struct Compared<'a> {
    /// Baseline exams used, oldest first; never empty.
    pub(super) kept: Vec<&'a Session<'a>>,
    pub(super) last: &'a Session<'a>,
    pub(super) choice: Choice,
    pub(super) observed: Vec<Observed<'a>>,
    pub(super) summaries: Vec<PerEye<Option<Summary>>>,
    /// Today's eyes on the chosen planes.
    pub(super) measured: PerEye<Option<Summary>>,
    pub(super) field: Field,
    pub(super) prediction: Prediction,
    pub(super) expectation: Expectation,
    pub(super) asymmetry_z: Option<f64>,
    /// Of each kept exam, then of today.
    pub(super) shifts: Vec<Shift>,
    pub(super) fits: Vec<Fit>,
}

/// What time has done to an exam since the first baseline exam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shift {
    /// Growth, mm.
    pub(super) growth: f64,
    pub(super) epoch: u32,
}

/// Assesses one exam; the comparison stands beside the answer when one was possible.
pub(super) fn compare<'a>(case: &Case<'a>) -> (Assessment, Option<Compared<'a>>) {
    let mut set_aside = Vec::new();
    set_aside.extend(
        case.same_day
            .iter()
            .map(|session| session.aside(Unused::SameDay)),
    );
    match attempt(case, &mut set_aside) {
        Ok(compared) => (answered(case, &compared, set_aside), Some(compared)),
        Err(reason) => (unanswered(case, reason, set_aside), None),
    }
}

/// Sorts the earlier exams out and predicts today's eyes from those that remain.
fn attempt<'a>(case: &Case<'a>, aside: &mut Vec<SetAside>) -> Result<Compared<'a>, Reason> {
    let (today, parameters) = (case.today, case.parameters);
    let mut eligible = Vec::new();
    for earlier in case.earlier {
        match earlier.barred(today, case.events, parameters) {
            None => eligible.push(earlier.session),
            Some(reason) => aside.push(SetAside {
                exam: earlier.session.exam.id.clone(),
                reason,
            }),
        }
    }
    let (eligible, nerves) = if case.heeds_doubts {
        doubts::without_nerves(eligible)
    } else {
        (eligible, Vec::new())
    };
    let nerves = nerves.iter();
    aside.extend(nerves.map(|session| session.aside(Unused::UnlabelledDoubted)));
    if today.before_birth() {
        return Err(Reason::BeforeBirth);
    }
    if today.usable.is_empty() {
        return Err(Reason::NoUsableMeasurement);
    }
    // The errors of the comparison are those of ultrasound.
    let foreign = match today.exam.modality {
        Modality::Ultrasound => None,
        Modality::Mri => Some(Reason::MeasuredByMri),
        Modality::Ct => Some(Reason::MeasuredByCt),
        Modality::Other => Some(Reason::MeasuredOtherwise),
    };
    if eligible.is_empty() && foreign.is_none() {
        return Err(Reason::NoEligibleSession);
    }
    let mut part = |sessions: Vec<&'a Session<'a>>, why, fits: &dyn Fn(&Session<'a>) -> bool| {
        let (stay, leave): (Vec<_>, Vec<_>) = sessions.into_iter().partition(|s| fits(s));
        aside.extend(leave.iter().map(|session| session.aside(why)));
        stay
    };
    let some = |sessions: Vec<&'a Session<'a>>, reason| {
        if sessions.is_empty() {
            Err(reason)
        } else {
            Ok(sessions)
        }
    };
    let kept = part(eligible, Unused::ModalityDiffers, &|s| {
        same_modality(s.exam.modality, today.exam.modality)
    });
    if let Some(reason) = foreign {
        return Err(reason);
    }
    // An exam of another kind of imaging tells no two events apart.
    let episodes = case.events.episodes(today.exam, &kept);
    let kept = some(kept, Reason::ModalityDiffers)?;
    let kept = part(kept, Unused::DefinitionDiffers, &|s| {
        same_borders(s.exam.definition, today.exam.definition)
    });
    let kept = some(kept, Reason::DefinitionDiffers)?;
    let kept = part(kept, Unused::NewbornBaselineExpired, &|s| {
        !expired(s.age, parameters)
    });
    let kept = some(kept, Reason::NewbornBaselineExpired)?;
    let theirs: Vec<_> = kept.iter().map(|session| session.planes).collect();
    let choice = planes::choose(&today.planes, &theirs);
    let kept = part(kept, Unused::PlanesDiffer, &|s| {
        choice.is_some_and(|choice| choice.serves(&s.planes))
    });
    let kept = some(kept, Reason::PlanesDiffer)?;
    let choice = choice.ok_or(Reason::PlanesDiffer)?;
    let beyond = kept.len().saturating_sub(parameters.max_sessions);
    let mut kept = kept;
    aside.extend(
        kept.drain(..beyond)
            .map(|session| session.aside(Unused::BeyondMaxSessions)),
    );

    let setting = Setting {
        parameters,
        episodes: &episodes,
        choice,
    };
    let screened = screen(kept, &setting).ok_or(Reason::ArithmeticFailed)?;
    aside.extend(screened.set_aside);
    solve(case, &setting, screened.kept, screened.fits).ok_or(Reason::ArithmeticFailed)
}

/// Predicts both eyes of today from the kept exams.
pub(super) fn solve<'a>(
    case: &Case<'a>,
    setting: &Setting<'_>,
    kept: Vec<&'a Session<'a>>,
    fits: Vec<Fit>,
) -> Option<Compared<'a>> {
    let setting: Setting<'_> = *setting;
    let (first, last) = (*kept.first()?, *kept.last()?);
    let measured = setting.summaries(case.today);
    let mut place = setting.place(kept.len(), case.today, first, Identities::AsGiven);
    // Episodes hold only what lies before today, and the own event of an exam after decompression.
    place.epoch = u32::try_from(setting.episodes.len()).ok()?;
    let targets = Eye::BOTH.map(|eye| Point {
        place,
        eye,
        variance: (*measured.of(eye)).map_or(0.0, |summary| summary.variance),
    });
    let observed = setting.observe(&kept, Identities::AsGiven);
    let field = setting.field(&observed, &targets);
    let prediction = predict(&field)?;
    let expectation = Expectation::of(&prediction)?.raised(setting.growth(&place));
    let places = kept.iter().enumerate();
    let places = places.map(|(i, session)| setting.place(i, session, first, Identities::AsGiven));
    let shifts: Vec<Shift> = places
        .chain([place])
        .map(|place| Shift {
            growth: setting.growth(&place),
            epoch: place.epoch,
        })
        .collect();
    let values = PerEye::from_fn(|eye| measured.of(eye).map(|summary| summary.value));
    Some(Compared {
        last,
        choice: setting.choice,
        summaries: kept
            .iter()
            .map(|session| setting.summaries(session))
            .collect(),
        shifts,
        kept,
        observed,
        measured,
        field,
        prediction,
        expectation,
        asymmetry_z: asymmetry(values, &expectation),
        fits,
    })
}

fn answered(case: &Case<'_>, compared: &Compared<'_>, set_aside: Vec<SetAside>) -> Assessment {
    let p = case.parameters;
    // The value stays as it was read; what is known of operator and device is in the expectation.
    let as_read = PerEye::from_fn(|eye| compared.measured.of(eye).map(|eye| eye.as_read()));
    let expectation = compared
        .expectation
        .raised(case.today.exam.known.offset_mm());
    let compared_rows = rows(as_read, &expectation, p);
    let mut notices = remarks::of_exam(case, &compared.measured);
    notices.extend(remarks::of_comparison(
        case,
        compared,
        &compared_rows,
        &set_aside,
    ));

    let (set_aside, set_aside_until) = listed(case, set_aside);
    let leading = compared_rows.leading().and_then(|row| row.comparison);
    let too_wide = leading.is_none_or(|row| row.smallest_change_mm > p.max_smallest_change);
    let (status, decided_by) = worst(&compared_rows);
    let (status, reason, rows, flagged) = if too_wide {
        // Too wide to say that nothing rose; a value above even that interval is still told.
        if status.flagged() {
            notices.insert(Notice::AboveWideInterval);
        }
        let reason = Some(Reason::IntervalTooWide);
        let shown = with_the_eye_left_out(compared_rows, case);
        let shown = Rows {
            right: shown.right.map(Row::too_wide),
            left: shown.left.map(Row::too_wide),
            both: shown.both.map(Row::too_wide),
        };
        (Status::NotComparable, reason, shown, status.flagged())
    } else {
        let rows = with_the_eye_left_out(compared_rows, case);
        (status, None, rows, status.flagged())
    };
    Assessment {
        assess: case.today.exam.id.clone(),
        status,
        reason,
        flagged,
        rows,
        decided_by: decided_by.filter(|_| reason.is_none()),
        basis: Some(basis(&compared.kept)),
        notices: notices.into_iter().collect(),
        baseline: compared
            .kept
            .iter()
            .map(|session| session.exam.id.clone())
            .collect(),
        set_aside,
        set_aside_until,
        gap_years: Some(growth::years_between(
            compared.last.exam.date,
            case.today.exam.date,
        )),
        planes: compared.choice.planes(),
        arithmetic: Some(arithmetic(case, compared)),
    }
}

/// What a baseline of these exams rests on; there is at least one.
fn basis(kept: &[&Session<'_>]) -> Basis {
    let well = |session: &&Session<'_>| {
        let label = session.exam.label;
        matches!(label, Some(Label::Well | Label::RaisedRuledOut))
    };
    if kept.iter().any(well) {
        Basis::Confirmed
    } else {
        Basis::Provisional
    }
}

fn unanswered(case: &Case<'_>, reason: Reason, mut set_aside: Vec<SetAside>) -> Assessment {
    let told: BTreeSet<String> = set_aside.iter().map(|aside| aside.exam.clone()).collect();
    let untold = case.earlier.iter().map(|earlier| earlier.session);
    let untold = untold.filter(|session| !told.contains(&session.exam.id));
    set_aside.extend(untold.map(|session| session.aside(Unused::NoComparison)));
    let (set_aside, set_aside_until) = listed(case, set_aside);
    Assessment {
        assess: case.today.exam.id.clone(),
        status: match reason {
            Reason::NoEligibleSession => Status::NoBaseline,
            _ => Status::NotComparable,
        },
        reason: Some(reason),
        flagged: false,
        rows: measured_only(case),
        decided_by: None,
        basis: Some(Basis::None),
        notices: remarks::of_exam(case, &everything(case))
            .into_iter()
            .collect(),
        baseline: Vec::new(),
        set_aside,
        set_aside_until,
        gap_years: None,
        planes: Vec::new(),
        arithmetic: None,
    }
}

/// Today's eyes on all their planes.
fn everything(case: &Case<'_>) -> PerEye<Option<Summary>> {
    let setting = Setting {
        parameters: case.parameters,
        episodes: &[],
        choice: Choice::All,
    };
    setting.summaries(case.today)
}

/// Rows that show what was measured, without a comparison.
fn measured_only(case: &Case<'_>) -> Rows {
    let summaries = everything(case);
    let value = |eye| summaries.of(eye).map(|summary: Summary| summary.as_read());
    let row = |measured_mm| Row {
        measured_mm,
        comparison: None,
        too_wide: None,
    };
    let (right, left) = (value(Eye::Right), value(Eye::Left));
    Rows {
        right: right.map(row),
        left: left.map(row),
        both: right
            .zip(left)
            .map(|(right, left)| row(f64::midpoint(right, left))),
    }
}

/// An eye that lacks the chosen planes is shown as measured.
fn with_the_eye_left_out(rows: Rows, case: &Case<'_>) -> Rows {
    let measured = measured_only(case);
    Rows {
        right: rows.right.or(measured.right),
        left: rows.left.or(measured.left),
        both: rows.both,
    }
}

/// Exams that were not used and are listed by name, the newest of them: without a limit the results of a
/// patient would grow with the square of the number of exams.
const LISTED_MAX: usize = 40;

/// By date, then by id: the order in which the exams were given does not show. Beside it the day of the
/// newest that is not listed.
fn listed(case: &Case<'_>, mut set_aside: Vec<SetAside>) -> (Vec<SetAside>, Option<NaiveDate>) {
    let earlier = case.earlier.iter().map(|earlier| earlier.session);
    let all = earlier.chain(case.same_day.iter().copied());
    let dates: BTreeMap<_, _> = all.map(|s| (s.exam.id.as_str(), s.exam.date)).collect();
    let date = |aside: &SetAside| dates.get(aside.exam.as_str()).copied();
    set_aside.sort_by(|a, b| date(a).cmp(&date(b)).then_with(|| a.cmp(b)));
    let older = set_aside.len().saturating_sub(LISTED_MAX);
    let until = set_aside
        .drain(..older)
        .next_back()
        .and_then(|one| date(&one));
    (set_aside, until)
}
