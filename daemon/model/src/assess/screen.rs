//! Screening: baseline exams that do not fit the others.

use super::answer::Fit;
use super::eligible::{Session, same_borders, same_modality};
use super::model::{Identities, Setting, values};
use super::notice::{SetAside, Unused};
use super::predict::leave_group_out;
use super::{Parameters, planes};
use crate::domain::Eye;
use nalgebra::DVector;

/// What is left of the candidates.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Screened<'a> {
    pub(super) kept: Vec<&'a Session<'a>>,
    pub(super) set_aside: Vec<SetAside>,
    /// How each candidate fitted when it was last judged, oldest first.
    pub(super) fits: Vec<Fit>,
}

/// Screens the candidates, which stand oldest first. `None` when the equations cannot be solved.
///
/// Of three or more, up to a third leave, the worst first. The worst is judged with operators and
/// devices treated as unknown, so that one operator behind two wrong exams excuses neither. Of
/// two that disagree, judged on the eyes that both have, the lower stays: a high one would hide a rise.
pub(super) fn screen<'a>(
    candidates: Vec<&'a Session<'a>>,
    setting: &Setting<'_>,
) -> Option<Screened<'a>> {
    let parameters = setting.parameters;
    let most = candidates.len() / 3;
    let mut kept = candidates;
    let mut leavers: Vec<(&'a Session<'a>, Fit)> = Vec::new();
    let mut set_aside = Vec::new();
    let mut fits = judge(&kept, setting)?;

    while leavers.len() < most && fits.iter().any(|fit| worst(fit) > parameters.z_screen) {
        let at = furthest(&fits)?;
        let leaver = kept.remove(at);
        set_aside.push(leaver.aside(Unused::Outlier));
        leavers.push((leaver, fits.remove(at)));
        fits = judge(&kept, setting)?;
    }
    if let ([first, second], [fit, other]) = (kept.as_slice(), fits.as_slice())
        && worst(fit) > parameters.z_pair
    {
        // The two have the same |z|, with opposite signs.
        let (lower, higher, fit) = if fit.z > 0.0 {
            (*second, *first, fit)
        } else {
            (*first, *second, other)
        };
        set_aside.push(higher.aside(Unused::HigherOfTwo));
        leavers.push((higher, fit.clone()));
        fits.retain(|fit| fit.exam == lower.exam.id);
        kept = vec![lower];
    }

    fits.extend(leavers.iter().map(|(_, fit)| fit.clone()));
    let everybody = || {
        kept.iter()
            .chain(leavers.iter().map(|(session, _)| session))
    };
    fits.sort_by_key(|fit| {
        let mut all = everybody();
        all.find(|session| session.exam.id == fit.exam)
            .map(|session| {
                (
                    session.exam.date,
                    session.exam.time,
                    session.exam.id.as_str(),
                )
            })
    });
    Some(Screened {
        kept,
        set_aside,
        fits,
    })
}

fn worst(fit: &Fit) -> f64 {
    fit.z.abs().max(fit.z_unknown.abs())
}

/// The exam with the largest |z|, operators and devices unknown; of equals the higher one, whose
/// presence could hide a rise.
fn furthest(fits: &[Fit]) -> Option<usize> {
    let rank = |fit: &Fit| (fit.z_unknown.abs(), fit.z_unknown);
    let all = fits.iter().enumerate();
    let furthest = all.max_by(|(_, a), (_, b)| {
        let ((a, sign_a), (b, sign_b)) = (rank(a), rank(b));
        a.total_cmp(&b).then(sign_a.total_cmp(&sign_b))
    });
    furthest.map(|(at, _)| at)
}

/// Each exam against all others; nothing to judge with fewer than two.
fn judge(kept: &[&Session<'_>], setting: &Setting<'_>) -> Option<Vec<Fit>> {
    let z = |identities| match kept {
        [] | [_] => Some(Vec::new()),
        [first, second] => {
            let z = apart(first, second, setting, identities)?;
            Some(vec![z, -z])
        }
        _ => {
            let observed = setting.observe(kept, identities);
            let mut groups = vec![Vec::new(); kept.len()];
            for (row, observation) in observed.iter().enumerate() {
                groups.get_mut(observation.point.place.exam)?.push(row);
            }
            leave_group_out(&setting.v(&observed), &values(&observed), &groups)
        }
    };
    let as_given = z(Identities::AsGiven)?;
    let unknown = z(Identities::Unknown)?;
    let fits = kept.iter().zip(as_given.into_iter().zip(unknown));
    let fits = fits.map(|(session, (z, z_unknown))| Fit {
        exam: session.exam.id.clone(),
        z,
        z_unknown,
    });
    Some(fits.collect())
}

/// z of how far the first of two exams lies above the second: of the difference of the mean over the
/// eyes that both have, or over the one eye of each where they have none in common. It is the same
/// the other way round but for the sign. `None` when an exam has no eye on the chosen planes.
fn apart<'a>(
    first: &'a Session<'a>,
    second: &'a Session<'a>,
    setting: &Setting<'_>,
    identities: Identities,
) -> Option<f64> {
    let observed = setting.observe(&[first, second], identities);
    let of = |exam: usize| observed.iter().filter(move |o| o.point.place.exam == exam);
    let has = |exam: usize, eye: Eye| of(exam).any(|o| o.point.eye == eye);
    let common = |eye: Eye| has(0, eye) && has(1, eye);
    let none_common = !Eye::BOTH.into_iter().any(common);
    let judged: Vec<_> = observed
        .iter()
        .filter(|o| none_common || common(o.point.eye))
        .copied()
        .collect();
    let count = |exam: usize| judged.iter().filter(|o| o.point.place.exam == exam).count();
    let (eyes, others) = (count(0), count(1));
    if eyes == 0 || others == 0 {
        return None;
    }
    let (above, below) = (1.0 / eyes as f64, -1.0 / others as f64);
    let share = judged.iter().map(|o| match o.point.place.exam {
        0 => above,
        _ => below,
    });
    let share = DVector::from_iterator(judged.len(), share);
    let variance = (setting.v(&judged) * &share).dot(&share);
    let z = values(&judged).dot(&share) / variance.sqrt();
    z.is_finite().then_some(z)
}

/// Whether the first exam lies above a later one by more than error, so that it may have been taken
/// while the pressure was raised: by the limit downwards, since only a lower one speaks against it. Never
/// of exams that share no plane, or differ in imaging or borders.
pub(super) fn wider(first: &Session<'_>, later: &Session<'_>, parameters: &Parameters) -> bool {
    let (one, other) = (first.exam, later.exam);
    if !same_modality(one.modality, other.modality)
        || !same_borders(one.definition, other.definition)
    {
        return false;
    }
    let choice = planes::choose(&later.planes, &[first.planes]);
    let z = choice.and_then(|choice| {
        let setting = Setting {
            parameters,
            episodes: &[],
            choice,
        };
        apart(first, later, &setting, Identities::AsGiven)
    });
    z.is_some_and(|z| z > parameters.z_below)
}
