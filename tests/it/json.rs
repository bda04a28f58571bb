//! What scripts read: the lines of `--json`, and that one key is one thing in all of them.

use crate::harness::{Site, fixture, lines, program};
use crate::objects::Report;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::process::Output;

const DESTINATION: &str =
    "[[destination]]\nname = \"hook\"\nkind = \"hook\"\nurl = \"http://127.0.0.1:9/\"\n";

/// The lines of standard output, all of which have to be JSON.
fn printed(output: &Output) -> Vec<Value> {
    lines(std::str::from_utf8(&output.stdout).expect("UTF-8"))
}

/// A command of two words with the site's configuration.
fn two_words(site: &Site, words: [&str; 2], args: &[&str]) -> Vec<Value> {
    let output = program()
        .args(words)
        .args(args)
        .arg("--json")
        .env("SHEATHLINE_CONFIG", site.config())
        .output()
        .expect("runs");
    printed(&output)
}

/// A value's kind. Whole and broken numbers are one.
fn kind(value: &Value) -> Option<&'static str> {
    match value {
        Value::Null => None,
        Value::Bool(_) => Some("truth value"),
        Value::Number(_) => Some("number"),
        Value::String(_) => Some("text"),
        Value::Array(_) => Some("list"),
        Value::Object(_) => Some("object"),
    }
}

/// Every command that has `--json` prints JSON alone, and the value of a key is of one kind in all of
/// them. Left out: `calibrate`, `department` and `simulate`, whose tables have columns of their own,
/// and what needs an archive (`backfill`).
#[test]
fn one_key_is_one_thing_in_the_json_of_all_commands() {
    let site = Site::with(&format!("audit = \"audit.xml\"\n{DESTINATION}"));
    let reports: Vec<String> = (1..4)
        .map(|n| Report {
            patient: "T-1".into(),
            date: format!("202{n}0301"),
            ..Report::numbered(n)
        })
        .map(|report| report.write(&site.path(".")).display().to_string())
        .collect();
    let path = |name: &str| site.path(name).display().to_string();
    let broken = path("broken.dcm");
    fs::write(&broken, "no report").expect("written");
    let mut all: Vec<&str> = reports.iter().map(String::as_str).collect();
    all.extend([broken.as_str(), "--json"]);
    let mut told = vec![("process", printed(&site.run("process", &all)))];
    let exam = site.results().into_keys().next().expect("a result");
    let elsewhere = path("elsewhere.toml");
    let text = fs::read_to_string(site.config()).expect("a configuration");
    fs::write(&elsewhere, text.replace("store.sqlite", "elsewhere.sqlite")).expect("written");
    let (copy, tables) = (path("copy.sqlite"), path("tables"));
    for (command, args) in [
        ("status", &[][..]),
        ("label", &[&exam, "well"]),
        ("pressure", &[&exam, "25", "cm[H2O]"]),
        ("event", &["T-1", "2022-06-01", "other"]),
        ("entries", &["T-1"]),
        ("history", &["T-1"]),
        ("explain", &[&exam]),
        ("quarantine", &[]),
        ("verify", &[]),
        ("backup", &["--output", &copy]),
        ("export", &["--output", &tables, "--identified"]),
        ("compact", &[]),
        ("move", &["--into", &elsewhere, "--dry-run"]),
        ("restore", &["--replace", &copy]),
        ("read", &[&reports[0]]),
        ("check-config", &["--explain"]),
    ] {
        let output = site.run(command, &[args, &["--json"]].concat());
        told.push((command, printed(&output)));
    }
    let pair = [
        "--prior",
        "|T-9",
        "--surviving",
        "|T-1",
        "--reason",
        "twice",
    ];
    told.push((
        "patient merge",
        two_words(&site, ["patient", "merge"], &pair),
    ));
    told.push(("patient list", two_words(&site, ["patient", "list"], &[])));
    let hook = ["--destination", "hook"];
    for words in ["list", "drop", "retry"] {
        told.push((words, two_words(&site, ["outbox", words], &hook)));
    }
    let template = fixture("../sr-templates/tid1500.toml")
        .display()
        .to_string();
    told.push((
        "check",
        two_words(&site, ["template", "check"], &[&template]),
    ));
    let on = [template.as_str(), &reports[0]];
    told.push(("try", two_words(&site, ["template", "try"], &on)));

    type Commands<'a> = BTreeSet<&'a str>;
    let mut kinds: BTreeMap<&str, BTreeMap<&str, Commands<'_>>> = BTreeMap::new();
    for (command, lines) in &told {
        assert!(!lines.is_empty(), "{command} prints nothing");
        for (key, value) in lines.iter().filter_map(Value::as_object).flatten() {
            if let Some(kind) = kind(value) {
                let of_key = kinds.entry(key).or_default();
                of_key.entry(kind).or_default().insert(command);
            }
        }
    }
    for (key, kind) in [
        ("patient", "object"),
        ("exam_id", "text"),
        ("reason", "text"),
    ] {
        assert!(kinds[key].contains_key(kind), "{key}: {kinds:#?}");
    }
    // What these were called: an author, a patient's issuer and whom people said something of.
    for earlier in ["who", "issuer", "people"] {
        assert!(!kinds.contains_key(earlier), "{earlier}");
    }
    // `status` has details where others count and the version of the program, and an answer of `assess` stands in `explain` as it is
    // published; so does the state of a report in `read`.
    let as_published = [
        "objects",
        "deliveries",
        "rows",
        "state",
        "baseline",
        "version",
    ];
    kinds.retain(|key, of_key| of_key.len() > 1 && !as_published.contains(key));
    assert!(kinds.is_empty(), "{kinds:#?}");
}
