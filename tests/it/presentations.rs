//! Lines of presentation states beside the pictures they are drawn over, through the whole pipeline.
//!
//! What each case of `fixtures/presentations` must give stands in its `about.toml`;
//! `tests/python/check_presentations.py` works it out with pydicom and numpy.

use chrono::Utc;
use serde::Deserialize;
use sheathline::pipeline::{Beside, Pipeline};
use sheathline_model::domain::{Disposition, Millimetres, ObjectReading, PatientKey};
use sheathline_model::reading::Rules;
use sheathline_model::results::{Content, Site};
use sheathline_model::template::Templates;
use sheathline_store::objects::{self, Incoming};
use sheathline_store::readings;
use sheathline_store::{Mode, Store, results};
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tempfile::TempDir;

#[derive(Deserialize)]
struct About {
    disposition: Disposition,
    remarks: Vec<String>,
    #[serde(default)]
    shown: Vec<Shown>,
}

#[derive(Deserialize)]
struct Shown {
    of: usize,
    place: String,
    value_mm: Option<f64>,
    eye: String,
    usable: bool,
    remarks: Vec<String>,
}

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/presentations")
}

fn rules(on: bool) -> Rules {
    let text = fs::read_to_string(fixtures().join("dictionary.toml")).expect("a dictionary");
    let dictionary = ("dictionary.toml".to_owned(), text);
    let templates = Templates::load(&[], &[dictionary]).expect("templates");
    let mut rules = Rules::new(templates);
    rules.presentation_states = on;
    rules
}

/// A pipeline over a store of its own.
struct Place {
    pipeline: Pipeline,
    _temp: TempDir,
}

impl Place {
    fn new(on: bool) -> Place {
        let temp = TempDir::new().expect("temp");
        let store = Store::open(&temp.path().join("store.db"), Mode::Owner).expect("opens");
        let outbox = temp.path().join("outbox");
        let pipeline = Pipeline::new(store, rules(on), Site::default(), outbox, Beside::default());
        Place {
            pipeline,
            _temp: temp,
        }
    }

    /// Takes one file and runs until nothing is left to do.
    fn take(&self, path: &Path) {
        self.keep(path);
        self.drain();
    }

    fn drain(&self) {
        self.pipeline
            .drain(Duration::ZERO, |_| {})
            .expect("drained");
    }

    fn keep(&self, path: &Path) {
        let bytes = fs::read(path).expect("a fixture");
        let object = Incoming::new(&bytes, None, "folder", "", Utc::now()).expect("packed");
        let store = self.pipeline.store();
        store
            .write(move |tx| objects::keep(tx, &object))
            .expect("kept");
    }

    /// The newest results of the patient of all cases, each with its key.
    fn newest(&self) -> Vec<(String, Content)> {
        let key = PatientKey {
            issuer: "TARNHOLT".to_owned(),
            id: "SL-0042".to_owned(),
        };
        let store = self.pipeline.store();
        let rows = store.read(|conn| results::latest_of_patient(conn, &key));
        let content = |row| {
            let content = sheathline::known::content_of(&row).expect("a content");
            (row.key, content)
        };
        rows.expect("read").into_iter().map(content).collect()
    }

    fn reading(&self, uid: &str) -> ObjectReading {
        let store = self.pipeline.store();
        let mut stored = store
            .read(|conn| readings::by_sop_instance(conn, uid))
            .expect("read");
        stored.remove(0).reading
    }
}

/// Files of a case whose names begin so, in order.
fn files(case: &Path, kind: &str) -> Vec<PathBuf> {
    let names = fs::read_dir(case).expect("a folder");
    let mut names: Vec<PathBuf> = names.map(|one| one.expect("an entry").path()).collect();
    names.retain(|path| {
        let name = path.file_name().expect("a name").to_string_lossy();
        name.starts_with(kind)
    });
    names.sort();
    names
}

fn uid(path: &Path) -> String {
    let bytes = fs::read(path).expect("a fixture");
    let media = sheathline_model::sr::media(&bytes).expect("a file");
    media.instance.expect("a UID")
}

fn case_names() -> Vec<PathBuf> {
    let folders = fs::read_dir(fixtures()).expect("fixtures");
    let mut cases: Vec<PathBuf> = folders.map(|one| one.expect("an entry").path()).collect();
    cases.retain(|path| path.is_dir());
    cases.sort();
    assert!(cases.len() >= 35);
    cases
}

fn codes(remarks: &[sheathline_model::domain::Remark]) -> Vec<String> {
    remarks.iter().map(|one| one.code.to_string()).collect()
}

/// What differs between a case and what was read of it.
fn differences(case: &Path, place: &Place) -> Vec<String> {
    let about = fs::read_to_string(case.join("about.toml")).expect("about");
    let about: About = toml::from_str(&about).expect("about");
    let states = files(case, "presentation");
    let mut wrong = Vec::new();
    let mut differ = |what: &str, got: String, wanted: String| {
        if got != wanted {
            wrong.push(format!("{what}: {got}, wanted {wanted}"));
        }
    };
    let first = place.reading(&uid(&states[0]));
    differ(
        "disposition",
        format!("{:?}", first.disposition),
        format!("{:?}", about.disposition),
    );
    for code in &about.remarks {
        let told = codes(&first.remarks).contains(code);
        differ(code, told.to_string(), true.to_string());
    }
    let newest = place.newest();
    let values: Vec<_> = newest
        .iter()
        .flat_map(|(_, one)| {
            one.measurements_used
                .iter()
                .chain(&one.measurements_not_used)
        })
        .collect();
    differ(
        "values",
        values.len().to_string(),
        about.shown.len().to_string(),
    );
    for shown in about.shown {
        let of = match shown.of {
            0 => files(case, "report").remove(0),
            state => states[state - 1].clone(),
        };
        let (object, at) = (uid(&of), format!("{} {}", shown.of, shown.place));
        let value = values
            .iter()
            .find(|one| one.object == object && one.value.place == shown.place);
        let Some(value) = value.map(|one| &one.value) else {
            differ(&at, "nothing".to_owned(), "a value".to_owned());
            continue;
        };
        let wanted = shown.value_mm.and_then(Millimetres::from_mm);
        differ(&at, format!("{:?}", value.value_mm), format!("{wanted:?}"));
        let eye = value.eye.eye().map_or("unresolved", |eye| eye.word());
        differ(&at, eye.to_owned(), shown.eye);
        differ(&at, value.usable.to_string(), shown.usable.to_string());
        let (mut got, mut wanted) = (codes(&value.remarks), shown.remarks);
        got.sort();
        wanted.sort();
        differ(&at, got.join(" "), wanted.join(" "));
    }
    wrong
}

#[test]
fn every_case_gives_what_was_drawn_in_every_order_of_arrival() {
    let mut wrong = Vec::new();
    for case in case_names() {
        let (states, pictures) = (files(&case, "presentation"), files(&case, "picture"));
        let reports = files(&case, "report");
        let name = case
            .file_name()
            .expect("a name")
            .to_string_lossy()
            .into_owned();
        let forth: Vec<_> = [&states, &pictures, &reports]
            .into_iter()
            .flatten()
            .collect();
        let orders = [
            forth.clone(),
            forth.iter().rev().copied().collect(),
            forth.iter().chain(&forth).copied().collect(),
        ];
        let mut keys = Vec::new();
        for (n, order) in orders.into_iter().enumerate() {
            let place = Place::new(true);
            for path in order {
                // Repeats come in one burst.
                match n {
                    2 => place.keep(path),
                    _ => place.take(path),
                }
            }
            place.drain();
            let all = differences(&case, &place);
            wrong.extend(
                all.into_iter()
                    .map(|one| format!("{name}, order {n}: {one}")),
            );
            let newest = place.newest();
            keys.push(newest.into_iter().map(|(key, _)| key).collect::<Vec<_>>());
        }
        keys.dedup();
        if keys.len() > 1 {
            wrong.push(format!("{name}: the order of arrival changes the result"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_line_without_its_picture_is_told_and_has_no_length() {
    let case = fixtures().join("straight");
    let place = Place::new(true);
    place.take(&case.join("presentation-1.dcm"));
    let (before, content) = place.newest().remove(0);
    let value = &content.measurements_not_used[0].value;
    assert_eq!((value.value_mm, value.usable), (None, false));
    assert_eq!(codes(&value.remarks), ["presentation-picture-missing"]);
    place.take(&case.join("picture-1.dcm"));
    let (after, content) = place.newest().remove(0);
    assert_ne!(before, after);
    let value = &content.measurements_used[0].value;
    assert_eq!(value.value_mm, Millimetres::from_mm(5.2));
    let text = &value.remarks[0].text;
    assert!(text.contains("65.0 columns of 0.0800 mm"), "{text}");
    let dictionaries = &content.reports[0].dictionaries;
    assert!(
        dictionaries[0].starts_with("dictionary@"),
        "{dictionaries:?}"
    );
    // Machine and time are the picture's, who drew is the presentation state's.
    assert_eq!(content.exam.device.model.as_deref(), Some("Lapwing 2"));
    assert_eq!(content.exam.operator.as_deref(), Some("Invented^Reader"));
    assert_eq!(content.exam.performed_at.to_string(), "2024-05-01T10:12:00");
}

/// What could not be read of a labelled line is told in the headline, and only that.
#[test]
fn lines_without_a_length_are_told_as_left_unread() {
    for (case, is_left) in [
        ("straight", false),
        ("side-of-picture", false),
        ("saved-twice", false),
        ("beside-report", false),
        ("display", true),
        ("other-study", true),
        ("other-eye", true),
        ("no-side", true),
    ] {
        let case = fixtures().join(case);
        let place = Place::new(true);
        for kind in ["presentation", "picture", "report"] {
            files(&case, kind).iter().for_each(|path| place.keep(path));
        }
        place.drain();
        let (_, content) = place.newest().remove(0);
        let told = codes(&content.remarks).contains(&"left-unread".to_owned());
        assert_eq!(told, is_left, "{}", case.display());
    }
}

/// A line of a presentation state whose picture never came, of a report that holds the same line.
#[test]
fn a_line_that_a_report_holds_is_not_missed_without_its_picture() {
    let case = fixtures().join("beside-report");
    let place = Place::new(true);
    place.take(&case.join("presentation-1.dcm"));
    place.take(&case.join("report.dcm"));
    let (_, content) = place.newest().remove(0);
    assert_eq!(content.measurements_used.len(), 1);
    let value = &content.measurements_not_used[0].value;
    assert_eq!(
        codes(&value.remarks),
        ["presentation-picture-missing", "line-seen"]
    );
    assert!(!codes(&content.remarks).contains(&"left-unread".to_owned()));
}

/// As long as nobody asked for it, nothing is read of it.
#[test]
fn switched_off_a_presentation_state_holds_nothing() {
    for case in ["straight", "several-unpaired"] {
        let case = fixtures().join(case);
        let place = Place::new(false);
        place.take(&case.join("picture-1.dcm"));
        place.take(&case.join("presentation-1.dcm"));
        assert_eq!(place.newest().len(), 0);
        let reading = place.reading(&uid(&case.join("presentation-1.dcm")));
        assert_eq!(reading.disposition, Disposition::NoSheathMeasurement);
        assert_eq!(
            (reading.measurements, reading.unexplained),
            (vec![], vec![])
        );
    }
}

/// A text that no list holds is told, so that somebody can list it; a near miss reads nothing.
#[test]
fn labels_that_nobody_lists_are_told() {
    for (case, text) in [
        ("near-miss", "ONSD RE 1"),
        ("tracking-near-miss", "ONSD-RE"),
    ] {
        let case = fixtures().join(case);
        let place = Place::new(true);
        place.take(&case.join("picture-1.dcm"));
        place.take(&case.join("presentation-1.dcm"));
        let reading = place.reading(&uid(&case.join("presentation-1.dcm")));
        let told: Vec<_> = reading
            .unexplained
            .iter()
            .map(|one| one.meaning.as_str())
            .collect();
        assert_eq!(told, [text]);
        assert_eq!(reading.measurements, []);
        assert!(codes(&reading.remarks).contains(&"label-unknown".to_owned()));
        assert_eq!(reading.dictionaries, Vec::<String>::new());
    }
}

/// `read` over picture and presentation state tells the length; over the one alone, why there is none.
#[test]
fn read_measures_lines_against_the_pictures_among_its_files() {
    let temp = TempDir::new().expect("temp");
    let config = temp.path().join("site.toml");
    fs::write(&config, "[templates]\npresentation_states = true\n").expect("written");
    let case = fixtures().join("straight");
    let read = |files: &[&str]| {
        let paths = files.iter().map(|name| case.join(name));
        let run = std::process::Command::new(env!("CARGO_BIN_EXE_sheathline"))
            .args(["read", "--json", "--config"])
            .arg(&config)
            .arg("--dictionary")
            .arg(fixtures().join("dictionary.toml"))
            .args(paths)
            .output()
            .expect("runs");
        let text = String::from_utf8(run.stdout).expect("UTF-8");
        let mut lines = text
            .lines()
            .map(|line| serde_json::from_str(line).expect("JSON"));
        let of_state = |line: &serde_json::Value| !line["measurements"][0].is_null();
        let line: serde_json::Value = lines.rfind(of_state).expect("a value");
        line["measurements"][0]["value_mm"].clone()
    };
    assert_eq!(read(&["presentation-1.dcm", "picture-1.dcm"]), 5.2);
    assert_eq!(read(&["picture-1.dcm", "presentation-1.dcm"]), 5.2);
    assert!(read(&["presentation-1.dcm"]).is_null());
}
