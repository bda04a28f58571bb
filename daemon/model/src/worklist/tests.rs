//! A rise against a machine of states that is told one thing after another.

use super::*;
use crate::annotations::{Author, By, Draft, Kind, Of, standing as counting};
use crate::domain::{About, PatientKey};
use crate::results::{Content, samples};
use chrono::TimeDelta;
use proptest::prelude::*;

fn at(minute: i64) -> DateTime<Utc> {
    DateTime::UNIX_EPOCH + TimeDelta::minutes(minute)
}

fn about() -> About {
    About::of_study("9.1")
}

fn entry(id: i64, minute: i64, said: Said) -> Entry {
    let draft = Draft {
        patient: PatientKey {
            issuer: "HERE".to_owned(),
            id: "1".to_owned(),
        },
        corrects: None,
        said,
    };
    Entry {
        id,
        act: id,
        patient: draft.patient,
        recorded_at: at(minute),
        by: By {
            author: Author::Account(format!("reader {id}")),
            entered_by: String::new(),
            source: "page".to_owned(),
            reason: "seen".to_owned(),
        },
        corrects: draft.corrects,
        said: draft.said,
    }
}

fn versions(flags: &[bool]) -> Vec<VersionFacts> {
    let all = flags.iter().zip(1..);
    all.map(|(flagged, version)| VersionFacts {
        version,
        flagged: *flagged,
        made_at: at(i64::from(version) * 10),
    })
    .collect()
}

fn word(versions: &[VersionFacts], entries: &[Entry]) -> Option<&'static str> {
    let entries: Vec<&Entry> = entries.iter().collect();
    rise(versions, &entries).map(|(rise, _)| rise.word())
}

#[test]
fn a_rise_is_new_until_somebody_has_seen_it() {
    assert_eq!(word(&[], &[]), None);
    assert_eq!(word(&versions(&[false]), &[]), None);
    let flagged = versions(&[false, true, true]);
    assert_eq!(word(&flagged, &[]), Some("new"));
    let (_, since) = rise(&flagged, &[]).unwrap();
    assert_eq!(since, at(20), "since its first version");
    // One that was before them or that is still the same rise.
    for version in [2, 3] {
        let seen = [entry(1, 25, Said::Acknowledged(about(), version))];
        assert_eq!(word(&flagged, &seen), Some("acknowledged"), "{version}");
    }
    // A version that was no rise, and one that nobody can have seen.
    for version in [1, 4] {
        let seen = [entry(1, 25, Said::Acknowledged(about(), version))];
        assert_eq!(word(&flagged, &seen), Some("new"), "{version}");
    }
}

#[test]
fn a_flag_that_comes_back_is_new_whatever_was_said_of_the_one_before() {
    let said = [
        entry(1, 11, Said::Acknowledged(about(), 1)),
        entry(2, 12, Said::Settled(about(), Outcome::RuledOut)),
    ];
    assert_eq!(word(&versions(&[true]), &said), Some("settled"));
    assert_eq!(word(&versions(&[true, false]), &said), Some("withdrawn"));
    assert_eq!(word(&versions(&[true, false, true]), &said), Some("new"));
}

#[test]
fn a_withdrawn_rise_is_to_be_acknowledged_again() {
    let gone = versions(&[true, false, false]);
    assert_eq!(word(&gone, &[]), Some("withdrawn"), "nobody had seen it");
    let (_, since) = rise(&gone, &[]).unwrap();
    assert_eq!(since, at(20), "since the version that took it back");
    let before = [entry(1, 11, Said::Acknowledged(about(), 1))];
    assert_eq!(word(&gone, &before), Some("withdrawn"));
    for version in [2, 3] {
        let seen = [entry(1, 35, Said::Acknowledged(about(), version))];
        assert_eq!(word(&gone, &seen), None, "{version}");
    }
}

/// The clock of the machine was set back: what came of the rise is recorded before its version.
#[test]
fn what_is_settled_together_with_an_acknowledgement_needs_no_clock() {
    let flagged = versions(&[true]);
    let mut said = vec![entry(2, 3, Said::Settled(about(), Outcome::Confirmed))];
    assert_eq!(word(&flagged, &said), Some("new"));
    said.push(Entry {
        act: 2,
        ..entry(1, 3, Said::Acknowledged(about(), 1))
    });
    assert_eq!(word(&flagged, &said), Some("settled"));
}

#[test]
fn an_acknowledgement_that_is_taken_back_counts_no_more() {
    let all = vec![
        entry(1, 11, Said::Acknowledged(about(), 1)),
        Entry {
            corrects: Some(1),
            ..entry(2, 12, Said::Nothing(Kind::Acknowledged, Of::Exam(about())))
        },
    ];
    let counts: Vec<&Entry> = counting(&all).collect();
    let (rise, _) = rise(&versions(&[true]), &counts).unwrap();
    assert_eq!(rise, Rise::New);
}

/// What can happen to an exam.
#[derive(Debug, Clone, Copy)]
enum Happens {
    Version(bool),
    Acknowledged,
    Settled(Outcome),
}

fn happens() -> impl Strategy<Value = Happens> {
    prop_oneof![
        any::<bool>().prop_map(Happens::Version),
        any::<bool>().prop_map(Happens::Version),
        Just(Happens::Acknowledged),
        (0_usize..3).prop_map(|n| Happens::Settled(Outcome::ALL[n])),
    ]
}

proptest! {
    /// A machine that is told one thing after another comes to the same as a look at the set.
    #[test]
    fn the_set_says_what_the_sequence_said(
        all in proptest::collection::vec(happens(), 1..24),
        turn in 0_usize..24,
    ) {
        let (mut versions, mut entries) = (Vec::new(), Vec::new());
        let (mut flagged, mut state): (bool, Option<&str>) = (false, None);
        for (what, minute) in all.into_iter().zip(1..) {
            match what {
                Happens::Version(now) => {
                    let version = u32::try_from(versions.len()).unwrap() + 1;
                    versions.push(VersionFacts { version, flagged: now, made_at: at(minute) });
                    match (flagged, now) {
                        (false, true) => state = Some("new"),
                        (true, false) => state = Some("withdrawn"),
                        _ => {}
                    }
                    flagged = now;
                }
                // Nobody acknowledges what is not there.
                _ if versions.is_empty() => {}
                Happens::Acknowledged => {
                    let newest = u32::try_from(versions.len()).unwrap();
                    entries.push(entry(minute, minute, Said::Acknowledged(about(), newest)));
                    state = match state {
                        Some("new") => Some("acknowledged"),
                        Some("withdrawn") => None,
                        other => other,
                    };
                }
                Happens::Settled(outcome) => {
                    entries.push(entry(minute, minute, Said::Settled(about(), outcome)));
                    state = if flagged { Some("settled") } else { None };
                }
            }
            let mut mixed = entries.clone();
            let mut turned = versions.clone();
            if !mixed.is_empty() {
                let by = turn % mixed.len();
                mixed.rotate_left(by);
            }
            if !turned.is_empty() {
                let by = turn % turned.len();
                turned.rotate_left(by);
            }
            prop_assert_eq!(word(&turned, &mixed), state);
        }
    }
}

#[test]
fn a_line_says_what_the_result_says() {
    let result = samples::newest(&samples::flagged());
    let content = &result.content;
    let made = versions(&[false, true]);
    let asked = entry(7, 21, Said::SecondAsked(about()));
    let left_out = entry(8, 22, Said::LeftOut(about()));
    let of = |content: &Content, entries: &[&Entry]| {
        Line::of(Makings {
            content,
            versions: &made,
            entries,
        })
    };
    let line = of(content, &[&asked, &left_out]).unwrap();
    assert_eq!((line.version, line.first_at), (2, at(10)));
    assert_eq!(line.rise, Some(Rise::New));
    assert_eq!(line.rise_since, Some(at(20)));
    assert_eq!(line.second, Some(Second::Asked));
    assert!(line.flagged && line.left_out && !line.is_not_compared());
    let (by, row) = content.assessment.decided().unwrap();
    let compared = row.comparison.unwrap();
    assert_eq!(line.measured_mm, Some(row.measured_mm));
    assert_eq!(line.expected_mm, Some(compared.expected_mm));
    assert_eq!(line.change_mm, Some(compared.change_mm));
    let word = serde_json::to_value(by).unwrap();
    assert_eq!(line.eye_word.as_deref(), word.as_str());
    let text = serde_json::to_string(&line).unwrap();
    // Numbers are kept as results keep them, so that a line made again is the same.
    let again: Line = serde_json::from_str(&text).unwrap();
    assert_eq!(serde_json::to_string(&again).unwrap(), text);
    assert_eq!((&again.rise, again.version), (&line.rise, line.version));
    assert!(!format!("{line:?}").contains(&line.patient.id));
    // History is nobody's work.
    let mut history = content.clone();
    history.exam.history_only = true;
    assert_eq!(of(&history, &[]).unwrap().rise, None);
    // Each step of a second reading.
    let read = entry(9, 23, Said::SecondRead(about(), Default::default()));
    let judged = entry(
        10,
        24,
        Said::SecondJudged(about(), crate::annotations::Judgement::Agrees),
    );
    let stands = |entries: &[&Entry]| of(content, entries).unwrap().second;
    assert_eq!(stands(&[]), None);
    assert_eq!(stands(&[&read, &asked]), Some(Second::Read));
    assert_eq!(stands(&[&judged, &read, &asked]), Some(Second::Judged));
}
