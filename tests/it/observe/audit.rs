//! The audit trail of the real daemon: what stands in it, and what happens when it cannot be written.

use super::{LISTEN, endpoint, reasons, samples};
use crate::harness::{Site, until};
use crate::objects::Report;
use roxmltree::Document;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// The text, and how many messages there are of each event id, action and outcome.
pub(crate) fn events(path: &Path) -> (String, BTreeMap<String, usize>) {
    let text = fs::read_to_string(path).expect("the trail");
    let mut found = BTreeMap::new();
    for line in text.lines() {
        let message = Document::parse(line).expect("a message on a line");
        let named = |name: &str| {
            let mut nodes = message.descendants();
            nodes.find(|node| node.has_tag_name(name)).expect("a node")
        };
        let event = named("EventIdentification");
        let of = |name: &str| event.attribute(name).expect("an attribute");
        let id = named("EventID").attribute("csd-code").expect("a code");
        let key = format!(
            "{id} {} {}",
            of("EventActionCode"),
            of("EventOutcomeIndicator")
        );
        *found.entry(key).or_default() += 1;
    }
    (text, found)
}

#[test]
fn without_a_trail_results_wait_and_none_is_missing_after() {
    let site = Site::with(&format!("{LISTEN}audit = \"trail/audit.xml\"\n"));
    fs::create_dir(site.path("trail")).expect("made");
    let daemon = site.serve();
    let to = endpoint(&daemon);
    until("ready", || reasons(to).0 == 200);
    Report::numbered(1).write(&site.path("drop"));
    let published = "sheathline_results_published_total";
    until("the first result", || samples(to)[published] == 1.0);
    fs::rename(site.path("trail"), site.path("aside")).expect("renamed");
    for n in 2..12 {
        Report::numbered(n).write(&site.path("drop"));
    }
    let failures = "sheathline_failures_total{code=\"audit-not-written\"}";
    until("the failure", || samples(to)[failures] == 1.0);
    let kept = "sheathline_objects_received_total{source=\"folder\",outcome=\"kept\"}";
    until("all are kept", || samples(to)[kept] == 11.0);
    assert_eq!(reasons(to), (503, vec!["audit-not-written".to_owned()]));
    assert_eq!(samples(to)[published], 1.0);
    fs::rename(site.path("aside"), site.path("trail")).expect("renamed");
    until("all results", || samples(to)[published] == 11.0);
    until("ready again", || reasons(to).0 == 200);
    assert_eq!(samples(to)[failures], 1.0, "one line, one count");
    let (_, found) = events(&site.path("trail/audit.xml"));
    assert_eq!((found["110107 C 0"], found["110106 R 0"]), (11, 11));
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_kill_loses_no_object_and_no_result() {
    let site = Site::with("audit = \"audit.xml\"\n");
    for n in 0..30 {
        Report::numbered(n).write(&site.path("drop"));
    }
    let daemon = site.serve();
    until("some", || {
        fs::read_to_string(site.path("audit.xml")).is_ok_and(|text| text.lines().count() > 5)
    });
    daemon.kill();
    let daemon = site.serve();
    until("all results", || {
        site.path("outbox").exists() && site.results().len() == 30
    });
    assert_eq!(daemon.stop(), Some(0));
    let (text, found) = events(&site.path("audit.xml"));
    for n in 0..30 {
        // Told of at least once as an object and once as a result, whatever the instant of the kill.
        let id = format!("ParticipantObjectID=\"T-{n}\"");
        let of = |event: &str| {
            let both = |line: &&str| line.contains(&id) && line.contains(event);
            text.lines().filter(both).count()
        };
        assert!(of("110107") >= 1 && of("110106") >= 1, "{n}");
    }
    assert_eq!(found["110100 E 0"], 3, "two starts, one stop in order");
}

#[test]
fn a_trail_that_cannot_be_begun_is_a_clear_end() {
    let site = Site::with("audit = \"nowhere/audit.xml\"\n");
    let ended = site.run("serve", &[]);
    assert_eq!(ended.status.code(), Some(1));
    let said = String::from_utf8_lossy(&ended.stderr).into_owned();
    assert!(
        said.contains("nowhere/audit.xml") && said.contains("[observe] audit"),
        "{said}"
    );
}
