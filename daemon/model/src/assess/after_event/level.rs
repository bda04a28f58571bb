//! The level of some exams against what others lead one to expect, as if no event could leave a shift.

use super::Difference;
use crate::assess::compare::{Case, solve};
use crate::assess::eligible::{Session, expired, same_borders, same_modality};
use crate::assess::model::{Identities, Observed, Setting, values};
use crate::assess::planes::{self, Choice};
use crate::assess::predict::{Field, predict};
use crate::assess::screen::screen;
use crate::assess::verdict::rows;
use crate::assess::{Modality, Parameters, PerEye};
use nalgebra::{DMatrix, DVector};

/// The parameters without an allowance for a lasting shift.
pub(super) fn without_step(p: &Parameters) -> Parameters {
    Parameters {
        sigma_step: 0.0,
        ..*p
    }
}

/// Whether an exam can be held against today's by its imaging, borders and age.
pub(super) fn of_a_kind(session: &Session<'_>, case: &Case<'_>) -> bool {
    let today = case.today;
    same_modality(session.exam.modality, today.exam.modality)
        && today.exam.modality == Modality::Ultrasound
        && same_borders(session.exam.definition, today.exam.definition)
        && !expired(session.age, case.parameters)
        && !session.before_birth()
        && !session.usable.is_empty()
}

/// The old baseline: of these exams those on the chosen planes, the newest of them, less those that do
/// not fit the others.
pub(super) fn baseline<'a>(
    case: &Case<'_>,
    sessions: &[&'a Session<'a>],
    choice: Choice,
) -> Vec<&'a Session<'a>> {
    let parameters = without_step(case.parameters);
    let setting = Setting {
        parameters: &parameters,
        episodes: &[],
        choice,
    };
    let kept = newest(case, sessions, choice);
    screen(kept, &setting).map_or_else(Vec::new, |screened| screened.kept)
}

/// The newest of these exams on the chosen planes, as many as a baseline may have.
pub(super) fn newest<'a>(
    case: &Case<'_>,
    sessions: &[&'a Session<'a>],
    choice: Choice,
) -> Vec<&'a Session<'a>> {
    let serve = sessions.iter().filter(|s| choice.serves(&s.planes));
    let mut serve: Vec<_> = serve.copied().collect();
    serve.drain(..serve.len().saturating_sub(case.parameters.max_sessions));
    serve
}

/// The pooled level of `new` minus what `old` leads one to expect of those exams.
///
/// The new exams are weighed by their own generalised least squares; the old ones predict each of their
/// eyes, and the same weights are put on what they predict.
pub(super) fn level<'a>(
    case: &Case<'_>,
    choice: Choice,
    old: &[&'a Session<'a>],
    new: &[&'a Session<'a>],
) -> Option<Difference> {
    let parameters = without_step(case.parameters);
    let setting = Setting {
        parameters: &parameters,
        episodes: &[],
        choice,
    };
    let all: Vec<&Session<'_>> = old.iter().chain(new).copied().collect();
    let (then, now): (Vec<Observed<'_>>, Vec<Observed<'_>>) = setting
        .observe(&all, Identities::AsGiven)
        .into_iter()
        .partition(|one| one.point.place.exam < old.len());
    let both: Vec<Observed<'_>> = then.iter().chain(&now).copied().collect();
    let v = setting.v(&both);
    let (n, m) = (then.len(), now.len());
    if n == 0 || m == 0 {
        return None;
    }
    let c_star: DMatrix<f64> = v.view((n, n), (m, m)).into_owned();
    let ones = DVector::from_element(m, 1.0);
    let weights = c_star.clone().cholesky()?.solve(&ones);
    let weights = &weights / weights.sum();
    let prediction = predict(&Field {
        v: v.view((0, 0), (n, n)).into_owned(),
        y: values(&then),
        c: v.view((0, n), (n, m)).into_owned(),
        c_star,
    })?;
    let mm = weights.dot(&(values(&now) - prediction.expected));
    let variance = weights.dot(&(prediction.covariance * &weights));
    (mm.is_finite() && variance > 0.0).then_some(())?;
    let last = old.last()?.exam;
    Some(Difference::of(
        last.date,
        old.len(),
        mm,
        variance.sqrt(),
        case.parameters.z_above,
    ))
}

/// Today against the given exams, as if no event could leave a shift.
pub(super) fn today_against<'a>(
    case: &Case<'a>,
    choice: Choice,
    sessions: Vec<&'a Session<'a>>,
) -> Option<Difference> {
    let parameters = without_step(case.parameters);
    let setting = Setting {
        parameters: &parameters,
        episodes: &[],
        choice,
    };
    let (exams, with) = (sessions.len(), sessions.last()?.exam.date);
    let compared = solve(case, &setting, sessions, Vec::new())?;
    let values = PerEye::from_fn(|eye| compared.measured.of(eye).map(|summary| summary.value));
    let rows = rows(values, &compared.expectation, &parameters);
    let row = rows.leading()?.comparison?;
    Some(Difference::of(
        with,
        exams,
        row.change_mm,
        row.sd_mm,
        case.parameters.z_above,
    ))
}

/// The planes on which these exams and today's are compared.
pub(super) fn choice(case: &Case<'_>, sessions: &[&Session<'_>]) -> Option<Choice> {
    let theirs: Vec<_> = sessions.iter().map(|session| session.planes).collect();
    planes::choose(&case.today.planes, &theirs)
}
