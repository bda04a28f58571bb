//! What a version takes back or changes of the flag that the version before it gave.

use super::Content;
use super::phrases;
use crate::assess::{DecidedBy, Status};
use serde::{Deserialize, Serialize};

/// The version that is replaced, where its flag is not the flag of this one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Replaced {
    /// Its number.
    pub version: u32,
    /// What it said.
    pub status: Status,
    /// Whether it was flagged.
    pub flagged: bool,
    /// The comparison that its status was that of; `None` without one, and in results made before it
    /// was told.
    pub decided_by: Option<DecidedBy>,
    /// The measured width that its status was told of, mm; `None` where nothing was measured.
    pub measured_mm: Option<f64>,
    /// Why there is another version, in words.
    pub why: Vec<String>,
}

impl Replaced {
    /// What `now` takes back or changes of the flag of version `version`, which said `before`; `None`
    /// where the flag is the same.
    #[must_use]
    pub fn of(version: u32, before: &Content, now: &Content, why: &[String]) -> Option<Replaced> {
        let (old, new) = (&before.assessment, &now.assessment);
        // Older results do not tell which comparison decided.
        let is_told = old.decided_by.is_some() && new.decided_by.is_some();
        let is_same = old.flagged == new.flagged
            && (!old.flagged
                || old.status == new.status && (!is_told || old.decided_by == new.decided_by));
        if is_same {
            return None;
        }
        let rows = &old.rows;
        let any = rows.both.as_ref().or(rows.right.as_ref());
        let row = rows.deciding(old.decided_by).or(any);
        Some(Replaced {
            version,
            status: old.status,
            flagged: old.flagged,
            decided_by: old.decided_by,
            measured_mm: row.or(rows.left.as_ref()).map(|row| row.measured_mm),
            why: why.to_vec(),
        })
    }

    /// `Replaces version 1, which said well above expected (5.63 mm): the report was amended.`
    #[must_use]
    pub fn sentence(&self) -> String {
        let status = phrases::status(self.status);
        let flag = match (self.flagged, self.status.flagged()) {
            (true, false) => ", flagged",
            _ => "",
        };
        let width = match self.measured_mm {
            Some(mm) => format!(" ({mm:.2} mm)"),
            None => String::new(),
        };
        format!(
            "Replaces version {}, which said {status}{flag}{width}: {}.",
            self.version,
            self.why.join("; ").trim_end_matches('.')
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::samples;

    #[test]
    fn a_flag_that_is_taken_back_or_changed_is_told_and_nothing_else() {
        let flagged = samples::newest(&samples::flagged()).content;
        let within = samples::newest(&samples::within()).content;
        let one_eye = samples::newest(&samples::one_eye_out()).content;
        let why = ["the report was amended".to_owned()];
        let told = Replaced::of(1, &flagged, &within, &why).unwrap();
        assert_eq!(
            told.sentence(),
            "Replaces version 1, which said well above expected (5.91 mm): the report was amended."
        );
        assert_eq!(told.version, 1);
        let risen = Replaced::of(3, &within, &flagged, &why).unwrap();
        assert_eq!((risen.flagged, risen.version), (false, 3));
        // The flag of both eyes became that of one.
        let of_one = Replaced::of(2, &flagged, &one_eye, &why);
        assert!(of_one.is_some_and(|one| one.decided_by != one_eye.assessment.decided_by));
        assert_eq!(Replaced::of(1, &flagged, &flagged, &why), None);
        assert_eq!(Replaced::of(1, &within, &within, &why), None);
    }

    #[test]
    fn an_older_result_that_does_not_tell_who_decided_has_the_same_flag() {
        let now = samples::newest(&samples::flagged()).content;
        let mut before = now.clone();
        before.assessment.decided_by = None;
        assert_eq!(Replaced::of(1, &before, &now, &[]), None);
    }
}
