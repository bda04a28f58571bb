//! `status`, `check-config --explain`, and what the program writes for its package.

use crate::harness::{Site, fixture, lines, program, until};
use crate::objects::Report;
use serde_json::Value;
use std::fs;
use std::net::TcpListener;

fn status(site: &Site) -> (Option<i32>, Value) {
    let output = site.run("status", &["--json"]);
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    (output.status.code(), lines(&text).remove(0))
}

#[test]
fn it_counts_what_came_and_asks_the_daemon() {
    let free = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = free.local_addr().expect("an address");
    drop(free);
    let site = Site::with(&format!("listen = \"{address}\"\n"));
    let daemon = site.serve();
    for n in 0..3 {
        Report::numbered(n).write(&site.path("drop"));
    }
    fs::copy(
        fixture("sr/truncated/report.dcm"),
        site.path("drop/broken.dcm"),
    )
    .expect("copied");
    until("the results", || site.results().len() == 3);
    until("the broken one", || {
        status(&site).1["objects"]["quarantined"] == 1
    });
    let (code, now) = status(&site);
    assert_eq!(code, Some(0));
    assert_eq!(now["daemon"]["state"], "ready");
    assert_eq!(now["version"], env!("CARGO_PKG_VERSION"));
    assert_eq!(now["objects"]["received"], 4);
    assert_eq!(now["exams_by_status"]["no_baseline"], 3);
    assert_eq!(now["disk"]["outbox_results"], 3);
    assert!(now["disk"]["store_bytes"].as_u64() > Some(0));
    assert!(now["last_received"].is_string() && now["last_published"].is_string());
    // The reason that `quarantine` tells.
    let quarantined = site.json("quarantine", &["--json"]);
    let remarks = quarantined[0]["reading"]["remarks"]
        .as_array()
        .expect("remarks");
    let blocking = remarks
        .iter()
        .find(|remark| remark["severity"] == "blocking");
    let code = blocking.expect("a reason")["code"]
        .as_str()
        .expect("a code");
    assert_eq!(now["quarantined_by_reason"][code], 1);
    let told = site.ok("status", &[]);
    for part in ["ready", "received 4 =", "no_baseline", code, "3 results"] {
        assert!(told.contains(part), "{part} in {told}");
    }
    assert_eq!(site.run("status", &["--probe"]).status.code(), Some(0));

    fs::rename(site.path("drop"), site.path("elsewhere")).expect("renamed");
    let (code, now) = status(&site);
    assert_eq!(
        (code, &now["daemon"]["state"]),
        (Some(1), &"not_ready".into())
    );
    assert_eq!(site.run("status", &["--probe"]).status.code(), Some(1));
    fs::rename(site.path("elsewhere"), site.path("drop")).expect("renamed");

    // The daemon is not told of a mistake that somebody makes beside it, and the probe asks the daemon.
    fs::create_dir(site.path("conf.d")).expect("made");
    let mistake = site.path("conf.d/50-mistake.toml");
    fs::write(&mistake, "[store]\npahth = \"x\"\n").expect("written");
    until("ready again", || {
        site.run("status", &["--probe"]).status.code() == Some(0)
    });
    let told = site.run("status", &[]);
    assert_eq!(told.status.code(), Some(2));
    let told = String::from_utf8_lossy(&told.stderr).into_owned();
    assert!(
        told.contains("pahth") && told.contains("the daemon is ready"),
        "{told}"
    );
    fs::remove_file(mistake).expect("there");
    assert_eq!(daemon.stop(), Some(0));
    let (code, now) = status(&site);
    assert_eq!((code, &now["daemon"]["state"]), (Some(1), &"silent".into()));
    // What lies in the store is told all the same.
    assert_eq!(now["objects"]["received"], 4);
}

#[test]
fn without_an_endpoint_only_the_store_is_asked() {
    let site = Site::new();
    site.ok("process", &[&fixture("sr/tid1500").display().to_string()]);
    let (code, now) = status(&site);
    assert_eq!(
        (code, &now["daemon"]["state"]),
        (Some(0), &"unknown".into())
    );
    assert_eq!(site.run("status", &["--probe"]).status.code(), Some(2));
}

/// What is printed is a configuration again, and means the same.
#[test]
fn the_configuration_is_explained() {
    let site = Site::with("[[receive.dicom.sender]]\nae_title = \"CART1\"\n");
    fs::create_dir(site.path("conf.d")).expect("made");
    fs::write(
        site.path("conf.d/50-errors.toml"),
        "\n[baseline]\nsigma_w = 0.25\n",
    )
    .expect("written");
    let explain = |file: &std::path::Path, json: &[&str]| {
        let output = program()
            .args(["check-config", "--explain"])
            .args(json)
            .arg(file)
            .env("SHEATHLINE__RECEIVE__DICOM__AE_TITLE", "WARD7")
            .output()
            .expect("runs");
        assert!(output.status.success());
        String::from_utf8(output.stdout).expect("UTF-8")
    };
    let told = explain(&site.config(), &[]);
    let origin = |key: &str| {
        let line = told.lines().find(|line| line.starts_with(key));
        let (setting, origin) = line.expect(key).split_once(" # ").expect("an origin");
        (setting.trim_end().to_owned(), origin.to_owned())
    };
    let (setting, from) = origin("sigma_w");
    assert_eq!(setting, "sigma_w = 0.25");
    assert!(from.ends_with("conf.d/50-errors.toml:3"), "{from}");
    let (setting, from) = origin("ae_title");
    assert_eq!(setting, "ae_title = \"WARD7\"");
    assert_eq!(from, "SHEATHLINE__RECEIVE__DICOM__AE_TITLE");
    assert_eq!(origin("sigma_s").1, "default");
    assert!(origin("scan_every_ms").1.ends_with("site.toml:5"));
    assert!(told.contains("\n[[receive.dicom.sender]]\n"));

    let again = site.path("again/again.toml");
    fs::create_dir_all(site.path("again/drop")).expect("made");
    fs::write(&again, &told).expect("written");
    let value = |line: &Value| {
        (
            line["table"].clone(),
            line["key"].clone(),
            line["value"].clone(),
        )
    };
    let of = |file: &std::path::Path| -> Vec<_> {
        lines(&explain(file, &["--json"]))
            .iter()
            .map(value)
            .collect()
    };
    assert_eq!(of(&again), of(&site.config()));
}

#[test]
fn the_conformance_statement_is_that_of_this_program() {
    let output = program()
        .args(["generate", "conformance"])
        .output()
        .expect("runs");
    let now = String::from_utf8(output.stdout).expect("UTF-8");
    let page = include_str!("../../../daemon/docs/conformance.md");
    assert!(
        now == page,
        "sheathline generate conformance > daemon/docs/conformance.md"
    );
}
