//! What is received while the server is away is answered from the spool and is there when it is back.

use super::on;
use crate::harness::{Daemon, Site, tool, until};
use crate::objects::Report;
use serde_json::Value;
use sheathline_store::postgres::served::Served;
use std::fs;

/// Sends one report; whether it was answered with success.
fn sent(site: &Site, daemon: &Daemon, n: usize) -> bool {
    fs::create_dir_all(site.path("sent")).expect("made");
    let file = Report::numbered(n).write(&site.path("sent"));
    let port = daemon.address.port().to_string();
    let sent = tool("storescu")
        .args(["-aet", "CART1", "-aec", "SHEATHLINE", "127.0.0.1", &port])
        .arg(&file)
        .status();
    sent.expect("storescu starts").success()
}

fn said(daemon: &Daemon, code: &str) -> bool {
    let has_code = |line: &Value| line["fields"]["code"] == code;
    daemon.log().iter().any(has_code)
}

/// The part `spool` of `status`; `Null` where there is none.
fn spool(site: &Site) -> Value {
    let status = site.run("status", &["--json"]).stdout;
    let status: Value = serde_json::from_slice(&status).expect("JSON");
    status["spool"].clone()
}

#[test]
fn what_comes_while_the_server_is_away_waits_in_the_spool() {
    let mut server = Served::begin(&["fsync=off"]);
    let url = server.url(&server.database());
    let site = Site::new();
    let keys = "tls = \"off\"\nspool = \"spool/s.sqlite\"\n";
    on(&site, &url, keys);

    let daemon = site.serve();
    assert!(sent(&site, &daemon, 0));
    until("the first result", || site.all_results().len() == 1);
    assert_eq!(spool(&site)["forwarded"], 1);
    server.kill();
    assert!(sent(&site, &daemon, 1), "answered by the spool");
    Report::numbered(2).write(&site.path("drop"));
    until("the file to be put away", || {
        fs::read_dir(site.path("drop/done")).is_ok_and(|files| files.count() == 1)
    });
    until("the log to tell", || said(&daemon, "spool-not-forwarded"));
    let (code, told) = crate::harness::by::<&str>(&site.config(), "status", &[]);
    assert_eq!(code, Some(1), "{told}");
    assert!(told.contains("the spool: 2 objects wait"), "{told}");

    server.begin_again();
    server.wait();
    until("all results", || site.all_results().len() == 3);
    until("nothing that waits", || spool(&site)["waiting"] == 0);
    assert_eq!(spool(&site)["forwarded"], 3);

    // A machine that is lost with something in its spool, and is told another way to receive.
    server.kill();
    assert!(sent(&site, &daemon, 3));
    daemon.kill();
    server.begin_again();
    server.wait();
    server.say(
        url.rsplit('/').next().expect("a database"),
        "update owner set until = 0",
    );
    on(&site, &url, &format!("{keys}durability = \"cluster\"\n"));
    assert_eq!(spool(&site)["waiting"], 1);
    let daemon = site.serve();
    until("the last result", || site.all_results().len() == 4);
    assert!(said(&daemon, "spool-left"));
    assert_eq!(spool(&site), Value::Null);

    // Nobody answers before the database does.
    server.kill();
    assert!(!sent(&site, &daemon, 4), "the database does not have it");
    daemon.kill();
}
