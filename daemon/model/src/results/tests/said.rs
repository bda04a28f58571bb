//! Exams that people leave out of the baseline, and readings that they take back.

use super::*;
use crate::assess::{Unused, Why};
use crate::domain::ReadingRef;

fn five() -> Vec<ObjectReading> {
    vec![
        exam(1, "2021-03-01", 5.0),
        exam(2, "2022-03-01", 5.15),
        exam(3, "2023-03-01", 5.0),
        exam(4, "2024-03-01", 5.0),
        exam(5, "2025-03-01", 6.4),
    ]
}

/// All readings of a report, as whoever says something of its exam names them.
fn about(reading: &ObjectReading) -> About {
    let object = reading.sop_instance_uid.clone().expect("a UID");
    let exam = reading.exam.as_ref().expect("an exam");
    About {
        study_instance_uid: exam.study_instance_uid.clone(),
        readings: reading
            .measurements
            .iter()
            .map(|one| ReadingRef {
                object: object.clone(),
                place: one.place.clone(),
            })
            .collect(),
    }
}

fn of_study<'c>(all: &'c [Content], study: &str) -> &'c Content {
    let mut all = all.iter();
    all.find(|one| one.exam.study_instance_uid == study)
        .expect("a result")
}

fn is_told(content: &Content, code: RemarkCode) -> bool {
    content.remarks.iter().any(|one| one.code == code)
}

#[test]
fn an_exam_that_is_left_out_serves_nobody_and_is_itself_compared() {
    let mut known = known(five());
    known.labels = (1..5)
        .map(|n| (About::of_study(format!("2.{n}")), Label::Well))
        .collect();
    let before = results(&known);
    let second = of_study(&before, "2.2").exam.id.clone();
    let serves = |content: &Content| content.baseline.iter().any(|one| one.exam == second);
    assert!(serves(of_study(&before, "2.5")), "it is labelled as well");
    known.left_out = vec![about(&known.readings[1])];
    let after = results(&known);
    for later in ["2.3", "2.4", "2.5"] {
        let later = of_study(&after, later);
        assert!(!serves(later), "{}", later.exam.study_instance_uid);
        let aside = later.not_compared.iter().find(|one| one.exam == second);
        let reason = aside.map(|one| one.reason.clone());
        assert_eq!(reason, Some(Why::Found(Unused::LeftOut)));
        assert!(text::text(later).contains("left it out of the baseline"));
    }
    // Its own comparison is the same, and its page says what was said of it.
    let (old, new) = (of_study(&before, "2.2"), of_study(&after, "2.2"));
    assert_eq!(old.assessment, new.assessment);
    assert!(is_told(new, RemarkCode::LeftOut) && !is_told(old, RemarkCode::LeftOut));
    // Later results are made again, and so is its own.
    let latest = apply(
        BTreeMap::new(),
        new_versions(before.clone(), &BTreeMap::new(), &[]).expect("versions"),
    );
    let versions = new_versions(after, &latest, &[]).expect("versions");
    let mut made: Vec<&str> = versions
        .iter()
        .map(|one| one.content.exam.study_instance_uid.as_str())
        .collect();
    made.sort_unstable();
    assert_eq!(made, ["2.2", "2.3", "2.4", "2.5"]);
    // Taken back, all is as it was.
    known.left_out.clear();
    assert!(results(&known) == before);
}

/// What a label tells of the time of the patient counts all the same.
#[test]
fn the_label_of_an_exam_that_is_left_out_still_tells_of_an_event() {
    let mut known = known(five());
    known.labels = vec![(About::of_study("2.2"), Label::RaisedConfirmed)];
    let before = results(&known);
    known.left_out = vec![About::of_study("2.2")];
    let after = results(&known);
    let last = |all: &[Content]| of_study(all, "2.5").assessment.clone();
    assert_eq!(last(&before).status, last(&after).status);
    assert_eq!(last(&before).rows, last(&after).rows);
}

#[test]
fn what_was_taken_back_is_as_if_it_had_never_come() {
    let all = five();
    let mut without = all.clone();
    let gone = without.remove(1);
    let whole = known(all.clone());
    let mut taken = known(all);
    taken.taken_back = vec![about(&gone)];
    assert!(results(&taken) == results(&known(without)));
    assert_eq!(histories(&taken, &Site::default()).len(), 1);
    assert_eq!(exams(&taken, &Site::default()).len(), 4);
    // Its result is withdrawn, and says why; once.
    let first = new_versions(results(&whole), &BTreeMap::new(), &[]).expect("versions");
    let latest = apply(BTreeMap::new(), first);
    let next = |known: &Known, latest: &BTreeMap<String, Latest>| {
        new_versions(results(known), latest, &known.taken_back).expect("versions")
    };
    let versions = next(&taken, &latest);
    let mut of_it = versions.iter();
    let of_it = of_it
        .find(|one| one.content.exam.study_instance_uid == "2.2")
        .expect("a version");
    assert_eq!(of_it.content.assessment.reason, Some(Reason::Withdrawn));
    assert!(is_told(&of_it.content, RemarkCode::TakenBack));
    assert!(
        of_it.why.iter().any(|why| why.contains("taken-back")),
        "{:?}",
        of_it.why
    );
    assert!(versions.len() > 1, "later exams are compared with less");
    let latest = apply(latest, versions);
    assert!(next(&taken, &latest).is_empty());
    // Said again, it counts again, and nothing is left of the detour.
    let latest = apply(latest.clone(), next(&whole, &latest));
    let told: Vec<&Content> = latest.values().map(|one| &one.content).collect();
    for content in results(&whole) {
        assert!(told.contains(&&content));
    }
}

/// Two sessions of one study: what was said of the one that was taken back is not told of the other.
#[test]
fn what_was_said_of_readings_goes_with_them() {
    let mut morning = exam(1, "2024-03-01", 5.0);
    let mut evening = exam(2, "2024-03-01", 5.6);
    for (one, time) in [(&mut morning, "T08:00:00"), (&mut evening, "T19:00:00")] {
        let facts = one.exam.as_mut().expect("an exam");
        facts.study_instance_uid = "2.1".to_owned();
        let at = format!("2024-03-01{time}").parse().expect("a time");
        let moment = facts.performed_at.as_mut().expect("a time");
        moment.local = at;
        for value in &mut one.measurements {
            if let Some(at_value) = &mut value.observed_at {
                at_value.local = at;
            }
        }
    }
    let mut known = known(vec![morning.clone(), evening.clone()]);
    known.labels = vec![(about(&evening), Label::RaisedConfirmed)];
    known.taken_back = vec![about(&evening)];
    let told = results(&known);
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].exam.label, None);
    assert!(told == results(&super::known(vec![morning])));
}

/// Two reports of one exam: the readings of one go, the result of the other says so until they count
/// again.
#[test]
fn an_exam_of_which_some_readings_were_taken_back_says_so() {
    let first = exam(1, "2024-03-01", 5.0);
    let mut second = exam(2, "2024-03-01", 5.6);
    second.exam.as_mut().expect("an exam").study_instance_uid = "2.1".to_owned();
    let mut known = known(vec![first.clone(), second.clone()]);
    let before = results(&known);
    assert_eq!(before.len(), 1, "one exam");
    assert!(!is_told(&before[0], RemarkCode::TakenBackInPart));
    known.taken_back = vec![about(&second)];
    let after = results(&known);
    assert_eq!(after.len(), 1);
    assert!(is_told(&after[0], RemarkCode::TakenBackInPart));
    assert_eq!(before[0].exam.id, after[0].exam.id);
    let remark = after[0].remarks.iter();
    let mut remark = remark.filter(|one| one.code == RemarkCode::TakenBackInPart);
    let count = second.measurements.len();
    let text = &remark.next().expect("a remark").text;
    assert!(text.contains(&format!("took {count} values")), "{text}");
    assert!(remark.next().is_none(), "once");
    // But for the remark it is as if they had never come.
    let mut plain = after[0].clone();
    plain
        .remarks
        .retain(|one| one.code != RemarkCode::TakenBackInPart);
    assert!(plain == results(&super::known(vec![first.clone()]))[0]);
    // The other way round, and in another order.
    known.readings.reverse();
    assert!(results(&known) == after);
    // A value that had been replaced counted for nothing.
    second.predecessors = vec![first.sop_instance_uid.clone().expect("a UID")];
    let mut amended = super::known(vec![first.clone(), second.clone()]);
    amended.taken_back = vec![about(&first)];
    assert!(!is_told(&results(&amended)[0], RemarkCode::TakenBackInPart));
    // The report that was replaced counts again, and its reader is told why.
    amended.taken_back = vec![about(&second)];
    assert!(is_told(&results(&amended)[0], RemarkCode::TakenBackInPart));
}

proptest! {
    /// Whatever was left out and taken back, in whichever order everything came and however often
    /// something was said: the results are those of the set.
    #[test]
    fn order_and_repeats_leave_no_trace(
        left_out in proptest::collection::vec(0_usize..5, 0..4),
        taken_back in proptest::collection::vec(0_usize..5, 0..3),
        turn in 0_usize..5,
    ) {
        let all = five();
        let of = |which: &[usize]| which.iter().map(|n| about(&all[*n])).collect::<Vec<_>>();
        let mut known = known(all.clone());
        known.left_out = of(&left_out);
        known.taken_back = of(&taken_back);
        let mut plain = super::known(all.clone());
        plain.readings = all
            .iter()
            .enumerate()
            .filter(|(n, _)| !taken_back.contains(n))
            .map(|(_, one)| one.clone())
            .collect();
        let stays = |n: &&usize| !taken_back.contains(n);
        let left: Vec<usize> = left_out.iter().filter(stays).copied().collect();
        plain.left_out = of(&left);
        plain.left_out.sort();
        plain.left_out.dedup();
        let told = results(&known);
        prop_assert!(told == results(&plain));
        known.readings.rotate_left(turn);
        known.left_out.reverse();
        known.left_out.extend(of(&left_out));
        known.taken_back.extend(of(&taken_back));
        prop_assert!(told == results(&known));
    }
}
