//! SIGHUP to the real program: all of a new configuration or nothing of it.

use crate::harness::{Daemon, Site, fixture, tool, until};
use crate::objects::Report;
use crate::receive::Sender;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;

/// Writes the configuration with more at its end.
pub(crate) fn rewrite(site: &Site, change: impl FnOnce(String) -> String) {
    let text = fs::read_to_string(site.config()).expect("configuration");
    fs::write(site.config(), change(text)).expect("written");
}

pub(crate) fn lines(daemon: &Daemon, code: &str) -> Vec<Value> {
    let mut lines = daemon.log();
    lines.retain(|line| line["fields"]["code"] == code);
    lines
}

/// Sends SIGHUP and waits for another line of the code.
pub(crate) fn reload(daemon: &Daemon, code: &str) -> Vec<Value> {
    let before = lines(daemon, code).len();
    let pid = daemon.pid().to_string();
    let sent = tool("kill").args(["-HUP", &pid]).status();
    assert!(sent.expect("kill").success());
    until(code, || lines(daemon, code).len() > before);
    lines(daemon, code).split_off(before)
}

#[tokio::test(flavor = "multi_thread")]
async fn who_may_connect_changes_for_new_associations() {
    let site = Site::new();
    let daemon = site.serve();
    let mut open = Sender::connect(daemon.address).await.expect("accepted");
    rewrite(&site, |text| {
        text.replace(
            "[receive.folder]",
            "calling_allowed = [\"OTHER\"]\n[receive.folder]",
        )
    });
    let told = reload(&daemon, "reloaded");
    assert_eq!(
        told[0]["fields"]["changed"],
        "[receive.dicom] calling_allowed"
    );
    // Who is inside stays inside, under the rules of when it came.
    assert_eq!(open.echo().await, 0);
    assert!(Sender::connect(daemon.address).await.is_err());
    rewrite(&site, |text| text.replace("\"OTHER\"", "\"SCANNER\""));
    reload(&daemon, "reloaded");
    Sender::connect(daemon.address).await.expect("accepted");
    open.association.release().await.expect("released");
    assert_eq!(daemon.stop(), Some(0));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_mistake_leaves_all_as_it_was() {
    let site = Site::new();
    let daemon = site.serve();
    rewrite(&site, |text| {
        let text = text.replace(
            "[receive.folder]",
            "calling_allowed = [\"OTHER\"]\nidle_timeout_s = 0\n[receive.folder]",
        );
        format!("{text}[baseline]\nsigma_w = -1\n")
    });
    reload(&daemon, "reload-refused");
    let refused = || lines(&daemon, "reload-refused");
    until("both mistakes", || refused().len() == 2);
    for (line, part) in refused().iter().zip(["idle_timeout_s", "sigma_w"]) {
        let said = line["fields"]["message"].as_str().expect("a message");
        assert!(said.contains(part) && said.contains("site.toml:"), "{said}");
    }
    Sender::connect(daemon.address).await.expect("accepted");
    assert!(lines(&daemon, "reloaded").is_empty());
    // A file that the configuration names is part of it.
    rewrite(&site, |text| {
        let text = text
            .replace("idle_timeout_s = 0", "")
            .replace("sigma_w = -1", "");
        format!("{text}[templates]\ndictionaries = [\"nowhere.toml\"]\n")
    });
    let told = reload(&daemon, "reload-refused");
    let said = told[0]["fields"]["message"].as_str().expect("a message");
    assert!(said.contains("nowhere.toml"), "{said}");
    Sender::connect(daemon.address).await.expect("accepted");
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn what_needs_a_start_waits_and_says_so() {
    let site = Site::new();
    let daemon = site.serve();
    rewrite(&site, |text| {
        text.replace("path = \"store.sqlite\"", "path = \"other.sqlite\"")
            .replace("log_format = \"json\"", "log_format = \"text\"")
    });
    reload(&daemon, "reloaded");
    until("the warnings", || lines(&daemon, "reload-waits").len() == 2);
    let told: Vec<_> = lines(&daemon, "reload-waits")
        .iter()
        .map(|line| line["fields"]["key"].as_str().expect("a key").to_owned())
        .collect();
    assert_eq!(told, ["[store] path", "[observe] log_format"]);
    Report::numbered(1).write(&site.path("drop"));
    until("the result", || site.results().len() == 1);
    assert!(!site.path("other.sqlite").exists());
    assert_eq!(daemon.stop(), Some(0));
}

/// A patient's exams, the last of them wider.
fn exams(site: &Site) {
    for (n, tenths) in [(1, 0), (2, 1), (3, 8)] {
        let report = Report {
            patient: "T-1".into(),
            date: format!("20240{}01", 2 * n),
            tenths,
            ..Report::numbered(n)
        };
        report.write(&site.path("drop"));
    }
    fs::copy(
        fixture("sr/local-codes-unexplained/report.dcm"),
        site.path("drop/local.dcm"),
    )
    .expect("copied");
}

/// What each exam came to: the newest assessment, and how its values were found.
fn assessments(site: &Site) -> BTreeMap<String, (Value, Value)> {
    let results = site.results().into_iter();
    results
        .map(|(id, result)| (id, (result["assessment"].clone(), result["exam"].clone())))
        .collect()
}

/// New parameters and a new dictionary, by SIGHUP and by a start.
#[test]
fn a_reload_comes_to_what_a_start_comes_to() {
    const PARAMETERS: &str = "[baseline]\nsigma_s = 0.3\nz_above = 1.2\n";
    const TEMPLATES: &str = "[templates]\ndictionaries = [\"codes.toml\"]\n";
    let dictionary = fs::read_to_string(fixture("sr/local-codes/dictionary.toml"));
    let dictionary = dictionary.expect("a dictionary");

    let started = Site::with(&format!("{PARAMETERS}{TEMPLATES}"));
    fs::write(started.path("codes.toml"), &dictionary).expect("written");
    exams(&started);
    let daemon = started.serve();
    until("the results", || assessments(&started).len() == 4);
    assert_eq!(daemon.stop(), Some(0));
    let expected = assessments(&started);

    let site = Site::with(TEMPLATES);
    fs::write(site.path("codes.toml"), "").expect("written");
    exams(&site);
    let daemon = site.serve();
    until("the first results", || assessments(&site).len() == 3);
    let before = assessments(&site);
    rewrite(&site, |text| format!("{text}{PARAMETERS}"));
    reload(&daemon, "reloaded");
    until("the parameters", || {
        let now = assessments(&site);
        now.iter().any(|(id, one)| before[id] != *one)
    });
    // The configuration is the same; a file that it names is another.
    fs::write(site.path("codes.toml"), &dictionary).expect("written");
    reload(&daemon, "reloaded");
    until("the same as by a start", || assessments(&site) == expected);
    assert_eq!(daemon.stop(), Some(0));
}

/// Receiving goes on while rules change over and over: nothing is lost, nothing made twice.
#[test]
fn reloads_under_way_lose_nothing() {
    let site = Site::new();
    let daemon = site.serve();
    for n in 0..12 {
        Report::numbered(n).write(&site.path("drop"));
        rewrite(&site, |text| {
            let text = text.split("[baseline]").next().expect("a start").to_owned();
            format!("{text}[baseline]\nsigma_s = 0.{}\n", 18 + n)
        });
        reload(&daemon, "reloaded");
    }
    until("the results", || site.results().len() == 12);
    assert_eq!(daemon.stop(), Some(0));
    site.ok("verify", &["--outbox-complete"]);
}

/// A self-signed certificate in the files that the configuration names.
fn certify(site: &Site, name: &str) {
    let made = tool("openssl")
        .args(["req", "-x509", "-newkey", "ec", "-pkeyopt"])
        .args(["ec_paramgen_curve:P-256", "-nodes", "-days", "30", "-subj"])
        .arg(format!("/CN={name}"))
        .arg("-keyout")
        .arg(site.path("server.key"))
        .arg("-out")
        .arg(site.path("server.pem"))
        .output()
        .expect("openssl");
    assert!(made.status.success(), "{made:?}");
}

/// Whose certificate `openssl` is shown at the TLS port.
fn shown(daemon: &Daemon) -> String {
    let listening = lines(daemon, "listening");
    let tls = listening.iter().find(|line| line["fields"]["tls"] == true);
    let address = tls.expect("a TLS port")["fields"]["address"].clone();
    let met = tool("openssl")
        .args(["s_client", "-connect", address.as_str().expect("text")])
        .stdin(std::process::Stdio::null())
        .output()
        .expect("openssl");
    let said = String::from_utf8_lossy(&met.stdout).into_owned();
    let subject = said.lines().find(|line| line.starts_with("subject="));
    subject.expect("a certificate").to_owned()
}

/// Renewal: the files change, the addresses do not.
#[test]
fn a_renewed_certificate_is_shown_after_a_reload() {
    let site = Site::with(
        "[receive.dicom.tls]\nlisten = \"127.0.0.1:0\"\ncertificate = \"server.pem\"\n\
         key = \"server.key\"\nclient_certificate = \"off\"\n",
    );
    certify(&site, "first");
    let daemon = site.serve();
    until("both ports", || lines(&daemon, "listening").len() == 2);
    assert!(shown(&daemon).ends_with("first"));
    certify(&site, "second");
    assert!(shown(&daemon).ends_with("first"), "nothing is read unasked");
    reload(&daemon, "reloaded");
    assert!(shown(&daemon).ends_with("second"));
    fs::write(site.path("server.pem"), "no certificate").expect("written");
    let told = reload(&daemon, "reload-refused");
    let said = told[0]["fields"]["message"].as_str().expect("a message");
    assert!(said.contains("server.pem"), "{said}");
    assert!(shown(&daemon).ends_with("second"));
    assert_eq!(daemon.stop(), Some(0));
}
