//! `demo --pages`: the daemon of the demonstration with its pages, asked as a browser would.

mod acting;

use crate::harness::{fixture, program, until};
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use tempfile::TempDir;

/// The demonstration, serving.
struct Demo {
    dir: TempDir,
    child: Child,
    /// What it printed last: where the pages are and who may sign in.
    told: Value,
}

impl Demo {
    fn start() -> Demo {
        let dir = tempfile::tempdir().expect("folder");
        let mut child = program()
            .args(["demo", "--pages", "--json", "--output"])
            .arg(dir.path().join("demo"))
            .stdout(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let printed = BufReader::new(child.stdout.take().expect("a pipe"));
        let told = printed
            .lines()
            .map(|line| serde_json::from_str(&line.expect("UTF-8")).expect("JSON"))
            .find(|line: &Value| line["pages"].is_string())
            .expect("an address");
        Demo { dir, child, told }
    }

    fn signed_in(&self, account: &str) -> Browser {
        let address = self.told["pages"].as_str().expect("an address");
        let address = address.trim_start_matches("http://").trim_end_matches('/');
        let mut browser = Browser {
            address: address.to_owned(),
            cookie: String::new(),
        };
        let password = self.told["password"]
            .as_str()
            .expect("a password")
            .to_owned();
        let page = browser.get("/sign-in");
        let token = page.token();
        let answer = browser.post(
            "/sign-in",
            &[
                ("token", &token),
                ("name", account),
                ("password", &password),
            ],
        );
        assert_eq!(answer.status, 303, "{account}: {}", answer.body);
        browser
    }
}

impl Drop for Demo {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Keeps the cookie, follows nothing.
struct Browser {
    address: String,
    cookie: String,
}

struct Answer {
    status: u16,
    head: String,
    body: String,
}

impl Answer {
    /// The token of the last form of the page.
    fn token(&self) -> String {
        let mut parts = self.body.rsplit("name=\"token\" value=\"");
        let part = parts.next().unwrap_or_default();
        part.split('"').next().unwrap_or_default().to_owned()
    }

    fn has(&self, text: &str) -> bool {
        self.body.contains(text)
    }
}

impl Browser {
    fn get(&mut self, path: &str) -> Answer {
        self.ask("GET", path, "")
    }

    fn post(&mut self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let fields = fields.iter().map(|(name, value)| {
            let value = value.bytes().map(|byte| format!("%{byte:02X}"));
            format!("{name}={}", value.collect::<String>())
        });
        let body = fields.collect::<Vec<String>>().join("&");
        self.ask("POST", path, &body)
    }

    fn ask(&mut self, method: &str, path: &str, body: &str) -> Answer {
        let mut stream = TcpStream::connect(&self.address).expect("the pages are open");
        let (address, cookie, length) = (&self.address, &self.cookie, body.len());
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: {address}\r\nOrigin: http://{address}\r\n\
             Cookie: {cookie}\r\nContent-Type: application/x-www-form-urlencoded\r\n\
             Content-Length: {length}\r\nConnection: close\r\n\r\n{body}"
        );
        stream.write_all(request.as_bytes()).expect("sent");
        let mut text = String::new();
        stream.read_to_string(&mut text).expect("an answer");
        let (head, body) = text.split_once("\r\n\r\n").expect("head and body");
        let status = head.split(' ').nth(1).and_then(|code| code.parse().ok());
        let set = head.lines().find_map(|line| {
            let (name, value) = line.split_once(':')?;
            name.eq_ignore_ascii_case("set-cookie").then_some(value)
        });
        if let Some(cookie) = set.and_then(|value| value.trim().split(';').next()) {
            self.cookie = cookie.to_owned();
        }
        Answer {
            status: status.expect("a status"),
            head: head.to_ascii_lowercase(),
            body: body.to_owned(),
        }
    }
}

/// What stands behind a text, up to a quote.
fn behind<'p>(page: &'p str, text: &str) -> Vec<&'p str> {
    let parts = page.split(text).skip(1);
    parts.filter_map(|part| part.split('"').next()).collect()
}

#[test]
fn the_demonstration_serves_pages_until_it_is_ended() {
    let mut demo = Demo::start();
    codes(&demo);
    service(&demo);
    department(&demo);
    deeds(&demo);
    drops(&demo);
    let id = demo.child.id().to_string();
    let sent = Command::new("kill").args(["-INT", &id]).status();
    assert!(sent.expect("kill").success());
    let ended = demo.child.wait().expect("it ends");
    assert_eq!(ended.code(), Some(0));
}

/// The scanner whose code nobody explained: tried, its two reports give their twelve values; with a side
/// for all of them the six of the other eye are not used.
fn codes(demo: &Demo) {
    let mut browser = demo.signed_in("operator");
    let page = browser.get("/codes");
    assert!(page.has("OS-2 99TARNHOLT") && page.has("Proposed from its meaning, not confirmed"));
    let keys = behind(&page.body, "name=\"key\" value=\"");
    let [key] = keys.as_slice() else {
        panic!("{keys:?}")
    };
    let token = page.token();
    let mut try_it = |answer: &str, how: &str| {
        let fields = [
            ("token", token.as_str()),
            ("key", key),
            ("answer", answer),
            ("as", how),
        ];
        browser.post("/codes", &fields)
    };
    let tried = try_it("y", "try");
    assert!(tried.has("nothing of it is in force"), "{}", tried.body);
    assert!(tried.has("Values gained 12, lost 0, of another side 0"));
    assert!(try_it("r", "try").has("Values gained 6, lost 0, of another side 0"));
    assert!(try_it("breadth", "try").has("is no word that counts here"));
    assert!(try_it("", "try").has("Nothing is answered yet."));
    let file = try_it("y", "download");
    assert!(
        file.head.contains("filename=\"dictionary.toml\""),
        "{}",
        file.head
    );
    // The dictionary is one as `template check` asks for.
    let path = demo.dir.path().join("dictionary.toml");
    fs::write(&path, &file.body).expect("written");
    let checked = program().args(["template", "check"]).arg(&path).output();
    assert!(checked.expect("runs").status.success(), "{}", file.body);
    let draft = browser.get("/codes/draft.toml");
    assert!(draft.has("proposed = ") && draft.has("Nothing in it is in force"));
    assert_eq!(browser.post("/codes", &[("token", "AAAA")]).status, 403);
    assert_eq!(demo.signed_in("reader").get("/codes").status, 403);
}

fn service(demo: &Demo) {
    let mut browser = demo.signed_in("operator");
    let page = browser.get("/service");
    assert!(page.has("dicom:LARKFELL_US1") && page.has("The daemon is ready"));
    // Nothing of patients for whoever runs the service.
    assert!(!page.has("LC-1") && !page.has("Quillmere"));
    let token = browser.get("/codes").token();
    let nothing = browser.post("/service/retry", &[("token", &token), ("which", "chosen")]);
    assert_eq!(nothing.status, 422);
    let none = browser.get("/codes").token();
    let none = browser.post("/service/retry", &[("token", &none), ("which", "all")]);
    assert_eq!(none.status, 303);
    assert!(browser.get("/service?tried=0").has("Nothing changed"));
    assert_eq!(demo.signed_in("clinician").get("/service").status, 403);
}

fn department(demo: &Demo) {
    let mut browser = demo.signed_in("lead");
    let page = browser.get("/department?from=2025-01-01&to=2026-12-31");
    for section in ["Flags by operator", "Growth of well patients", "Thresholds"] {
        assert!(page.has(section), "{section}");
    }
    assert!(page.has("Kaspar Lindqvale") && !page.has("LC-1"));
    let csv = browser.get("/department/table.csv?from=2025-01-01&to=2026-12-31");
    assert!(csv.body.starts_with("section,row,column,value\r\n"));
    assert!(browser.get("/department?from=x").has("is no day"));
}

/// Patients are asked for in what is posted, and never stand in an address.
fn deeds(demo: &Demo) {
    let mut browser = demo.signed_in("auditor");
    let page = browser.get("/deeds");
    assert!(page.has("had a delivery tried again") && page.has("LC-1007"));
    let token = page.token();
    let of_patient = [
        ("token", token.as_str()),
        ("patient", "LC-1007"),
        ("as", "page"),
    ];
    let found = browser.post("/deeds", &of_patient);
    let rows = found.body.matches("<bdi>viewed</bdi>").count();
    assert_eq!(rows, 1, "{}", found.body);
    assert!(!found.has("LC-1002"));
    // What only asks may be sent again.
    let as_table = [
        ("token", token.as_str()),
        ("account", "operator"),
        ("as", "csv"),
    ];
    let table = browser.post("/deeds", &as_table);
    assert!(table.head.contains("filename=\"who-did-what.csv\""));
    let mut lines = table.body.lines();
    assert!(
        lines
            .next()
            .is_some_and(|head| head.starts_with("number,at,account"))
    );
    assert!(lines.all(|line| line.split(',').nth(2) == Some("operator")));
    assert!(
        browser
            .post("/deeds", &as_table)
            .body
            .starts_with("number,")
    );
    assert_eq!(browser.get("/today").status, 403);
}

/// The drop folder is that of a daemon: a report laid there is taken and read.
fn drops(demo: &Demo) {
    let folder = demo.dir.path().join("demo/drop");
    let report = fixture("sr/basic-text");
    let report = fs::read_dir(&report).expect("a case");
    let mut files = report.filter_map(|entry| Some(entry.ok()?.path()));
    let file = files
        .find(|path| path.extension().is_some_and(|end| end == "dcm"))
        .expect("a report");
    let before = received(demo);
    fs::copy(file, folder.join("laid here.dcm")).expect("laid");
    until("the report is taken", || {
        !folder.join("laid here.dcm").exists()
    });
    until("the report is read", || received(demo) > before);
}

fn received(demo: &Demo) -> u64 {
    let config = demo.dir.path().join("demo/demo.toml");
    let status = program()
        .args(["status", "--json", "--config"])
        .arg(&config)
        .output();
    let text = String::from_utf8(status.expect("runs").stdout).expect("UTF-8");
    let status: Value = serde_json::from_str(text.trim()).expect("JSON");
    let waiting = status["objects"]["waiting"].as_u64().expect("a number");
    status["objects"]["received"].as_u64().expect("a number") - waiting
}

#[test]
fn pages_of_the_demonstration_are_of_this_machine_alone() {
    let dir = tempfile::tempdir().expect("folder");
    let listen = |more: &[&str]| {
        let output = program()
            .args(["demo", "--output"])
            .arg(dir.path().join("demo"))
            .args(more)
            .output()
            .expect("runs");
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code(), told)
    };
    let (code, told) = listen(&["--pages", "--listen", "0.0.0.0:0"]);
    assert_eq!(code, Some(2));
    assert!(told.contains("this machine alone"), "{told}");
    assert_eq!(listen(&["--listen", "127.0.0.1:0"]).0, Some(2));
    assert!(!exists(&dir.path().join("demo/outbox")));
}

fn exists(path: &Path) -> bool {
    path.try_exists().unwrap_or(false)
}
