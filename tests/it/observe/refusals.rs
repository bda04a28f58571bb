//! Refusals of the real daemon: told once a peer, reason and minute with their number.

use super::audit::events;
use super::{LISTEN, endpoint, exchange, samples};
use crate::harness::{Daemon, Site, until};
use serde_json::Value;
use std::fs;
use std::net::SocketAddr;

const MORE: &str = "audit = \"audit.xml\"\n\
    [receive.web]\nlisten = \"127.0.0.1:0\"\nbearer = \"tokens\"\n\
    [receive.hl7]\nlisten = \"127.0.0.1:0\"\naddresses_allowed = [\"192.0.2.0/24\"]\n";

fn listening(daemon: &Daemon, code: &str) -> SocketAddr {
    let mut found = None;
    until(code, || {
        let log = daemon.log();
        let line = log.iter().find(|line| line["fields"]["code"] == code);
        let address = line.and_then(|line| line["fields"]["address"].as_str());
        found = address.and_then(|address| address.parse().ok());
        found.is_some()
    });
    found.expect("an address")
}

/// How many lines have this code, and how many refusals they tell of.
fn told(log: &[Value], code: &str) -> (usize, u64) {
    let lines = log.iter().filter(|line| line["fields"]["code"] == code);
    let numbers: Vec<u64> = lines
        .map(|line| line["fields"]["repeats"].as_u64().unwrap_or(1))
        .collect();
    (numbers.len(), numbers.iter().sum())
}

#[test]
fn a_flood_is_a_line_and_a_number_and_tokens_and_addresses_are_told_too() {
    let site = Site::with(&format!("{LISTEN}{MORE}"));
    fs::write(site.path("tokens"), "right\n").expect("written");
    let daemon = site.serve();
    let to = endpoint(&daemon);
    let web = listening(&daemon, "web-listening");
    let hl7 = listening(&daemon, "hl7-listening");
    let stow = b"POST /studies HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer wrong\r\n\
                 Connection: close\r\nContent-Length: 0\r\n\r\n";
    for _ in 0..20 {
        assert!(exchange(web, stow).starts_with("HTTP/1.1 401"));
        exchange(hl7, b"");
    }
    for _ in 0..300 {
        exchange(daemon.address, b"GET / HTTP/1.1\r\n\r\n");
    }
    let expected: [(&str, u16); 3] = [
        ("web-token", 20),
        ("hl7-address", 20),
        ("refused-not-dicom", 300),
    ];
    for (code, times) in expected {
        let name = format!("sheathline_failures_total{{code=\"{code}\"}}");
        until(code, || samples(to)[&name] >= f64::from(times));
        assert_eq!(samples(to)[&name], f64::from(times), "{code}");
        assert_eq!(
            told(&daemon.log(), code),
            (1, 1),
            "{code}: the first at once"
        );
    }
    let (trail, before) = events(&site.path("audit.xml"));
    assert_eq!(before["110113 E 4"], expected.len(), "{trail}");
    let (stopped, log) = daemon.stop_and_log();
    assert_eq!(stopped, Some(0));
    for (code, times) in expected {
        assert_eq!(told(&log, code), (2, times.into()), "{code}");
    }
    let (trail, after) = events(&site.path("audit.xml"));
    assert_eq!(after["110113 E 4"], 2 * expected.len(), "{trail}");
    assert_eq!(trail.matches("Number of Repeats").count(), expected.len());
}
