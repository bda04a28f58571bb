//! The store moved to another place and back by the real program: what it answers stays, byte for byte.

use super::{process, reports};
use crate::harness::{Site, program};
use crate::objects::Report;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Output;

/// Who takes out identities is told there.
const TRAIL: &str = "audit = \"audit.xml\"\n";

const DESTINATION: &str =
    "[[destination]]\nname = \"hook\"\nkind = \"hook\"\nurl = \"http://127.0.0.1:9/\"\n";

/// The same site with its store at another place.
fn elsewhere(site: &Site, name: &str) -> String {
    let text = fs::read_to_string(site.config()).expect("a configuration");
    let path = site.path(&format!("{name}.toml"));
    let text = text.replace("\"store.sqlite\"", &format!("\"{name}/store.sqlite\""));
    fs::write(&path, text).expect("written");
    path.display().to_string()
}

fn with(config: &str, args: &[&str]) -> Output {
    let mut command = program();
    command.args(args).env("SHEATHLINE_CONFIG", config);
    command.output().expect("runs")
}

fn done(config: &str, args: &[&str]) -> String {
    let output = with(config, args);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{args:?}: {said}");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// Every file below a folder.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder_now) = folders.pop() {
        for entry in fs::read_dir(&folder_now).expect("readable") {
            let path = entry.expect("entry").path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).expect("below");
                found.insert(name.display().to_string(), fs::read(&path).expect("read"));
            }
        }
    }
    found
}

/// What the program says of its store.
fn answers(site: &Site, config: &str, name: &str) -> BTreeMap<String, String> {
    let exams: Vec<String> = site.results().into_keys().collect();
    let mut all = BTreeMap::new();
    let mut ask = |args: &[&str]| {
        all.insert(args.join(" "), done(config, args));
    };
    for exam in &exams {
        ask(&["explain", exam]);
    }
    for args in [
        &["entries", "T-1", "--json"][..],
        &["history", "T-0"],
        &["patient", "list", "--json"],
        &["outbox", "list", "--json"],
        &["account", "list", "--json"],
        &["worklist", "--all", "--json"],
        &["quarantine", "--json"],
        &["verify", "--json"],
    ] {
        ask(args);
    }
    for exam in &exams {
        for form in ["hl7", "fhir", "csv", "pdf"] {
            let file = site
                .path(&format!("{name}-{exam}.{form}"))
                .display()
                .to_string();
            done(config, &["render", exam, "--form", form, "--output", &file]);
            let bytes = fs::read(&file).expect("rendered");
            all.insert(
                format!("{exam}.{form}"),
                String::from_utf8_lossy(&bytes).into_owned(),
            );
        }
    }
    let tables = site.path(&format!("tables-{name}")).display().to_string();
    done(config, &["export", "--output", &tables, "--identified"]);
    for (file, bytes) in files(Path::new(&tables)) {
        // It tells when it was made.
        if file.ends_with(".csv") {
            all.insert(file, String::from_utf8_lossy(&bytes).into_owned());
        }
    }
    all
}

/// Tells of the first answer that is another one, or is missing.
fn same(now: &BTreeMap<String, String>, before: &BTreeMap<String, String>) {
    assert!(now.keys().eq(before.keys()));
    for (what, text) in before {
        assert_eq!(now.get(what), Some(text), "{what}");
    }
}

/// The outbox that a copy of the store writes into a folder of its own.
fn written_anew(site: &Site, config: &str, name: &str, report: &Path) -> BTreeMap<String, Vec<u8>> {
    let copy = site.path(&format!("{name}.copy")).display().to_string();
    done(config, &["backup", "--output", &copy]);
    let text = fs::read_to_string(config).expect("read");
    let text: String = text
        .lines()
        .map(|line| match line.split_once(" = ") {
            Some(("path", place)) if place.contains("store.sqlite") => {
                format!("path = \"{name}-anew/store.sqlite\"\n")
            }
            Some(("folder", _)) => format!("folder = \"{name}-outbox\"\n"),
            _ => format!("{line}\n"),
        })
        .collect();
    let fresh = site
        .path(&format!("{name}-anew.toml"))
        .display()
        .to_string();
    fs::write(&fresh, text).expect("written");
    done(&fresh, &["restore", &copy]);
    done(&fresh, &["process", &report.display().to_string()]);
    let mut all = files(&site.path(&format!("{name}-outbox")));
    // It names the store.
    all.retain(|file, _| !file.starts_with('.'));
    all
}

#[test]
fn a_store_that_was_moved_answers_as_before_and_goes_on() {
    let site = Site::with(&format!("{TRAIL}{DESTINATION}"));
    let sent = reports(&site, 3, 3);
    process(&site, &sent);
    let here = site.config().display().to_string();
    let exam = site.results().into_keys().next().expect("a result");
    done(&here, &["label", &exam, "well"]);
    done(&here, &["event", "T-1", "2022-06-01", "other", "--yes"]);
    done(&here, &["pressure", &exam, "25", "cm[H2O]"]);
    let pair = [
        "--prior",
        "TARNHOLT|T-2",
        "--surviving",
        "TARNHOLT|T-1",
        "--reason",
        "twice",
    ];
    done(&here, &[&["patient", "merge"][..], &pair].concat());
    let there = elsewhere(&site, "there");
    let dry = done(&here, &["move", "--into", &there, "--dry-run"]);
    assert!(dry.contains("would be moved"), "{dry}");
    assert!(!site.path("there").exists(), "a dry run makes nothing");
    let daemon = site.serve();
    let held = with(&here, &["move", "--into", &there]);
    assert_eq!(held.status.code(), Some(1));
    let said = String::from_utf8_lossy(&held.stderr).into_owned();
    assert!(said.contains("in use by process"), "{said}");
    assert_eq!(daemon.stop(), Some(0));
    // It has tried to deliver: from here on nothing changes by itself.
    let before = answers(&site, &here, "before");
    assert!(before.len() > 40, "{}", before.len());
    let outbox = files(&site.path("outbox"));
    let anew = written_anew(&site, &here, "here", &sent[0]);
    assert!(anew.len() > 40, "{}", anew.len());
    assert_eq!(
        with(&here, &["move", "--into", &here]).status.code(),
        Some(2)
    );

    done(&here, &["move", "--into", &there]);
    for args in [
        &["status"][..],
        &["label", &exam, "well"],
        &["move", "--into", &there],
    ] {
        let gone = with(&here, args);
        assert!(!gone.status.success(), "{args:?}");
        let said = String::from_utf8_lossy(&gone.stderr).into_owned();
        assert!(said.contains("this store was moved to"), "{args:?}: {said}");
    }
    same(&answers(&site, &there, "there"), &before);
    // Back, at a place that is new.
    let back = elsewhere(&site, "back");
    done(&there, &["move", "--into", &back]);
    same(&answers(&site, &back, "back"), &before);
    let after = files(&site.path("outbox"));
    for (name, bytes) in &outbox {
        assert!(
            name.starts_with('.') || after.get(name) == Some(bytes),
            "{name}"
        );
    }
    // An outbox written anew is the one that the store would have written before.
    assert_eq!(written_anew(&site, &back, "back", &sent[0]), anew);

    // And everything goes on: a further exam of a patient is compared with those from before.
    let next = Report {
        patient: "T-0".to_owned(),
        date: "20250705".to_owned(),
        ..Report::numbered(77)
    };
    let next = next.write(&site.path("reports")).display().to_string();
    done(&back, &["process", &next]);
    done(&back, &["verify", "--outbox-complete"]);
    let newest = site.results();
    assert_eq!(newest.len(), 10);
    let compared = newest
        .values()
        .filter(|one| one["assessment"]["status"] != "no_baseline");
    assert!(compared.count() > 0);
}
