//! The real program: patient ids merged and separated, by commands and by HL7 v2 over MLLP.

mod carrier;
mod hostile;
mod reload;
mod tls;

use super::harness::{Daemon, Site, fixture, until};
use serde_json::Value;
use sheathline_store::bare::Bare;
use std::fs;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

const OLD: &str = "SL-0043";
const NEW: &str = "SL-0042";
const ISSUER: &str = "TARNHOLT";

/// Two reports of one invented child, the second under another id.
fn reports(site: &Site) -> [String; 2] {
    let one = fixture("sr/tid1500/report.dcm");
    let bytes = fs::read(fixture("sr/amended-first/report.dcm")).expect("fixture");
    let other = site.path("other.dcm");
    fs::write(&other, replaced(&bytes, NEW.as_bytes(), OLD.as_bytes())).expect("written");
    [one, other].map(|path| path.display().to_string())
}

/// Every occurrence of `what` by something of the same length.
fn replaced(bytes: &[u8], what: &[u8], by: &[u8]) -> Vec<u8> {
    let mut out = bytes.to_vec();
    for at in 0..bytes.len() - what.len() {
        if bytes[at..].starts_with(what) {
            out[at..at + what.len()].copy_from_slice(by);
        }
    }
    out
}

fn processed(more: &str) -> Site {
    let site = Site::with(more);
    let [one, other] = reports(&site);
    site.ok("process", &[&one, &other]);
    site
}

/// Patient id of each newest result, and whether ids are joined.
fn patients(site: &Site) -> Vec<(String, bool)> {
    let results = site.results();
    let mut all: Vec<(String, bool)> = results
        .values()
        .map(|one| {
            let id = one["patient"]["id"].as_str().expect("an id").to_owned();
            (id, one.get("joined").is_some())
        })
        .collect();
    all.sort();
    all
}

fn pair(from: &str, into: &str) -> [String; 4] {
    let id = |id| format!("{ISSUER}|{id}");
    ["--from".into(), id(from), "--into".into(), id(into)]
}

fn patient(site: &Site, act: &str, from: &str, into: &str) -> std::process::Output {
    super::harness::program()
        .args(["patient", act, "--config"])
        .arg(site.config())
        .args(pair(from, into))
        .args(["--why", "double registration"])
        .output()
        .expect("runs")
}

#[test]
fn a_merge_by_command_is_done_shown_and_taken_back() {
    let site = processed("audit = \"audit.xml\"\n");
    let apart = [(NEW.to_owned(), false), (OLD.to_owned(), false)];
    assert_eq!(patients(&site), apart);
    assert!(patient(&site, "merge", OLD, NEW).status.success());
    let joined = [(NEW.to_owned(), true), (NEW.to_owned(), true)];
    assert_eq!(patients(&site), joined);
    let moved: Vec<Value> = site.results().into_values().collect();
    let moved = moved
        .iter()
        .find(|one| one["reports"][0]["came_under"]["id"] == OLD);
    let moved = moved.expect("the report tells its own id");
    assert!(
        moved["why"].to_string().contains("joined by a merge"),
        "{}",
        moved["why"]
    );
    let folder = site.path("outbox").join(format!(
        "{}-v{}",
        moved["exam"]["id"].as_str().expect("id"),
        moved["version"]
    ));
    for file in ["result.txt", "result.html"] {
        let text = fs::read_to_string(folder.join(file)).expect("written");
        assert!(
            text.contains("Joined patient ids") && text.contains(OLD),
            "{file}"
        );
    }
    // Twice is refused, and so is a circle.
    for (from, into, says) in [(OLD, NEW, "already"), (NEW, OLD, "circle")] {
        let output = patient(&site, "merge", from, into);
        assert_eq!(output.status.code(), Some(1));
        assert!(String::from_utf8_lossy(&output.stderr).contains(says));
    }
    let trail = fs::read_to_string(site.path("audit.xml")).expect("a trail");
    assert_eq!(trail.matches("Patient Record").count(), 1);
    // A label of the old id's exam is found under the new one.
    let history = site.ok("history", &[OLD]);
    let exams = history.lines().filter(|line| line.starts_with("2024-"));
    assert_eq!(exams.count(), 2, "{history}");

    assert!(patient(&site, "unmerge", OLD, NEW).status.success());
    assert_eq!(patients(&site), apart);
    let again = patient(&site, "unmerge", OLD, NEW);
    assert_eq!(again.status.code(), Some(1));
    let list = super::harness::program()
        .args(["patient", "list", "--json", "--config"])
        .arg(site.config())
        .output()
        .expect("runs");
    let list = super::harness::lines(&String::from_utf8_lossy(&list.stdout));
    let acts: Vec<&str> = list
        .iter()
        .map(|one| one["kind"].as_str().expect("kind"))
        .collect();
    assert_eq!(acts, ["merge", "unmerge"]);
    assert!(list.iter().all(|one| one["in_force"] == false));
    site.ok("verify", &[]);
}

#[test]
fn a_table_is_taken_whole_or_not_at_all() {
    let site = processed("");
    let import = |text: &str| {
        fs::write(site.path("merges.csv"), text).expect("written");
        super::harness::program()
            .args(["patient", "import", "--config"])
            .arg(site.config())
            .arg(site.path("merges.csv"))
            .output()
            .expect("runs")
    };
    let head = "act,from_issuer,from_id,into_issuer,into_id,decided_at,why\n";
    let good = format!("merge,{ISSUER},{OLD},{ISSUER},{NEW},2026-03-31,double\n");
    let output = import(&format!("{head}{good}merge,{ISSUER},,X,1,2026-03-31,\n"));
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("merges.csv:3: from_id is empty"));
    assert!(patients(&site).iter().all(|(_, joined)| !joined));
    for expected in ["new 1", "new 0"] {
        let output = import(&format!("{head}{good}"));
        assert!(String::from_utf8_lossy(&output.stdout).contains(expected));
        assert!(patients(&site).iter().all(|(_, joined)| *joined));
    }
}

/// A crash between a statement and its message in the audit trail: the next start tells it.
#[test]
fn what_was_stated_is_in_the_trail_after_a_crash() {
    let site = processed("audit = \"audit.xml\"\n");
    let records = || {
        let trail = fs::read_to_string(site.path("audit.xml")).expect("a trail");
        trail.matches("Patient Record").count()
    };
    assert!(patient(&site, "merge", OLD, NEW).status.success());
    assert_eq!(records(), 1);
    // The trail without its message, and the store as it was before it noted that it told it.
    let trail = fs::read_to_string(site.path("audit.xml")).expect("a trail");
    let lost: Vec<&str> = trail
        .lines()
        .filter(|line| !line.contains("Patient Record"))
        .collect();
    fs::write(site.path("audit.xml"), lost.join("\n") + "\n").expect("written");
    let store = Bare::open(&site.path("store.sqlite")).expect("a store");
    let changed = store.change("update meta set value = '0' where name = 'audit_told_statement'");
    assert_eq!(changed.expect("written"), 1);
    drop(store);
    let daemon = site.serve();
    until("the message", || records() == 1);
    assert_eq!(daemon.stop(), Some(0));
    let daemon = site.serve();
    assert_eq!(daemon.stop(), Some(0));
    assert_eq!(records(), 1, "told once");
}

/// A daemon that takes HL7, and where.
fn serving(site: &Site) -> (Daemon, SocketAddr) {
    let daemon = site.serve();
    let mut address = None;
    until("HL7", || {
        let log = daemon.log();
        let mut log = log.iter().map(|line| &line["fields"]);
        let found = log.find(|one| one["code"] == "hl7-listening");
        address = found.map(|one| {
            one["address"]
                .as_str()
                .expect("address")
                .parse()
                .expect("one")
        });
        address.is_some()
    });
    (daemon, address.expect("found"))
}

const HL7: &str =
    "[receive.hl7]\nlisten = \"127.0.0.1:0\"\nmessage_timeout_s = 1\nmax_connections = 4\n";

fn adt(event: &str, control: &str, at: &str, rest: &str) -> Vec<u8> {
    let text = format!(
        "MSH|^~\\&|ADT|CLINIC|SHEATHLINE||{at}||ADT^{event}^ADT_A39|{control}|P|2.5.1\rEVN||{at}\r{rest}"
    );
    [b"\x0b", text.as_bytes(), b"\x1c\r"].concat()
}

/// Sends bytes and reads one answer; empty if the connection ends without one.
fn asked(stream: &mut TcpStream, bytes: &[u8]) -> String {
    stream
        .set_read_timeout(Some(Duration::from_secs(30)))
        .expect("set");
    let _ = stream.write_all(bytes);
    let mut answer = Vec::new();
    let mut one = [0];
    while !answer.ends_with(b"\x1c\r") && matches!(stream.read(&mut one), Ok(1)) {
        answer.push(one[0]);
    }
    String::from_utf8(answer).expect("UTF-8")
}

/// MSA-1 and ERR-3, as another reader finds them.
fn codes(answer: &str) -> (String, String) {
    let text = answer.trim_start_matches('\x0b').trim_end_matches("\x1c\r");
    let message = hl7_parser::parse_message(text).expect("a message");
    let field = |segment: &str, number: usize| {
        let segment = message.segment(segment)?;
        let field = segment.field(number)?;
        Some(field.component(1)?.raw_value().to_owned())
    };
    assert_eq!(field("MSH", 9).as_deref(), Some("ACK"));
    let code = field("MSA", 1).expect("MSA-1");
    (code, field("ERR", 3).unwrap_or_default())
}

#[test]
fn a_merge_message_is_kept_before_it_is_acknowledged() {
    let site = processed(HL7);
    let (daemon, address) = serving(&site);
    let mut stream = TcpStream::connect(address).expect("connects");
    let groups = format!("PID|1||{NEW}^^^{ISSUER}\rMRG|{OLD}^^^{ISSUER}\r");
    let merge = adt("A40", "1", "20260301120000+0000", &groups);
    assert_eq!(
        codes(&asked(&mut stream, &merge)),
        ("AA".into(), String::new())
    );
    // What was acknowledged outlives a crash.
    daemon.kill();
    let (daemon, address) = serving(&site);
    let all_joined = || {
        patients(&site)
            .iter()
            .all(|(id, joined)| *joined && id == NEW)
    };
    until("joined results", all_joined);
    let versions = site.all_results().len();

    // A repeat is acknowledged and changes nothing.
    let mut stream = TcpStream::connect(address).expect("connects");
    assert_eq!(codes(&asked(&mut stream, &merge)).0, "AA");
    // What is wrong is told with its place, and nothing of it is kept.
    let unsure = format!("PID|1||{NEW}\rMRG|{OLD}^^^{ISSUER}\r");
    let answer = asked(&mut stream, &adt("A40", "2", "20260301120000", &unsure));
    assert_eq!(codes(&answer), ("AE".into(), "101".into()));
    assert!(answer.contains("|PID^1^3^1^4|"), "{answer}");
    let answer = asked(&mut stream, &adt("A01", "3", "20260301120000", ""));
    assert_eq!(codes(&answer), ("AR".into(), "201".into()));

    let both = format!("PID|1||{OLD}^^^{ISSUER}\rPID|2||{NEW}^^^{ISSUER}\r");
    let unlink = adt("A37", "4", "20260302120000+0000", &both);
    assert_eq!(codes(&asked(&mut stream, &unlink)).0, "AA");
    until("separated results", || {
        patients(&site).iter().all(|(_, joined)| !joined)
    });
    // The old merge, sent once more, does not undo what was decided after it.
    assert_eq!(codes(&asked(&mut stream, &merge)).0, "AA");
    assert_eq!(site.all_results().len(), versions + 2);
    assert!(patients(&site).iter().all(|(_, joined)| !joined));
    // No id is in the log.
    let log = format!("{:?}", daemon.log());
    assert!(
        log.contains("hl7-taken") && !log.contains(OLD) && !log.contains(NEW),
        "{log}"
    );
    drop(stream);
    assert_eq!(daemon.stop(), Some(0));
}
