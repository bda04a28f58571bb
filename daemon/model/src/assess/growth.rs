//! Age, and how much a sheath grows between two ages.

use super::{Parameters, rounded};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// Days in a year, for times and ages.
const DAYS_PER_YEAR: f64 = 365.25;

/// Growth that two decimals show, mm.
const SHOWN: f64 = 0.005;

/// Years from one day to another; negative when the second is earlier.
pub(super) fn years_between(from: NaiveDate, to: NaiveDate) -> f64 {
    (to - from).num_days() as f64 / DAYS_PER_YEAR
}

/// ln of the age in years, which counts only between `growth_min` and `growth_stop`.
pub(super) fn log_age(age_years: f64, parameters: &Parameters) -> f64 {
    age_years
        .clamp(parameters.growth_min, parameters.growth_stop)
        .ln()
}

/// Growth between the last baseline exam and this one.
///
/// An increment only: published curves agree roughly on how fast a sheath grows and not at all on
/// how wide it is (165 healthy children, Am J Ophthalmol 2019; 99 children, Ultraschall Med,
/// doi:10.1055/s-0034-1385012).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Growth {
    /// Years from the last baseline exam to this one.
    #[serde(serialize_with = "rounded::plain")]
    pub gap_years: f64,
    /// Age at this exam, years; `None` without a birth date.
    #[serde(serialize_with = "rounded::optional")]
    pub age_years: Option<f64>,
    /// Age at the last baseline exam, years; `None` without a birth date.
    #[serde(serialize_with = "rounded::optional")]
    pub baseline_age_years: Option<f64>,
    /// Growth expected in between, mm; `None` without a birth date, when none is expected.
    #[serde(serialize_with = "rounded::optional")]
    pub expected_mm: Option<f64>,
    /// SD of that growth between children, mm; without a birth date what is allowed instead.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
}

impl Growth {
    /// Growth over `gap_years` between two ages in years.
    pub(super) fn between(
        then: Option<f64>,
        now: Option<f64>,
        gap_years: f64,
        p: &Parameters,
    ) -> Self {
        let logs = then.zip(now);
        let logs = logs.map(|(then, now)| log_age(now, p) - log_age(then, p));
        Growth {
            gap_years,
            age_years: now,
            baseline_age_years: then,
            expected_mm: logs.map(|logs| p.growth_g * logs),
            sd_mm: match logs {
                Some(logs) => p.growth_sd * logs,
                None => p.age_unknown_rate * gap_years,
            },
        }
    }

    /// What is expected, in plain sentences.
    #[must_use]
    pub fn sentence(&self) -> String {
        match (self.age_years, self.baseline_age_years, self.expected_mm) {
            (Some(now), Some(then), Some(expected)) if expected.abs().max(self.sd_mm) >= SHOWN => {
                format!(
                    "Age {}, {} at the last baseline exam. Growth of {expected:+.2} mm (SD {:.2}) is \
                     expected in between and is part of the expected value.",
                    age_words(now),
                    age_words(then),
                    self.sd_mm
                )
            }
            (Some(now), Some(then), Some(0.0)) if self.sd_mm == 0.0 => format!(
                "Age {}, {} at the last baseline exam. No growth is expected in between.",
                age_words(now),
                age_words(then)
            ),
            (Some(now), Some(then), Some(_)) => format!(
                "Age {}, {} at the last baseline exam. Growth of less than 0.01 mm is expected in \
                 between.",
                age_words(now),
                age_words(then)
            ),
            _ => format!(
                "Growth cannot be estimated without a birth date, so the range is much wider (SD {:.2} \
                 mm for the {:.1} years since the last baseline exam).",
                self.sd_mm, self.gap_years
            ),
        }
    }
}

/// An age as one says it, whole units that have passed: days, weeks, months, then years to a tenth.
#[must_use]
pub fn age_words(years: f64) -> String {
    const DAYS_A_YEAR: f64 = 365.25;
    let days = (years * DAYS_A_YEAR).round();
    let passed = |count: f64, unit: &str| match count.floor() {
        1.0 => format!("1 {unit}"),
        count => format!("{count:.0} {unit}s"),
    };
    if days < 14.0 {
        passed(days, "day")
    } else if days < 84.0 {
        passed(days / 7.0, "week")
    } else if years < 2.0 {
        passed(years * 12.0, "month")
    } else {
        // A hair of slack, since 10.6 years are a little less in binary.
        format!("{:.1} years", (years * 10.0 + 1e-9).floor() / 10.0)
    }
}

#[cfg(test)]
mod tests {
    use super::age_words;

    #[test]
    fn an_age_is_told_in_one_way() {
        for (days, words) in [
            (0.0, "0 days"),
            (1.0, "1 day"),
            (13.0, "13 days"),
            (42.0, "6 weeks"),
            (83.0, "11 weeks"),
            (92.0, "3 months"),
            (730.0, "23 months"),
            (731.0, "2.0 years"),
            (3_893.0, "10.6 years"),
        ] {
            assert_eq!(age_words(days / 365.25), words);
        }
    }
}
