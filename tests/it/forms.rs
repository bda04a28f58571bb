//! `render`: a result in the forms of other systems, from the store and from its file alone.

use super::harness::{Site, lines, program};
use super::objects::Report;
use std::fs;
use std::path::{Path, PathBuf};

const FORMS: [&str; 6] = ["sr", "pdf", "pdf-dicom", "hl7", "fhir", "csv"];

/// A site with two exams of one patient; the later one is wide. With it its exam id and report.
fn site() -> (Site, String, PathBuf) {
    let site = Site::new();
    let folder = site.path("reports");
    fs::create_dir(&folder).expect("folder");
    let report = |n: usize, date: &str, tenths| Report {
        patient: "T-1".into(),
        date: date.into(),
        tenths,
        ..Report::numbered(n)
    };
    let mut reports =
        [report(1, "20230301", 0), report(2, "20240301", 12)].map(|report| report.write(&folder));
    site.ok("process", &[&text(&folder)]);
    let results = site.results();
    let flagged = results
        .values()
        .find(|one| one["assessment"]["flagged"] == true);
    let id = flagged.expect("a flagged exam")["exam"]["id"].as_str();
    let id = id.expect("an id").to_owned();
    (site, id, std::mem::take(&mut reports[1]))
}

fn text(path: &Path) -> String {
    path.display().to_string()
}

fn rendered(site: &Site, form: &str, args: &[&str]) -> Vec<u8> {
    let file = site.path(form);
    let file = text(&file);
    let output = program()
        .arg("render")
        .args(args)
        .args(["--form", form, "-o", &file])
        .output()
        .expect("the program runs");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{form}: {said}");
    fs::read(file).expect("the form")
}

#[test]
fn the_file_of_a_result_and_its_report_give_what_the_store_gives() {
    let (site, id, report) = site();
    let published = site.path("outbox").join(format!("{id}-v1"));
    let (config, report) = (text(&site.config()), text(&report));
    let file = text(&published.join("result.json"));
    for form in FORMS {
        let of_store = rendered(&site, form, &["--config", &config, &id]);
        let of_file = rendered(&site, form, &["--source", &report, &file]);
        // The picture in the page needs the other exams, which only the store has.
        if !form.starts_with("pdf") {
            assert!(of_store == of_file, "{form}");
        }
        assert!(of_store.len() > 500, "{form}");
    }
    for (name, form) in [("result.csv", "csv"), ("result.pdf", "pdf")] {
        let in_outbox = fs::read(published.join(name)).expect("complete");
        assert!(in_outbox == rendered(&site, form, &["--config", &config, &id]));
    }
}

#[test]
fn results_that_come_back_are_not_measurements() {
    let (site, id, _) = site();
    let config = text(&site.config());
    let back = site.path("back");
    fs::create_dir(&back).expect("folder");
    for form in ["sr", "pdf-dicom"] {
        let bytes = rendered(&site, form, &["--config", &config, &id]);
        fs::write(back.join(format!("{form}.dcm")), bytes).expect("written");
    }
    let before = site.all_results();
    site.ok("process", &[&text(&back)]);
    assert_eq!(site.all_results(), before);
    assert_eq!(site.ok("quarantine", &["--json"]), "");

    let output = program().args(["read", "--json", &text(&back)]).output();
    let output = output.expect("the program runs");
    let read = lines(&String::from_utf8(output.stdout).expect("UTF-8"));
    assert_eq!(read.len(), 2);
    for line in &read {
        assert_eq!(line["disposition"], "no_sheath_measurement");
    }
    let codes = |line: &serde_json::Value| line["remarks"].to_string();
    assert!(read.iter().any(|line| codes(line).contains("own-result")));
}

#[test]
fn an_exam_without_a_configuration_is_wrong_usage() {
    let output = program()
        .args(["render", "E0123456789abcdef", "--form", "sr", "-o", "never"])
        .env_remove("SHEATHLINE_CONFIG")
        .output()
        .expect("the program runs");
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("--config FILE"), "{said}");
    assert!(!Path::new("never").exists());
}
