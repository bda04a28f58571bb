//! What the people who look after a server do to it while the service works on it.

use super::{Cluster, PASSWORD, on};
use crate::harness::{Daemon, Site, until};
use crate::objects::Report;
use std::fs;
use std::net::TcpListener;

const OFF: &str = "tls = \"off\"\n";

/// One more report makes one more result.
fn goes_on(site: &Site, n: usize) {
    let before = site.all_results().len();
    Report::numbered(n).write(&site.path("drop"));
    until("the result", || site.all_results().len() == before + 1);
}

fn codes(daemon: &Daemon) -> Vec<String> {
    let log = daemon.log();
    let codes = log
        .iter()
        .filter_map(|line| line["fields"]["code"].as_str());
    codes.map(str::to_owned).collect()
}

#[test]
fn a_password_is_changed_while_the_service_works() {
    let cluster = Cluster::start();
    let site = Site::new();
    on(&site, &cluster.url(), OFF);
    let daemon = site.serve();
    goes_on(&site, 0);
    let new = format!("{PASSWORD}-new");
    fs::write(site.path("password"), format!("{new}\n")).expect("written");
    cluster.sql(&format!("alter role store password '{new}'"));
    // Connections that stand need no password; these are gone.
    let gone =
        "select count(pg_terminate_backend(pid)) from pg_stat_activity where usename = 'store'";
    assert_ne!(cluster.sql(gone), "0");
    goes_on(&site, 1);
    // The old one would not have served.
    fs::write(site.path("password"), format!("{PASSWORD}\n")).expect("written");
    let refused = site.run("status", &[]);
    assert!(!refused.status.success());
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(said.contains("password authentication failed"), "{said}");
    fs::write(site.path("password"), format!("{new}\n")).expect("written");
    assert_eq!(daemon.stop(), Some(0));
}

/// Of the hosts that a url names the first one that takes changes is used.
#[test]
fn a_host_that_is_absent_or_takes_no_changes_is_passed_over() {
    let (standby, primary) = (Cluster::start(), Cluster::start());
    standby.sql("alter role store set default_transaction_read_only = on");
    let free = TcpListener::bind("127.0.0.1:0").expect("a port");
    let absent = free.local_addr().expect("an address").to_string();
    drop(free);
    for (n, first) in [absent, format!("{}:5432", standby.address)]
        .iter()
        .enumerate()
    {
        let site = Site::new();
        let database = format!("named_{n}");
        primary.sql(&format!("create database {database} owner store"));
        let url = format!(
            "postgresql://store@{first},{}:5432/{database}",
            primary.address
        );
        if n == 1 {
            standby.sql(&format!("create database {database} owner store"));
        }
        on(&site, &url, OFF);
        let daemon = site.serve();
        goes_on(&site, 0);
        site.ok("status", &[]);
        assert_eq!(daemon.stop(), Some(0));
    }
}

#[test]
fn a_server_that_restarts_is_waited_for_and_commands_say_that_it_is_away() {
    let mut cluster = Cluster::start();
    let site = Site::new();
    on(&site, &cluster.url(), OFF);
    let daemon = site.serve();
    goes_on(&site, 0);
    cluster.end();
    until("the end of the server", || {
        codes(&daemon).iter().any(|code| code == "database-away")
    });
    for (command, args) in [
        ("status", &[][..]),
        ("status", &["--json"]),
        ("worklist", &[]),
        ("entries", &["T-1"]),
        ("verify", &[]),
        ("label", &["some-exam", "well"]),
    ] {
        let output = site.run(command, args);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{command}: {said}");
        assert!(output.stdout.is_empty(), "{command}");
        for words in ["the database cannot be reached", "check-config"] {
            assert!(said.contains(words), "{command}: {said}");
        }
    }
    // What comes meanwhile is not lost.
    Report::numbered(1).write(&site.path("drop"));
    cluster.begin_again();
    until("the result", || site.all_results().len() == 2);
    goes_on(&site, 2);
    until("the end of the outage", || {
        codes(&daemon).iter().any(|code| code == "database-back")
    });
    assert_eq!(daemon.stop(), Some(0));
}

/// The same address, written so that it is not known for one of this machine.
#[test]
fn a_connection_in_the_clear_is_something_to_look_at() {
    let cluster = Cluster::start();
    let site = Site::new();
    on(&site, &cluster.url(), OFF);
    let daemon = site.serve();
    assert!(site.run("status", &[]).status.success());
    let parts = cluster.address.split('.').map(|part| part.parse::<u32>());
    let number = parts.fold(0, |all, part| all * 256 + part.expect("a number"));
    let url = cluster.url().replace(&cluster.address, &number.to_string());
    on(&site, &url, OFF);
    let output = site.run("status", &["--json"]);
    assert_eq!(output.status.code(), Some(1));
    let status: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let needs = status["needs"].as_array().expect("a list");
    assert_eq!(needs.len(), 1, "{needs:?}");
    assert_eq!(needs[0]["code"], "store-not-encrypted");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("is reached without TLS"), "{said}");
    assert_eq!(daemon.stop(), Some(0));
}
