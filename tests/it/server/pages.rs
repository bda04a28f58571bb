//! The pages of one content over a file and over a server: the same, letter for letter, but for the times at
//! which they were asked.

use super::on;
use crate::browser::Browser;
use crate::harness::{Daemon, Site, fixture, program, until};
use crate::objects::Report;
use sheathline_store::postgres::served::Served;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;

const PAGES: &str = "[pages]\nlisten = \"127.0.0.1:0\"\n";

const ROLES: [&str; 6] = [
    "reader",
    "clinician",
    "lead",
    "operator",
    "measurer",
    "auditor",
];

const WORD: &str = "a password of the ward";

/// Pages that nothing leads to, or only a form.
const FURTHER: [&str; 9] = [
    "/",
    "/today?day=all",
    "/today?all=1",
    "/department/table.csv",
    "/codes/draft.toml",
    "/deeds?q=T-1",
    "/exam/none",
    "/patient/none",
    "/nowhere",
];

fn account(site: &Site, args: &[&str]) -> (bool, String) {
    let mut command = program();
    command.args(["account", args[0], "--config"]);
    let output = command.arg(site.config()).args(&args[1..]).output();
    let output = output.expect("the program runs");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    (output.status.success(), said)
}

fn pages_of(daemon: &Daemon) -> std::net::SocketAddr {
    let mut found = None;
    until("the pages", || {
        let log = daemon.log();
        let line = log
            .iter()
            .find(|line| line["fields"]["code"] == "pages-listening");
        found = line.and_then(|line| line["fields"]["address"].as_str()?.parse().ok());
        found.is_some()
    });
    found.expect("an address")
}

/// Addresses of ours that a page leads to, without those that change something.
fn links(body: &str) -> BTreeSet<String> {
    let all = body.split("href=\"/").skip(1);
    let all = all.filter_map(|rest| Some(format!("/{}", rest.split('"').next()?)));
    all.map(|one| one.replace("&amp;", "&")).collect()
}

/// Every page that each role comes to, by role and address.
fn walked(site: &Site, daemon: &Daemon) -> BTreeMap<String, String> {
    let address = pages_of(daemon);
    let mut seen = BTreeMap::new();
    for role in ROLES {
        let mut browser = Browser::new(address);
        assert_eq!(browser.sign_in(role, WORD).status, 303, "{role}");
        let mut left: BTreeSet<String> = FURTHER.iter().map(|one| (*one).to_owned()).collect();
        left.extend(
            [
                "/today",
                "/measure",
                "/bring-in",
                "/codes",
                "/department",
                "/service",
                "/deeds",
            ]
            .map(str::to_owned),
        );
        let mut done = BTreeSet::new();
        while let Some(path) = left.pop_first() {
            if !done.insert(path.clone()) || done.len() > 60 {
                continue;
            }
            let answer = browser.get(&path);
            if answer.header("content-type").starts_with("text/html") {
                left.extend(links(&answer.body));
            }
            let kind = answer.header("content-type").to_owned();
            let text = told(&answer.body, site, &address.to_string());
            seen.insert(
                format!("{role} {path}"),
                format!("{} {kind}\n{text}", answer.status),
            );
        }
    }
    seen
}

/// A page without what must differ: tokens, the moment, the port, and where the store is.
fn told(body: &str, site: &Site, address: &str) -> String {
    let mut text = body.replace(address, "ADDRESS");
    text = text.replace(&site.path("").display().to_string(), "SITE/");
    for name in ["token", "form"] {
        let head = format!("name=\"{name}\" value=\"");
        let mut parts = text.split(&head);
        let mut out = parts.next().unwrap_or_default().to_owned();
        for part in parts {
            let behind = part.find('"').map_or("", |end| &part[end..]);
            out.push_str(&format!("{head}{behind}"));
        }
        text = out;
    }
    // Room on the disk, which of a server is not told.
    if let Some(disk) = text.find("<section aria-labelledby=\"program\">") {
        text.truncate(disk);
    }
    // How long ago something was.
    let mut parts = text.split(" min ago");
    let mut out = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        out.truncate(out.trim_end_matches(|c: char| c.is_ascii_digit()).len());
        out.push_str("SOME TIME ago");
        out.push_str(part);
    }
    without_times(&out)
}

/// Each time of day is one word, and so are the days of this test.
fn without_times(text: &str) -> String {
    let today = chrono::Utc::now().date_naive();
    let mut text = text.to_owned();
    for day in [today.pred_opt().expect("a day"), today] {
        text = text.replace(&day.to_string(), "DAY");
    }
    let letters: Vec<char> = text.chars().collect();
    let (mut out, mut at) = (String::new(), 0);
    while at < letters.len() {
        let is = |offset: usize, digit: bool| {
            let letter = letters.get(at + offset);
            letter.is_some_and(|one| {
                if digit {
                    one.is_ascii_digit()
                } else {
                    *one == ':'
                }
            })
        };
        if is(0, true) && is(1, true) && is(2, false) && is(3, true) && is(4, true) {
            out.push_str("TIME");
            at += 5;
            while letters
                .get(at)
                .is_some_and(|one| one.is_ascii_digit() || ":.".contains(*one))
            {
                at += 1;
            }
        } else {
            out.push(letters[at]);
            at += 1;
        }
    }
    out
}

/// Exams of two patients, one that rises, one in quarantine, entries of several kinds and a draft.
fn fill(site: &Site) {
    let daemon = site.serve();
    fs::write(site.path("word"), format!("{WORD}\n")).expect("written");
    let word = site.path("word").display().to_string();
    for role in ROLES {
        let (done, said) = account(
            site,
            &["add", role, "--role", role, "--password-file", &word],
        );
        assert!(done, "{role}: {said}");
    }
    for (n, tenths) in [(1, 0), (2, 1), (3, -1), (4, 6), (5, 0)] {
        let report = Report {
            patient: if n == 5 { "T-2" } else { "T-1" }.into(),
            date: format!("202{n}0301"),
            tenths,
            ..Report::numbered(n)
        };
        report.write(&site.path("drop"));
        until("the exam", || site.results().len() == n);
    }
    fs::copy(
        fixture("sr/truncated/report.dcm"),
        site.path("drop/broken.dcm"),
    )
    .expect("copied");
    until("the broken one", || {
        !site.json("quarantine", &["--json"]).is_empty()
    });
    let exam = site.results().into_keys().next().expect("an exam");
    let before = site.all_results().len();
    site.ok("label", &[&exam, "well"]);
    site.ok("note", &[&exam, "seen in clinic"]);
    until("the labelled results", || site.all_results().len() > before);
    let mut browser = Browser::new(pages_of(&daemon));
    browser.sign_in("measurer", WORD);
    let who = [("patient_id", "N-7"), ("birth_date", "2015-03-02")];
    let page = browser.get("/measure");
    let token = page.token("/measure/find");
    let with = |token: &str| -> Vec<(String, String)> {
        let all = [("token", token)].into_iter().chain(who);
        all.map(|(name, value)| (name.to_owned(), value.to_owned()))
            .collect()
    };
    let post = |browser: &mut Browser, to: &str, fields: &[(String, String)]| {
        let fields: Vec<(&str, &str)> = fields
            .iter()
            .map(|(a, b)| (a.as_str(), b.as_str()))
            .collect();
        browser.post(to, &fields)
    };
    let found = post(&mut browser, "/measure/find", &with(&token));
    let token = found.token("/measure/begin");
    let begun = post(&mut browser, "/measure/begin", &with(&token));
    assert!(begun.status < 400, "{}", begun.body);
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn pages_are_the_same_over_a_file_and_over_a_server() {
    let site = Site::with(PAGES);
    fill(&site);
    let file = fs::read_to_string(site.config()).expect("a configuration");
    fs::create_dir(site.path("copy")).expect("made");
    fs::copy(site.path("store.sqlite"), site.path("copy/store.sqlite")).expect("copied");
    let daemon = site.serve();
    let over_file = walked(&site, &daemon);
    assert_eq!(daemon.stop(), Some(0));

    // Beside it lies no further part of the configuration.
    let copy = site.path("copy/site.toml");
    fs::write(&copy, file).expect("written");
    let served = Served::shared();
    on(&site, &served.url(&served.database()), "tls = \"off\"\n");
    let moved = program()
        .args(["move", "--config"])
        .arg(&copy)
        .arg("--into")
        .arg(site.config())
        .output()
        .expect("the program runs");
    let said = String::from_utf8_lossy(&moved.stderr).into_owned();
    assert!(moved.status.success(), "{said}");
    let daemon = site.serve();
    let over_server = walked(&site, &daemon);
    assert_eq!(daemon.stop(), Some(0));

    let names = |all: &BTreeMap<String, String>| all.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&over_file), names(&over_server));
    assert!(over_file.len() > 60, "{:?}", names(&over_file));
    let well = over_file.values().filter(|page| page.starts_with("200"));
    assert!(well.count() > 40);
    let other = |(name, page): &(&String, &String)| *page != &over_server[*name];
    let others: Vec<_> = over_file.iter().filter(other).collect();
    if let Some((name, page)) = others.first() {
        let names: Vec<_> = others.iter().map(|(name, _)| name).collect();
        panic!("{names:?}: {page}\n{}", over_server[*name]);
    }
}
