//! The numbers of the comparison: the configuration's `[baseline]` table.

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// What an exam without a label may do for the baseline.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unlabelled {
    /// It serves if nothing speaks against it, for its own answer and for the days around it, and the
    /// result says so.
    #[default]
    Provisional,
    /// It never serves.
    Ignore,
}

/// Parameters of the baseline model. Lengths in mm, times in years unless the name says days.
///
/// Defaults are read off published repeatability and growth studies; `assess/README.md` names them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Parameters {
    /// SD of one reading within one exam.
    pub sigma_w: f64,
    /// SD from exam to exam, stable patient, one eye, same operator and device.
    pub sigma_s: f64,
    /// Share of `sigma_s` squared common to both eyes.
    pub rho_s: f64,
    /// SD of operator offsets.
    pub sigma_o: f64,
    /// SD of device offsets.
    pub sigma_d: f64,
    /// SD of the right-left difference between people.
    pub sigma_a: f64,
    /// Slow drift, mm squared per year.
    pub q: f64,
    /// Growth per unit of ln(age).
    pub growth_g: f64,
    /// SD of that growth between children.
    pub growth_sd: f64,
    /// Age below which ln(age) is clamped.
    pub growth_min: f64,
    /// Age above which ln(age) is clamped.
    pub growth_stop: f64,
    /// Extra SD per year when the birth date is missing.
    pub age_unknown_rate: f64,
    /// SD of the lasting shift that one event may leave behind.
    pub sigma_step: f64,
    /// Rounding step of readings.
    pub resolution: f64,
    /// z limit upwards for the mean of both eyes, or for the only eye measured.
    pub z_above: f64,
    /// Second z limit upwards for the same.
    pub z_well: f64,
    /// z limit upwards for one eye when both were measured.
    pub z_eye_above: f64,
    /// Second z limit upwards for the same.
    pub z_eye_well: f64,
    /// z limit downwards for the mean of both eyes, or for the only eye measured.
    pub z_below: f64,
    /// z limit downwards for one eye when both were measured.
    pub z_eye_below: f64,
    /// z limit of a changed right-left difference.
    pub z_asym: f64,
    /// z beyond which one of three or more baseline exams is set aside.
    pub z_screen: f64,
    /// z beyond which two baseline exams disagree, either way: two-sided 99 %.
    pub z_pair: f64,
    /// A change needed for a flag wider than this is no comparison.
    pub max_smallest_change: f64,
    /// Readings below are kept, not used.
    pub plausible_min: f64,
    /// Readings above are kept, not used.
    pub plausible_max: f64,
    /// An exam at an age below serves nobody.
    pub newborn_age: f64,
    /// Days after an event without a baseline exam; one exactly so many days after it may serve.
    pub washout_days: i64,
    /// Days that must lie between an exam without a label and the exam that it serves as baseline, and
    /// between it and any flagged exam or event.
    pub provisional_after_days: i64,
    /// Minutes that lie at most between readings of one exam that measure an eye again: after a longer
    /// pause another exam of the same study begins.
    pub session_gap_minutes: i64,
    /// Width under which what an event left is called gone: the upper limit of what is left lies below.
    pub returned_margin: f64,
    /// Age of the last baseline exam from which on it is noticed.
    pub old_baseline_years: f64,
    /// The newest so many baseline exams are used.
    pub max_sessions: usize,
    /// What exams without a label may do.
    pub unlabelled: Unlabelled,
}

impl Default for Parameters {
    fn default() -> Self {
        Parameters {
            sigma_w: 0.20,
            sigma_s: 0.18,
            rho_s: 0.50,
            sigma_o: 0.15,
            sigma_d: 0.15,
            sigma_a: 0.33,
            q: 0.0025,
            growth_g: 0.18,
            growth_sd: 0.12,
            growth_min: 0.25,
            growth_stop: 10.0,
            age_unknown_rate: 0.10,
            sigma_step: 0.40,
            resolution: 0.1,
            z_above: 1.645,
            z_well: 2.326,
            z_eye_above: 2.326,
            z_eye_well: 3.090,
            z_below: 2.326,
            z_eye_below: 3.090,
            z_asym: 2.576,
            z_screen: 2.8,
            z_pair: 2.576,
            max_smallest_change: 1.2,
            plausible_min: 1.8,
            plausible_max: 10.0,
            newborn_age: 2.0 / 12.0,
            washout_days: 7,
            provisional_after_days: 30,
            session_gap_minutes: 30,
            returned_margin: 0.35,
            old_baseline_years: 3.0,
            max_sessions: 20,
            unlabelled: Unlabelled::Provisional,
        }
    }
}

/// A parameter that the comparison cannot work with.
#[derive(Debug, Clone, PartialEq, Error)]
#[error("parameter {name}: {value} is not usable, it must be {must_be}")]
pub struct ParameterError {
    /// Name in the `[baseline]` table.
    pub name: &'static str,
    /// What was given.
    pub value: f64,
    /// What to give instead.
    pub must_be: &'static str,
}

impl Parameters {
    /// Refuses values with which the arithmetic has no meaning.
    ///
    /// # Errors
    /// The first parameter that is out of its range, with the range.
    pub fn check(&self) -> Result<(), ParameterError> {
        // An upper bound keeps every product far from overflow; no real value comes near it.
        const MOST: f64 = 1000.0;
        let at_least_zero = [
            ("sigma_s", self.sigma_s),
            ("sigma_o", self.sigma_o),
            ("sigma_d", self.sigma_d),
            ("sigma_a", self.sigma_a),
            ("q", self.q),
            ("growth_sd", self.growth_sd),
            ("age_unknown_rate", self.age_unknown_rate),
            ("sigma_step", self.sigma_step),
            ("returned_margin", self.returned_margin),
            ("resolution", self.resolution),
            ("newborn_age", self.newborn_age),
            ("old_baseline_years", self.old_baseline_years),
        ];
        let above_zero = [
            ("sigma_w", self.sigma_w),
            ("growth_min", self.growth_min),
            ("z_above", self.z_above),
            ("z_eye_above", self.z_eye_above),
            ("z_below", self.z_below),
            ("z_eye_below", self.z_eye_below),
            ("z_asym", self.z_asym),
            ("z_screen", self.z_screen),
            ("z_pair", self.z_pair),
            ("max_smallest_change", self.max_smallest_change),
            ("plausible_min", self.plausible_min),
        ];
        let not_under = [
            (
                "growth_stop",
                self.growth_stop,
                self.growth_min,
                "at least growth_min and at most 1000",
            ),
            (
                "z_well",
                self.z_well,
                self.z_above,
                "at least z_above and at most 1000",
            ),
            (
                "z_eye_well",
                self.z_eye_well,
                self.z_eye_above,
                "at least z_eye_above and at most 1000",
            ),
            (
                "plausible_max",
                self.plausible_max,
                self.plausible_min,
                "at least plausible_min and at most 1000",
            ),
        ];
        let counts = [
            (
                "washout_days",
                self.washout_days as f64,
                0.0,
                "at least 0 and at most 36500",
                36_500.0,
            ),
            (
                "provisional_after_days",
                self.provisional_after_days as f64,
                0.0,
                "at least 0 and at most 36500",
                36_500.0,
            ),
            (
                "session_gap_minutes",
                self.session_gap_minutes as f64,
                1.0,
                "at least 1 and at most 1440",
                1440.0,
            ),
            (
                "max_sessions",
                self.max_sessions as f64,
                1.0,
                "at least 1 and at most 100",
                100.0,
            ),
        ];
        let ranges = at_least_zero
            .map(|(name, value)| (name, value, 0.0, "at least 0 and at most 1000", MOST))
            .into_iter()
            // A micrometre is finer than any caliper; zero would make the arithmetic singular.
            .chain(
                above_zero.map(|(name, value)| {
                    (name, value, 1e-3, "at least 0.001 and at most 1000", MOST)
                }),
            )
            .chain(
                not_under.map(|(name, value, least, must_be)| (name, value, least, must_be, MOST)),
            )
            .chain(counts)
            .chain([
                ("rho_s", self.rho_s, 0.0, "at least 0 and at most 1", 1.0),
                (
                    "growth_g",
                    self.growth_g,
                    -MOST,
                    "at least -1000 and at most 1000",
                    MOST,
                ),
            ]);
        for (name, value, least, must_be, most) in ranges {
            if !(least..=most).contains(&value) {
                return Err(ParameterError {
                    name,
                    value,
                    must_be,
                });
            }
        }
        Ok(())
    }
}
