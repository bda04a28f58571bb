//! What an exam measured beside the sheath: eyeball, optic disc, bare nerve.
//!
//! It is shown beside the comparison and has no cutoff and no flag. Values are means of the exam's
//! usable values of one eye.

use crate::assess::{PerEye, rounded};
use crate::domain::{Eye, Quantity};
use crate::history::{Exam, Identity, same_person};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// Eyeballs outside this range are a slipped unit or something else. About 17 mm at birth (from
/// memory), 22 to 23 mm in adults (BMC Neurol 2015, doi:10.1186/s12883-015-0361-x); the margin is an
/// engineering choice.
const EYEBALL_MM: std::ops::RangeInclusive<f64> = 12.0..=30.0;

/// Age until which the eyeball grows fast, years: common practice, no source.
const EYEBALL_GROWS_YEARS: f64 = 3.0;

/// The companions of one exam; eyes without a value are `None`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Companions {
    /// Sheath diameter divided by the transverse diameter of the eyeball.
    pub eyeball: PerEye<Option<EyeballRatio>>,
    /// How far the disc stands out, today and before.
    pub disc: PerEye<Option<DiscElevation>>,
    /// Nerve without sheath, mm; never compared with a sheath.
    pub nerve_mm: PerEye<Option<f64>>,
    /// Whether the eyeball was still growing fast at this exam or at a baseline exam with a ratio;
    /// `None` without a birth date.
    pub eyeball_growing: Option<bool>,
}

/// Sheath and eyeball of one eye.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EyeballRatio {
    /// Sheath diameter, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub sheath_mm: f64,
    /// Transverse diameter of the eyeball, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub eyeball_mm: f64,
    /// The first divided by the second.
    #[serde(serialize_with = "rounded::plain")]
    pub ratio: f64,
    /// The same of the baseline exams that measured both, oldest first.
    pub baseline: Vec<Earlier>,
    /// Ratio minus the mean of the baseline ratios; `None` without one.
    #[serde(serialize_with = "rounded::optional")]
    pub change: Option<f64>,
}

/// Disc elevation of one eye.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DiscElevation {
    /// How far the disc stands out at this exam, mm; `None` when only earlier exams say.
    #[serde(serialize_with = "rounded::optional")]
    pub elevation_mm: Option<f64>,
    /// The same of all earlier exams that measured it, oldest first, mm.
    pub earlier: Vec<Earlier>,
    /// This exam minus the last earlier one, mm.
    #[serde(serialize_with = "rounded::optional")]
    pub change_mm: Option<f64>,
}

/// A value of an earlier exam.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Earlier {
    /// Our name of the exam.
    pub exam: String,
    /// Its day.
    pub date: NaiveDate,
    /// The value.
    #[serde(serialize_with = "rounded::plain")]
    pub value: f64,
}

/// Companions of an exam. `baseline` names the exams its comparison rests on, `exams` are all of
/// the patient. `None` when neither the exam nor the course of its disc has anything to show.
#[must_use]
pub fn of(exam: &Exam, baseline: &[String], exams: &[Exam]) -> Option<Companions> {
    let same = || {
        exams
            .iter()
            .filter(|other| same_person(&exam.identity, &other.identity))
    };
    let date = exam.performed_at.date();
    // Days and not times: scans of one day never serve each other, here as in the comparison.
    let before = same().filter(|e| e.performed_at.date() < date && !e.is_date_doubted());
    let before: Vec<&Exam> = before.collect();
    let chosen: Vec<&Exam> = before
        .iter()
        .copied()
        .filter(|e| baseline.contains(&e.id))
        .collect();
    let eyeball = PerEye::from_fn(|eye| eyeball_ratio(exam, &chosen, eye));
    let companions = Companions {
        eyeball_growing: growing(exam, &eyeball, Identity::agreed(same().map(|e| e.identity))),
        eyeball,
        disc: PerEye::from_fn(|eye| disc(exam, &before, eye)),
        nerve_mm: PerEye::from_fn(|eye| mean(exam, Quantity::NerveDiameter, eye)),
    };
    (!companions.is_empty()).then_some(companions)
}

/// Mean of the usable values of one eye, mm.
fn mean(exam: &Exam, quantity: Quantity, eye: Eye) -> Option<f64> {
    let all = exam.measurements.iter().map(|m| &m.value);
    let of_eye = all.filter(|m| m.usable && m.quantity == quantity && m.eye.eye() == Some(eye));
    // Summed as whole micrometres, so that the order of the readings changes no digit.
    let um: Vec<i64> = of_eye.filter_map(|m| Some(m.value_mm?.um())).collect();
    let count = i64::try_from(um.len()).ok().filter(|count| *count > 0)?;
    Some(um.iter().sum::<i64>() as f64 / count as f64 / 1000.0)
}

/// Transverse diameter of the eyeball, mm, if it is that of an eyeball.
pub(crate) fn eyeball(exam: &Exam, eye: Eye) -> Option<f64> {
    mean(exam, Quantity::EyeballTransverseDiameter, eye).filter(|mm| EYEBALL_MM.contains(mm))
}

/// Sheath, eyeball and their ratio.
fn ratio(exam: &Exam, eye: Eye) -> Option<(f64, f64, f64)> {
    let sheath = mean(exam, Quantity::SheathDiameter, eye)?;
    let eyeball = eyeball(exam, eye)?;
    Some((sheath, eyeball, sheath / eyeball))
}

fn eyeball_ratio(exam: &Exam, chosen: &[&Exam], eye: Eye) -> Option<EyeballRatio> {
    let (sheath_mm, eyeball_mm, today) = ratio(exam, eye)?;
    let baseline = earlier(chosen, |exam| ratio(exam, eye).map(|(_, _, ratio)| ratio));
    // The mean of ratios and not the ratio of means: each exam has its own eyeball, which grows.
    let usual = baseline.iter().map(|one| one.value).sum::<f64>() / baseline.len() as f64;
    Some(EyeballRatio {
        sheath_mm,
        eyeball_mm,
        ratio: today,
        change: (!baseline.is_empty()).then_some(today - usual),
        baseline,
    })
}

fn disc(exam: &Exam, before: &[&Exam], eye: Eye) -> Option<DiscElevation> {
    let of = |exam: &Exam| mean(exam, Quantity::DiscElevation, eye);
    let (elevation_mm, earlier) = (of(exam), earlier(before, of));
    // Also without a value today: a disc that was raised before matters to whoever reads.
    (elevation_mm.is_some() || !earlier.is_empty()).then(|| DiscElevation {
        change_mm: elevation_mm
            .zip(earlier.last())
            .map(|(now, last)| now - last.value),
        elevation_mm,
        earlier,
    })
}

fn earlier(exams: &[&Exam], of: impl Fn(&Exam) -> Option<f64>) -> Vec<Earlier> {
    let values = exams.iter().filter_map(|exam| {
        Some(Earlier {
            exam: exam.id.clone(),
            date: exam.performed_at.date(),
            value: of(exam)?,
        })
    });
    values.collect()
}

fn growing(
    exam: &Exam,
    eyeball: &PerEye<Option<EyeballRatio>>,
    identity: Identity,
) -> Option<bool> {
    let born = identity.birth_date?;
    let baseline = [&eyeball.right, &eyeball.left].into_iter().flatten();
    let dates = baseline.flat_map(|one| one.baseline.iter().map(|earlier| earlier.date));
    // The youngest age in the comparison counts: one infant exam in the baseline is enough.
    let first = dates.fold(exam.performed_at.date(), NaiveDate::min);
    Some((first - born).num_days() as f64 / 365.25 < EYEBALL_GROWS_YEARS)
}

impl Companions {
    fn is_empty(&self) -> bool {
        Eye::BOTH.into_iter().all(|eye| {
            self.eyeball.of(eye).is_none()
                && self.disc.of(eye).is_none()
                && self.nerve_mm.of(eye).is_none()
        })
    }

    /// What was measured beside the sheath, one sentence or two for each thing.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let mut lines = Vec::new();
        for eye in Eye::BOTH {
            lines.extend(self.eyeball.of(eye).as_ref().map(|one| one.sentence(eye)));
        }
        if !lines.is_empty() {
            lines.push(self.about_the_eyeball().to_owned());
        }
        let discs = lines.len();
        for eye in Eye::BOTH {
            lines.extend(self.disc.of(eye).as_ref().map(|one| one.sentence(eye)));
        }
        if lines.len() > discs {
            lines.push(
                "The disc follows the pressure by hours to weeks: a flat disc never cancels a rise \
                 of the sheath, and a raised one does not prove that the pressure is raised now."
                    .to_owned(),
            );
        }
        for eye in Eye::BOTH {
            lines.extend(self.nerve_mm.of(eye).map(|mm| {
                format!(
                    "Nerve without sheath, {} eye: {mm:.2} mm. It is kept apart and never compared \
                     with a sheath.",
                    eye.word()
                )
            }));
        }
        lines
    }

    fn about_the_eyeball(&self) -> &'static str {
        match self.eyeball_growing {
            Some(true) => {
                "The eyeball grows fast in the first three years of life, so this ratio moves without \
                 any change of the sheath. It has no limit here."
            }
            Some(false) => "The ratio has no limit here and is no part of the status.",
            None => {
                "The birth date is unknown. The eyeball grows fast in the first three years of life, \
                 and then this ratio moves without any change of the sheath. It has no limit here."
            }
        }
    }
}

impl EyeballRatio {
    fn sentence(&self, eye: Eye) -> String {
        let baseline = match (self.change, self.baseline.len()) {
            (Some(change), count) => {
                let exams = if count == 1 { "exam" } else { "exams" };
                format!(
                    "; {:.3} at {count} baseline {exams}, change {change:+.3}",
                    self.ratio - change
                )
            }
            (None, _) => "; no baseline exam measured the eyeball".to_owned(),
        };
        format!(
            "Sheath / eyeball, {} eye: {:.2} / {:.2} mm = {:.3}{baseline}.",
            eye.word(),
            self.sheath_mm,
            self.eyeball_mm,
            self.ratio
        )
    }
}

impl DiscElevation {
    /// The newest so many earlier values are written out; JSON has them all.
    const WRITTEN: usize = 4;

    fn sentence(&self, eye: Eye) -> String {
        let now = match self.elevation_mm {
            Some(mm) => format!("{mm:.2} mm"),
            None => "not measured at this exam".to_owned(),
        };
        let from = self.earlier.len().saturating_sub(Self::WRITTEN);
        let before = self.earlier.iter().skip(from);
        let before: Vec<String> = before
            .map(|one| format!("{:.2} mm on {}", one.value, one.date))
            .collect();
        let before = if before.is_empty() {
            "; no earlier exam measured it".to_owned()
        } else {
            format!("; before: {}", before.join(", "))
        };
        let change = self.change_mm;
        let change = change.map(|mm| format!("; change since the last {mm:+.2} mm"));
        format!(
            "Disc elevation, {} eye: {now}{before}{}.",
            eye.word(),
            change.unwrap_or_default()
        )
    }
}

#[cfg(test)]
mod tests;
