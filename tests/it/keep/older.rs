//! Results of schema 1, as versions of the program before schema 2 wrote them: every reader takes them.

use super::{column, plain};
use crate::harness::{Site, fixture, program};
use flate2::read::GzDecoder;
use serde_json::Value;
use sheathline_store::{Mode, Store};
use std::fs;
use std::io::Read;

/// A site with the store that the last program of schema 1 left, brought to the newest shape; none of
/// its results is made anew.
fn older() -> Site {
    let site = Site::with("audit = \"audit\"\n");
    let file = fs::File::open(fixture("store/shape-7.sqlite.gz")).expect("fixture");
    let mut bytes = Vec::new();
    GzDecoder::new(file).read_to_end(&mut bytes).expect("gzip");
    fs::write(site.path("store.sqlite"), bytes).expect("written");
    drop(Store::open(&site.path("store.sqlite"), Mode::Owner).expect("brought up"));
    site
}

#[test]
fn results_of_schema_1_in_the_store_are_read_by_every_command() {
    let site = older();
    let exams = column(
        &plain(&site),
        "select distinct exam_id from result order by 1",
    );
    let older = "select count(*) || '' from result where content like '%\"basis\":%'";
    assert_eq!(column(&plain(&site), older), ["0"]);
    site.ok("verify", &[]);
    for exam in &exams {
        let story = site.ok("explain", &[exam]);
        assert!(story.contains("version 1 of"), "{story}");
        let lines = site.json("explain", &["--json", exam]);
        let mut versions = lines.iter().filter(|line| line["version"].is_u64());
        assert!(versions.all(|line| line["schema"] == "sheathline-result-1"));
        for form in ["sr", "hl7", "fhir", "csv", "pdf", "pdf-dicom"] {
            let out = site.path(form);
            let out = out.to_str().expect("UTF-8");
            site.ok("render", &[exam, "--form", form, "-o", out]);
        }
    }
    let patient = column(
        &plain(&site),
        "select distinct patient_id from result order by 1",
    );
    for id in &patient {
        let issuer = "select patient_issuer from result where patient_id = '";
        let issuer = column(&plain(&site), &format!("{issuer}{id}' limit 1")).remove(0);
        let table = site.ok("history", &[id, "--issuer", &issuer]);
        assert!(table.contains("basis"), "{table}");
    }
    let to = site.path("tables");
    site.ok(
        "export",
        &[
            "--to",
            to.to_str().expect("UTF-8"),
            "--identified",
            "--fhir",
        ],
    );
    let rows = fs::read_to_string(to.join("current/exams.csv")).expect("a table");
    assert_eq!(rows.lines().count(), exams.len() + 1);
}

/// As files: taken from the outbox of a demonstration of that program.
#[test]
fn files_of_schema_1_are_rendered_in_every_form() {
    let site = Site::new();
    let mut count = 0;
    for entry in fs::read_dir(fixture("schema-1")).expect("fixtures") {
        let path = entry.expect("an entry").path();
        let text = fs::read_to_string(&path).expect("read");
        let result: Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(result["schema"], "sheathline-result-1");
        for form in ["sr", "hl7", "fhir", "csv", "pdf", "pdf-dicom"] {
            let out = site.path(form);
            let output = program()
                .arg("render")
                .arg(&path)
                .args(["--form", form, "-o"])
                .arg(&out)
                .output()
                .expect("the program runs");
            let said = String::from_utf8_lossy(&output.stderr);
            assert!(
                output.status.success(),
                "{}: {form}: {said}",
                path.display()
            );
        }
        // What was not told then follows from what was.
        let message = fs::read_to_string(site.path("hl7")).expect("read");
        let labels = result["baseline"].as_array().expect("a list");
        let basis = match labels.iter().any(|one| one["label"].is_string()) {
            _ if labels.is_empty() => "no-basis^",
            true => "confirmed^",
            false => "provisional^",
        };
        assert!(
            message.contains(&format!(
                "|basis^What the own baseline rests on^99SHEATHLINE||{basis}"
            )),
            "{message}"
        );
        let flagged = result["assessment"]["flagged"] == true;
        assert_eq!(message.contains("||flagged^"), flagged);
        count += 1;
    }
    assert_eq!(count, 6);
}
