//! Several exams of one study: what each says, and where readings went.

use super::*;
use crate::domain::{Moment, ReadingRef, RemarkCode};

/// A report of one study, its content made at `at`.
fn made(uid: &str, at: &str, right: &[f64], left: &[f64]) -> ObjectReading {
    let mut one = reading(uid, "2.1", &at[..10], right, left);
    let facts = one.exam.as_mut().expect("facts");
    facts.content_at = Some(Moment {
        local: at.parse().expect("a time"),
        offset_s: None,
    });
    one
}

/// The newest versions, as a store keeps them.
#[derive(Default)]
struct Shelf(BTreeMap<String, Latest>);

impl Shelf {
    /// Assesses everything known, as after each arrival; returns why each version is there.
    fn assess(&mut self, known: &Known) -> BTreeMap<String, Vec<String>> {
        let mut whys = BTreeMap::new();
        for one in new_versions(results(known), &self.0, &[]).expect("versions") {
            let id = one.content.exam.id.clone();
            assert!(!one.why.is_empty());
            whys.insert(id.clone(), one.why);
            let json = serde_json::to_string(&one.content).expect("JSON");
            let latest = Latest {
                version: one.version,
                key: one.key,
                content: serde_json::from_str(&json).expect("a content"),
            };
            self.0.insert(id, latest);
        }
        whys
    }

    fn withdrawn(&self) -> Vec<&Content> {
        let all = self.0.values().map(|latest| &latest.content);
        let reason = Some(Reason::Withdrawn);
        all.filter(|content| content.assessment.reason == reason)
            .collect()
    }

    /// Every withdrawn exam says where its readings went, and following that leads to an exam.
    fn has_no_orphan(&self, known: &Known) {
        let told: BTreeSet<String> = results(known).into_iter().map(|one| one.exam.id).collect();
        for content in self.withdrawn() {
            assert!(!told.contains(&content.exam.id));
            let mut ids = vec![content.exam.id.clone()];
            let mut seen = BTreeSet::new();
            while let Some(id) = ids.pop() {
                if told.contains(&id) || !seen.insert(id.clone()) {
                    continue;
                }
                let remarks = &self.0[&id].content.remarks;
                let moved = remarks
                    .iter()
                    .find(|remark| remark.code == RemarkCode::ReadingsMoved);
                let text = &moved.expect("where its readings went").text;
                let named: Vec<String> = text
                    .split_whitespace()
                    .filter(|word| word.len() == 17 && word.starts_with('E'))
                    .map(str::to_owned)
                    .collect();
                assert!(!named.is_empty(), "{text}");
                ids.extend(named);
            }
        }
        for content in results(known) {
            let stored = &self.0[&content.exam.id];
            assert_eq!(
                seen(&stored.content).expect("JSON"),
                seen(&content).expect("JSON")
            );
        }
    }
}

fn earlier() -> Vec<ObjectReading> {
    vec![exam(7, "2022-03-01", 5.0), exam(8, "2023-03-01", 5.05)]
}

#[test]
fn a_rise_in_the_last_scan_of_a_day_is_flagged_and_the_others_are_not() {
    let mut set = earlier();
    set.push(made(
        "1.1",
        "2024-05-01T08:00:00",
        &[5.0, 5.1, 5.05],
        &[5.0, 5.1, 5.1],
    ));
    set.push(made(
        "1.2",
        "2024-05-01T12:00:00",
        &[5.1, 5.1, 5.0],
        &[5.0, 5.0, 5.1],
    ));
    set.push(made(
        "1.3",
        "2024-05-01T17:00:00",
        &[6.1, 6.2, 6.15],
        &[6.1, 6.0, 6.1],
    ));
    let told = results(&known(set));
    let of_day: Vec<(String, bool, usize)> = told[2..]
        .iter()
        .map(|one| {
            let at = one.exam.performed_at.local.format("%H:%M").to_string();
            (at, one.assessment.flagged, one.measurements_used.len())
        })
        .collect();
    let at = |time: &str, flagged| (time.to_owned(), flagged, 6);
    assert_eq!(
        of_day,
        [at("08:00", false), at("12:00", false), at("17:00", true)]
    );
    // None of the day is a baseline of another.
    assert!(
        told[4]
            .baseline
            .iter()
            .all(|one| one.date.to_string().as_str() < "2024")
    );
}

#[test]
fn before_and_after_a_tap_are_two_exams_with_their_own_label_and_pressure() {
    let mut set = earlier();
    set.push(made(
        "1.1",
        "2024-05-01T08:00:00",
        &[6.1, 6.2, 6.1],
        &[6.1, 6.0, 6.1],
    ));
    set.push(made(
        "1.2",
        "2024-05-01T10:00:00",
        &[5.2, 5.2, 5.1],
        &[5.1, 5.2, 5.2],
    ));
    let mut known = known(set);
    let of = |one: &ObjectReading| About {
        study_instance_uid: "2.1".to_owned(),
        readings: one
            .measurements
            .iter()
            .map(|value| ReadingRef {
                object: one.sop_instance_uid.clone().expect("a UID"),
                place: value.place.clone(),
            })
            .collect(),
    };
    let (before, after) = (of(&known.readings[2]), of(&known.readings[3]));
    known.labels = vec![
        (before.clone(), Label::RaisedConfirmed),
        (after, Label::AfterDecompression),
    ];
    let pressure = OpeningPressure::typed("32", "cm[H2O]").expect("a pressure");
    known.pressures = vec![(before, pressure.clone())];
    let told = results(&known);
    assert_eq!(told[2].exam.label, Some(Label::RaisedConfirmed));
    assert_eq!(told[2].exam.opening_pressure, Some(pressure));
    assert_eq!(told[3].exam.label, Some(Label::AfterDecompression));
    assert_eq!(told[3].exam.opening_pressure, None);
}

#[test]
fn a_late_report_that_joins_two_withdraws_one_and_says_where_its_readings_went() {
    let mut shelf = Shelf::default();
    let mut known = known(vec![
        made("1.1", "2024-05-01T08:00:00", &[5.0], &[5.0]),
        made("1.3", "2024-05-01T08:50:00", &[5.1], &[5.1]),
    ]);
    shelf.assess(&known);
    assert_eq!((shelf.0.len(), shelf.withdrawn().len()), (2, 0));
    let first = results(&known)[0].exam.id.clone();
    known
        .readings
        .push(made("1.2", "2024-05-01T08:25:00", &[5.0], &[]));
    let whys = shelf.assess(&known);
    let withdrawn = shelf.withdrawn();
    assert_eq!(withdrawn.len(), 1);
    let remark = withdrawn[0]
        .remarks
        .iter()
        .find(|one| one.code == RemarkCode::ReadingsMoved)
        .expect("a remark");
    assert_eq!(
        remark.text,
        format!("Its readings belong to exam {first} of 2024-05-01 08:00 now.")
    );
    let gone = &withdrawn[0].exam.id;
    assert_eq!(
        whys[&first][0],
        format!("readings of exam {gone} of 2024-05-01 08:50 belong to this exam now")
    );
    shelf.has_no_orphan(&known);
    // Assessed again, nothing is new.
    assert_eq!(shelf.assess(&known).len(), 0);
}

/// A report that is the first of its study takes the name of the first session.
#[test]
fn a_name_that_passes_to_other_readings_says_so() {
    let mut shelf = Shelf::default();
    let mut known = known(vec![made("1.2", "2024-05-01T12:00:00", &[5.5], &[5.5])]);
    shelf.assess(&known);
    let first = results(&known)[0].exam.id.clone();
    known
        .readings
        .push(made("1.1", "2024-05-01T08:00:00", &[5.0], &[5.0]));
    let whys = shelf.assess(&known);
    let second = results(&known)[1].exam.id.clone();
    assert_eq!(shelf.withdrawn().len(), 0);
    assert_eq!(
        whys[&first][0],
        format!("readings of this exam belong to exam {second} of 2024-05-01 12:00 now")
    );
    assert_eq!(
        whys[&second][0],
        format!("readings of exam {first} of 2024-05-01 12:00 belong to this exam now")
    );
    shelf.has_no_orphan(&known);
}

/// Blocking remarks keep an exam from serving until a person labels it.
#[test]
fn an_exam_of_contradicting_reports_serves_nobody() {
    let mut one = made("1.1", "2023-05-01T08:00:00", &[5.0], &[5.0]);
    let mut other = made("1.2", "2023-05-01T08:00:00", &[6.0], &[6.0]);
    for (reading, has_time) in [(&mut one, true), (&mut other, false)] {
        let facts = reading.exam.as_mut().expect("facts");
        facts.content_at = facts.content_at.filter(|_| has_time);
    }
    let known = known(vec![one, other, exam(9, "2024-05-01", 6.0)]);
    let told = results(&known);
    assert_eq!(told[0].measurements_used.len(), 2);
    assert_eq!(told[1].baseline, []);
}

#[test]
fn what_came_from_history_is_told_session_by_session() {
    let mut known = known(vec![
        made("1.1", "2024-05-01T08:00:00", &[5.0], &[5.0]),
        made("1.2", "2024-05-01T12:00:00", &[5.1], &[5.1]),
    ]);
    known.history_only = BTreeSet::from(["1.1".to_owned()]);
    let told = results(&known);
    assert!(told[0].exam.history_only && !told[1].exam.history_only);
    // A picture that came by itself is news for all of its study.
    let mut picture = made("1.3", "2024-05-01T08:00:00", &[], &[]);
    picture.disposition = Disposition::NoSheathMeasurement;
    known.readings.push(picture);
    assert!(results(&known).iter().all(|one| !one.exam.history_only));
}

fn any_report() -> impl Strategy<Value = ObjectReading> {
    (0_usize..6, 0_u32..10, 0_usize..6, 0_u8..8, 48_u32..62).prop_map(
        |(n, time, named, kind, mm)| {
            let at = format!("2024-05-01T{:02}:{:02}:00", 8 + time / 2, time % 2 * 25);
            let mm = f64::from(mm) / 10.0;
            let (right, left): (&[f64], &[f64]) = match kind % 4 {
                0 => (&[mm], &[]),
                1 => (&[], &[mm]),
                _ => (&[mm], &[mm]),
            };
            let mut one = made(&format!("1.{n}"), &at, right, left);
            match kind / 2 {
                0 => one.predecessors = vec![format!("1.{named}")],
                1 => one.state.preliminary = Some(named % 2 == 0),
                2 if named == 0 => one.exam.as_mut().expect("facts").content_at = None,
                _ => {}
            }
            one
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Whatever comes in whatever order, again and again: the newest versions are those of the set,
    /// and every exam that is no more says where its readings went.
    #[test]
    fn no_orphan_in_no_order(
        reports in proptest::collection::vec(any_report(), 1..8),
        again in proptest::collection::vec(0_usize..8, 0..4),
    ) {
        let mut shelf = Shelf::default();
        let mut known = known(earlier());
        let repeats: Vec<ObjectReading> =
            again.iter().filter_map(|n| reports.get(*n)).cloned().collect();
        for one in reports.into_iter().chain(repeats) {
            // The first content of a UID wins.
            if known.readings.iter().all(|old| old.sop_instance_uid != one.sop_instance_uid) {
                known.readings.push(one);
            }
            shelf.assess(&known);
            shelf.has_no_orphan(&known);
        }
        let mut turned = known.clone();
        turned.readings.reverse();
        let keys = |known: &Known| -> Vec<String> {
            results(known).iter().map(|one| one.key().expect("a key")).collect()
        };
        prop_assert_eq!(keys(&turned), keys(&known));
    }
}
