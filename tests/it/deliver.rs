//! Results on their way to a destination, by the real daemon and a hook that answers as it is told.

mod by_page;
mod reload;
mod typed;
mod upgrade;

use crate::harness::{Daemon, Site, fixture, lines, program, until};
use serde_json::Value;
use sheathline_store::bare::Bare;
use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};

/// What is in the answers of a receiver and must never be in a log.
const WORDS: &str = "Kestrel^Odwin is not known here";

/// Reports of three exams.
const REPORTS: [&str; 3] = ["tid1500", "two-time-points", "amended-first"];

/// A receiver of notices on a port of its own.
struct Hook {
    port: u16,
    /// Idempotency keys as they came, with the status each was answered with.
    got: Arc<Mutex<Vec<(String, u16)>>>,
    /// The status for a key; 0 never answers.
    answer: Arc<Mutex<Answer>>,
}

type Answer = Box<dyn Fn(&str) -> u16 + Send>;

impl Hook {
    fn new(answer: impl Fn(&str) -> u16 + Send + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let hook = Hook {
            port: listener.local_addr().expect("bound").port(),
            got: Arc::default(),
            answer: Arc::new(Mutex::new(Box::new(answer))),
        };
        let (got, answer) = (Arc::clone(&hook.got), Arc::clone(&hook.answer));
        std::thread::spawn(move || {
            let mut held = Vec::new();
            for stream in listener.incoming().map_while(Result::ok) {
                let Some(key) = request(&stream) else {
                    continue;
                };
                let status = (answer.lock().expect("no panic"))(&key);
                got.lock().expect("no panic").push((key, status));
                if status == 0 {
                    held.push(stream);
                    continue;
                }
                let mut stream = stream;
                let length = WORDS.len();
                let _ = write!(
                    stream,
                    "HTTP/1.1 {status} So\r\ncontent-type: text/plain\r\n\
                     content-length: {length}\r\nconnection: close\r\n\r\n{WORDS}"
                );
            }
        });
        hook
    }

    fn answers(&self, answer: impl Fn(&str) -> u16 + Send + 'static) {
        *self.answer.lock().expect("no panic") = Box::new(answer);
    }

    fn got(&self) -> Vec<(String, u16)> {
        self.got.lock().expect("no panic").clone()
    }

    fn took(&self) -> Vec<String> {
        let taken = self.got().into_iter().filter(|(_, status)| *status == 200);
        taken.map(|(key, _)| key).collect()
    }

    /// A site that delivers to it.
    fn site(&self) -> Site {
        self.site_with("")
    }

    /// The same with more tables of the configuration.
    fn site_with(&self, more: &str) -> Site {
        let port = self.port;
        Site::with(&format!(
            "{more}[[destination]]\nname = \"hook\"\nkind = \"hook\"\nurl = \"http://127.0.0.1:{port}/\"\n\
             timeout_s = 3600\nfirst_wait_s = 1\nlongest_wait_s = 1\n"
        ))
    }
}

/// The idempotency key of a request, once its whole body has come.
fn request(stream: &TcpStream) -> Option<String> {
    let mut lines = BufReader::new(stream);
    let (mut key, mut length) = (None, 0);
    loop {
        let mut line = String::new();
        lines.read_line(&mut line).ok()?;
        let line = line.trim().to_lowercase();
        match line.split_once(": ") {
            Some(("idempotency-key", value)) => key = Some(value.trim_matches('"').to_owned()),
            Some(("content-length", value)) => length = value.parse().ok()?,
            _ if line.is_empty() => break,
            _ => {}
        }
    }
    let mut body = vec![0; length];
    lines.read_exact(&mut body).ok()?;
    key
}

fn put(site: &Site, cases: &[&str]) {
    for case in cases {
        let part = site.path(&format!("drop/.{case}.dcm"));
        fs::copy(fixture(&format!("sr/{case}/report.dcm")), &part).expect("copied");
        fs::rename(&part, site.path(&format!("drop/{case}.dcm"))).expect("renamed");
    }
}

/// Key and version of every result in the outbox, as hooks know them.
fn keys(site: &Site) -> BTreeSet<String> {
    let all = site.all_results();
    let key = |one: &Value| {
        format!(
            "{}-v{}",
            one["key"].as_str().expect("a key"),
            one["version"]
        )
    };
    all.iter().map(key).collect()
}

/// `outbox` with these arguments: exit code and what it printed.
fn outbox(site: &Site, args: &[&str]) -> (Option<i32>, String) {
    let output = program()
        .arg("outbox")
        .args(args)
        .arg("--config")
        .arg(site.config())
        .output()
        .expect("the program runs");
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    (output.status.code(), text)
}

fn ok(site: &Site, args: &[&str]) -> String {
    let (code, text) = outbox(site, args);
    assert_eq!(code, Some(0), "{args:?}: {text}");
    text
}

fn list(site: &Site, more: &[&str]) -> Vec<Value> {
    lines(&ok(site, &[&["list", "--json"], more].concat()))
}

fn codes(daemon: &Daemon, code: &str) -> usize {
    let log = daemon.log();
    let with = log.iter().filter(|line| line["fields"]["code"] == code);
    with.count()
}

/// Everything that was published has arrived.
fn arrived(site: &Site, hook: &Hook, results: usize) -> bool {
    let took: BTreeSet<String> = hook.took().into_iter().collect();
    took.len() >= results && took == keys(site)
}

#[test]
fn what_is_published_arrives_and_waits_while_nobody_answers() {
    let hook = Hook::new(|_| 503);
    let site = hook.site();
    let daemon = site.serve();
    put(&site, &REPORTS);
    until("a line that it is down", || {
        codes(&daemon, "destination-down") == 1
    });
    assert!(list(&site, &["--state", "delivered"]).is_empty());
    assert_eq!(
        list(&site, &["--state", "waiting"]).len(),
        site.all_results().len()
    );
    // A process beside it knows since when; an outage of minutes needs nobody, one of hours does.
    let (code, status) = status(&site);
    let to = &status["deliveries"][0];
    assert!(
        to["down_since"].is_string() && to["waiting"].as_u64() > Some(0),
        "{status}"
    );
    assert_eq!((code, &status["needs"]), (Some(0), &serde_json::json!([])));
    let store = Bare::open(&site.path("store.sqlite")).expect("opens");
    let earlier = "update meta set value = '2024-01-01T00:00:00.000000Z answer: http-503'
                   where name like 'trouble:destination:%'";
    assert_eq!(store.change(earlier).expect("set back"), 1);
    drop(store);
    daemon.kill();
    let (code, status) = self::status(&site);
    assert_eq!(
        (code, &status["needs"][0]["code"]),
        (Some(1), &"destination-down".into())
    );
    // It is the same outage after a new start.
    let daemon = site.serve();
    until("a line that it is down", || {
        codes(&daemon, "destination-down") == 1
    });
    let (_, status) = self::status(&site);
    let down = &status["deliveries"][0]["down_since"];
    assert_eq!(down, "2024-01-01T00:00:00Z");
    hook.answers(|_| 200);
    until("every result", || arrived(&site, &hook, REPORTS.len()));
    until("nothing of it in the status", || {
        let (code, status) = self::status(&site);
        code == Some(0) && status["deliveries"][0]["down_since"].is_null()
    });
    until("the note of it", || {
        list(&site, &["--state", "waiting"]).is_empty()
    });
    // `label` publishes from another process; the daemon finds what it left.
    let exam = list(&site, &[])[0]["exam_id"]
        .as_str()
        .expect("id")
        .to_owned();
    let before = hook.took().len();
    site.ok("label", &[&exam, "well"]);
    until("the result of the label", || {
        arrived(&site, &hook, before + 1)
    });
    let took = hook.took();
    let different: BTreeSet<&String> = took.iter().collect();
    assert_eq!(took.len(), different.len(), "each once");
    assert_eq!(codes(&daemon, "destination-down"), 1);
    assert_eq!(codes(&daemon, "destination-up"), 1);
    assert_eq!(daemon.stop(), Some(0));
    let verified = site.json("verify", &["--json"]);
    assert_eq!(verified[0]["deliveries"], took.len());
}

fn status(site: &Site) -> (Option<i32>, serde_json::Value) {
    let output = site.run("status", &["--json"]);
    let status = serde_json::from_slice(&output.stdout).expect("JSON");
    (output.status.code(), status)
}

#[test]
fn what_is_refused_for_good_is_for_a_person_to_decide() {
    let hook = Hook::new(|_| 422);
    let site = hook.site();
    let daemon = site.serve();
    put(&site, &["tid1500", "amended-first"]);
    until("both dead", || {
        let dead = list(&site, &["--state", "dead"]).len();
        dead >= 2 && dead == site.all_results().len()
    });
    let text = ok(&site, &["list"]);
    assert!(text.contains(WORDS), "{text}");
    assert!(text.contains("http-422"), "{text}");
    let told = site.run("status", &[]);
    assert_eq!(told.status.code(), Some(1));
    let told = String::from_utf8_lossy(&told.stderr).into_owned();
    assert!(told.contains("are dead") && !told.contains(WORDS), "{told}");
    let (_, status) = status(&site);
    assert_eq!(status["deliveries"][0]["dead"], site.all_results().len());
    assert_eq!(status["needs"][0]["code"], "deliveries-dead");
    assert!(text.contains("waiting 0, delivered 0, dead"), "{text}");
    let log = format!("{:?}", daemon.log());
    assert!(!log.contains("Kestrel"), "{log}");
    assert_eq!(codes(&daemon, "delivery-dead"), site.all_results().len());

    let all = list(&site, &[]);
    let number = all[0]["id"].to_string();
    hook.answers(|_| 200);
    ok(&site, &["drop", &number]);
    ok(&site, &["retry", "--state", "dead"]);
    until("the others", || hook.took().len() == all.len() - 1);
    let dropped = list(&site, &["--state", "dropped"]);
    assert_eq!(dropped.len(), 1);
    assert_eq!(dropped[0]["id"].to_string(), number);
    ok(&site, &["retry", &number]);
    until("the first", || arrived(&site, &hook, all.len()));

    // All of it once more, and nothing of other days.
    let before = hook.took().len();
    until("the note of it", || {
        list(&site, &["--state", "waiting"]).is_empty()
    });
    let days = ["--from", "2020-01-01", "--to", "2099-12-31"];
    ok(
        &site,
        &[&["replay", "--destination", "hook"], &days[..]].concat(),
    );
    until("a second time", || hook.took().len() == before + all.len());
    let old = [
        "replay",
        "--destination",
        "hook",
        "--from",
        "2020-01-01",
        "--to",
        "2020-01-02",
    ];
    for (args, code) in [
        (&["drop"][..], 2),
        (&["retry"], 2),
        (&["retry", "--state", "delivered"], 2),
        (&["drop", "--state", "delivered"], 1),
        (&["drop", "999999"], 1),
        (
            &[
                "replay",
                "--destination",
                "none",
                "--from",
                "2020-01-01",
                "--to",
                "2020-01-02",
            ],
            2,
        ),
        (
            &[
                "replay",
                "--destination",
                "hook",
                "--from",
                "2020-01-02",
                "--to",
                "2020-01-01",
            ],
            2,
        ),
        (&old, 1),
    ] {
        assert_eq!(outbox(&site, args).0, Some(code), "{args:?}");
    }
    assert_eq!(daemon.stop(), Some(0));
}

/// It would have an hour to answer.
#[test]
fn a_receiver_that_never_answers_holds_up_no_stop_and_gets_the_same_again() {
    let hook = Hook::new(|_| 0);
    let site = hook.site();
    let daemon = site.serve();
    put(&site, &["tid1500"]);
    until("a notice", || hook.got().len() == 1);
    assert_eq!(daemon.stop(), Some(0));
    let waiting = list(&site, &["--state", "waiting"]);
    assert_eq!(waiting.len(), site.all_results().len());
    hook.answers(|_| 200);
    let daemon = site.serve();
    until("every result", || arrived(&site, &hook, 1));
    assert_eq!(hook.got()[0].0, hook.took()[0]);
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn results_that_wait_for_a_destination_that_is_gone_are_told() {
    let hook = Hook::new(|_| 503);
    let site = hook.site();
    site.ok(
        "process",
        &[fixture("sr/tid1500/report.dcm").to_str().expect("UTF-8")],
    );
    assert!(!list(&site, &["--state", "waiting"]).is_empty());
    let text = fs::read_to_string(site.config()).expect("read");
    let (without, _) = text.split_once("[[destination]]").expect("there");
    fs::write(site.config(), without).expect("written");
    let daemon = site.serve();
    until("a line", || codes(&daemon, "destination-unknown") == 1);
    ok(&site, &["drop", "--destination", "hook"]);
    assert!(list(&site, &["--state", "waiting"]).is_empty());
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn check_config_reads_the_files_of_every_destination() {
    let site = Site::with(
        "[[destination]]\nname = \"one\"\nkind = \"hook\"\nurl = \"https://h.example/\"\nca = \"ca.pem\"\n\
         [[destination]]\nname = \"two\"\nkind = \"fhir\"\nurl = \"https://h.example/r4\"\nbearer = \"token\"\n\
         [[destination]]\nname = \"three\"\nkind = \"hook\"\nurl = \"http://h.example/\"\n",
    );
    let output = program()
        .args(["check-config".as_ref(), site.config().as_os_str()])
        .output()
        .expect("runs");
    assert_eq!(output.status.code(), Some(2));
    let text = String::from_utf8_lossy(&output.stderr);
    assert!(
        text.contains("[[destination]] one: ") && text.contains("ca.pem"),
        "{text}"
    );
    assert!(
        text.contains("[[destination]] two: ") && text.contains("token"),
        "{text}"
    );
    assert!(!text.contains("three"), "{text}");
}
