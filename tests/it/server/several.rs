//! Several real daemons on one database: they divide the work, and one that is lost, stands still or leaves
//! is taken over.

use super::on;
use crate::harness::{Daemon, Site, program, until};
use crate::objects::Report;
use serde_json::Value;
use sheathline_store::postgres::served::Served;
use std::collections::BTreeMap;
use std::fs;
use std::process::Command;
use std::time::Instant;

/// Exams that come while all daemons run.
const EXAMS: usize = 12;

/// Reports of four patients, month after month; the last but one of the first patient rises.
fn report(n: usize) -> Report {
    Report {
        patient: format!("T-{}", n % 4),
        date: format!("20{:02}{:02}11", 20 + n / 12, n % 12 + 1),
        tenths: if n == EXAMS - 4 { 15 } else { 0 },
        ..Report::numbered(n)
    }
}

/// So many machines on one database, with one outbox.
fn machines(count: usize, served: &Served, database: &str) -> Vec<Site> {
    let sites: Vec<Site> = (0..count).map(|_| Site::new()).collect();
    for site in &sites {
        on(site, &served.url(database), "tls = \"off\"\n");
        let outbox = format!(
            "[outbox]\nfolder = \"{}\"\n",
            sites[0].path("outbox").display()
        );
        fs::write(site.path("conf.d/20-outbox.toml"), outbox).expect("written");
    }
    sites
}

/// What the newest result of each exam says, to the last byte of what a reader sees.
fn told(site: &Site) -> BTreeMap<String, String> {
    let all = site.results().into_iter();
    let seen = |one: &Value| match one.get("joined") {
        None => format!("{} {}", one["seen_key"], one["assessment"]),
        // The time of a merge is shown, and it was stated on each site at a time of its own.
        Some(joined) => {
            let joined = joined.as_array().map_or(0, Vec::len);
            format!("{} {joined} {}", one["patient"], one["assessment"])
        }
    };
    all.map(|(exam, one)| (exam, seen(&one))).collect()
}

/// Waits until the daemons say what one alone says.
fn alike(alone: &Site, several: &Site, exams: usize) {
    let waiting = || {
        let status = alone.run("status", &["--json"]).stdout;
        let status: Value = serde_json::from_slice(&status).expect("JSON");
        let stages = status["waiting"].as_array().expect("stages");
        stages.iter().any(|stage| stage["count"] != 0)
    };
    until("one alone", || told(alone).len() == exams && !waiting());
    until("the same of several", || told(alone) == told(several));
}

fn signal(daemon: &Daemon, name: &str) {
    let sent = Command::new("kill")
        .args([name, &daemon.pid().to_string()])
        .status();
    assert!(sent.expect("kill").success());
}

#[test]
fn three_daemons_say_what_one_says_and_one_that_is_lost_is_taken_over() {
    let served = Served::shared();
    let database = served.database();
    let sites = machines(3, served, &database);
    let alone = Site::new();
    let one = alone.serve();
    let mut daemons: Vec<Daemon> = sites.iter().map(Site::serve).collect();
    for n in 0..EXAMS {
        report(n).write(&sites[n % 3].path("drop"));
        report(n).write(&alone.path("drop"));
    }
    alike(&alone, &sites[0], EXAMS);
    // Each does a part, and all of it is somebody's.
    let buckets = "select count(*) from duty where name like 'bucket %' and member is not null
                   group by member order by 1";
    until("fair shares", || {
        served.say(&database, buckets) == "85\n85\n86"
    });
    let refused = sites[1].run("process", &["."]);
    let words = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(words.contains("in use by daemons on"), "{words}");

    daemons.remove(0).kill();
    let killed = Instant::now();
    for n in EXAMS..EXAMS + 4 {
        report(n).write(&sites[1 + n % 2].path("drop"));
        report(n).write(&alone.path("drop"));
    }
    alike(&alone, &sites[0], EXAMS + 4);
    eprintln!("taken over after {:?}", killed.elapsed());
    // Started again, it is one of three.
    daemons.push(sites[0].serve());
    report(EXAMS + 4).write(&sites[0].path("drop"));
    report(EXAMS + 4).write(&alone.path("drop"));
    alike(&alone, &sites[0], EXAMS + 5);
    // Said on one machine, it counts on all.
    let exam = told(&alone).into_keys().next().expect("an exam");
    for site in [&alone, &sites[2]] {
        site.ok("label", &[&exam, "well"]);
    }
    alike(&alone, &sites[0], EXAMS + 5);
    for site in [&alone, &sites[1]] {
        let merged = program()
            .args(["patient", "merge", "--config"])
            .arg(site.config())
            .args(["--from", "TARNHOLT|T-1", "--into", "TARNHOLT|T-0"])
            .args(["--why", "double registration"])
            .output()
            .expect("runs");
        let words = String::from_utf8_lossy(&merged.stderr);
        assert!(merged.status.success(), "{words}");
    }
    let joined = |site: &Site| {
        let all = site.results().into_values();
        all.filter(|one| one.get("joined").is_some()).count()
    };
    until("the merge", || joined(&alone) > 3);
    alike(&alone, &sites[0], EXAMS + 5);
    for daemon in daemons {
        assert_eq!(daemon.stop(), Some(0));
    }
    assert_eq!(served.say(&database, "select count(*) from member"), "0");
    assert_eq!(one.stop(), Some(0));
}

/// Notes each change that a connection of a member makes whose membership does not stand.
const WITNESS: &str = "
    create table seen_old (name text);
    create function note_old() returns trigger language plpgsql as $$
    declare called text := current_setting('application_name');
    begin
        if called like 'sheathline % %' and not exists (
            select 1 from member where epoch = split_part(called, ' ', 3)::bigint
                and left(id, 8) = split_part(called, ' ', 2)
        ) then
            insert into seen_old values (called);
        end if;
        return null;
    end $$;
    create trigger note_old after insert or update or delete on object
        for each statement execute function note_old();
    create trigger note_old after insert or update or delete on result
        for each statement execute function note_old();
    create trigger note_old after insert or update or delete on dirty
        for each statement execute function note_old();
    create trigger note_old after insert or update or delete on meta
        for each statement execute function note_old();
    create trigger note_old after insert or update or delete on duty
        for each statement execute function note_old()";

#[test]
fn one_that_stood_still_is_put_out_and_comes_back_as_another() {
    let served = Served::shared();
    let database = served.database();
    let sites = machines(2, served, &database);
    let still = sites[0].serve();
    served.say(&database, WITNESS);
    let goes_on = sites[1].serve();
    let members = || served.say(&database, "select count(*) from member");
    let most = || {
        let sql = "select coalesce(max(held), 0) from (select count(*) as held from duty
                   where name like 'bucket %' and member is not null group by member) as shares";
        served.say(&database, sql)
    };
    until("fair shares", || most() == "128");
    for n in 0..8 {
        report(n).write(&sites[n % 2].path("drop"));
    }
    signal(&still, "-STOP");
    until("it is put out", || members() == "1");
    until("all is the other's", || most() == "256");
    signal(&still, "-CONT");
    until("it joins again", || {
        let log = still.log();
        let joined = |line: &&Value| line["fields"]["code"] == "member-joined";
        log.iter().filter(joined).count() == 2
    });
    until("all results", || told(&sites[0]).len() == 8);
    report(8).write(&sites[0].path("drop"));
    until("one more", || told(&sites[0]).len() == 9);
    until("fair shares again", || most() == "128");
    assert_eq!(served.say(&database, "select count(*) from seen_old"), "0");
    // Who leaves in order is taken over at once.
    assert_eq!(still.stop(), Some(0));
    assert_eq!(members(), "1");
    report(9).write(&sites[1].path("drop"));
    until("the last", || told(&sites[0]).len() == 10);
    until("all is the other's", || most() == "256");
    assert_eq!(goes_on.stop(), Some(0));
}
