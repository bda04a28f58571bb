//! One command is one act.

use super::{entries, exam_of_year, of_year, refused, site};
use crate::observe::audit_events;
use sheathline_store::bare::Bare;
use std::fs;

#[test]
fn a_label_is_shown_before_and_kept_with_author_and_reason() {
    let site = site("");
    let exam = exam_of_year(&site, "2021");
    let args = ["--author", "Dr Ilse Farnwick", "--reason", "seen in clinic"];
    let said = site.ok("label", &[&[exam.as_str(), "well"], &args[..]].concat());
    // Who, which exam, when, and how it stands come before what was recorded.
    let lines: Vec<&str> = said.lines().collect();
    assert_eq!(lines[0], "patient TARNHOLT|T-1, born 2015-03-02", "{said}");
    let shown = format!("exam {exam}, 2021-03-01 10:12: no baseline; label none");
    assert!(lines[1].contains(&shown), "{said}");
    assert!(said.contains(&format!("exam {exam} of 2021-03-01 10:12: well")));
    assert_eq!(of_year(&site, "2021")["exam"]["label"], "well");

    let all = site.json("entries", &["T-1", "--json"]);
    assert_eq!(all.len(), 1);
    let one = &all[0];
    assert_eq!(one["author"], "Dr Ilse Farnwick");
    assert_eq!(one["author_kind"], "account");
    assert_eq!(one["reason"], "seen in clinic");
    let uid = one["entered_by"].as_str().expect("a user");
    assert!(uid.contains("uid "), "{uid}");
    assert_eq!(one["exam_ids"][0], exam.as_str());
    // Six readings and two means: every value of the report.
    assert_eq!(one["readings"], 8);
    // Without a name it is the user of the system who says it.
    site.ok("label", &[&exam, "raised_ruled_out"]);
    let all = site.json("entries", &["T-1", "--json"]);
    assert_eq!(all[1]["author_kind"], "system_user");
    assert_eq!(all[1]["author"], all[1]["entered_by"]);
}

#[test]
fn a_correction_names_what_it_corrects_and_nothing_is_ever_lost() {
    let site = site("");
    let exam = exam_of_year(&site, "2022");
    site.ok("label", &[&exam, "well"]);
    site.ok("label", &[&exam, "raised_confirmed"]);
    let again = site.ok("label", &[&exam, "raised_confirmed"]);
    assert!(again.contains("has that label already"), "{again}");
    site.ok("label", &[&exam, "none"]);
    let again = site.ok("label", &[&exam, "none"]);
    assert!(again.contains("has no label already"), "{again}");
    assert!(of_year(&site, "2022")["exam"]["label"].is_null());
    site.ok("label", &[&exam, "well"]);
    let said = |n: u64, value: &str, corrects, counts| (n, value.to_owned(), corrects, counts);
    assert_eq!(
        entries(&site),
        [
            said(1, "well", None, false),
            said(2, "raised_confirmed", Some(1), false),
            said(3, "-", Some(2), false),
            said(4, "well", None, true),
        ]
    );
    // By number, with a way out where it is not the one.
    let at = refused(&site, 1, "label", &["--take-back", "1"]);
    assert!(at.contains("corrected by entry 2"), "{at}");
    let at = refused(&site, 1, "label", &["--take-back", "3"]);
    assert!(at.contains("takes another one back"), "{at}");
    let at = refused(&site, 1, "label", &["--take-back", "77"]);
    assert!(at.contains("there is no entry 77"), "{at}");
    site.ok("label", &["--take-back", "4"]);
    let again = site.ok("label", &["--take-back", "4"]);
    assert!(again.contains("was taken back already"), "{again}");
    assert!(of_year(&site, "2022")["exam"]["label"].is_null());
    let shown = site.ok("entries", &["T-1"]);
    assert_eq!(shown.lines().count(), 5, "{shown}");
    assert!(shown.contains("[corrected by entry 2]"), "{shown}");
    assert!(shown.contains("takes back entry 4"), "{shown}");
    site.ok("verify", &[]);
}

#[test]
fn several_exams_are_one_act_and_one_round_of_results() {
    let site = site("");
    let [one, two, three] = ["2021", "2022", "2023"].map(|year| exam_of_year(&site, year));
    let before = of_year(&site, "2024")["version"]
        .as_u64()
        .expect("a number");
    site.ok("label", &[&one, &two, &three, &two, "well"]);
    let acts = site.json("entries", &["T-1", "--json"]);
    let acts: Vec<_> = acts.iter().map(|one| one["act"].as_u64()).collect();
    assert_eq!(acts, [Some(1), Some(1), Some(1)]);
    let last = of_year(&site, "2024");
    assert_eq!(last["version"].as_u64(), Some(before + 1));
    // One mistake, and nothing is recorded.
    let at = refused(
        &site,
        1,
        "label",
        &[&one, "E0000000000000000", "raised_confirmed"],
    );
    assert!(at.contains("knows no exam E0000000000000000"), "{at}");
    assert_eq!(entries(&site).len(), 3);
    for (args, says) in [
        (vec!["well"], "name an exam"),
        (vec![one.as_str(), "fine"], "\"fine\" is no label"),
        (
            vec![one.as_str(), "well", "--author", " "],
            "--author is empty",
        ),
        (
            vec![one.as_str(), "well", "--reason", "a\nb"],
            "control character",
        ),
    ] {
        let at = refused(&site, 2, "label", &args);
        assert!(at.contains(says), "{at}");
    }
}

#[test]
fn a_flagged_exam_becomes_baseline_only_after_it_was_said_what_changes() {
    let site = site("");
    let flagged = exam_of_year(&site, "2024");
    assert_eq!(of_year(&site, "2024")["assessment"]["flagged"], true);
    // A later exam, wide as well, whose result would change.
    let folder = site.path("more");
    fs::create_dir(&folder).expect("folder");
    let later = super::Report {
        patient: "T-1".into(),
        date: "20250301".into(),
        tenths: 5,
        ..super::Report::numbered(5)
    };
    later.write(&folder);
    site.ok("process", &[&folder.display().to_string()]);
    let late = exam_of_year(&site, "2025");
    let before = site.all_results().len();
    let output = site.run("label", &[&flagged, "well"]);
    let (out, err) = (
        String::from_utf8_lossy(&output.stdout).into_owned(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    );
    assert_eq!(output.status.code(), Some(1), "{out}{err}");
    assert!(
        err.contains("--yes") && err.contains("Nothing was recorded"),
        "{err}"
    );
    let mut lines = out.lines().skip_while(|line| !line.contains("results of"));
    let mut lines = lines.by_ref().skip_while(|line| !line.contains(&late));
    let [change, now, then] = [(); 3].map(|()| lines.next().expect("the later result is named"));
    assert!(
        now.contains("now:  ") && now.contains("bove expected") && now.contains(". Rise found: "),
        "{now}"
    );
    assert!(
        then.contains("then: Within expected") && then.contains(". No rise found: "),
        "{then}"
    );
    for line in [now, then] {
        assert!(
            line.contains(" mm, expected ") && line.contains(", change "),
            "{line}"
        );
        assert!(!line.contains('_'), "a bare word: {line}");
    }
    assert!(change.contains("2025-03-01 10:12"), "{change}");
    assert_eq!(
        (entries(&site).len(), site.all_results().len()),
        (0, before)
    );
    // Told otherwise, there is nothing to ask; nor for an exam that is not flagged.
    site.ok("label", &[&flagged, "raised_confirmed", "--yes"]);
    let early = exam_of_year(&site, "2021");
    site.ok("label", &[&early, "well", "--yes"]);
    refused(&site, 1, "label", &[&flagged, "raised_ruled_out"]);
    let said = site.ok("label", &[&flagged, "well", "--yes"]);
    assert!(
        said.contains(&format!("{flagged} is flagged and becomes part")),
        "{said}"
    );
    assert_eq!(of_year(&site, "2024")["exam"]["label"], "well");
}

#[test]
fn an_event_to_come_or_before_birth_is_refused_with_the_reason() {
    let site = site("");
    for (day, says) in [
        ("2131-01-01", "in the future: today is "),
        ("2015-03-01", "before the patient's birth on 2015-03-02"),
    ] {
        let at = refused(&site, 1, "event", &["T-1", day, "csf_surgery"]);
        assert!(at.contains(day) && at.contains(says), "{at}");
    }
    assert_eq!(entries(&site), []);
    let said = site.ok("event", &["T-1", "2015-03-02", "csf_surgery"]);
    assert!(
        said.starts_with("patient TARNHOLT|T-1, born 2015-03-02"),
        "{said}"
    );
    assert!(said.contains("2024-03-01 10:12: "), "{said}");
    let again = site.ok("event", &["T-1", "2015-03-02", "csf_surgery"]);
    assert!(again.contains("recorded already"), "{again}");
    site.ok("event", &["T-1", "2015-03-02", "csf_surgery", "--remove"]);
    refused(
        &site,
        1,
        "event",
        &["T-1", "2015-03-02", "csf_surgery", "--remove"],
    );
    let found: Vec<_> = entries(&site)
        .into_iter()
        .map(|one| (one.2, one.3))
        .collect();
    assert_eq!(found, [(None, false), (Some(1), false)]);
    let at = refused(&site, 1, "label", &["--take-back", "1"]);
    assert!(at.contains("is an event"), "{at}");
}

/// Valid time and time of recording are two things: an event is kept with its own day, tells exams by it,
/// and a correction of that day takes back the one and records the other.
#[test]
fn an_event_holds_for_its_own_day_whenever_it_is_recorded() {
    let site = site("");
    site.ok("event", &["T-1", "2022-09-01", "shunt_revision"]);
    let told = |year| of_year(&site, year)["events"].clone();
    let event = |day: &str| serde_json::json!([{ "date": day, "kind": "shunt_revision" }]);
    assert_eq!(told("2022"), serde_json::json!([]));
    assert_eq!(told("2023"), event("2022-09-01"));
    let all = site.json("entries", &["T-1", "--json"]);
    assert_eq!(all[0]["date"], "2022-09-01");
    let recorded = all[0]["recorded_at"].as_str().expect("a time");
    assert!(!recorded.starts_with("2022"), "{recorded}");
    // It was in 2023.
    site.ok(
        "event",
        &["T-1", "2022-09-01", "shunt_revision", "--remove"],
    );
    let late = ["T-1", "2023-09-01", "shunt_revision", "--yes"];
    site.ok("event", &late);
    assert_eq!(told("2023"), serde_json::json!([]));
    assert_eq!(told("2024"), event("2023-09-01"));
    let counting = entries(&site).into_iter().filter(|one| one.3);
    assert_eq!(counting.map(|one| one.0).collect::<Vec<_>>(), [3]);
    refused(&site, 2, "event", &["T-1", "01.09.2023", "shunt_revision"]);
}

/// No command can name an entry of one patient in what it says of another. One that a stray hand wrote
/// is told by `verify`, and what it names counts as before.
#[test]
fn a_correction_of_another_patients_entry_is_found_and_has_no_effect() {
    let site = site("");
    let other = super::Report {
        patient: "T-9".into(),
        date: "20250301".into(),
        ..super::Report::numbered(9)
    };
    let folder = site.path("other");
    fs::create_dir(&folder).expect("folder");
    other.write(&folder);
    site.ok("process", &[&folder.display().to_string()]);
    let exam = exam_of_year(&site, "2021");
    site.ok("label", &[&exam, "well"]);
    // By its number alone: the patient is the entry's own, and is shown.
    let said = site.ok("label", &["--take-back", "1", "--dry-run"]);
    assert!(said.starts_with("patient TARNHOLT|T-1"), "{said}");
    site.ok("verify", &[]);
    let base = Bare::open(&site.path("store.sqlite")).expect("opens");
    base.change(
        "insert into entry (act, patient_issuer, patient_id, kind, study_instance_uid, recorded_at,
                            author, author_kind, entered_by, source, reason, corrects)
         values (9, 'TARNHOLT', 'T-9', 'label', '2.25.20009', '2024-06-01T00:00:00.000000Z', 'x',
                 'account', '', 'command', '', 1)",
    )
    .expect("added");
    drop(base);
    let output = site.run("verify", &[]);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(told.contains("entry 2"), "{told}");
    assert_eq!(entries(&site), [(1, "well".to_owned(), None, true)]);
    site.ok("process", &[&folder.display().to_string()]);
    assert_eq!(of_year(&site, "2021")["exam"]["label"], "well");
}

/// What was said under an id stays under it, and so does its correction.
#[test]
fn entries_stay_under_the_id_they_were_given_for() {
    let site = site("");
    let other = super::Report {
        patient: "T-9".into(),
        date: "20250301".into(),
        ..super::Report::numbered(9)
    };
    let folder = site.path("other");
    fs::create_dir(&folder).expect("folder");
    other.write(&folder);
    site.ok("process", &[&folder.display().to_string()]);
    let exam = exam_of_year(&site, "2021");
    site.ok("label", &[&exam, "raised_confirmed"]);
    let pair = [
        "--from",
        "TARNHOLT|T-1",
        "--into",
        "TARNHOLT|T-9",
        "--why",
        "twice",
    ];
    let patient = |act: &str| {
        let mut command = crate::harness::program();
        command
            .args(["patient", act, "--config"])
            .arg(site.config());
        assert!(command.args(pair).status().expect("runs").success());
    };
    patient("merge");
    let said = site.ok("label", &[&exam, "well"]);
    assert!(said.contains("patient TARNHOLT|T-9"), "{said}");
    assert!(said.contains("2 joined ids"), "{said}");
    patient("unmerge");
    let said = |n: u64, value: &str, corrects, counts| (n, value.to_owned(), corrects, counts);
    assert_eq!(
        entries(&site),
        [
            said(1, "raised_confirmed", None, false),
            said(2, "well", Some(1), true)
        ]
    );
    assert_eq!(site.ok("entries", &["T-9"]), "no entries of this patient\n");
    assert_eq!(of_year(&site, "2021")["exam"]["label"], "well");
}

#[test]
fn each_entry_is_told_in_the_audit_trail_by_its_number() {
    let site = site("audit = \"audit.xml\"\n");
    let exam = exam_of_year(&site, "2021");
    let args = ["--author", "Dr Ilse Farnwick", "--reason", "seen in clinic"];
    site.ok("label", &[&[exam.as_str(), "well"], &args[..]].concat());
    site.ok("label", &[&exam, "well"]);
    site.ok("label", &[&exam, "raised_confirmed"]);
    site.ok("event", &["T-1", "2021-05-06", "shunt_revision"]);
    let (text, found) = audit_events(&site.path("audit.xml"));
    assert_eq!(
        found["110110 U 0"], 3,
        "one message an entry, none for a repeat"
    );
    let told: Vec<&str> = text
        .lines()
        .filter(|line| line.contains("Patient Record"))
        .collect();
    assert!(
        told[0].contains("UserID=\"Dr Ilse Farnwick\""),
        "{}",
        told[0]
    );
    assert!(
        told[0].contains("(uid ") || told[0].contains("\"uid "),
        "{}",
        told[0]
    );
    for line in &told {
        assert!(line.contains("ParticipantObjectID=\"T-1\""), "{line}");
    }
    assert!(
        told[1].contains("type=\"Corrects Entry\" value=\"MQ==\""),
        "{}",
        told[1]
    );
    // What was said, and why, stands in the store alone.
    let mut details = std::collections::BTreeSet::new();
    for line in &told {
        let message = roxmltree::Document::parse(line).expect("a message");
        let nodes = message.descendants();
        let nodes = nodes.filter(|node| node.has_tag_name("ParticipantObjectDetail"));
        details.extend(nodes.filter_map(|node| node.attribute("type").map(str::to_owned)));
    }
    let known = [
        "Act",
        "Corrects Entry",
        "Entry",
        "Issuer of Patient ID",
        "Kind of Entry",
    ];
    assert!(details.iter().eq(known), "{details:?}");
}
