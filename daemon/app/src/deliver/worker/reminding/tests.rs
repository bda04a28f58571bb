use super::super::tests::{Site, failure, work};
use sheathline_model::assess::Status;
use sheathline_model::domain::{Moment, PatientKey};
use sheathline_model::worklist::{Line, Rise};
use sheathline_net::connect::Stage;
use sheathline_store::deliveries::{self, State, What, Which};
use sheathline_store::{Tx, exam_lines};
use std::collections::BTreeSet;
use std::time::Duration;

fn acknowledged(site: &Site) -> Rise {
    Rise::Acknowledged {
        by: "Dr Amber Vantongeren".to_owned(),
        at: site.now(),
        version: 1,
    }
}

/// The line of exam 1 of `a` says how its rise stands.
fn stands(site: &Site, rise: Option<Rise>) {
    let patient = PatientKey {
        issuer: "HERE".to_owned(),
        id: "a".to_owned(),
    };
    let line = Line {
        exam_id: "a-1".to_owned(),
        patient: patient.clone(),
        name: None,
        birth_date: None,
        sex: None,
        accession: None,
        performed_at: Moment {
            local: "2026-03-01T07:00:00".parse().expect("a time"),
            offset_s: None,
        },
        first_at: site.now(),
        version: 1,
        status: Status::AboveExpected,
        flagged: true,
        reason: None,
        first: false,
        why: None,
        doubts: Vec::new(),
        date_doubted: false,
        eye_word: None,
        measured_mm: None,
        expected_mm: None,
        change_mm: None,
        z: None,
        operator: None,
        device: None,
        label: None,
        rise_since: rise.as_ref().map(|_| site.now()),
        rise,
        worse: None,
        history_only: false,
        second: None,
        left_out: false,
        location: None,
        named_by: None,
    };
    let put = move |tx: &Tx| {
        let ids = BTreeSet::from([patient.clone()]);
        exam_lines::put(tx, &ids, &[(patient.clone(), line.clone())])
    };
    site.store.write(put).expect("put");
}

/// A rise that was told, and a reminder of it that waits.
fn reminded(site: &mut Site) -> String {
    let name = site.publish("a", "1");
    assert_eq!(work(&mut site.worker()), None);
    stands(site, Some(Rise::New));
    let now = site.now();
    let made = site
        .store
        .write(move |tx| deliveries::remind(tx, "a-1", 1, "archive", now));
    assert!(made.expect("written"), "it is published");
    name
}

fn reminder(site: &Site) -> State {
    let all = site.list();
    let mut reminders = all.iter().filter(|one| one.what == What::Reminder);
    reminders.next().expect("a reminder").state
}

#[test]
fn a_reminder_that_waited_is_not_sent_once_its_rise_waits_for_nobody() {
    for rise in [Some(Rise::Withdrawn), None] {
        let mut site = Site::new();
        let name = reminded(&mut site);
        stands(&site, rise);
        let next = site.publish("a", "2");
        assert_eq!(work(&mut site.worker()), None);
        // What comes behind it of its patient goes on.
        assert_eq!(site.got(), [name, next]);
        assert_eq!(reminder(&site), State::Dropped);
    }
    let mut site = Site::new();
    let name = reminded(&mut site);
    let seen = acknowledged(&site);
    stands(&site, Some(seen));
    assert_eq!(work(&mut site.worker()), None);
    assert_eq!(site.got(), [name]);
}

#[test]
fn a_reminder_is_sent_while_its_rise_waits() {
    let mut site = Site::new();
    let name = reminded(&mut site);
    assert_eq!(work(&mut site.worker()), None);
    assert_eq!(site.got(), [&*name, &*name]);
    assert_eq!(reminder(&site), State::Delivered);
}

/// While the destination was dead for it somebody acted; asked for again, it is looked at again.
#[test]
fn a_dead_reminder_that_is_tried_again_is_looked_at_again() {
    let mut site = Site::new();
    let name = reminded(&mut site);
    site.answers(|_| Err(failure(Stage::Answer, true)));
    let mut worker = site.worker();
    assert_eq!(work(&mut worker), None);
    assert_eq!(reminder(&site), State::Dead);
    let seen = acknowledged(&site);
    stands(&site, Some(seen));
    site.answers(|_| Ok(()));
    site.pass(Duration::from_secs(5 * 3600));
    let now = site.now();
    let again = move |tx: &Tx| deliveries::retry(tx, &Which::default(), now);
    site.store.write(again).expect("asked");
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.got(), [&*name, &*name], "nothing since it died");
    assert_eq!(reminder(&site), State::Dropped);
}

/// Put off while the destination was down, and acknowledged meanwhile.
#[test]
fn a_reminder_that_was_put_off_is_looked_at_before_each_attempt() {
    let mut site = Site::new();
    let name = reminded(&mut site);
    site.answers(|_| Err(failure(Stage::Connect, false)));
    let mut worker = site.worker();
    assert!(work(&mut worker).is_some(), "it waits");
    let seen = acknowledged(&site);
    stands(&site, Some(seen));
    site.answers(|_| Ok(()));
    site.pass(Duration::from_secs(3600));
    assert_eq!(work(&mut worker), None);
    assert_eq!(site.got(), [&*name, &*name], "the attempt that failed");
    assert_eq!(reminder(&site), State::Dropped);
}
