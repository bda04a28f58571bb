//! Destinations that change by SIGHUP while results are under way.

use super::*;
use crate::operate::reload::{reload, rewrite};

fn destination(name: &str, hook: &Hook) -> String {
    let port = hook.port;
    format!(
        "[[destination]]\nname = \"{name}\"\nkind = \"hook\"\nurl = \"http://127.0.0.1:{port}/\"\n\
         timeout_s = 2\nfirst_wait_s = 1\nlongest_wait_s = 1\n"
    )
}

/// Writes these destinations and no others.
fn write(site: &Site, all: &str) {
    rewrite(site, |text| {
        let (before, _) = text.split_once("[[destination]]").unwrap_or((&text, ""));
        format!("{before}{all}")
    });
}

/// The same, and has them put in force.
fn name(site: &Site, daemon: &Daemon, all: &str, outcome: &str) -> Vec<Value> {
    write(site, all);
    reload(daemon, outcome)
}

fn once(took: &[String]) -> bool {
    took.iter().collect::<BTreeSet<_>>().len() == took.len()
}

#[test]
fn destinations_come_go_and_move_without_a_loss_or_a_double() {
    let (first, second, moved) = (Hook::new(|_| 200), Hook::new(|_| 200), Hook::new(|_| 200));
    let site = Site::with(&destination("first", &first));
    let daemon = site.serve();
    put(&site, &["tid1500"]);
    until("the first result", || arrived(&site, &first, 1));

    // A further one gets what is published from now on.
    let both = destination("first", &first) + &destination("second", &second);
    let told = name(&site, &daemon, &both, "reloaded");
    assert_eq!(told[0]["fields"]["changed"], "[[destination]]");
    let before = keys(&site);
    put(&site, &["two-time-points"]);
    let new = || &keys(&site) - &before;
    until("a result at both", || {
        !new().is_empty()
            && arrived(&site, &first, before.len() + 1)
            && second.took().into_iter().collect::<BTreeSet<_>>() == new()
    });

    // One moves while a delivery to it is under way and not answered: the same comes to its new place.
    first.answers(|_| 0);
    put(&site, &["amended-first"]);
    until("a delivery under way", || {
        first.got().iter().any(|(_, status)| *status == 0)
    });
    let both = destination("first", &moved) + &destination("second", &second);
    name(&site, &daemon, &both, "reloaded");
    let all = || -> BTreeSet<String> { first.took().into_iter().chain(moved.took()).collect() };
    until("all results at one of its places", || all() == keys(&site));
    assert!(!moved.took().is_empty());
    let each: Vec<String> = first.took().into_iter().chain(moved.took()).collect();
    assert!(once(&each) && once(&second.took()), "{each:?}");

    // A mistake changes nothing of it.
    let wrong = both.replace("url =", "uri =");
    name(&site, &daemon, &wrong, "reload-refused");
    // Commands read the file too.
    write(&site, &both);
    let exam = list(&site, &[])[0]["exam_id"]
        .as_str()
        .expect("id")
        .to_owned();
    let (at_moved, at_second) = (moved.took().len(), second.took().len());
    site.ok("label", &[&exam, "well"]);
    until("a result at the new place", || {
        moved.took().len() > at_moved
    });
    until("a result at the other", || second.took().len() > at_second);

    // One that is gone gets nothing more.
    until("no delivery waits", || {
        list(&site, &["--state", "waiting"]).is_empty()
    });
    name(&site, &daemon, &destination("first", &moved), "reloaded");
    let (at_moved, at_second) = (moved.took().len(), second.took().len());
    site.ok("label", &[&exam, "none"]);
    until("a result at the one that stays", || {
        moved.took().len() > at_moved
    });
    assert_eq!(second.took().len(), at_second);
    assert_eq!(daemon.stop(), Some(0));
    site.ok("verify", &["--outbox-complete"]);
}
