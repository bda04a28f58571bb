//! Whoever connects to the HL7 port and means no good slows down nobody else.

use super::super::observe::{LISTEN, endpoint, samples};
use super::*;

#[test]
fn broken_streams_end_and_others_are_served() {
    let site = processed(&format!("{LISTEN}{HL7}"));
    let (daemon, address) = serving(&site);
    let to = endpoint(&daemon);
    let connect = || TcpStream::connect(address).expect("connects");
    let groups = format!("PID|1||{NEW}^^^{ISSUER}\rMRG|{OLD}^^^{ISSUER}\r");
    let good = adt("A40", "1", "20260301120000+0000", &groups);
    let code = |code: &str| samples(to)[&format!("sheathline_failures_total{{code=\"{code}\"}}")];
    // Not MLLP, a block in a block, a block that is no message.
    for bytes in [
        &b"GET / HTTP/1.1\r\n\r\n"[..],
        b"\x0bMSH|\x0b",
        b"\x0bhello\x1c\r",
        b"\x16\x03\x01",
    ] {
        assert_eq!(asked(&mut connect(), bytes), "");
    }
    until("malformed", || code("hl7-malformed") == 4.0);
    // Without an end: closed at the limit of a message.
    let mut endless = connect();
    let _ = endless.write_all(b"\x0bMSH|^~\\&|");
    let piece = [b'x'; 65_536];
    let sent = (0..1000)
        .take_while(|_| endless.write_all(&piece).is_ok())
        .count();
    assert!(sent < 1000, "64 MB were taken");
    until("too long", || code("hl7-malformed") == 5.0);
    // Slow: a message that has begun has a second to end; others are served meanwhile.
    let mut slow = connect();
    slow.write_all(&good[..good.len() - 2]).expect("sent");
    assert_eq!(codes(&asked(&mut connect(), &good)).0, "AA");
    assert_eq!(asked(&mut slow, b""), "");
    until("slow", || code("hl7-slow") == 1.0);
    // Too many at a time: the rest is closed at once, and room comes back.
    let many: Vec<TcpStream> = (0..12).map(|_| connect()).collect();
    until("refused connections", || code("hl7-connections") >= 8.0);
    drop(many);
    let has_room = || codes_or_none(&asked(&mut connect(), &good)).as_deref() == Some("AA");
    until("room", has_room);
    // Cut inside a message, at every place of it: nothing is kept, nothing breaks.
    let other = adt(
        "A40",
        "9",
        "20260301120000+0000",
        "PID|||A^^^X\rMRG|B^^^X\r",
    );
    for at in (1..other.len() - 1).step_by(7) {
        let mut stream = connect();
        let _ = stream.write_all(&other[..at]);
        drop(stream);
    }
    until("room", has_room);
    let mut stream = connect();
    // Byte by byte is as good as at once.
    for byte in &good[..good.len() - 1] {
        stream.write_all(&[*byte]).expect("sent");
    }
    assert_eq!(codes(&asked(&mut stream, &good[good.len() - 1..])).0, "AA");
    assert_eq!(daemon.stop(), Some(0));
    let list = super::super::harness::program()
        .args(["patient", "list", "--json", "--config"])
        .arg(site.config())
        .output()
        .expect("runs");
    assert_eq!(String::from_utf8_lossy(&list.stdout).lines().count(), 1);
}

fn codes_or_none(answer: &str) -> Option<String> {
    (!answer.is_empty()).then(|| codes(answer).0)
}
