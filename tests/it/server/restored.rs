//! A database that was put back by its own means from an earlier time: `verify` says so, and by how much.

use super::on;
use crate::harness::{Site, until};
use crate::objects::Report;
use sheathline_store::postgres::served::Served;
use std::process::Command;

const OFF: &str = "tls = \"off\"\n";

fn verified(site: &Site) -> (Option<i32>, String) {
    let output = site.run("verify", &[]);
    let said = [output.stdout, output.stderr].concat();
    (
        output.status.code(),
        String::from_utf8_lossy(&said).into_owned(),
    )
}

/// A daemon makes results of reports `from` to `to`, and stops.
fn worked(site: &Site, from: usize, to: usize) {
    let daemon = site.serve();
    for n in from..to {
        Report::numbered(n).write(&site.path("drop"));
        until("the result", || site.all_results().len() == n + 1);
    }
    assert_eq!(daemon.stop(), Some(0));
}

fn dumped(served: &Served, database: &str, to: &std::path::Path) {
    let done = served
        .program("pg_dump")
        .args(["-Fc", "-f"])
        .arg(to)
        .arg(database)
        .status();
    assert!(done.expect("pg_dump runs").success());
}

fn put_back(served: &Served, database: &str, from: &std::path::Path) {
    served.say("postgres", &format!("create database {database}"));
    let mut command: Command = served.program("pg_restore");
    let done = command.args(["-d", database]).arg(from).status();
    assert!(done.expect("pg_restore runs").success());
}

#[test]
fn a_database_from_an_earlier_time_is_found_and_by_how_much() {
    let served = Served::shared();
    let site = Site::new();
    let database = served.database();
    on(&site, &served.url(&database), OFF);
    worked(&site, 0, 2);
    assert_eq!(verified(&site).0, Some(0), "{:?}", verified(&site));
    let dump = site.path("dump");
    dumped(served, &database, &dump);
    // What came since leaves nothing in the outbox that would tell: the results are taken away.
    worked(&site, 2, 3);
    let count = |database: &str| -> u64 {
        let said = served.say(database, "select value from meta where name = 'commits'");
        said.parse().expect("a number")
    };
    let now = count(&database);
    assert_eq!(verified(&site).0, Some(0), "{:?}", verified(&site));
    let same = site.path("same");
    dumped(served, &database, &same);
    for result in std::fs::read_dir(site.path("outbox")).expect("an outbox") {
        let path = result.expect("an entry").path();
        if path.is_dir() {
            std::fs::remove_dir_all(path).expect("taken away");
        }
    }

    let older = format!("{database}_older");
    put_back(served, &older, &dump);
    let before = count(&older);
    assert!(before < now);
    on(&site, &served.url(&older), OFF);
    let (code, said) = verified(&site);
    assert_ne!(code, Some(0), "{said}");
    let noted = said
        .split("it counts ")
        .nth(1)
        .and_then(|rest| rest.split_once(" were noted"))
        .unwrap_or_else(|| panic!("{said}"));
    let (known, noted) = noted.0.split_once(", and ").expect("two numbers");
    assert_eq!(known.parse(), Ok(before), "{said}");
    let noted: u64 = noted.parse().expect("a number");
    // Its last words of all, after the note, are commits as well.
    assert!(
        noted > before && noted <= now && now - noted < 5,
        "{noted} {now}"
    );
    let by = format!("by {} commits", noted - before);
    assert!(said.contains(&by), "{said}");

    // A daemon that starts on it says so, and does not take the note away.
    let daemon = site.serve();
    let (code, log) = daemon.stop_and_log();
    assert_eq!(code, Some(0));
    assert!(
        log.iter()
            .any(|line| line["fields"]["code"] == "store-older"),
        "{log:?}"
    );
    assert!(verified(&site).1.contains("older than what was worked on"));

    // The whole of it is not older.
    let newest = format!("{database}_newest");
    put_back(served, &newest, &same);
    on(&site, &served.url(&newest), OFF);
    let (code, said) = verified(&site);
    assert_eq!(code, Some(0), "{said}");
}
