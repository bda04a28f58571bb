//! Hints at exams that may be the same person's under another issuer. Nobody is joined by them.

use super::Known;
use crate::domain::{Remark, RemarkCode};
use crate::history::Exam;

/// Issuers named in one hint.
const NAMED: usize = 4;

/// The caution on an exam without a comparison when the same id, birth date and sex are stored under
/// another issuer. Of the others it names the issuers only.
pub(super) fn hint(exam: &Exam, known: &Known) -> Option<Remark> {
    let own = exam.identity.birth_date.zip(exam.identity.sex)?;
    let same = known.elsewhere.iter();
    let same = same.filter(|(key, born)| key.id == exam.patient.id && born.contains(&own));
    let mut issuers: Vec<String> = same
        .map(|(key, _)| {
            if key.issuer.is_empty() {
                "no issuer".to_owned()
            } else {
                format!("the issuer {}", key.issuer)
            }
        })
        .collect();
    let more = issuers.len().saturating_sub(NAMED);
    issuers.truncate(NAMED);
    if more > 0 {
        issuers.push(format!("{more} more"));
    }
    (!issuers.is_empty()).then(|| {
        Remark::of(
            RemarkCode::SamePatientElsewhere,
            format!(
                "Exams with the same patient id, birth date and sex are stored under {}; they were not \
                 compared with.",
                issuers.join(" and ")
            ),
        )
        .act(
            "If it is the same person, join the ids by `patient merge`; if an issuer is missing or \
             spelled otherwise, correct it at its source or by `default_issuer`.",
        )
    })
}
