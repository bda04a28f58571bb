//! How wide sheaths of well patients are here, by age: context, never a limit.

use super::enough::Enough;
use super::interval::{Interval, Quantile, mean_interval, needed_for, quantile, sd_interval};
use super::patient::Patient;
use crate::assess::{Assessment, Exam, rounded};
use crate::domain::Border;
use crate::literature::{self, PublishedNorm};
use serde::Serialize;
use std::collections::BTreeMap;

/// Patients that make a mean: fewer would tell of persons.
pub const NEEDED: usize = 10;

/// What stands over the figures, wherever they are shown.
pub const LABEL: &str = "Context only: no status and no flag rests on these figures, and a width \
    inside them is not called normal. A patient is compared with the own earlier exams alone.";

/// Ages at which bands end, years.
const ENDS: [f64; 8] = [0.25, 1.0, 4.0, 10.0, 18.0, 40.0, 65.0, 200.0];

/// One age band.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Band {
    /// Borders measured between, when known: outer ones read about 0.8 mm wider than inner ones.
    pub definition: Option<Border>,
    /// Years: from.
    pub from_years: f64,
    /// Up to, not including.
    pub to_years: f64,
    /// Patients. Each counts once, with the mean of the own well exams in the band.
    pub patients: usize,
    /// Exams that these means are made of.
    pub exams: usize,
    /// Mean and spread between patients, with [`NEEDED`] of them.
    #[serde(flatten)]
    pub spread: Enough<Spread>,
    /// What nineteen in twenty exceed, mm.
    pub p5_mm: Enough<Quantile>,
    /// What half exceed, mm.
    pub median_mm: Enough<Quantile>,
    /// What one in twenty exceeds, mm.
    pub p95_mm: Enough<Quantile>,
    /// Published series of the middle of the band.
    pub published: Vec<PublishedNorm>,
}

/// Mean and SD between patients, mm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Spread {
    /// Mean.
    #[serde(serialize_with = "rounded::plain")]
    pub mean_mm: f64,
    /// 95 % interval of the mean, by Student's t.
    pub mean_interval: Interval,
    /// SD between patients, error of measurement included.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
    /// 95 % interval of the SD.
    pub sd_interval: Interval,
}

/// Means of patients by band, eight bytes for each, and counts of exams.
#[derive(Debug, Clone, Default)]
pub(super) struct Bands {
    bands: BTreeMap<(Option<Border>, usize), (Vec<f64>, usize)>,
    /// Well exams left out: the patient's age is not known.
    pub(super) without_age: usize,
}

impl Bands {
    /// Adds the well exams of one person that `counts`.
    pub(super) fn add(&mut self, patient: &Patient, counts: impl Fn(&Exam) -> bool) {
        let mut own: BTreeMap<(Option<Border>, usize), (f64, usize)> = BTreeMap::new();
        for (exam, answer) in patient.well().filter(|(exam, _)| counts(exam)) {
            let Some(width) = width(answer) else {
                continue;
            };
            let born = patient.history.patient.birth_date;
            let years = born.map(|born| (exam.date - born).num_days() as f64 / 365.25);
            let band = years
                .filter(|years| *years >= 0.0)
                .and_then(|years| ENDS.iter().position(|end| years < *end));
            let Some(band) = band else {
                self.without_age += 1;
                continue;
            };
            let (sum, exams) = own.entry((exam.definition, band)).or_default();
            *sum += width;
            *exams += 1;
        }
        for (band, (sum, exams)) in own {
            let (means, all) = self.bands.entry(band).or_default();
            means.push(sum / exams as f64);
            *all += exams;
        }
    }

    pub(super) fn finish(self) -> Vec<Band> {
        let bands = self.bands.into_iter();
        bands
            .map(|((definition, band), (means, exams))| of(definition, band, means, exams))
            .collect()
    }
}

/// Mean of both eyes, or the only eye, mm.
pub(super) fn width(answer: &Assessment) -> Option<f64> {
    let rows = &answer.rows;
    let mut rows = [&rows.both, &rows.right, &rows.left].into_iter().flatten();
    rows.next().map(|row| row.measured_mm)
}

fn of(definition: Option<Border>, band: usize, mut means: Vec<f64>, exams: usize) -> Band {
    means.sort_by(f64::total_cmp);
    let patients = means.len();
    let end = |band: Option<usize>| ENDS.get(band?).copied();
    let (from, to) = (
        end(band.checked_sub(1)).unwrap_or_default(),
        end(Some(band)).unwrap_or_default(),
    );
    let share = |share| {
        Enough::of(patients, needed_for(share).max(NEEDED), || {
            quantile(&means, share)
        })
    };
    Band {
        definition,
        from_years: from,
        to_years: to,
        patients,
        exams,
        spread: Enough::of(patients, NEEDED, || spread(&means)),
        p5_mm: share(0.05),
        median_mm: share(0.5),
        p95_mm: share(0.95),
        published: literature::beside(None, Some(f64::midpoint(from, to))).norms,
    }
}

pub(super) fn spread(values: &[f64]) -> Option<Spread> {
    let n = values.len() as f64;
    let mean_mm = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean_mm).powi(2)).sum();
    let sd_mm = (squares / (n - 1.0)).sqrt();
    Some(Spread {
        mean_mm,
        mean_interval: mean_interval(mean_mm, sd_mm, values.len())?,
        sd_mm,
        sd_interval: sd_interval(squares, n - 1.0),
    })
}
