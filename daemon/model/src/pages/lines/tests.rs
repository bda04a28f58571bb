use super::*;
use crate::annotations::{By, Judgement, Outcome, SecondReading};
use crate::domain::{About, Event, EventKind, Label, OpeningPressure};
use crate::results::samples;
use crate::worklist::{Makings, VersionFacts};

fn about() -> About {
    About::of_study("2.25.3")
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn entry(said: Said) -> annotations::Entry {
    annotations::Entry {
        id: 7,
        act: 7,
        patient: crate::domain::PatientKey {
            issuer: String::new(),
            id: "P".to_owned(),
        },
        recorded_at: at("2024-05-07T11:00:00Z"),
        by: By {
            author: Author::Account("m.brightwell".to_owned()),
            entered_by: String::new(),
            source: "page".to_owned(),
            reason: "Seen at the bedside.".to_owned(),
        },
        corrects: None,
        said,
    }
}

fn line(entries: &[annotations::Entry]) -> Line {
    let content = samples::newest(&samples::flagged()).content;
    let entries: Vec<&annotations::Entry> = entries.iter().collect();
    let made_at = at("2024-05-07T10:31:00Z");
    let versions = [VersionFacts::of(1, &content.assessment, made_at)];
    let line = Line::of(Makings {
        content: &content,
        versions: &versions,
        entries: &entries,
    });
    line.unwrap()
}

#[test]
fn a_rise_says_what_it_waits_for_and_who_saw_it() {
    let (waits, words) = rise(&line(&[])).unwrap();
    assert_eq!(
        (waits, words.as_str()),
        (Waits::New, "since 2024-05-07 10:31 UTC")
    );
    let (waits, words) = rise(&line(&[entry(Said::Acknowledged(about(), 1))])).unwrap();
    assert_eq!(waits, Waits::Acknowledged);
    assert_eq!(words, "by m.brightwell, 2024-05-07 11:00 UTC, version 1");
    let settled = entry(Said::Settled(about(), Outcome::RuledOut));
    let (waits, words) = rise(&line(&[settled])).unwrap();
    assert_eq!(waits, Waits::Settled);
    assert_eq!(
        words,
        "ruled out, by m.brightwell, 2024-05-07 11:00 UTC: Seen at the bedside."
    );
}

#[test]
fn a_row_has_the_numbers_of_the_row_that_decides() {
    let line = line(&[]);
    let row = Row::of(&line);
    assert_eq!(row.waits, Some(Waits::New));
    assert_eq!(row.status, "well above expected");
    assert_eq!(
        (row.measured_mm, row.change_mm),
        (line.measured_mm, line.change_mm)
    );
    assert!(row.change_mm.unwrap() > 0.5);
    assert_eq!(row.why, None);
}

/// Each kind of entry has words of its own; what a second reader read is not among them.
#[test]
fn every_entry_is_told_in_words() {
    let said = [
        Said::Label(about(), Label::RaisedRuledOut),
        Said::Event(Event {
            date: "2024-05-01".parse().unwrap(),
            kind: EventKind::ShuntRevision,
        }),
        Said::Pressure(about(), OpeningPressure::typed("32", "cm[H2O]").unwrap()),
        Said::Acknowledged(about(), 3),
        Said::Settled(about(), Outcome::NotSettled),
        Said::Note(about()),
        Said::LeftOut(about()),
        Said::TakenBack(about()),
        Said::SecondAsked(about()),
        Said::SecondRead(
            about(),
            SecondReading {
                right: crate::domain::Millimetres::from_mm(6.54)
                    .into_iter()
                    .collect(),
                left: Vec::new(),
                ..SecondReading::default()
            },
        ),
        Said::SecondJudged(about(), Judgement::Differs),
    ];
    let mut told: Vec<String> = said.iter().map(words).collect();
    assert!(
        told.iter()
            .all(|words| !words.contains("6.54") && !words.contains('_'))
    );
    for kind in Kind::ALL {
        told.push(words(&Said::Nothing(kind, Of::Exam(about()))));
    }
    let all = told.len();
    told.sort();
    told.dedup();
    assert_eq!(told.len(), all);
    assert_eq!(
        Entry::of(&entry(Said::Note(about())), false).by,
        "m.brightwell"
    );
}

#[test]
fn a_damaged_version_says_so() {
    let one = Version::of(2, at("2024-05-07T10:31:00Z"), &[], None);
    assert!(one.verdict.contains("damaged"));
    let content = samples::newest(&samples::flagged()).content;
    let one = Version::of(
        1,
        at("2024-05-07T10:31:00Z"),
        &["why".to_owned()],
        Some(&content),
    );
    assert_eq!(one.verdict, "Rise found");
    assert!(one.headline.starts_with("Well above expected"));
}
