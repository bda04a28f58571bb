//! Labels from a table: all of it or nothing.

use super::{entries, exam_of_year, of_year, refused, site};
use crate::harness::Site;
use sheathline_store::bare::Bare;
use std::fs;

#[test]
fn a_table_is_shown_by_a_dry_run_and_recorded_as_one_act() {
    let site = site("");
    let [one, two] = ["2021", "2022"].map(|year| exam_of_year(&site, year));
    let file = site.path("labels.csv");
    let text = format!(
        "label,exam_id,study_instance_uid,author,reason\nwell,{one},,Dr Ilse Farnwick,\"well, and \
         seen\"\nraised_confirmed,,2.25.20003,,\nwell,{two},,,\n"
    );
    fs::write(&file, text).expect("written");
    let file = file.to_str().expect("UTF-8");
    let results = site.all_results().len();
    let said = site.ok("label", &["--table", file, "--dry-run"]);
    assert!(
        said.contains("dry run: 3 entries would be recorded; nothing was"),
        "{said}"
    );
    let flagged = exam_of_year(&site, "2024");
    let mut change = said.lines().skip_while(|line| !line.ends_with(&flagged));
    assert!(
        change.nth(2).is_some_and(|line| line.contains("then: ")),
        "{said}"
    );
    assert_eq!(
        (entries(&site).len(), site.all_results().len()),
        (0, results)
    );

    let reviewed = ["--table", file, "--reason", "review of 2026", "--yes"];
    site.ok("label", &reviewed);
    let all = site.json("entries", &["T-1", "--json"]);
    let told: Vec<String> = all
        .iter()
        .map(|one| {
            format!(
                "{} {} {} {} {} {}",
                one["act"],
                one["value"],
                one["author_kind"],
                one["source"],
                one["reason"],
                one["counts"]
            )
        })
        .collect();
    let row = |value, author, reason: &str| {
        format!("1 \"{value}\" \"{author}\" \"table\" \"{reason}\" true")
    };
    assert_eq!(
        told,
        [
            row("well", "account", "well, and seen"),
            row("raised_confirmed", "system_user", "review of 2026"),
            row("well", "system_user", "review of 2026"),
        ]
    );
    assert_eq!(of_year(&site, "2023")["exam"]["label"], "raised_confirmed");
    // The same table again.
    let results = site.all_results().len();
    let said = site.ok("label", &["--table", file]);
    assert_eq!(said.matches("has that label already").count(), 3, "{said}");
    assert_eq!(
        (entries(&site).len(), site.all_results().len()),
        (3, results)
    );
}

/// Every row of every table of the store, and every name in the outbox.
fn everything(site: &Site) -> Vec<String> {
    let base = Bare::open(&site.path("store.sqlite")).expect("opens");
    let names = "select name from sqlite_master where type = 'table' order by name";
    let names = base.column(names).expect("asked");
    let mut all = Vec::new();
    for name in names {
        let rows = base
            .rows(&format!("select * from {name}"))
            .expect("a table");
        all.extend(rows.iter().map(|row| format!("{name}: {row:?}")));
    }
    let outbox = fs::read_dir(site.path("outbox")).expect("an outbox");
    all.extend(outbox.map(|one| format!("{:?}", one.expect("an entry").file_name())));
    all.push(fs::read_to_string(site.path("audit.xml")).expect("a trail"));
    all.sort();
    all
}

#[test]
fn a_dry_run_leaves_store_outbox_and_trail_as_they_were() {
    let site = site("audit = \"audit.xml\"\n");
    let exams = ["2021", "2024"].map(|year| exam_of_year(&site, year));
    site.ok("label", &[&exams[0], "raised_ruled_out"]);
    let before = everything(&site);
    site.ok("label", &[&exams[0], &exams[1], "well", "--dry-run"]);
    site.ok("label", &["--take-back", "1", "--dry-run"]);
    let file = site.path("labels.csv");
    fs::write(&file, format!("exam_id,label\n{},well\n", exams[1])).expect("written");
    let file = file.to_str().expect("UTF-8");
    site.ok("label", &["--table", file, "--dry-run"]);
    assert!(everything(&site) == before, "something was written");
    site.ok("label", &["--table", file, "--yes"]);
    assert!(everything(&site) != before);
}

/// All or nothing, also of many: the good rows come first, and one bad row is the last.
#[test]
fn of_ten_thousand_rows_one_bad_one_lets_nothing_be_recorded() {
    let site = site("");
    let exams = ["2021", "2022", "2023"].map(|year| exam_of_year(&site, year));
    let mut rows: Vec<String> = exams.iter().map(|exam| format!("{exam},well")).collect();
    let good = format!("exam_id,label\n{}\n", rows.join("\n"));
    rows.extend((0..9_997).map(|n| format!("E{n:016x},well")));
    let file = site.path("labels.csv");
    fs::write(&file, format!("exam_id,label\n{}\n", rows.join("\n"))).expect("written");
    let name = file.to_str().expect("UTF-8");
    let at = refused(&site, 2, "label", &["--table", name]);
    let named = at.matches("the store knows no exam").count();
    assert_eq!(named, 9_997, "{}", &at[..at.len().min(500)]);
    assert!(at.contains("line 10001, column exam_id"), "the last one");
    assert!(at.ends_with("nothing was recorded\n"));
    assert_eq!(entries(&site), []);
    // Among ten thousand an id that stands there twice is found too.
    fs::write(&file, format!("{good}{}\n", rows[0])).expect("written");
    let at = refused(&site, 2, "label", &["--table", name]);
    assert!(at.contains("line 5, column exam_id: names the exam of line 2 again"));
    assert_eq!(entries(&site), []);
    fs::write(&file, good).expect("written");
    site.ok("label", &["--table", name]);
    assert_eq!(entries(&site).len(), 3);
}

/// Tables as a clinic writes them: a spreadsheet's semicolons and mark of encoding are read; what is
/// unknown or said twice is named, and nothing of it is recorded.
#[test]
fn a_table_of_a_clinic_is_recorded_or_refused_whole() {
    let site = site("");
    let exams = ["2021", "2022", "2023"].map(|year| exam_of_year(&site, year));
    let [one, two, three] = &exams;
    let file = site.path("labels.csv");
    let name = file.to_str().expect("UTF-8");
    for (text, says) in [
        (
            format!("Untersuchung;Einordnung\n{one};gesund\n"),
            "labels.csv: line 1, column 1: \"Untersuchung\" is no column; columns are exam_id, ",
        ),
        (
            format!("exam_id;label\n{one};gesund\n"),
            "labels.csv: line 2, column label: \"gesund\" is no label; write one of well, ",
        ),
        (
            format!("exam_id;label\n{one};well\nE0000000000000000;well\n"),
            "labels.csv: line 3, column exam_id: the store knows no exam E0000000000000000",
        ),
        (
            format!("exam_id;label\n{one};well\n{two};well\n{one};raised_confirmed\n"),
            "labels.csv: line 4, column exam_id: names the exam of line 2 again, and says \
             raised_confirmed where that says well",
        ),
        (
            format!("exam_id;study_instance_uid;label\n{one};;well\n;2.25.20001;none\n"),
            "labels.csv: line 3, column study_instance_uid: names the exam of line 2 again, and says \
             none where that says well",
        ),
    ] {
        fs::write(&file, text).expect("written");
        let at = refused(&site, 2, "label", &["--table", name]);
        assert!(at.contains(says), "{says}: {at}");
        assert!(at.ends_with("nothing was recorded\n"), "{at}");
        assert_eq!(entries(&site), []);
    }
    // Saved in an encoding of before.
    fs::write(&file, b"exam_id;label;reason\nE1;well;gepr\xfcft\n").expect("written");
    let at = refused(&site, 2, "label", &["--table", name]);
    assert!(at.contains("save it as UTF-8"), "{at}");
    let text = format!(
        "\u{feff}exam_id;label;reason\r\n{one};well;gepr\u{fc}ft; ohne\r\n{two};well;\r\n\r\n;;\r\n"
    );
    fs::write(&file, &text).expect("written");
    let at = refused(&site, 2, "label", &["--table", name]);
    assert!(
        at.contains("line 2: 4 fields where the first line names 3"),
        "{at}"
    );
    fs::write(&file, text.replace("ft; ohne", "ft, ohne")).expect("written");
    site.ok("label", &["--table", name]);
    let said = entries(&site);
    assert_eq!(said.len(), 2, "{said:?}");
    assert!(of_year(&site, "2023")["exam"]["label"].is_null(), "{three}");
}

#[test]
fn every_bad_row_is_named_and_nothing_is_recorded() {
    let site = site("");
    let one = exam_of_year(&site, "2021");
    let file = site.path("labels.csv");
    let text = format!(
        "exam_id,study_instance_uid,label\n{one},,well\n,9.9.9,well\nE0000000000000000,,well\n\
         ,2.25.20001,raised_confirmed\n"
    );
    fs::write(&file, text).expect("written");
    let name = file.to_str().expect("UTF-8");
    let at = refused(&site, 2, "label", &["--table", name]);
    for says in [
        "line 3, column study_instance_uid: the store knows no exam 9.9.9",
        "line 4, column exam_id: the store knows no exam E0000000000000000",
        "line 5, column study_instance_uid: names the exam of line 2 again",
        "nothing was recorded",
    ] {
        assert!(at.contains(says), "{says}: {at}");
    }
    assert_eq!(entries(&site), []);
    fs::write(&file, format!("exam_id,label\n{one},wel\n")).expect("written");
    let at = refused(&site, 2, "label", &["--table", name, "--dry-run"]);
    assert!(
        at.contains("labels.csv: line 2, column label: \"wel\" is no label"),
        "{at}"
    );
    // A flagged exam in it is asked about like any other.
    let flagged = exam_of_year(&site, "2024");
    fs::write(
        &file,
        format!("exam_id,label\n{one},well\n{flagged},well\n"),
    )
    .expect("written");
    let at = refused(&site, 1, "label", &["--table", name]);
    assert!(at.contains(&flagged) && at.contains("--yes"), "{at}");
    assert_eq!(entries(&site), []);
    site.ok("label", &["--table", name, "--yes"]);
    assert_eq!(entries(&site).len(), 2);
}
