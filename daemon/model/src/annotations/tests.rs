//! What counts depends on the set of entries alone.

use super::*;
use crate::domain::{Event, EventKind, Eye, Label, Millimetres, OpeningPressure, ReadingRef};
use proptest::prelude::*;

fn key(id: &str) -> PatientKey {
    PatientKey {
        issuer: "HERE".to_owned(),
        id: id.to_owned(),
    }
}

fn about(readings: &[&str]) -> About {
    let reading = |object: &&str| ReadingRef {
        object: (*object).to_owned(),
        place: "1.1".to_owned(),
    };
    About {
        study_instance_uid: "9.1".to_owned(),
        readings: readings.iter().map(reading).collect(),
    }
}

/// The exam of the readings `own` in a study with the exams `all`.
fn exam(own: &str, all: &[&'static str]) -> impl Fn(&About) -> Option<Vec<About>> {
    let (own, all) = (own.to_owned(), all.to_vec());
    move |about: &About| {
        let is_of = |exam: &str| {
            about.readings.is_empty() || about.readings.iter().any(|one| one.object == exam)
        };
        let others = all.iter().filter(|one| **one != own && is_of(one));
        is_of(&own).then(|| others.map(|one| super::tests::about(&[one])).collect())
    }
}

/// Adds drafts as a store does.
fn add(entries: &mut Vec<Entry>, drafts: Vec<Draft>) {
    let act = entries.last().map_or(1, |last| last.act + 1);
    for draft in drafts {
        let id = i64::try_from(entries.len()).unwrap() + 1;
        entries.push(Entry {
            id,
            act,
            patient: draft.patient,
            recorded_at: DateTime::UNIX_EPOCH,
            by: By {
                author: Author::Unknown,
                entered_by: String::new(),
                source: "command".to_owned(),
                reason: String::new(),
            },
            corrects: draft.corrects,
            said: draft.said,
        });
    }
}

fn label(label: Label) -> Said {
    Said::Label(about(&["r"]), label)
}

fn labels(entries: &[Entry]) -> Vec<(About, Label)> {
    Counting::of(entries).labels
}

#[test]
fn what_is_said_again_adds_nothing() {
    let mut all = Vec::new();
    let one = exam("r", &["r"]);
    let said = label(Label::Well);
    add(&mut all, say(&[], &key("A"), &said, &one));
    assert_eq!(say(&all, &key("A"), &said, &one), []);
    // Reports that came since make another list of readings of the same exam.
    let more = Said::Label(about(&["r", "s"]), Label::Well);
    assert_eq!(say(&all, &key("A"), &more, &one), []);
    // Of another exam it is new.
    let other = Said::Label(about(&["t"]), Label::Well);
    assert_eq!(say(&all, &key("A"), &other, exam("t", &["t"])).len(), 1);
}

#[test]
fn another_value_names_what_it_mends() {
    let mut all = Vec::new();
    let one = exam("r", &["r"]);
    for (value, corrects) in [
        (Label::Well, None),
        (Label::RaisedConfirmed, Some(1)),
        (Label::Well, Some(2)),
    ] {
        let drafts = say(&all, &key("A"), &label(value), &one);
        assert_eq!(drafts.len(), 1);
        assert_eq!(drafts[0].corrects, corrects);
        add(&mut all, drafts);
        assert_eq!(labels(&all), [(about(&["r"]), value)]);
    }
    let drafts = take_back(&all, &label(Label::Well), &one);
    add(&mut all, drafts);
    assert_eq!(labels(&all), []);
    assert_eq!(take_back(&all, &label(Label::Well), &one), []);
    assert_eq!(all.len(), 4, "nothing is ever taken out");
}

/// Joined ids: each correction stays under the id of what it names.
#[test]
fn what_joined_ids_said_is_mended_under_each_of_them() {
    let mut all = Vec::new();
    let one = exam("r", &["r"]);
    let said = [("A", Label::Well), ("B", Label::RaisedConfirmed)];
    for (id, value) in said {
        let drafts = say(&[], &key(id), &label(value), &one);
        add(&mut all, drafts);
    }
    assert_eq!(labels(&all).len(), 2, "they contradict each other");
    let drafts = say(&all, &key("A"), &label(Label::RaisedConfirmed), &one);
    add(&mut all, drafts);
    assert_eq!(labels(&all), [(about(&["r"]), Label::RaisedConfirmed)]);
    let of = |id| -> Vec<Entry> {
        let own = all.iter().filter(|one| one.patient == key(id));
        own.cloned().collect()
    };
    assert_eq!(labels(&of("A")), [(about(&["r"]), Label::RaisedConfirmed)]);
    assert_eq!(labels(&of("B")), [(about(&["r"]), Label::RaisedConfirmed)]);
    let drafts = take_back(&all, &label(Label::Well), &one);
    let under: Vec<_> = drafts.iter().map(|one| one.patient.id.as_str()).collect();
    assert_eq!(under, ["B", "A"]);
    add(&mut all, drafts);
    assert_eq!(labels(&all), []);
}

/// A label of a whole study, as they were before readings were named, holds for each exam of it: who
/// mends it for one does not take it from the other.
#[test]
fn mending_one_exam_of_a_study_leaves_the_other_as_it_was() {
    let both = &["r", "s"];
    let mut all = Vec::new();
    let whole = Said::Label(about(&[]), Label::Well);
    add(&mut all, say(&[], &key("A"), &whole, |_| Some(Vec::new())));
    let said = Said::Label(about(&["s"]), Label::RaisedConfirmed);
    let mut mended = all.clone();
    add(&mut mended, say(&all, &key("A"), &said, exam("s", both)));
    assert_eq!(
        labels(&mended),
        [
            (about(&["r"]), Label::Well),
            (about(&["s"]), Label::RaisedConfirmed)
        ]
    );
    let drafts = take_back(&all, &said, exam("s", both));
    add(&mut all, drafts);
    assert_eq!(labels(&all), [(about(&["r"]), Label::Well)]);
}

#[test]
fn one_entry_is_taken_back_unless_another_stands_in_its_place() {
    let mut all = Vec::new();
    let one = exam("r", &["r"]);
    for value in [Label::Well, Label::RaisedConfirmed] {
        let drafts = say(&all, &key("A"), &label(value), &one);
        add(&mut all, drafts);
    }
    assert_eq!(take_back_one(&all, &all[0]), Err(NotTaken::Corrected(1, 2)));
    let drafts = take_back_one(&all, &all[1]).unwrap();
    add(&mut all, drafts);
    assert_eq!(labels(&all), [], "the entry that was corrected stays so");
    assert_eq!(take_back_one(&all, &all[1]), Ok(vec![]), "so already");
    assert_eq!(take_back_one(&all, &all[2]), Err(NotTaken::TakesBack(3)));
}

#[test]
fn events_are_the_same_by_day_and_kind() {
    let event = |day: &str, kind| {
        let date = day.parse().unwrap();
        Said::Event(Event { date, kind })
    };
    let mut all = Vec::new();
    for (said, is_new) in [
        (event("2024-05-01", EventKind::CsfSurgery), true),
        (event("2024-05-01", EventKind::ShuntRevision), true),
        (event("2024-05-01", EventKind::CsfSurgery), false),
        (event("2024-05-02", EventKind::CsfSurgery), true),
    ] {
        let drafts = say(&all, &key("A"), &said, |_| None);
        assert_eq!(!drafts.is_empty(), is_new);
        assert!(drafts.iter().all(|one| one.corrects.is_none()));
        add(&mut all, drafts);
    }
    let said = event("2024-05-01", EventKind::CsfSurgery);
    let drafts = take_back(&all, &said, |_| None);
    add(&mut all, drafts);
    assert_eq!(Counting::of(&all).events.len(), 2);
}

#[test]
fn corrections_of_nothing_are_found() {
    let mut all = Vec::new();
    let said = label(Label::Well);
    add(&mut all, say(&[], &key("A"), &said, |_| None));
    assert_eq!(strays(&all).count(), 0);
    let nothing = |corrects, kind| Draft {
        patient: key("A"),
        corrects: Some(corrects),
        said: Said::Nothing(kind, Of::Exam(about(&[]))),
    };
    let wrong = [(7, Kind::Label), (1, Kind::Pressure), (1, Kind::Label)];
    add(&mut all, wrong.map(|(id, kind)| nothing(id, kind)).into());
    let found: Vec<_> = strays(&all).map(|one| one.id).collect();
    assert_eq!(found, [2, 3]);
}

/// One of everything that can be said of an exam, and an event.
fn one_of_each(about: &About) -> Vec<Said> {
    let widths = |all: &[i64]| all.iter().map(|um| Millimetres::from_um(*um)).collect();
    let about = || about.clone();
    let mut all = vec![
        Said::Pressure(about(), OpeningPressure::typed("32.0", "cm[H2O]").unwrap()),
        Said::Event(Event {
            date: "2024-05-01".parse().unwrap(),
            kind: EventKind::Other,
        }),
        Said::Acknowledged(about(), 3),
        Said::Note(about()),
        Said::LeftOut(about()),
        Said::TakenBack(about()),
        Said::SecondAsked(about()),
        Said::SecondRead(
            about(),
            SecondReading {
                right: widths(&[5600, 5725]),
                left: widths(&[5000]),
                right_decimals: vec![1, 3],
                left_decimals: Vec::new(),
            },
        ),
    ];
    all.extend(Label::ALL.map(|one| Said::Label(about(), one)));
    all.extend(Outcome::ALL.map(|one| Said::Settled(about(), one)));
    all.extend(Judgement::ALL.map(|one| Said::SecondJudged(about(), one)));
    all
}

#[test]
fn every_kind_has_a_word_and_every_value_is_read_back() {
    let about = about(&["r"]);
    let all = one_of_each(&about);
    let said: BTreeSet<Kind> = all.iter().map(Said::kind).collect();
    assert_eq!(said, Kind::ALL.into_iter().collect(), "one of each kind");
    for one in &all {
        let kind = one.kind();
        assert_eq!(Kind::of_word(kind.word()), Some(kind));
        let value = one.value().unwrap();
        if !matches!(kind, Kind::Event | Kind::Pressure) {
            let read = Said::of_exam(kind, about.clone(), &value);
            assert_eq!(read.as_ref(), Some(one), "{value}");
        }
        assert_eq!(Said::of_exam(kind, about.clone(), "no such word"), None);
    }
    assert_eq!(Said::of_exam(Kind::Acknowledged, about, "0"), None);
}

/// Each kind by itself: said again it adds nothing, taken back it counts no more, and it can be said
/// anew. A note is new each time.
#[test]
fn every_kind_is_said_once_taken_back_and_said_anew() {
    for said in one_of_each(&about(&["r"])) {
        let kind = said.kind();
        let one = exam("r", &["r"]);
        let mut all = Vec::new();
        add(&mut all, say(&[], &key("A"), &said, &one));
        let again = say(&all, &key("A"), &said, &one).len();
        assert_eq!(again, usize::from(kind == Kind::Note), "{kind:?}");
        let back = take_back_one(&all, &all[0]).unwrap();
        assert_eq!(back.len(), 1, "{kind:?}");
        if kind != Kind::Note {
            assert_eq!(take_back(&all, &said, &one), back, "{kind:?}");
        }
        add(&mut all, back);
        assert_eq!(standing(&all).count(), 0, "{kind:?}");
        assert_eq!(Counting::of(&all), Counting::default(), "{kind:?}");
        let anew = say(&all, &key("A"), &said, &one);
        add(&mut all, anew);
        assert_eq!(standing(&all).count(), 1, "{kind:?}");
        assert_eq!(strays(&all).count(), 0, "{kind:?}");
    }
}

#[test]
fn what_accumulates_corrects_nothing_and_all_else_replaces() {
    let one = exam("r", &["r"]);
    let said = |n: u32, kind: Kind| match kind {
        Kind::Acknowledged => Said::Acknowledged(about(&["r"]), n),
        Kind::Settled => Said::Settled(about(&["r"]), Outcome::ALL[n as usize % 3]),
        Kind::SecondRead => Said::SecondRead(
            about(&["r"]),
            SecondReading {
                right: vec![Millimetres::from_um(i64::from(n) * 1000)],
                left: Vec::new(),
                ..SecondReading::default()
            },
        ),
        Kind::SecondJudged => Said::SecondJudged(about(&["r"]), Judgement::ALL[n as usize % 2]),
        _ => Said::Note(about(&["r"])),
    };
    for (kind, counts) in [
        (Kind::Acknowledged, 2),
        (Kind::Note, 2),
        (Kind::SecondRead, 2),
        (Kind::Settled, 1),
        (Kind::SecondJudged, 1),
    ] {
        let mut all = Vec::new();
        for n in [1, 2] {
            let drafts = say(&all, &key("A"), &said(n, kind), &one);
            assert_eq!(drafts.len(), 1);
            add(&mut all, drafts);
        }
        assert_eq!(standing(&all).count(), counts, "{kind:?}");
        assert_eq!(kind.accumulates(), counts == 2, "{kind:?}");
        // Of what accumulates only the same is taken back.
        if matches!(kind, Kind::Acknowledged | Kind::SecondRead) {
            let back = take_back(&all, &said(1, kind), &one);
            add(&mut all, back);
            let left: Vec<_> = standing(&all).map(|one| one.said.clone()).collect();
            assert_eq!(left, [said(2, kind)]);
        }
    }
}

proptest! {
    /// Whatever was said of two exams under two ids: what counts hangs on the set, not on the order in
    /// which ids are gathered, and the last word about an exam is the one that counts.
    #[test]
    fn order_leaves_no_trace_and_the_last_word_counts(
        acts in proptest::collection::vec((0_usize..2, 0_usize..2, 0_usize..5), 1..12),
        rotate in 0_usize..40,
    ) {
        let both = &["r", "s"];
        let mut all = Vec::new();
        let mut last = [None, None];
        for (id, number, value) in acts {
            let id = key(["A", "B"][id]);
            let readings = about(&[both[number]]);
            let rest = exam(both[number], both);
            last[number] = Label::ALL.get(value).copied();
            let drafts = match last[number] {
                Some(label) => say(&all, &id, &Said::Label(readings, label), rest),
                None => take_back(&all, &Said::Label(readings, Label::Well), rest),
            };
            add(&mut all, drafts);
        }
        let wanted: Vec<_> = both
            .iter()
            .zip(last)
            .filter_map(|(exam, label)| Some((about(&[exam]), label?)))
            .collect();
        let counting = Counting::of(&all);
        prop_assert_eq!(&counting.labels, &wanted);
        let turn = rotate % all.len().max(1);
        all.rotate_left(turn);
        prop_assert_eq!(Counting::of(&all), counting);
        prop_assert_eq!(strays(&all).count(), 0);
    }
}

#[test]
fn a_second_reading_keeps_the_decimals_as_typed_and_one_of_before_has_one() {
    let widths = |um: &[i64]| um.iter().copied().map(Millimetres::from_um).collect();
    let typed = SecondReading {
        right: widths(&[6000, 5250]),
        left: widths(&[5000]),
        right_decimals: vec![2, 2],
        left_decimals: vec![0],
    };
    let again = SecondReading::of_text(&typed.text()).expect("its text");
    assert_eq!(again, typed);
    let right: Vec<_> = again.widths(Eye::Right).collect();
    assert_eq!(right[0], (Millimetres::from_um(6000), 2));
    let before = SecondReading::of_text("{\"right\":[6],\"left\":[]}").expect("as it was kept");
    let right: Vec<_> = before.widths(Eye::Right).collect();
    assert_eq!(right, [(Millimetres::from_um(6000), USUAL_DECIMALS)]);
    assert_eq!(before.text(), "{\"right\":[6],\"left\":[]}");
}
