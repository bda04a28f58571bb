//! Every refusal leaves one line in the log of the real program: code, peer, answer, titles.

use super::raw::{Raw, bytes, connect_from, request};
use super::{SR, VERIFICATION};
use crate::harness::Site;
use dicom_ul::pdu::Pdu;
use serde_json::Value;
use std::fs;
use std::time::{Duration, Instant};

/// A request with its titles put in byte for byte, since a stranger may send any.
fn titled(called: &[u8; 16], calling: &[u8; 16]) -> Vec<u8> {
    let mut asked = bytes(&Pdu::AssociationRQ(request("A", "B", &[SR, VERIFICATION])));
    asked[10..26].copy_from_slice(called);
    asked[26..42].copy_from_slice(calling);
    asked
}

const US: &[u8; 16] = b"SHEATHLINE      ";
const CART: &[u8; 16] = b"CART            ";

/// A request with one byte changed. The application context item begins at byte 74 and takes 25,
/// so the first presentation context id is byte 103 (PS3.8 tables 9-11 to 9-13).
fn changed(at: usize, byte: u8) -> Vec<u8> {
    let mut asked = titled(US, CART);
    asked[at] = byte;
    asked
}

#[tokio::test(flavor = "multi_thread")]
async fn each_leaves_one_line() {
    let site = Site::new();
    let text = "[receive.dicom]\nlisten = \"127.0.0.1:0\"\ncalling_allowed = [\"CART\"]\n\
                addresses_allowed = [\"127.0.0.0/24\"]\nassociation_timeout_s = 2\n\
                max_associations_per_peer = 1\n[observe]\nlog_format = \"json\"\n";
    fs::write(site.config(), text).expect("written");
    let daemon = site.serve();
    // What is sent, from where, the first byte of the answer, and the line it leaves.
    let cases: Vec<(&str, Vec<u8>, &str, &str)> = vec![
        (
            "127.0.0.2",
            titled(b"OTHER\n\x1b[31m     ", CART),
            "refused-called",
            "A-ASSOCIATE-RJ 1/1/7",
        ),
        (
            "127.0.0.3",
            titled(US, b"EVIL\x07\"          "),
            "refused-calling",
            "A-ASSOCIATE-RJ 1/1/3",
        ),
        (
            "127.0.0.4",
            titled(US, b"STRANGER        "),
            "refused-calling",
            "A-ASSOCIATE-RJ 1/1/3",
        ),
        (
            "127.0.0.5",
            titled(US, &[b' '; 16]),
            "refused-calling-blank",
            "A-ASSOCIATE-RJ 1/1/3",
        ),
        (
            "127.0.0.6",
            changed(7, 2),
            "refused-protocol",
            "A-ASSOCIATE-RJ 1/2/2",
        ),
        (
            "127.0.0.7",
            changed(98, b'9'),
            "refused-application-context",
            "A-ASSOCIATE-RJ 1/1/2",
        ),
        (
            "127.0.0.8",
            changed(103, 3),
            "refused-context-ids",
            "A-ABORT 2/6",
        ),
        (
            "127.0.0.9",
            b"GET / HTTP/1.1\r\n".to_vec(),
            "refused-not-dicom",
            "A-ABORT 2/1",
        ),
        (
            "127.0.0.10",
            b"\x16\x03\x01".to_vec(),
            "refused-tls",
            "A-ABORT 2/1",
        ),
        (
            "127.0.0.11",
            b"\x01\0\x7f\xff\xff\xff".to_vec(),
            "refused-request-malformed",
            "A-ABORT 2/6",
        ),
        (
            "127.0.0.12",
            b"\x05\0\0\0\0\x04\0\0\0\0".to_vec(),
            "refused-request-missing",
            "A-ABORT 2/2",
        ),
        (
            "127.0.0.13",
            b"\x01".to_vec(),
            "refused-request-slow",
            "A-ABORT 2/0",
        ),
        (
            "127.0.0.14",
            b"\r\n\r\n\0\r\nQUIT\n".to_vec(),
            "refused-proxy-unexpected",
            "closed",
        ),
        ("127.9.0.1", Vec::new(), "refused-address", "closed"),
    ];
    for (from, sent, _, answer) in &cases {
        let mut raw = Raw::over(connect_from(from, daemon.address).await);
        let _ = tokio::io::AsyncWriteExt::write_all(&mut raw.stream, sent).await;
        let kind = match answer.split_whitespace().next() {
            Some("A-ASSOCIATE-RJ") => Some(3),
            Some("A-ABORT") => Some(7),
            _ => None,
        };
        assert_eq!(raw.read().await.first().copied(), kind, "{from}");
    }
    // One association of the peer is open; one more, and one that can use nothing.
    let mut open = Raw::over(connect_from("127.0.0.20", daemon.address).await);
    open.write(&titled(US, CART)).await;
    assert_eq!(open.read().await.first(), Some(&2));
    let mut more = Raw::over(connect_from("127.0.0.20", daemon.address).await);
    more.write(&titled(US, CART)).await;
    assert_eq!(more.read().await.first(), Some(&3));
    let mut nothing = Raw::over(connect_from("127.0.0.21", daemon.address).await);
    let answer = nothing.ask("CART", "SHEATHLINE", &["1.2.3"]).await;
    assert_eq!(answer.first(), Some(&2));

    let mut expected: Vec<[&str; 3]> = cases
        .iter()
        .map(|(from, _, code, answer)| [*from, *code, *answer])
        .collect();
    expected.push([
        "127.0.0.20",
        "refused-associations-of-peer",
        "A-ASSOCIATE-RJ 2/3/2",
    ]);
    expected.push(["127.0.0.21", "refused-no-context", "A-ASSOCIATE-AC"]);
    let started = Instant::now();
    let lines = loop {
        let mut lines = daemon.log();
        let refused = |line: &Value| {
            let code = line["fields"]["code"].as_str();
            code.is_some_and(|code| code.starts_with("refused-"))
        };
        lines.retain(refused);
        if lines.len() >= expected.len() || started.elapsed() > Duration::from_secs(20) {
            break lines;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    let field = |line: &Value, name: &str| {
        let text = line["fields"][name].as_str().expect(name);
        text.to_owned()
    };
    let found: Vec<[String; 3]> = lines
        .iter()
        .map(|line| ["peer", "code", "answer"].map(|name| field(line, name)))
        .collect();
    assert_eq!(found, expected);
    // Why, in words; what a stranger chose is escaped.
    for line in &lines {
        assert_eq!(line["level"], "WARN");
        assert!(field(line, "message").len() > 10, "{line}");
    }
    assert_eq!(field(&lines[0], "called"), "OTHER\\n\\u{1b}[31m");
    assert_eq!(field(&lines[0], "calling"), "CART");
    assert_eq!(field(&lines[1], "calling"), "EVIL\\u{7}\\\"");
    drop((open, more, nothing));
    assert_eq!(daemon.stop(), Some(0));
}
