//! The HL7 port and its rules change by SIGHUP; connections that may stay, stay.

use super::*;
use crate::operate::reload::{reload, rewrite};
use std::net::TcpListener;

fn free() -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    listener.local_addr().expect("bound")
}

fn listening(daemon: &Daemon) -> usize {
    let log = daemon.log();
    log.iter()
        .filter(|line| line["fields"]["code"] == "hl7-listening")
        .count()
}

/// Puts another `[receive.hl7]` in force, or tries to.
fn say(site: &Site, daemon: &Daemon, listen: &[SocketAddr], more: &str, outcome: &str) {
    let listen: Vec<String> = listen.iter().map(|one| format!("\"{one}\"")).collect();
    rewrite(site, |text| {
        let (before, _) = text.split_once("[receive.hl7]").expect("there");
        format!(
            "{before}[receive.hl7]\nlisten = [{}]\n{more}\n",
            listen.join(", ")
        )
    });
    reload(daemon, outcome);
}

#[test]
fn rules_and_ports_change_under_open_connections() {
    let (one, other) = (free(), free());
    let site = processed(&format!("[receive.hl7]\nlisten = \"{one}\"\n"));
    let daemon = site.serve();
    until("the port", || listening(&daemon) == 1);
    let mut open = TcpStream::connect(one).expect("connects");
    let unsure = format!("PID|1||{NEW}\rMRG|{OLD}\r");
    let merge = |control: &str| adt("A40", control, "20260301120000+0000", &unsure);
    assert_eq!(codes(&asked(&mut open, &merge("1"))).1, "101");

    // A rule holds for the next message of a connection that was open before.
    let issuer = format!("default_issuer = \"{ISSUER}\"");
    say(&site, &daemon, &[one], &issuer, "reloaded");
    assert_eq!(codes(&asked(&mut open, &merge("2"))).0, "AA");
    assert_eq!(listening(&daemon), 1, "the port was not opened anew");

    // A further port; then the first goes, and what is open at the second stays.
    say(&site, &daemon, &[one, other], &issuer, "reloaded");
    let mut there = TcpStream::connect(other).expect("connects");
    assert_eq!(codes(&asked(&mut there, &merge("3"))).0, "AA");
    assert_eq!(codes(&asked(&mut open, &merge("4"))).0, "AA");
    say(&site, &daemon, &[other], &issuer, "reloaded");
    assert_eq!(asked(&mut open, &merge("5")), "", "its port was closed");
    until("a closed port", || TcpStream::connect(one).is_err());
    assert_eq!(codes(&asked(&mut there, &merge("6"))).0, "AA");

    // A port that cannot be had: nothing changes.
    let taken = TcpListener::bind(one).expect("free again");
    say(&site, &daemon, &[one, other], "", "reload-refused");
    assert_eq!(
        codes(&asked(&mut there, &merge("7"))).0,
        "AA",
        "the issuer holds on"
    );
    drop(taken);

    // Who may not connect any more is let go.
    let narrow = format!("{issuer}\naddresses_allowed = [\"192.0.2.0/24\"]");
    say(&site, &daemon, &[other], &narrow, "reloaded");
    assert_eq!(asked(&mut there, &merge("8")), "");
    // All ports can go.
    say(&site, &daemon, &[], "", "reloaded");
    until("a closed port", || TcpStream::connect(other).is_err());
    assert_eq!(daemon.stop(), Some(0));
}
