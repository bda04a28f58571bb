//! Reports beside the pictures their calipers were drawn in, through the whole pipeline.
//!
//! The numbers are those of `fixtures/drawn/*/about.toml`, which `tests/python/check_drawn.py`
//! checks with numpy.

use chrono::Utc;
use sheathline::pipeline::{self, Beside, Pipeline, Sum};
use sheathline_model::domain::{Millimetres, PatientKey};
use sheathline_model::reading::Rules;
use sheathline_model::results::Content;
use sheathline_model::results::Site;
use sheathline_model::template::Templates;
use sheathline_store::objects::{self, Incoming, Kept, ObjectId};
use sheathline_store::{Mode, Store, assessment_queue, results};
use std::fs;
use std::path::Path;
use std::process::Command;
use tempfile::TempDir;

const REPORT: &str = "report.dcm";
const PICTURE: &str = "picture-1.dcm";

/// A pipeline over a store of its own.
struct Place {
    pipeline: Pipeline,
    temp: TempDir,
}

impl Place {
    fn new(keep_pixels: bool) -> Place {
        let temp = TempDir::new().expect("temp");
        let store = Store::open(&temp.path().join("store.db"), Mode::Owner).expect("opens");
        let rules = Rules::new(Templates::builtin().expect("templates"));
        let outbox = temp.path().join("outbox");
        let beside = Beside {
            text: true,
            html: false,
            ..Beside::default()
        };
        let pipeline = Pipeline::new(store, rules, Site::default(), outbox, beside);
        Place {
            pipeline: pipeline.keeping_pixels(keep_pixels),
            temp,
        }
    }

    fn keep(&self, bytes: &[u8]) -> Kept {
        let object = Incoming::new(bytes, None, "folder", "", Utc::now()).expect("packed");
        let store = self.pipeline.store();
        store
            .write(move |tx| objects::keep(tx, &object))
            .expect("kept")
    }

    /// Takes one file and runs until nothing is left to do.
    fn take(&self, case: &str, name: &str) -> Kept {
        let kept = self.keep(&fixture(case, name));
        self.pipeline
            .drain(std::time::Duration::ZERO, |_| {})
            .expect("drained");
        kept
    }

    /// The newest result: its version, key and content.
    fn newest(&self) -> (u32, String, Content) {
        let key = PatientKey {
            issuer: "TARNHOLT".to_owned(),
            id: "SL-0042".to_owned(),
        };
        let store = self.pipeline.store();
        let mut rows = store
            .read(|conn| results::latest_of_patient(conn, &key))
            .expect("read");
        let row = rows.pop().expect("a result");
        let content = sheathline::known::content_of(&row).expect("a content");
        (row.version, row.key, content)
    }

    /// Why the newest result is new.
    fn why(&self) -> String {
        let id = self.newest().2.exam.id;
        let store = self.pipeline.store();
        let row = store
            .read(|conn| results::latest(conn, &id))
            .expect("read")
            .expect("a result");
        row.why.join("; ")
    }

    fn body(&self, id: i64) -> Vec<u8> {
        let store = self.pipeline.store();
        store
            .read(|conn| objects::body(conn, ObjectId(id)))
            .expect("whole")
    }

    fn sum(&self) -> Sum {
        self.pipeline.store().read(pipeline::sum).expect("counted")
    }
}

fn fixture(case: &str, name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/drawn");
    fs::read(folder.join(case).join(name)).expect("a fixture")
}

fn codes(content: &Content) -> Vec<&str> {
    let values = content
        .measurements_used
        .iter()
        .chain(&content.measurements_not_used);
    values
        .flat_map(|one| &one.value.remarks)
        .map(|remark| remark.code.as_ref())
        .collect()
}

#[test]
fn picture_first_or_report_first_is_the_same_result() {
    for case in [
        "straight",
        "edge-shadow",
        "too-oblique",
        "other-eye",
        "forms",
    ] {
        let report_first = Place::new(false);
        report_first.take(case, REPORT);
        let (version, before, _) = report_first.newest();
        assert_eq!(version, 1);
        report_first.take(case, PICTURE);
        let (version, after, content) = report_first.newest();
        // The picture makes a new version, and says what it is about.
        assert_eq!(version, 2, "{case}");
        assert_ne!(before, after);

        let picture_first = Place::new(false);
        picture_first.take(case, PICTURE);
        picture_first.take(case, REPORT);
        let (version, key, same) = picture_first.newest();
        assert_eq!((version, &key), (1, &after), "{case}");
        assert!(same == content, "{case}");
        let sum = picture_first.sum();
        assert_eq!((sum.in_results, sum.no_sheath_measurement), (1, 1));
        assert_eq!(sum, report_first.sum());
    }
}

#[test]
fn what_the_picture_shows_decides_whether_a_value_is_used() {
    let place = Place::new(false);
    place.take("too-oblique", REPORT);
    let (_, _, alone) = place.newest();
    assert_eq!((alone.measurements_used.len(), codes(&alone)), (1, vec![]));
    let remarks: Vec<_> = alone.reports[0]
        .remarks
        .iter()
        .map(|one| &*one.code)
        .collect();
    assert_eq!(
        remarks,
        ["angle-unknown", "depth-unknown", "geometry-not-computed"]
    );

    place.take("too-oblique", PICTURE);
    let (_, _, seen) = place.newest();
    assert_eq!(seen.measurements_used.len(), 0);
    assert!(
        place.why().contains("what the pictures of the report"),
        "{}",
        place.why()
    );
    assert_eq!(codes(&seen), ["oblique-caliper"]);
    let value = &seen.measurements_not_used[0].value;
    let geometry = value.geometry.expect("worked out");
    assert_eq!(geometry.angle_deg, Some(30.0));
    assert_eq!(geometry.length_mm, Millimetres::from_mm(5.0));
    assert_eq!(value.value_mm, Millimetres::from_mm(5.0));
    assert!(seen.reports[0].remarks.is_empty());
}

#[test]
fn the_picture_of_another_patient_is_no_picture() {
    let place = Place::new(false);
    place.take("straight", REPORT);
    let picture = fixture("straight", PICTURE);
    let other: Vec<u8> = String::from_utf8_lossy(&picture)
        .contains("SL-0042")
        .then(|| replaced(&picture, b"SL-0042", b"SL-0043"))
        .expect("names its patient");
    place.keep(&other);
    place
        .pipeline
        .drain(std::time::Duration::ZERO, |_| {})
        .expect("drained");
    let (version, _, content) = place.newest();
    assert_eq!(version, 1);
    assert!(content.measurements_used[0].value.geometry.is_none());
}

fn replaced(bytes: &[u8], from: &[u8], to: &[u8]) -> Vec<u8> {
    let at = bytes
        .windows(from.len())
        .position(|window| window == from)
        .expect("there");
    [&bytes[..at], to, &bytes[at + from.len()..]].concat()
}

#[test]
fn pixels_go_after_reading_and_the_object_is_still_the_one_received() {
    let place = Place::new(false);
    let picture = fixture("straight", PICTURE);
    assert_eq!(place.take("straight", PICTURE), Kept::New(ObjectId(1)));
    place.take("straight", REPORT);
    let slim = place.body(1);
    // 96 x 96 bytes of pixels and the 12 of their header (PS3.5 7.1.2).
    assert_eq!(slim.len(), picture.len() - 96 * 96 - 12);
    // What is left is a DICOM file: DCMTK reads it.
    let path = place.temp.path().join("slim.dcm");
    fs::write(&path, &slim).expect("written");
    match Command::new("dcmdump")
        .arg("+P")
        .arg("0018,6011")
        .arg(&path)
        .output()
    {
        Ok(output) => assert!(
            output.status.success() && !output.stdout.is_empty(),
            "{output:?}"
        ),
        Err(_) => println!("dcmdump is not installed, nothing is checked with it"),
    }
    // The same bytes again, and the same content in other bytes, are repeats.
    assert_eq!(place.keep(&picture), Kept::Repeat(ObjectId(1)));
    let other_file = replaced(&picture, b"FIXTURE ", b"FIXTURES");
    assert_eq!(place.keep(&other_file), Kept::New(ObjectId(3)));
    place
        .pipeline
        .drain(std::time::Duration::ZERO, |_| {})
        .expect("drained");
    assert_eq!(place.sum().repeats, 2);
    assert_eq!(place.sum().quarantined, 0);
    // Read again, as after a change of templates, everything says the same.
    let (version, key, _) = place.newest();
    let all = place.pipeline.store();
    all.write(|tx| {
        objects::read_all_again(tx)?;
        assessment_queue::mark_all_dirty(tx, Utc::now())
    })
    .expect("sent back");
    place
        .pipeline
        .drain(std::time::Duration::ZERO, |_| {})
        .expect("drained");
    assert_eq!(place.newest().0, version);
    assert_eq!(place.newest().1, key);
    assert_eq!(place.sum().repeats, 2);
    assert_eq!(place.sum().quarantined, 0);
    assert_eq!(place.body(1), slim);
    assert_eq!(
        sheathline_store::verify::Looker::open(all.place().file().expect("a file"))
            .and_then(|looker| looker.verify(|_, _| ()))
            .expect("checked")
            .damages,
        []
    );
}

#[test]
fn pixels_stay_when_asked_and_in_quarantine() {
    let place = Place::new(true);
    place.take("straight", PICTURE);
    assert_eq!(place.body(1), fixture("straight", PICTURE));

    let place = Place::new(false);
    place.take("straight", PICTURE);
    // The same SOP Instance UID with other pixels: kept as it came, for a person to look at.
    let mut other = fixture("straight", PICTURE);
    let last = other.len() - 1;
    other[last] = 1;
    place.keep(&other);
    place
        .pipeline
        .drain(std::time::Duration::ZERO, |_| {})
        .expect("drained");
    assert_eq!(place.sum().quarantined, 1);
    assert_eq!(place.body(2), other);
}
