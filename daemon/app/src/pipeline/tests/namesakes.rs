//! The same id under two issuers: each is hinted at the other, whichever comes first.

use super::*;
use crate::known::{content_of, latest_results};
use sheathline_model::domain::Sex;
use sheathline_model::history::testing::reading;
use sheathline_model::results::Content;
use sheathline_store::{View, results};

const HINT: &str = "same-patient-elsewhere";

struct Place {
    _temp: TempDir,
    pipeline: Pipeline,
}

/// Issuer, number of the report, birth date, sex.
type Report = (&'static str, u32, &'static str, Sex);

impl Place {
    fn new() -> Self {
        let temp = TempDir::new().unwrap();
        let store = Store::open(&temp.path().join("store.db"), Mode::Owner).unwrap();
        let rules = Rules::new(Templates::builtin().unwrap());
        let outbox = temp.path().join("outbox");
        let pipeline = Pipeline::new(store, rules, Site::default(), outbox, Beside::default());
        Place {
            pipeline,
            _temp: temp,
        }
    }

    fn take(&self, (issuer, number, birth, sex): Report) {
        let uid = format!("2.25.{number}.1");
        let day = format!("20{:02}-03-01", 10 + number);
        let mut read = reading(&uid, &format!("2.25.{number}"), &day, &[5.0], &[5.0]);
        let patient = read.patient.as_mut().unwrap();
        patient.key.issuer = issuer.to_owned();
        patient.birth_date = birth.parse().ok();
        patient.sex = Some(sex);
        let bytes = Incoming::new(uid.as_bytes(), None, "folder", "", Utc::now()).unwrap();
        let write = move |tx: &sheathline_store::Tx| keep_as_read(tx, &bytes, &read);
        self.pipeline.store().write(write).unwrap();
        while self.pipeline.assess_some().unwrap() > 0 {}
    }

    /// Hints of the newest version of each result under an issuer, oldest exam first.
    fn hints(&self, issuer: &str) -> Vec<Option<String>> {
        let key = PatientKey {
            issuer: issuer.to_owned(),
            id: "P1".to_owned(),
        };
        let rows = self
            .pipeline
            .store()
            .read(|conn| latest_results(conn, &key));
        let mut all: Vec<Content> = rows
            .unwrap()
            .iter()
            .map(|row| content_of(row).unwrap())
            .collect();
        all.sort_by_key(|one| one.exam.performed_at.local);
        let hint = |one: &Content| {
            let hint = one.remarks.iter().find(|remark| remark.code == HINT)?;
            assert!(hint.action.is_some());
            Some(hint.text.clone())
        };
        all.iter().map(hint).collect()
    }
}

const BORN: &str = "1980-02-03";

#[test]
fn the_same_person_under_two_issuers_is_hinted_at_in_any_order() {
    let all: [Report; 3] = [
        ("WARD", 1, BORN, Sex::F),
        ("", 2, BORN, Sex::F),
        ("WARD", 3, BORN, Sex::F),
    ];
    for order in [[0, 1, 2], [2, 1, 0], [1, 0, 2], [1, 2, 0]] {
        let place = Place::new();
        for at in order {
            place.take(all[at]);
        }
        let ward = place.hints("WARD");
        // The second exam of the ward has a baseline and needs no hint.
        assert_eq!(ward.len(), 2);
        assert!(ward[0].as_ref().unwrap().contains("no issuer"), "{order:?}");
        assert_eq!(ward[1], None, "{order:?}");
        let none = place.hints("");
        assert!(
            none[0].as_ref().unwrap().contains("the issuer WARD"),
            "{order:?}"
        );
        assert!(!none[0].as_ref().unwrap().contains("1980"));
    }
}

#[test]
fn another_birth_date_or_sex_is_somebody_else() {
    for other in [
        ("CLINIC", 2, "1980-02-04", Sex::F),
        ("CLINIC", 2, BORN, Sex::M),
    ] {
        let place = Place::new();
        place.take(("WARD", 1, BORN, Sex::F));
        place.take(other);
        assert_eq!(
            (place.hints("WARD"), place.hints("CLINIC")),
            (vec![None], vec![None])
        );
    }
}

/// Whoever cannot be hinted at anew is left alone.
#[test]
fn a_further_report_of_the_same_person_marks_nobody_else() {
    let place = Place::new();
    place.take(("WARD", 1, BORN, Sex::F));
    place.take(("CLINIC", 2, BORN, Sex::F));
    let versions = |place: &Place| {
        let all = |view: &View| results::numbered(view, 0, i64::MAX, u32::MAX);
        place.pipeline.store().read(all).unwrap().len()
    };
    assert_eq!(versions(&place), 3, "the first one again, with its hint");
    place.take(("CLINIC", 3, BORN, Sex::F));
    assert_eq!(versions(&place), 4);
}
