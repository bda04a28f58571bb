//! `calibrate`, `simulate` and `department` over a real store: what labelled exams say, what a
//! proposal promises, and what a department's numbers are.

use crate::harness::{Site, lines, program};
use crate::objects::Report;
use serde_json::Value;
use std::fs;

/// Shifts of the exams of each patient, tenths of a millimetre; the last one of the last patient is
/// not labelled.
const EXAMS: [[i32; 3]; 4] = [[0, 2, 1], [1, 0, 2], [-3, -3, -1], [0, 1, 9]];

fn site() -> Site {
    let site = Site::new();
    let mut files = Vec::new();
    for (patient, shifts) in EXAMS.iter().enumerate() {
        for (exam, &tenths) in shifts.iter().enumerate() {
            let report = Report {
                patient: format!("D-{patient}"),
                date: format!("2024{:02}10", 1 + 3 * exam),
                tenths,
                ..Report::numbered(10 * patient + exam)
            };
            files.push((report.write(&site.path(".")), report.study, tenths));
        }
    }
    let paths: Vec<&str> = files
        .iter()
        .filter_map(|(path, ..)| path.to_str())
        .collect();
    site.ok("process", &paths);
    for (_, study, tenths) in &files {
        if *tenths != 9 {
            site.ok("label", &[study, "well"]);
        }
    }
    site
}

fn close(found: &Value, expected: f64) {
    let found = found
        .as_f64()
        .unwrap_or_else(|| panic!("no number: {found}"));
    assert!((found - expected).abs() < 1e-3, "{found}, not {expected}");
}

/// Each eye has the readings m - 0.1, m, m + 0.1, so the variance within is 0.01 whatever m is:
/// Measurement error, BMJ 1996;313:744, with its repeatability 1.96 sqrt(2) s_w.
#[test]
fn a_proposal_comes_from_the_labelled_exams_of_the_store() {
    let site = site();
    let found = &site.json("calibrate", &["--json"])[0];
    assert_eq!(found["patients"], 4);
    // Two pairs of consecutive exams a patient, and one where the third has no label.
    assert_eq!(found["pairs"], 7);
    close(&found["readings"]["s_w"], 0.1);
    close(
        &found["readings"]["repeatability"],
        1.96 * 2_f64.sqrt() * 0.1,
    );

    close(&found["readings"]["groups"], 24.0);
    // 48 degrees of freedom beside the 50 that the present 0.20 mm counts as.
    let proposed = &found["proposals"][0];
    assert_eq!(proposed["name"], "sigma_w");
    close(
        &proposed["proposed"],
        ((48.0 * 0.01 + 50.0 * 0.04) / 98.0_f64).sqrt(),
    );
    // Wilson's interval of none of seven: z^2 / (n + z^2).
    let z2 = 1.959_964_f64.powi(2);
    close(
        &found["promise"]["flagged_interval"]["high"],
        z2 / (7.0 + z2),
    );

    let file = site.path("proposal.toml");
    let path = file.to_str().expect("a path");
    let before = fs::read(site.config()).expect("configuration");
    let results = site.results();
    let text = site.ok("calibrate", &["--write", path]);
    assert!(text.contains("Nothing was changed."), "{text}");
    let proposal = fs::read_to_string(&file).expect("written");
    for proposed in found["proposals"].as_array().expect("proposals") {
        let (name, value) = (&proposed["name"], &proposed["proposed"]);
        let line = format!(
            "{} = {:.3} ",
            name.as_str().expect("a name"),
            value.as_f64().expect("a number")
        );
        assert!(proposal.contains(&line), "{line} is not in {proposal}");
    }

    // It stands for nothing until a person takes it, and is never written over.
    let again = site.run("calibrate", &["--write", path]);
    assert_eq!(again.status.code(), Some(1));
    let why = String::from_utf8_lossy(&again.stderr).into_owned();
    assert!(
        why.contains("proposal.toml exists and is left as it is"),
        "{why}"
    );
    assert!(why.contains("name a new file"), "{why}");
    assert_eq!(fs::read_to_string(&file).expect("there"), proposal);
    assert_eq!(fs::read(site.config()).expect("configuration"), before);
    assert_eq!(site.results(), results);
}

/// What a proposal promises is seen before it is taken: `simulate` reads its file as a configuration.
#[test]
fn a_proposal_can_be_simulated_before_it_is_taken() {
    let site = site();
    let file = site.path("proposal.toml");
    let path = file.to_str().expect("a path");
    site.ok("calibrate", &["--write", path]);
    let simulated = |config: &str| {
        let output = program()
            .args(["simulate", "--json", "--config", config])
            .args(["--scenario", "adult_pool", "--k", "1", "--patients", "300"])
            .output()
            .expect("the program runs");
        assert_eq!(output.status.code(), Some(0));
        let rows = lines(&String::from_utf8(output.stdout).expect("UTF-8"));
        assert_eq!(rows.len(), 1);
        rows.into_iter().next().expect("a row")
    };
    let config = site.config();
    let now = simulated(config.to_str().expect("a path"));
    let proposed = simulated(path);
    assert_eq!(proposed, simulated(path), "the same seed");
    let change = |row: &Value| row["smallest_change_mm"].as_f64().expect("a number");
    // Smaller errors, so smaller rises are seen.
    assert!(change(&proposed) < change(&now), "{proposed} {now}");
    for row in [&now, &proposed] {
        // One in twenty, within five standard errors of 300 patients.
        let flags = row["false_flags"].as_f64().expect("a share");
        let error = (0.05_f64 * 0.95 / 300.0).sqrt();
        assert!((flags - 0.05).abs() < 5.0 * error, "{row}");
    }
}

fn of_kind<'v>(lines: &'v [Value], kind: &str) -> Vec<&'v Value> {
    lines.iter().filter(|line| line["kind"] == kind).collect()
}

/// The numbers of a store, checked by hand: twelve exams with the readings m - 0.1, m, m + 0.1 an eye.
#[test]
fn statistics_come_from_the_store_and_change_nothing() {
    let site = site();
    let before = site.results();
    let page = site.path("page.html");
    let path = page.to_str().expect("a path");
    let lines = site.json("department", &["--json", "--html", path]);

    let seen = of_kind(&lines, "seen")[0];
    assert_eq!(
        (&seen["patients"], &seen["exams"], &seen["well"]),
        (&4.into(), &12.into(), &11.into())
    );
    let all = of_kind(&lines, "repeatability")[0];
    assert_eq!(
        (&all["of"], &all["exams"]),
        (&"department".into(), &12.into())
    );
    close(&all["s_w"], 0.1);
    // 48 degrees of freedom: chi-square from 30.755 to 69.023 (printed tables, between 40 and 50).
    close(&all["s_w_interval"]["low"], (0.48_f64 / 69.023).sqrt());
    close(&all["s_w_interval"]["high"], (0.48_f64 / 30.755).sqrt());
    // Four first visits; Wilson's interval of 4 of 12.
    let compared = &of_kind(&lines, "compared")[0]["without_baseline"];
    assert_eq!(
        (&compared["count"], &compared["of"]),
        (&4.into(), &12.into())
    );
    close(&compared["interval"]["low"], 0.1381);
    close(&compared["interval"]["high"], 0.6094);
    // Too few of everything else, and they say how few.
    for chart in of_kind(&lines, "chart") {
        assert_eq!(
            (&chart["not_enough"], &chart["needed"]),
            (&7.into(), &30.into()),
            "{chart}"
        );
    }
    for band in of_kind(&lines, "reference") {
        assert_eq!(band["needed"], 10, "{band}");
        assert!(
            band["label"]
                .as_str()
                .expect("words")
                .contains("no flag rests on these figures")
        );
        assert!(band.get("mean_mm").is_none());
    }
    // The exams are of 2024, their reports came today.
    let times = of_kind(&lines, "turnaround")[0];
    assert_eq!(
        (&times["exams"], &times["brought_in_later"]),
        (&12.into(), &12.into())
    );

    let text = fs::read_to_string(&page).expect("a page");
    assert!(text.contains("not for judging persons"));
    for exam in site.results() {
        assert!(
            !text.contains("D-0") && !text.contains(&exam.0),
            "patient data"
        );
    }
    assert_eq!(site.results(), before);
    assert_eq!(
        lines,
        site.json("department", &["--json"]),
        "the same again"
    );

    let first = site.json("department", &["--json", "--to", "2024-01-31"]);
    assert_eq!(of_kind(&first, "seen")[0]["exams"], 4);
    let none = site.json("department", &["--json", "--from", "2030-01-01"]);
    assert_eq!(of_kind(&none, "seen")[0]["exams"], 0);
    let printed = site.ok("department", &[]);
    assert!(printed.contains("not enough (7 of 30)"), "{printed}");
}

#[test]
fn days_in_the_wrong_order_are_wrong_usage() {
    let site = Site::new();
    let output = site.run(
        "department",
        &["--from", "2024-02-01", "--to", "2024-01-01"],
    );
    assert_eq!(output.status.code(), Some(2));
    let why = String::from_utf8_lossy(&output.stderr);
    assert!(
        why.contains("--from 2024-02-01 lies after --to 2024-01-01"),
        "{why}"
    );
    let output = site.run("department", &["--html", "/nowhere/page.html"]);
    assert_eq!(output.status.code(), Some(1));
}
