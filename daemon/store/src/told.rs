//! What the content of a result, which is JSON, tells the store itself.

use serde::Deserialize;
use sheathline_model::assess::{Assessment, Status};
use sheathline_model::worklist::Weight;

/// The part that is asked for; everything else is passed over.
#[derive(Deserialize)]
struct Content {
    assessment: Option<Assessed>,
}

#[derive(Deserialize)]
struct Assessed {
    status: Option<String>,
    flagged: Option<bool>,
}

#[derive(Deserialize)]
struct Whole {
    assessment: Assessment,
}

#[derive(Deserialize)]
struct Reports {
    #[serde(default)]
    reports: Vec<Report>,
}

#[derive(Deserialize)]
struct Report {
    sop_instance_uid: Option<String>,
}

/// The word of its status; `None` where it tells none, or is damaged.
pub(crate) fn status(content: &str) -> Option<String> {
    let content: Content = serde_json::from_str(content).ok()?;
    content.assessment?.status
}

/// How grave its rise is; `None`: it is not flagged.
///
/// # Errors
/// It is damaged.
pub(super) fn flag(content: &str) -> serde_json::Result<Option<Weight>> {
    let facts: Content = serde_json::from_str(content)?;
    let assessed = facts
        .assessment
        .filter(|one| one.flagged.unwrap_or_default());
    Ok(assessed.map(|assessed| {
        // One that cannot be read says nothing of its numbers.
        let untold = Weight {
            well_above: assessed.status.as_deref() == Some(Status::WellAboveExpected.word()),
            change_mm: None,
        };
        let whole: Result<Whole, _> = serde_json::from_str(content);
        whole.map_or(untold, |whole| Weight::of(&whole.assessment))
    }))
}

/// The reports that it rests on, by SOP Instance UID, in its order; none where it is damaged.
pub(crate) fn reports(content: &str) -> Vec<String> {
    let reports: Result<Reports, _> = serde_json::from_str(content);
    let reports = reports.map(|one| one.reports).unwrap_or_default();
    let uids = reports.into_iter().filter_map(|one| one.sop_instance_uid);
    uids.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_content_tells_its_status_its_flag_and_its_reports() {
        let whole = r#"{"assessment":{"flagged":true,"status":"well_above_expected","more":[]},
                        "reports":[{"sop_instance_uid":"1.2"},{"sop_instance_uid":null},
                                   {"sop_instance_uid":"1.1","source":"folder"}]}"#;
        assert_eq!(status(whole).as_deref(), Some("well_above_expected"));
        let weight = flag(whole).expect("sound").expect("flagged");
        assert_eq!((weight.well_above, weight.change_mm), (true, None));
        assert_eq!(reports(whole), ["1.2", "1.1"]);
        let plain = r#"{"assessment":{"flagged":false,"status":"no_baseline"}}"#;
        assert_eq!(flag(plain).expect("sound"), None);
        assert_eq!(reports(plain), Vec::<String>::new());
    }

    #[test]
    fn a_damaged_content_tells_nothing() {
        for damaged in ["", "{", r#"{"assessment":7}"#, r#"{"reports":"none"}"#] {
            assert_eq!(status(damaged), None, "{damaged}");
            assert_eq!(reports(damaged), Vec::<String>::new(), "{damaged}");
        }
        assert!(flag(r#"{"assessment":{"flagged":"#).is_err());
        // Sound, and nothing is told.
        assert_eq!(flag(r#"{"n":1}"#).expect("sound"), None);
    }
}
