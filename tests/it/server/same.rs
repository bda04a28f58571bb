//! The same reports on a file and on a server: the same results and the same answers, times apart.

use super::on;
use crate::harness::{Daemon, Site, fixture, tool, until};
use crate::objects::Report;
use sheathline_store::postgres::served::Served;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// Exams of two patients, in turns.
const EXAMS: usize = 6;

fn report(n: usize) -> Report {
    Report {
        patient: format!("T-{}", n % 2),
        date: format!("2024{:02}01", n + 1),
        // The last of the first patient rises.
        tenths: if n == EXAMS - 2 { 15 } else { 0 },
        ..Report::numbered(n)
    }
}

/// By the drop folder and by DICOM in turns.
fn brought(site: &Site, daemon: &Daemon, n: usize) {
    if n.is_multiple_of(2) {
        report(n).write(&site.path("drop"));
        return;
    }
    fs::create_dir_all(site.path("sent")).expect("made");
    let file = report(n).write(&site.path("sent"));
    let port = daemon.address.port().to_string();
    let sent = tool("storescu")
        .args(["-aet", "CART1", "-aec", "SHEATHLINE", "127.0.0.1", &port])
        .arg(&file)
        .status();
    assert!(sent.expect("storescu starts").success());
}

/// Everything that a site answers, by what was asked.
fn answers(site: &Site) -> BTreeMap<String, String> {
    let daemon = site.serve();
    for n in 0..EXAMS {
        brought(site, &daemon, n);
        until("the result", || site.all_results().len() == n + 1);
    }
    let broken = site.path("drop/broken.dcm");
    fs::copy(fixture("sr/truncated/report.dcm"), broken).expect("copied");
    until("the broken one", || {
        !site.json("quarantine", &["--json"]).is_empty()
    });
    let first = site.all_results();
    let first = first.iter().find(|one| one["exam"]["date"] == "2024-01-01");
    let exam = first.unwrap_or(&site.all_results()[0])["exam"]["id"]
        .as_str()
        .expect("an id")
        .to_owned();
    let before = site.all_results().len();
    site.ok("label", &[&exam, "well"]);
    until("the labelled results", || site.all_results().len() > before);
    until("nothing that waits", || {
        let status = site.run("status", &["--json"]).stdout;
        let status: serde_json::Value = serde_json::from_slice(&status).expect("JSON");
        let waiting = status["waiting"].as_array().expect("stages");
        waiting.iter().all(|stage| stage["count"] == 0)
    });
    let mut all = BTreeMap::new();
    for args in [
        &["quarantine", "--json"][..],
        &["explain", &exam, "--json"],
        &["render", &exam, "--form", "text"],
        &["worklist", "--all", "--json"],
        &["history", "T-0", "--json"],
        &["entries", "--json"],
        &["verify", "--json"],
    ] {
        let output = site.run(args[0], &args[1..]);
        let said = [output.stdout, output.stderr].concat();
        let said = String::from_utf8_lossy(&said).into_owned();
        all.insert(args.join(" "), said);
    }
    let status = site.run("status", &["--json"]).stdout;
    let mut status: serde_json::Value = serde_json::from_slice(&status).expect("JSON");
    let status = status.as_object_mut().expect("an object");
    // What differs between a file and a server is told here.
    assert!(status.remove("database").is_some() && status.remove("disk").is_some());
    status.remove("spool");
    status.remove("members");
    all.insert(
        "status".to_owned(),
        serde_json::to_string(status).expect("JSON"),
    );
    let folder = site.path("tables");
    site.ok(
        "export",
        &["--identified", "--output", &folder.display().to_string()],
    );
    read_below(&folder, "export", &mut all);
    read_below(&site.path("outbox"), "outbox", &mut all);
    assert_eq!(daemon.stop(), Some(0));
    all
}

/// Every file below a folder, by its name; those that hold machine data only as their name.
fn read_below(folder: &Path, name: &str, all: &mut BTreeMap<String, String>) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        let part = path
            .file_name()
            .expect("a name")
            .to_string_lossy()
            .into_owned();
        let name = format!("{name}/{part}");
        // It holds hashes of files that hold times.
        if part.starts_with('.') || part == "manifest.json" {
            continue;
        }
        if path.is_dir() {
            read_below(&path, &name, all);
            continue;
        }
        let bytes = fs::read(&path).expect("readable");
        // The time of its making stands in a page that is compressed.
        let text = String::from_utf8(bytes).unwrap_or_default();
        all.insert(name, text);
    }
}

/// Without times of this run, and without the folder of the site.
fn told(text: &str, site: &Site) -> String {
    let text = text.replace(&site.path("").display().to_string(), "SITE/");
    let year = chrono_year();
    let mut out = String::new();
    let mut rest = text.as_str();
    while let Some(at) = rest.find(&year) {
        let (before, from) = rest.split_at(at);
        out.push_str(before);
        let is_time = |c: char| c.is_ascii_digit() || "-:.TZ+ ".contains(c);
        let end = from.find(|c| !is_time(c)).unwrap_or(from.len());
        out.push_str("TIME");
        rest = &from[end..];
    }
    out.push_str(rest);
    out
}

/// The year of this run with the mark behind it, as times begin.
fn chrono_year() -> String {
    let output = std::process::Command::new("date")
        .args(["-u", "+%Y-"])
        .output();
    let year = String::from_utf8(output.expect("date").stdout).expect("UTF-8");
    year.trim().to_owned()
}

#[test]
fn a_server_answers_as_a_file_does() {
    let server = Served::shared();
    let database = server.database();
    let trail = "audit = \"audit.xml\"\n";
    let (on_file, on_server) = (Site::with(trail), Site::with(trail));
    on(&on_server, &server.url(&database), "tls = \"off\"\n");
    let file = answers(&on_file);
    let server = answers(&on_server);
    assert!(!on_server.path("store.sqlite").exists());
    let names = |all: &BTreeMap<String, String>| all.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&file), names(&server));
    assert!(
        file.keys()
            .filter(|name| name.starts_with("outbox/"))
            .count()
            > 20
    );
    for (name, text) in &file {
        let (text, other) = (told(text, &on_file), told(&server[name], &on_server));
        assert_eq!(text, other, "{name}");
    }
    for (command, words) in [
        ("backup", "pg_dump"),
        ("compact", "VACUUM FULL"),
        ("restore", "sheathline verify"),
    ] {
        let args: &[&str] = match command {
            "backup" => &["--output", "copy"],
            "restore" => &["copy"],
            _ => &[],
        };
        let output = on_server.run(command, args);
        assert_eq!(output.status.code(), Some(2), "{command}");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.contains(words), "{command}: {said}");
    }
}
