//! Published widths and cutoffs, for readers who ask for them.
//!
//! Context only, and off unless the site switches it on. Laboratories disagree by 2 mm about the
//! same healthy organ, so nothing here enters a status, and no two figures are averaged.

mod table;

use crate::assess::rounded;
use serde::{Deserialize, Serialize};
use table::{CUTOFFS, NORMS, RATIOS};

/// What stands over the figures, wherever they are shown.
pub const LABEL: &str = "Published figures, for context only. They are no part of the comparison, of \
    the status or of any flag. Laboratories measure between different borders and in different \
    planes, so these figures conflict; they stand side by side and are never averaged.";

/// One published series of healthy people, by ultrasound.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Norm {
    group: &'static str,
    people: u32,
    /// Ages, years: from, and up to but not including.
    ages: (f64, f64),
    width: Width,
    source: &'static str,
}

/// What a series gives as its width.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Width {
    /// Mean and SD, mm.
    Mean(f64, f64),
    /// Mean without an SD between people, mm.
    MeanAlone(f64),
    /// Median, mm.
    Median(f64),
    /// [`age_curve`].
    Curve,
}

/// One published cutoff for raised pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Cutoff {
    mm: f64,
    group: &'static str,
    /// What was taken as the truth.
    against: &'static str,
    /// Ages it is given for, years: from, and up to but not including.
    ages: Option<(f64, f64)>,
    source: &'static str,
}

/// One published ratio of widths, by ultrasound.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Ratio {
    what: &'static str,
    value: f64,
    group: &'static str,
    ages: (f64, f64),
    source: &'static str,
}

/// Published figures beside one measured width.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Published {
    /// [`LABEL`].
    pub label: String,
    /// The width they stand beside: mean of both eyes, or the only eye; mm.
    #[serde(serialize_with = "rounded::optional")]
    pub measured_mm: Option<f64>,
    /// Series of the patient's age; all of them when the age is unknown.
    pub norms: Vec<PublishedNorm>,
    /// Cutoffs, smallest first.
    pub cutoffs: Vec<PublishedCutoff>,
    /// Ratios of the sheath to what lies around and in it.
    pub ratios: Vec<PublishedRatio>,
}

/// One series and where the measured width lies in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PublishedNorm {
    /// Who was measured.
    pub group: String,
    /// How many.
    pub people: u32,
    /// Mean of the series, at the patient's age where it is a curve; mm.
    #[serde(serialize_with = "rounded::plain")]
    pub centre_mm: f64,
    /// `mean`, `median` or `curve`.
    pub centre: String,
    /// SD between people, mm, when the series gives one.
    #[serde(serialize_with = "rounded::optional")]
    pub sd_mm: Option<f64>,
    /// (measured - mean) / SD.
    #[serde(serialize_with = "rounded::optional")]
    pub z: Option<f64>,
    /// The paper.
    pub source: String,
}

/// One cutoff.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PublishedCutoff {
    /// The cutoff, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub mm: f64,
    /// Whom it was found in.
    pub group: String,
    /// What was taken as the truth.
    pub against: String,
    /// The paper.
    pub source: String,
}

/// One ratio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PublishedRatio {
    /// What is divided by what.
    pub what: String,
    /// The ratio.
    #[serde(serialize_with = "rounded::plain")]
    pub value: f64,
    /// Who was measured.
    pub group: String,
    /// The paper.
    pub source: String,
}

/// Mean width at an age as one laboratory fitted it: ln(33.15) + 0.18 ln(age) mm, growing up to
/// 10 years and flat from there (165 healthy children, Am J Ophthalmol 2019).
fn age_curve(age_years: f64) -> f64 {
    33.15_f64.ln() + 0.18 * age_years.clamp(0.25, 10.0).ln()
}

/// The published figures for a patient of that age, beside a width in mm.
#[must_use]
pub fn beside(measured_mm: Option<f64>, age_years: Option<f64>) -> Published {
    // Without an age all are shown: to pick some would be to guess it.
    let of_age = |(from, to): (f64, f64)| age_years.is_none_or(|age| (from..to).contains(&age));
    let norms = NORMS.iter().filter(|norm| of_age(norm.ages));
    let cutoffs = CUTOFFS
        .iter()
        .filter(|cutoff| cutoff.ages.is_none_or(of_age));
    let ratios = RATIOS.iter().filter(|ratio| of_age(ratio.ages));
    Published {
        ratios: ratios
            .map(|ratio| PublishedRatio {
                what: ratio.what.to_owned(),
                value: ratio.value,
                group: ratio.group.to_owned(),
                source: ratio.source.to_owned(),
            })
            .collect(),
        label: LABEL.to_owned(),
        measured_mm,
        norms: norms
            .filter_map(|norm| norm.beside(measured_mm, age_years))
            .collect(),
        cutoffs: cutoffs
            .map(|cutoff| PublishedCutoff {
                mm: cutoff.mm,
                group: cutoff.group.to_owned(),
                against: cutoff.against.to_owned(),
                source: cutoff.source.to_owned(),
            })
            .collect(),
    }
}

impl Norm {
    /// `None` for a curve without an age.
    fn beside(&self, measured_mm: Option<f64>, age_years: Option<f64>) -> Option<PublishedNorm> {
        let (centre, centre_mm, sd_mm) = match self.width {
            Width::Mean(mean, sd) => ("mean", mean, Some(sd)),
            Width::MeanAlone(mean) => ("mean", mean, None),
            Width::Median(median) => ("median", median, None),
            Width::Curve => ("curve", age_curve(age_years?), None),
        };
        Some(PublishedNorm {
            group: self.group.to_owned(),
            people: self.people,
            centre_mm,
            centre: centre.to_owned(),
            sd_mm,
            // No z where a series gives no SD: a borrowed one would look like the series' own.
            z: measured_mm.zip(sd_mm).map(|(mm, sd)| (mm - centre_mm) / sd),
            source: self.source.to_owned(),
        })
    }
}

impl Published {
    /// One line for each figure, under a first line that says what they are.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        let mut lines = vec![self.label.clone()];
        lines.extend(self.norms.iter().map(PublishedNorm::line));
        // Right below the series: whoever reads one of them is to see that the others disagree.
        lines.extend(self.spread());
        lines.extend(self.cutoffs.iter().map(|cutoff| {
            format!(
                "cutoff {:.2} mm: {}, against {} ({})",
                cutoff.mm, cutoff.group, cutoff.against, cutoff.source
            )
        }));
        lines.extend(self.ratios.iter().map(|ratio| {
            let PublishedRatio {
                what,
                value,
                group,
                source,
            } = ratio;
            format!("{what} {value:.3}: {group} ({source})")
        }));
        lines
    }

    /// How far the figures lie apart.
    fn spread(&self) -> Vec<String> {
        let range = |values: &mut dyn Iterator<Item = f64>| {
            values.fold(None, |range: Option<(f64, f64)>, x| {
                let (low, high) = range.unwrap_or((x, x));
                Some((low.min(x), high.max(x)))
            })
        };
        let z = range(&mut self.norms.iter().filter_map(|norm| norm.z));
        let cutoffs = range(&mut self.cutoffs.iter().map(|cutoff| cutoff.mm));
        let z = z.map(|(low, high)| {
            format!(
                "Against these series the same width has z from {low:+.2} to {high:+.2}: the series \
                 disagree, not the patient."
            )
        });
        let cutoffs = cutoffs.map(|(low, high)| {
            format!(
                "Published cutoffs range from {low} to {high} mm; none of them is a limit here."
            )
        });
        let failed =
            "In shunted children a fixed cutoff found 61 % of failures and cleared 22 % of \
                      the others (Childs Nerv Syst 2013, doi:10.1007/s00381-013-2172-y)."
                .to_owned();
        z.into_iter().chain(cutoffs).chain([failed]).collect()
    }
}

impl PublishedNorm {
    fn line(&self) -> String {
        let width = match (self.centre.as_str(), self.sd_mm) {
            (_, Some(sd)) => format!("mean {:.2} (SD {sd:.2}) mm", self.centre_mm),
            ("curve", None) => format!("curve {:.2} mm at this age", self.centre_mm),
            (centre, None) => format!("{centre} {:.2} mm", self.centre_mm),
        };
        let z = match self.z {
            Some(z) => format!("z {z:+.2}"),
            None => "no z: no SD between people".to_owned(),
        };
        format!(
            "{width}, {z}: {}, {} people ({})",
            self.group, self.people, self.source
        )
    }
}

#[cfg(test)]
mod tests;
