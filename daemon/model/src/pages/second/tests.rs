//! Before and behind the signature of a second reading.

use super::*;
use crate::domain::Millimetres;
use crate::pages::testing::{fields_are_labelled, hostile};

fn view(stage: Stage) -> View {
    View {
        exam_id: "e1".to_owned(),
        whose: Whose {
            id: "LC-1002".to_owned(),
            issuer: "HOSP".to_owned(),
            birth_date: "2015-03-02".parse().ok(),
            sex: None,
            name: None,
            age_years: None,
        },
        performed_at: Moment {
            local: "2026-05-07T10:00:00".parse().unwrap(),
            offset_s: None,
        },
        asked: Some(Asked {
            by: "c.ashby".to_owned(),
            at: "2026-05-07T10:31:00Z".parse().unwrap(),
            reason: String::new(),
        }),
        problem: None,
        stage,
        stamp: "1.2.3.abc".to_owned(),
    }
}

fn values(right: &[i64], left: &[i64]) -> Values {
    let one = |um: &i64| TypedReading::of(Millimetres::from_um(*um), 1);
    let all = |um: &[i64]| um.iter().map(one).collect();
    Values {
        right: all(right),
        left: all(left),
    }
}

fn both(judged: Option<Judged>) -> Stage {
    Stage::Both {
        first: values(&[5_200, 5_400], &[5_000]),
        second: vec![Signed {
            by: "r.stone".to_owned(),
            at: "2026-05-07T11:31:00Z".parse().unwrap(),
            values: values(&[5_900], &[]),
            had_seen: None,
        }],
        judged,
        may_judge: true,
    }
}

#[test]
fn both_stand_beside_each_other_with_their_difference() {
    let page = page(&view(both(None)), "T").into_string();
    for part in [
        "5.30 mm",
        "(5.2, 5.4)",
        "5.90 mm",
        "+0.60 mm",
        "cannot be told",
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }
    // A mean of first and second would be 5.53 or 5.60.
    assert!(!page.contains("5.53") && !page.contains("5.60"));
    fields_are_labelled(&page);
}

/// As they were typed or sent: a width that was read to a tenth is not told as a whole number.
#[test]
fn widths_keep_their_decimals() {
    let one = |um, decimals| TypedReading::of(Millimetres::from_um(um), decimals);
    let stage = Stage::Both {
        first: Values {
            right: vec![one(6_000, 1), one(5_000, 2)],
            left: Vec::new(),
        },
        second: vec![Signed {
            by: "r.stone".to_owned(),
            at: "2026-05-07T11:31:00Z".parse().unwrap(),
            values: Values {
                right: vec![one(6_000, 0)],
                left: vec![one(7_000, 1)],
            },
            had_seen: None,
        }],
        judged: None,
        may_judge: false,
    };
    let page = page(&view(stage), "T").into_string();
    for part in ["(6.0, 5.00)", "(6)", "(7.0)"] {
        assert!(page.contains(part), "{part}: {page}");
    }
}

#[test]
fn a_reader_types_into_empty_fields() {
    let stage = Stage::Reads {
        rows: [Vec::new(), Vec::new()],
        faults: Vec::new(),
        proof: Proof::Password,
        limits: Limits::default(),
    };
    let page = page(&view(stage), "T").into_string();
    assert!(page.contains("name=\"right_value_1\"") && page.contains("name=\"left_value_5\""));
    assert!(!page.contains(" mm</strong>"), "no value is shown");
    assert!(!page.contains("/exam/e1"), "no way to the first values");
    fields_are_labelled(&page);
}

#[test]
fn what_was_said_is_told_with_who_and_why() {
    let (text, bad) = hostile();
    let judged = Judged {
        by: text.to_owned(),
        at: "2026-05-07T12:31:00Z".parse().unwrap(),
        agrees: false,
        reason: text.to_owned(),
    };
    let page = page(&view(both(Some(judged))), text).into_string();
    assert!(page.contains("they differ") && !page.contains(bad));
}
