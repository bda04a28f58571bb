//! Deliveries of typed reports.

use super::*;
use sheathline_model::history::testing;
use sheathline_store::objects::{Incoming, Kept};
use sheathline_store::{bare, readings};

/// An archive that takes typed reports, and what it took.
struct Archive {
    took: Arc<Mutex<Vec<Vec<u8>>>>,
}

impl Carrier for Archive {
    fn deliver(&mut self, _: &Parcel) -> Result<(), Failure> {
        panic!("no result is for it");
    }

    fn deliver_entered(&mut self, reports: &[Vec<u8>]) -> Result<(), Failure> {
        self.took.lock().unwrap().extend_from_slice(reports);
        Ok(())
    }

    fn echo(&mut self) -> Result<Vec<Stage>, Failure> {
        Ok(Vec::new())
    }
}

/// A worker with such an archive.
fn archive(site: &Site) -> (Worker, Arc<Mutex<Vec<Vec<u8>>>>) {
    let took: Arc<Mutex<Vec<Vec<u8>>>> = Arc::default();
    let of_carrier = Arc::clone(&took);
    let make: MakeCarrier = Box::new(move || {
        let took = Arc::clone(&of_carrier);
        Box::new(Archive { took })
    });
    let worker = Worker::new(
        "archive".to_owned(),
        Receiver::Title("ARCHIVE".to_owned()),
        RETRY,
        make,
        site.store.clone(),
        site.observed.clone(),
        Box::new(Clock(Arc::clone(&site.clock))),
    );
    (worker, took)
}

/// Types a report; what is stored is its UID in bytes.
fn typed(site: &Site, uid: &'static str) {
    let reading = testing::reading(uid, "9.1", "2024-05-01", &[5.1], &[5.2]);
    let incoming = Incoming::new(uid.as_bytes(), None, "entered", "", site.now());
    let incoming = incoming.expect("it packs");
    site.store
        .write(move |tx| {
            let (Kept::New(id) | Kept::Repeat(id)) = objects::keep(tx, &incoming)?;
            readings::finish_read(tx, id, &reading, reading.disposition.into())
        })
        .expect("filed");
}

/// A further version of the one exam that names these reports.
fn version(site: &Site, uids: &[&str]) {
    let contents = samples::all(&samples::flagged());
    let mut content = contents.into_iter().next().expect("a sample");
    let report = content.reports.first().cloned().expect("a report");
    let named = uids.iter().map(|uid| {
        let mut report = report.clone();
        (*uid).clone_into(&mut report.sop_instance_uid);
        report
    });
    content.reports = named.collect();
    let text = serde_json::to_string(&content).expect("JSON");
    let result = NewResult {
        exam_id: "a-1".to_owned(),
        patient: PatientKey {
            issuer: "HERE".to_owned(),
            id: "a".to_owned(),
        },
        key: results::key_of(&text),
        content: text,
        why: vec!["a name".to_owned()],
    };
    let now = site.now();
    site.store
        .write(move |tx| {
            results::insert(tx, &result, now)?;
            deliveries::begin_entered(tx, "archive", 9, now)
        })
        .expect("it waits");
}

fn states(site: &Site) -> Vec<State> {
    site.list().iter().map(|one| one.state).collect()
}

fn code(site: &Site) -> String {
    let first = site.list().into_iter().next().expect("a delivery");
    first.failed.expect("it failed").code
}

#[test]
fn typed_reports_go_as_they_are_stored() {
    let site = Site::new();
    typed(&site, "1.1");
    typed(&site, "1.2");
    version(&site, &["1.1", "1.2"]);
    let (mut worker, took) = archive(&site);
    assert_eq!(work(&mut worker), None);
    assert_eq!(*took.lock().unwrap(), [b"1.1", b"1.2"]);
    assert_eq!(states(&site), [State::Delivered]);
}

#[test]
fn what_was_taken_back_before_it_went_is_taken_out_and_goes_once_it_counts_again() {
    let site = Site::new();
    typed(&site, "1.1");
    version(&site, &["1.1"]);
    version(&site, &[]);
    let (mut worker, took) = archive(&site);
    assert_eq!(work(&mut worker), None);
    assert!(took.lock().unwrap().is_empty());
    assert_eq!(states(&site), [State::Dropped]);
    version(&site, &["1.1"]);
    assert_eq!(work(&mut worker), None);
    assert_eq!(*took.lock().unwrap(), [b"1.1"]);
    assert_eq!(states(&site), [State::Dropped, State::Delivered]);
}

/// What is left of it arrives all the same.
#[test]
fn a_typed_report_whose_bytes_are_gone_is_for_a_person_to_see() {
    let site = Site::new();
    typed(&site, "1.1");
    typed(&site, "1.2");
    version(&site, &["1.1", "1.2"]);
    let lose = "update object set body_sha256 = zeroblob(32), kept_sha256 = null
                where sop_instance_uid = '1.1'";
    site.store
        .write(move |tx| bare::run(tx, lose))
        .expect("damaged");
    let (mut worker, took) = archive(&site);
    assert_eq!(work(&mut worker), None);
    assert_eq!(*took.lock().unwrap(), [b"1.2"]);
    assert_eq!(
        (states(&site), code(&site)),
        (vec![State::Dead], "bytes-gone".to_owned())
    );
}

/// A receiver of another kind under the same name.
#[test]
fn a_destination_that_takes_no_typed_reports_is_sent_none() {
    let site = Site::new();
    typed(&site, "1.1");
    version(&site, &["1.1"]);
    assert_eq!(work(&mut site.worker()), None);
    assert!(site.got().is_empty());
    assert_eq!(
        (states(&site), code(&site)),
        (vec![State::Dead], "not-taken".to_owned())
    );
}
