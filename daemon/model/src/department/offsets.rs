//! Who reads high, and which device: random effects side by side, patients taken out exactly.

use super::enough::Enough;
use super::interval::Interval;
use super::pairs::Stop;
use super::subject::Subject;
use crate::assess::{KnownOffset, rounded};
use nalgebra::{DMatrix, DVector};
use serde::Serialize;
use std::collections::BTreeMap;

/// Exams that make an offset worth showing.
const NEEDED: usize = 10;
/// So many operators and devices have offsets at most, those with the most exams: the equations grow
/// with the square of them.
const MOST: usize = 1000;

/// How far an operator or device reads above the department's mean.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Offset {
    /// Whose, as reports name it.
    #[serde(flatten)]
    pub of: Subject,
    /// Exams that bear on it.
    pub exams: usize,
    /// Best linear unbiased prediction, mm; pulled towards zero when exams are few.
    #[serde(serialize_with = "rounded::plain")]
    pub offset_mm: f64,
    /// Its standard error, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub standard_error_mm: f64,
    /// Standard error against the mean of those of its kind who are here, mm. Smaller: how they all
    /// lie against operators or devices that are not here is out of it.
    #[serde(serialize_with = "rounded::plain")]
    pub standard_error_here_mm: f64,
}

/// An offset, if there are exams enough.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Against {
    /// Whose.
    #[serde(flatten)]
    pub of: Subject,
    /// Exams that bear on it.
    pub exams: usize,
    /// How far, with ten exams or more.
    #[serde(flatten)]
    pub offset: Enough<Predicted>,
}

/// How far somebody reads above the mean of those who are here.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Predicted {
    /// Best linear unbiased prediction, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub offset_mm: f64,
    /// 95 % interval against the mean of those who are here, mm.
    pub interval: Interval,
    /// Standard error against all there might be, mm: how those who are here lie together is in it.
    #[serde(serialize_with = "rounded::plain")]
    pub standard_error_mm: f64,
    /// Standard error against the mean of those who are here, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub standard_error_here_mm: f64,
    /// The offset that the configuration has, mm.
    #[serde(serialize_with = "rounded::optional")]
    pub known_mm: Option<f64>,
    /// What the configuration has, or nought where it has nothing, lies outside the interval.
    pub apart: bool,
}

impl Against {
    /// Beside what the configuration has.
    pub(super) fn of(one: Offset, known: Option<KnownOffset>) -> Self {
        let known_mm = known.map(|known| known.offset_mm);
        let interval = Interval::around(one.offset_mm, one.standard_error_here_mm);
        Against {
            offset: Enough::of(one.exams, NEEDED, || {
                Some(Predicted {
                    offset_mm: one.offset_mm,
                    interval,
                    standard_error_mm: one.standard_error_mm,
                    standard_error_here_mm: one.standard_error_here_mm,
                    known_mm,
                    apart: !interval.holds(known_mm.unwrap_or(0.0)),
                })
            }),
            exams: one.exams,
            of: one.of,
        }
    }
}

/// The SDs that offsets are weighed by, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sizes {
    /// Between operators; 0: operators are taken to read alike.
    pub(super) operator: f64,
    /// Between devices; 0: devices are taken to read alike.
    pub(super) device: f64,
    /// Of the mean of both eyes of one exam, without operator and device.
    pub(super) exam: f64,
}

/// Offsets of all operators and devices named in runs: operators by name, then devices. Empty when
/// all are taken to read alike or nobody is named.
///
/// Solves (Z'MZ + D) b = Z'My, where Z says who measured with what, M takes the mean of each run away
/// and D holds the ratios of variances: the mixed model equations of Henderson with fixed levels
/// absorbed. Where operators are named, exams that name none are left out, and so with devices: it
/// may be anybody, not somebody new. Where none is ever named, what they differ by is noise.
pub(super) fn offsets(runs: &[Vec<Stop>], sizes: Sizes) -> Vec<Offset> {
    let variances = [sizes.operator, sizes.device].map(|sd| sd * sd);
    let named = |kind: usize| {
        let mut stops = runs.iter().flatten();
        stops.any(|stop| stop.known().get(kind).is_some_and(Option::is_some))
    };
    let counts = [0, 1].map(|kind| variances.get(kind) > Some(&0.0) && named(kind));
    let noise = counts.iter().zip(variances).filter(|(counts, _)| !**counts);
    let exam = sizes.exam * sizes.exam + noise.map(|(_, variance)| variance).sum::<f64>();
    let runs: Vec<Vec<Known>> = runs.iter().map(|run| known(run, counts)).collect();

    let exams = levels(&runs);
    let place: BTreeMap<&Subject, usize> = exams.keys().copied().zip(0..).collect();
    let size = place.len();
    let ratio = |of: &Subject| match (of, variances) {
        (Subject::Device(_), [_, device]) => exam / device,
        (_, [operator, _]) => exam / operator,
    };
    let ratios: Vec<f64> = exams.keys().map(|of| ratio(of)).collect();
    if size == 0 || ratios.iter().any(|ratio| !ratio.is_finite()) {
        return Vec::new();
    }
    let mut left = DMatrix::from_diagonal(&DVector::from_vec(ratios));
    let mut right: DVector<f64> = DVector::zeros(size);
    for run in &runs {
        let n = run.len() as f64;
        let level = run.iter().map(|one| one.y).sum::<f64>() / n;
        let mut turns: BTreeMap<usize, f64> = BTreeMap::new();
        for one in run {
            let at: Vec<usize> = one
                .of
                .iter()
                .filter_map(|of| place.get(of))
                .copied()
                .collect();
            for &own in &at {
                *turns.entry(own).or_default() += 1.0;
                if let Some(sum) = right.get_mut(own) {
                    *sum += one.y - level;
                }
                for &other in &at {
                    add(&mut left, (own, other), 1.0);
                }
            }
        }
        for (own, times) in &turns {
            for (other, others) in &turns {
                add(&mut left, (*own, *other), -times * others / n);
            }
        }
    }
    let Some(cholesky) = left.cholesky() else {
        return Vec::new();
    };
    let b = cholesky.solve(&right);
    let c = cholesky.inverse();
    let here = here(&c, &place);
    exams
        .into_iter()
        .zip(b.iter().zip(c.diagonal().iter()).zip(here))
        .map(|((of, exams), ((offset, c), here))| Offset {
            of: of.clone(),
            exams,
            offset_mm: *offset,
            standard_error_mm: (exam * c).sqrt(),
            standard_error_here_mm: (exam * here).max(0.0).sqrt(),
        })
        .collect()
}

/// Of each the variance against the mean of its kind, from the covariance of all.
fn here(c: &DMatrix<f64>, place: &BTreeMap<&Subject, usize>) -> Vec<f64> {
    let of = |row: usize, column: usize| c.get((row, column)).copied().unwrap_or_default();
    let mut sums: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
    let with_kind: Vec<f64> = place
        .iter()
        .map(|(one, row)| {
            let kind = place.iter().filter(|(other, _)| other.kind() == one.kind());
            let sum: f64 = kind.map(|(_, column)| of(*row, *column)).sum();
            let (all, n) = sums.entry(one.kind()).or_default();
            *all += sum;
            *n += 1.0;
            sum
        })
        .collect();
    let mean = |one: &Subject| sums.get(one.kind()).copied().unwrap_or((0.0, 1.0));
    let rows = place.iter().zip(with_kind);
    rows.map(|((one, row), sum)| {
        let (all, n) = mean(one);
        of(*row, *row) - 2.0 * sum / n + all / (n * n)
    })
    .collect()
}

/// One exam in the equations.
struct Known<'r> {
    /// Its operator, its device, or both.
    of: Vec<&'r Subject>,
    y: f64,
}

/// The exams of a run that name everybody who counts.
fn known(run: &[Stop], counts: [bool; 2]) -> Vec<Known<'_>> {
    run.iter()
        .filter_map(|stop| {
            let of = stop.known().into_iter().zip(counts);
            let of: Option<Vec<&Subject>> =
                of.filter(|(_, counts)| *counts).map(|(of, _)| of).collect();
            Some(Known { of: of?, y: stop.y })
        })
        .collect()
}

/// Who has an offset, with the number of exams that bear on it: those of runs with another one of the
/// kind.
fn levels<'r>(runs: &[Vec<Known<'r>>]) -> BTreeMap<&'r Subject, usize> {
    let mut exams: BTreeMap<&Subject, usize> = BTreeMap::new();
    for run in runs {
        for of in run.iter().flat_map(|one| &one.of) {
            let mut others = run.iter().flat_map(|one| &one.of);
            let apart = others.any(|other| other.kind() == of.kind() && other != of);
            *exams.entry(of).or_default() += usize::from(apart);
        }
    }
    if exams.len() > MOST {
        let mut most: Vec<(&Subject, usize)> = exams.into_iter().collect();
        most.sort_by_key(|(of, exams)| (std::cmp::Reverse(*exams), *of));
        most.truncate(MOST);
        exams = most.into_iter().collect();
    }
    exams
}

fn add(matrix: &mut DMatrix<f64>, at: (usize, usize), value: f64) {
    if let Some(entry) = matrix.get_mut(at) {
        *entry += value;
    }
}
