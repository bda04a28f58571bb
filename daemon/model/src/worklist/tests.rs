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
    let all: Vec<_> = flags.iter().map(|one| one.then(|| weight(0))).collect();
    weighed(&all)
}

/// Versions that say this, one every ten minutes.
fn weighed(all: &[Option<Weight>]) -> Vec<VersionFacts> {
    let all = all.iter().zip(1..);
    all.map(|(flagged, version)| VersionFacts {
        version,
        flagged: *flagged,
        made_at: at(i64::from(version) * 10),
    })
    .collect()
}

/// A rise, the graver the higher its level: the change grows by less than error from each to the next,
/// and from level 2 on it is well above.
fn weight(level: u8) -> Weight {
    Weight {
        well_above: level >= 2,
        change_mm: Some(0.4 + 0.15 * f64::from(level)),
    }
}

fn word(versions: &[VersionFacts], entries: &[Entry]) -> Option<&'static str> {
    let entries: Vec<&Entry> = entries.iter().collect();
    rise(versions, &entries).map(|stands| stands.rise.word())
}

#[test]
fn a_rise_is_new_until_somebody_has_seen_it() {
    assert_eq!(word(&[], &[]), None);
    assert_eq!(word(&versions(&[false]), &[]), None);
    let flagged = versions(&[false, true, true]);
    assert_eq!(word(&flagged, &[]), Some("new"));
    let since = rise(&flagged, &[]).unwrap().since;
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
    let since = rise(&gone, &[]).unwrap().since;
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
    let stands = rise(&versions(&[true]), &counts).unwrap();
    assert_eq!((stands.rise, stands.worse), (Rise::New, None));
}

/// Nobody has seen a rise that is worse than the one they had before them.
#[test]
fn a_rise_that_is_worse_than_what_was_seen_is_new_again() {
    let all = weighed(&[Some(weight(0)), Some(weight(1)), Some(weight(2))]);
    let seen = [entry(1, 11, Said::Acknowledged(about(), 1))];
    // By less than error: the same rise.
    assert_eq!(word(&all[..2], &seen), Some("acknowledged"));
    // From above to well above.
    let refs: Vec<&Entry> = seen.iter().collect();
    let stands = rise(&all, &refs).unwrap();
    assert_eq!((stands.rise, stands.since), (Rise::New, at(30)));
    let worse = stands.worse.unwrap();
    assert_eq!(
        worse.sentence(),
        "worse than what reader 1 saw: version 1 said above expected, change +0.40 mm; now well above \
         expected, change +0.70 mm"
    );
    // Seen, it is acknowledged; and it stays so when it becomes less again.
    let again = [
        seen[0].clone(),
        entry(2, 31, Said::Acknowledged(about(), 3)),
    ];
    assert_eq!(word(&all, &again), Some("acknowledged"));
    let less = weighed(&[Some(weight(0)), Some(weight(2)), Some(weight(0))]);
    assert_eq!(word(&less, &seen), Some("acknowledged"));
    // The same status and a change that grows by more than error.
    let far = Weight {
        change_mm: Some(0.4 + ERROR_MM + 0.01),
        ..weight(0)
    };
    let near = Weight {
        change_mm: Some(0.4 + ERROR_MM - 0.01),
        ..weight(0)
    };
    for (last, wanted) in [(far, "new"), (near, "acknowledged")] {
        let all = weighed(&[Some(weight(0)), Some(last)]);
        assert_eq!(word(&all, &seen), Some(wanted));
    }
    assert_eq!(ERROR_MM, crate::assess::Parameters::default().sigma_w);
}

/// What came of a rise was said of the rise as it was: only of one that is confirmed a worse one says
/// nothing new.
#[test]
fn of_what_was_ruled_out_a_worse_rise_is_new_and_of_what_was_confirmed_it_is_not() {
    let all = weighed(&[Some(weight(0)), Some(weight(3))]);
    for (outcome, wanted) in [
        (Outcome::RuledOut, "new"),
        (Outcome::NotSettled, "new"),
        (Outcome::Confirmed, "settled"),
    ] {
        let said = [entry(1, 11, Said::Settled(about(), outcome))];
        assert_eq!(word(&all[..1], &said), Some("settled"));
        assert_eq!(word(&all, &said), Some(wanted), "{outcome:?}");
        let seen = [
            said[0].clone(),
            entry(2, 21, Said::Acknowledged(about(), 2)),
        ];
        let wanted = match wanted {
            "new" => "acknowledged",
            other => other,
        };
        assert_eq!(word(&all, &seen), Some(wanted), "{outcome:?}");
    }
}

/// What can happen to an exam.
#[derive(Debug, Clone, Copy)]
enum Happens {
    /// The level of its rise; `None`: no flag.
    Version(Option<u8>),
    Acknowledged,
    Settled(Outcome),
}

fn happens() -> impl Strategy<Value = Happens> {
    prop_oneof![
        proptest::option::of(0_u8..4).prop_map(Happens::Version),
        proptest::option::of(0_u8..4).prop_map(Happens::Version),
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
        let (mut flagged, mut state): (Option<u8>, Option<&str>) = (None, None);
        // What was seen of this rise: the level, and the outcome where it was settled.
        let mut seen: Vec<(u8, Option<Outcome>)> = Vec::new();
        for (what, minute) in all.into_iter().zip(1..) {
            match what {
                Happens::Version(now) => {
                    let version = u32::try_from(versions.len()).unwrap() + 1;
                    versions.push(VersionFacts {
                        version,
                        flagged: now.map(weight),
                        made_at: at(minute),
                    });
                    match (flagged, now) {
                        (None, Some(_)) => {
                            seen.clear();
                            state = Some("new");
                        }
                        (Some(_), None) => state = Some("withdrawn"),
                        _ => {}
                    }
                    flagged = now;
                }
                // Nobody acknowledges what is not there.
                _ if versions.is_empty() => {}
                Happens::Acknowledged => {
                    let newest = u32::try_from(versions.len()).unwrap();
                    entries.push(entry(minute, minute, Said::Acknowledged(about(), newest)));
                    seen.extend(flagged.map(|level| (level, None)));
                    if state == Some("withdrawn") {
                        state = None;
                    }
                }
                Happens::Settled(outcome) => {
                    entries.push(entry(minute, minute, Said::Settled(about(), outcome)));
                    seen.extend(flagged.map(|level| (level, Some(outcome))));
                    if flagged.is_none() {
                        state = None;
                    }
                }
            }
            if let Some(level) = flagged {
                // From level 1 to 2 it becomes well above; two levels are more than error.
                let worse = |than: u8| level >= 2 && than < 2 || level >= than + 2;
                let holds = |(than, outcome): &(u8, Option<Outcome>)| {
                    !worse(*than) || *outcome == Some(Outcome::Confirmed)
                };
                let held: Vec<_> = seen.iter().copied().filter(holds).collect();
                state = Some(if held.iter().any(|(_, outcome)| outcome.is_some()) {
                    "settled"
                } else if held.is_empty() {
                    "new"
                } else {
                    "acknowledged"
                });
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
    assert!(line.flagged && line.left_out && line.uncompared().is_none());
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

/// Every number with a fraction in a line, wherever it stands.
fn fractions(value: &serde_json::Value, place: &str, found: &mut Vec<String>) {
    match value {
        serde_json::Value::Number(number) if number.is_f64() => found.push(place.to_owned()),
        serde_json::Value::Array(all) => all.iter().for_each(|one| fractions(one, place, found)),
        serde_json::Value::Object(all) => {
            for (name, one) in all {
                fractions(one, &format!("{place}.{name}"), found);
            }
        }
        _ => {}
    }
}

/// Also what a worse rise was and is, and what somebody typed of it.
#[test]
fn a_line_without_values_tells_none() {
    let result = samples::newest(&samples::flagged());
    let made = weighed(&[Some(weight(0)), Some(weight(4))]);
    let seen = entry(7, 11, Said::Acknowledged(about(), 1));
    let settled = entry(8, 21, Said::Settled(about(), Outcome::RuledOut));
    let worse = vec![&seen];
    let told = vec![&seen, &settled];
    for (entries, before) in [(worse, 6), (told, 4)] {
        let mut line = Line::of(Makings {
            content: &result.content,
            versions: &made,
            entries: &entries,
        })
        .unwrap();
        line.why = Some("right 6.13 mm".to_owned());
        let numbers = |line: &Line| {
            let mut found = Vec::new();
            fractions(&serde_json::to_value(line).unwrap(), "", &mut found);
            found
        };
        assert_eq!(numbers(&line).len(), before, "{:?}", numbers(&line));
        line.hide_values();
        assert_eq!(numbers(&line), Vec::<String>::new());
        let text = serde_json::to_string(&line).unwrap();
        assert!(!text.contains("6.13") && !text.contains("\"seen\""));
    }
}
