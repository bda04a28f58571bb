//! Results as a function of the set, and what a reader is told.

mod beside;
mod dated;
mod imaging;
mod numbers;
mod said;
mod sessions;
mod unread;
mod versions;

use super::*;
use crate::assess::Status;
use crate::domain::{Disposition, EventKind};
use crate::history::testing::reading;
use crate::render::text;
use proptest::prelude::*;

/// An exam of a patient whose sheath is `mm` wide, three readings an eye, a little further apart for another
/// `n`: one that equals an earlier exam is doubted.
fn exam(n: usize, day: &str, mm: f64) -> ObjectReading {
    let apart = 0.1 + 0.001 * n as f64;
    let mm = [mm, mm + apart, mm - apart];
    reading(&format!("1.{n}"), &format!("2.{n}"), day, &mm, &mm)
}

fn known(readings: Vec<ObjectReading>) -> Known {
    Known {
        readings,
        ..Known::default()
    }
}

fn born(mut reading: ObjectReading, day: &str) -> ObjectReading {
    if let Some(patient) = &mut reading.patient {
        patient.birth_date = day.parse().ok();
    }
    reading
}

fn results(known: &Known) -> Vec<Content> {
    of_patient(known, &Site::default()).expect("results")
}

#[test]
fn a_rise_is_flagged_and_the_text_says_by_how_much() {
    let told = results(&known(vec![
        exam(1, "2022-03-01", 5.0),
        exam(2, "2023-03-01", 5.0),
        exam(3, "2024-03-01", 6.0),
    ]));
    assert_eq!(told[0].assessment.status, Status::NoBaseline);
    assert_eq!(told[1].assessment.status, Status::WithinExpected);
    assert!(told[2].assessment.flagged);
    let text = text::text(&told[2]);
    for part in [
        "WELL ABOVE EXPECTED",
        "Rise found: both eyes 6.00 mm",
        "expected 5.00 mm",
        "change +1.00 mm",
        "+20.0 %",
    ] {
        assert!(text.contains(part), "{part} in {text}");
    }
    assert!(!text.to_lowercase().contains("normal"), "{text}");
}

#[test]
fn within_expected_says_which_rise_is_missed() {
    let told = results(&known(vec![
        exam(1, "2022-03-01", 5.0),
        exam(2, "2023-03-01", 5.0),
    ]));
    let text = text::text(&told[1]);
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        flat.contains("half of such exams miss a true rise of"),
        "{text}"
    );
    assert!(flat.contains("PROVISIONAL: nobody has confirmed"), "{text}");
}

/// Caution C7 for an infant: Childs Nerv Syst 2020, doi:10.1007/s00381-019-04266-1 (no correlation
/// with pressure while the fontanelle is open).
#[test]
fn an_infant_is_told_of_the_open_fontanelle() {
    let infant = born(exam(1, "2024-06-01", 4.0), "2024-01-01");
    let adult = exam(1, "2024-06-01", 4.0);
    let codes = |reading: ObjectReading| -> Vec<String> {
        results(&known(vec![reading]))[0]
            .cautions
            .iter()
            .map(|c| c.code.clone())
            .collect()
    };
    assert!(codes(infant).contains(&"open-fontanelle".to_owned()));
    assert!(!codes(adult).contains(&"open-fontanelle".to_owned()));
}

/// The same id with another birth date is another person, or a mix-up: never joined.
#[test]
fn another_birth_date_under_one_id_is_never_compared() {
    let told = results(&known(vec![
        born(exam(1, "2022-03-01", 5.0), "2010-01-01"),
        born(exam(2, "2023-03-01", 5.0), "1950-01-01"),
        born(exam(3, "2024-03-01", 6.0), "2010-01-01"),
    ]));
    assert_eq!(told[1].assessment.status, Status::NoBaseline);
    assert_eq!(told[2].baseline.len(), 1);
    assert!(
        told[2]
            .remarks
            .iter()
            .any(|remark| remark.code == "identity-differs")
    );
    // An exam without birth date cannot be told to belong to either.
    let mut unknown = exam(4, "2025-03-01", 6.0);
    if let Some(patient) = &mut unknown.patient {
        patient.birth_date = None;
    }
    let told = results(&known(vec![
        born(exam(1, "2022-03-01", 5.0), "2010-01-01"),
        born(exam(2, "2023-03-01", 5.0), "1950-01-01"),
        unknown,
    ]));
    assert_eq!(
        told[2].assessment.reason,
        Some(Reason::IdentityContradictory)
    );
}

#[test]
fn an_exam_that_is_read_as_something_else_now_is_withdrawn() {
    let first = results(&known(vec![exam(1, "2022-03-01", 5.0)]));
    let versions = new_versions(first, &BTreeMap::new(), &[]).expect("versions");
    let latest = apply(BTreeMap::new(), versions);
    let mut gone = exam(1, "2022-03-01", 5.0);
    gone.disposition = Disposition::Quarantined;
    let versions =
        new_versions(results(&known(vec![gone.clone()])), &latest, &[]).expect("versions");
    assert_eq!(versions.len(), 1);
    assert_eq!(versions[0].version, 2);
    assert_eq!(
        versions[0].content.assessment.reason,
        Some(Reason::Withdrawn)
    );
    let latest = apply(latest, versions);
    assert!(
        new_versions(results(&known(vec![gone])), &latest, &[])
            .expect("versions")
            .is_empty()
    );
}

fn apply(
    mut latest: BTreeMap<String, Latest>,
    versions: Vec<NewVersion>,
) -> BTreeMap<String, Latest> {
    for new in versions {
        let id = new.content.exam.id.clone();
        latest.insert(
            id,
            Latest {
                version: new.version,
                key: new.key,
                content: new.content,
            },
        );
    }
    latest
}

/// One fact that may become known of a patient.
#[derive(Debug, Clone)]
enum Fact {
    Report(Box<ObjectReading>),
    Label(usize, Label),
    Event(Event),
}

fn fact() -> impl Strategy<Value = Fact> {
    let day = |year: u32, month: u32| format!("20{}-{month:02}-11", 18 + year);
    prop_oneof![
        4 => (0_usize..5, 0_u32..6, 1_u32..13, 42_u32..68, proptest::option::of(0_usize..5)).prop_map(
            move |(n, year, month, tenths, replaces)| {
                // The date follows from the study, as reports of one study agree on it.
                let _ = month;
                let mut report = exam(n, &day(n as u32, 1 + n as u32), f64::from(tenths) / 10.0);
                report.sop_instance_uid = Some(format!("1.{n}.{year}"));
                report.content_sha256 = Some(format!("{n} {year} {tenths}"));
                if let Some(other) = replaces {
                    report.predecessors = vec![format!("1.{n}.{other}")];
                }
                Fact::Report(Box::new(report))
            }
        ),
        2 => (0_usize..5, 0_usize..4).prop_map(|(n, label)| Fact::Label(n, Label::ALL[label])),
        1 => (0_u32..6, 1_u32..13).prop_map(move |(year, month)| Fact::Event(Event {
            date: day(year, month).parse().expect("a date"),
            kind: EventKind::ShuntRevision,
        })),
    ]
}

/// Adds a fact; of reports with one UID the first counts, of labels of one exam there is one.
fn learn(known: &mut Known, fact: &Fact) {
    match fact {
        Fact::Report(report) => {
            if !known
                .readings
                .iter()
                .any(|old| old.sop_instance_uid == report.sop_instance_uid)
            {
                known.readings.push((**report).clone());
            }
        }
        Fact::Label(n, label) => {
            known
                .labels
                .push((About::of_study(format!("2.{n}")), *label));
        }
        Fact::Event(event) => {
            if !known.events.contains(event) {
                known.events.push(*event);
            }
        }
    }
}

/// One of each UID and one label an exam: what remains is a set.
fn as_set(facts: Vec<Fact>) -> Vec<Fact> {
    let mut seen = std::collections::BTreeSet::new();
    facts
        .into_iter()
        .filter(|fact| {
            seen.insert(match fact {
                Fact::Report(report) => format!("report {:?}", report.sop_instance_uid),
                Fact::Label(n, _) => format!("label {n}"),
                Fact::Event(event) => format!("event {event:?}"),
            })
        })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// Facts that come one by one, in any order, some twice, end in newest results that read the same;
    /// and telling what is known already stores nothing.
    #[test]
    fn newest_results_are_a_function_of_the_set(
        facts in proptest::collection::vec(fact(), 1..10).prop_map(as_set),
        order in proptest::collection::vec(any::<u32>(), 20),
    ) {
        let at_once = {
            let mut known = Known::default();
            facts.iter().for_each(|fact| learn(&mut known, fact));
            results(&known)
        };
        let mut shuffled: Vec<&Fact> = facts.iter().chain(facts.iter().take(3)).collect();
        let mut keys = order.iter().cycle();
        shuffled.sort_by_cached_key(|_| *keys.next().expect("endless"));
        let mut known = Known::default();
        let mut latest = BTreeMap::new();
        for fact in shuffled {
            learn(&mut known, fact);
            let versions = new_versions(results(&known), &latest, &[]).expect("versions");
            latest = apply(latest, versions);
        }
        prop_assert_eq!(latest.len(), at_once.len());
        for content in &at_once {
            let newest = &latest[&content.exam.id];
            prop_assert_eq!(seen(&newest.content).expect("JSON"), seen(content).expect("JSON"));
        }
        prop_assert!(new_versions(at_once, &latest, &[]).expect("versions").is_empty());
    }
}

/// What all results of a patient say grows with the number of exams, not with its square.
#[test]
fn twice_as_many_exams_say_twice_as_much() {
    let bytes = |exams: u32| {
        let first = chrono::NaiveDate::from_ymd_opt(2015, 1, 1).unwrap();
        let readings = (0..exams).map(|n| {
            let day = first + chrono::TimeDelta::days(7 * i64::from(n));
            let (uid, study) = (format!("2.25.{n}1"), format!("2.25.{n}"));
            reading(&uid, &study, &day.to_string(), &[5.0, 5.1], &[5.1, 5.0])
        });
        let known = Known {
            readings: readings.collect(),
            ..Known::default()
        };
        let contents = of_patient(&known, &Site::default()).unwrap();
        contents
            .iter()
            .map(|one| serde_json::to_vec(one).unwrap().len())
            .sum::<usize>() as f64
    };
    let ratio = bytes(400) / bytes(200);
    assert!(ratio < 2.3, "{ratio}");
}
