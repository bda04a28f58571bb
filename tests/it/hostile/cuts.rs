//! One recorded association, cut off, in single bytes, and with lengths that lie.
//!
//! `SHEATHLINE_CUT_STEP=1` cuts at every byte.

use super::super::harness::{Daemon, Site, until};
use super::{asked, build, recorded};
use sheathline_store::{Mode, Store, readings};
use std::io::{ErrorKind, Read, Write};
use std::net::{Shutdown, TcpStream};
use std::time::Duration;

/// Objects in the store, whatever became of them. The daemon has ended.
fn objects(site: &Site) -> u64 {
    let store = Store::open(&site.path("store.sqlite"), Mode::Guest).expect("opens");
    let counts = store.read(readings::counts).expect("counted");
    u64::from(counts.unread) + counts.read.values().map(|n| u64::from(*n)).sum::<u64>()
}

/// Sends bytes and says that there are no more; what came back until the daemon closed.
fn exchange(daemon: &Daemon, bytes: &[u8]) -> Vec<u8> {
    let mut stream = TcpStream::connect(daemon.address).expect("connected");
    let limit = Some(Duration::from_secs(60));
    stream.set_read_timeout(limit).expect("set");
    // The daemon may have closed before the last byte was written.
    let _ = stream.write_all(bytes);
    let _ = stream.shutdown(Shutdown::Write);
    let mut answer = Vec::new();
    // A reset is an end as well; silence is none.
    if let Err(error) = stream.read_to_end(&mut answer) {
        let waited = matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut);
        assert!(!waited, "the daemon does not close");
    }
    answer
}

/// Types of the PDUs in an answer.
fn kinds(mut bytes: &[u8]) -> Vec<u8> {
    let mut kinds = Vec::new();
    while let [kind, _, a, b, c, d, rest @ ..] = bytes {
        let length = u32::from_be_bytes([*a, *b, *c, *d]) as usize;
        kinds.push(*kind);
        bytes = rest.get(length..).expect("whole PDUs");
    }
    kinds
}

#[tokio::test(flavor = "multi_thread")]
async fn cut_off_anywhere() {
    let site = Site::new();
    let daemon = site.serve();
    daemon.echo().await;
    let before = daemon.descriptors_at_rest();
    let (request, store) = (recorded::request(), recorded::store());
    let whole = [request.clone(), store].concat();
    let step = asked("SHEATHLINE_CUT_STEP", 16) as usize;
    let mut cuts = 0;
    for cut in (0..whole.len()).step_by(step) {
        if (cut / step).is_multiple_of(2) {
            // Closed at once, over an answer that nobody has read.
            let mut stream = TcpStream::connect(daemon.address).expect("connected");
            stream.write_all(&whole[..cut]).expect("sent");
        } else {
            let answer = exchange(&daemon, &whole[..cut]);
            let accepted: &[u8] = if cut < request.len() { &[] } else { &[2] };
            assert_eq!(kinds(&answer), accepted, "cut at {cut}");
        }
        cuts += 1;
    }
    until("the descriptors", || daemon.descriptors() <= before);
    daemon.echo().await;

    // The whole of it, in single bytes, is stored; so the cuts were of something sound.
    let mut stream = TcpStream::connect(daemon.address).expect("connected");
    stream.set_nodelay(true).expect("set");
    for byte in [whole, recorded::release()].concat() {
        stream.write_all(&[byte]).expect("sent");
    }
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).expect("closed");
    assert_eq!(kinds(&answer), [2, 4, 6]);
    until("its result", || site.results().len() == 1);
    assert_eq!(daemon.stop(), Some(0));
    assert_eq!(objects(&site), 1, "after {cuts} cuts");
    println!("{cuts} cuts, no partial object");
}

/// PS3.8 section 9.3.5: the values of a PDU fill it. One off, in either direction, in the length of
/// the PDU or of the value, ends the association and nothing is kept.
#[tokio::test(flavor = "multi_thread")]
async fn lengths_of_data_that_lie() {
    let site = Site::new();
    let daemon = site.serve();
    daemon.echo().await;
    let before = daemon.descriptors_at_rest();
    let start = [recorded::request(), recorded::command("2.25.1")].concat();
    let data = recorded::data_pdu(2, &[7; 100]);
    let mut tried = 0;
    // The length of the PDU stands at byte 2, that of its only value at byte 6.
    for at in [2, 6] {
        let own = build::number(&data, build::BIG, at, 4);
        for length in build::lies(own).into_iter().chain([2, 1]) {
            let mut lie = data.clone();
            build::put(&mut lie, build::BIG, (at, 4), length);
            let answer = exchange(&daemon, &[start.clone(), lie].concat());
            let kinds = kinds(&answer);
            assert!(
                matches!(kinds[..], [2] | [2, 7]),
                "{length:#x} at {at}: {kinds:?}"
            );
            tried += 1;
        }
    }
    until("the descriptors", || daemon.descriptors() <= before);
    daemon.echo().await;
    assert_eq!(daemon.stop(), Some(0));
    assert_eq!(objects(&site), 0, "after {tried} lies");
    println!("{tried} lengths of data");
}

/// Every length of a request: of the PDU, its items and their parts, each with every lie. The
/// answer is an acceptance, a rejection, an abort or the end; memory does not follow the claims.
#[tokio::test(flavor = "multi_thread")]
async fn lengths_of_a_request_that_lie() {
    let site = Site::new();
    let daemon = site.serve();
    daemon.echo().await;
    let before = (daemon.descriptors_at_rest(), daemon.peak());
    let request = recorded::request();
    let fields = length_fields(&request);
    assert_eq!(fields.len(), 16, "{fields:?}");
    let mut tried = 0;
    for field in fields {
        for length in build::lies(build::number(&request, build::BIG, field.0, field.1)) {
            let mut lie = request.clone();
            build::put(&mut lie, build::BIG, field, length);
            if lie == request {
                continue;
            }
            let kinds = kinds(&exchange(&daemon, &lie));
            assert!(
                matches!(kinds[..], [] | [2] | [3] | [7] | [2, 7]),
                "{length:#x} at {field:?}: {kinds:?}"
            );
            tried += 1;
        }
    }
    until("the descriptors", || daemon.descriptors() <= before.0);
    daemon.echo().await;
    let more = daemon.peak() - before.1;
    println!("{tried} lengths of a request, {} KiB more", more >> 10);
    assert!(more <= 8 * super::MIB, "{more} bytes");
    assert_eq!(kinds(&exchange(&daemon, &request)), [2]);
}

/// Requests full of the smallest items there are, and of items that claim the largest length: what
/// they cost does not stay (another implementation kept 1 GB for 64 KB of them).
#[tokio::test(flavor = "multi_thread")]
async fn requests_of_many_small_items() {
    let site = Site::new();
    let daemon = site.serve();
    daemon.echo().await;
    let (descriptors, base) = (daemon.descriptors_at_rest(), daemon.peak());
    let small = |kind: u8, length: u16| {
        let [high, low] = length.to_be_bytes();
        [kind, 0, high, low].repeat(15_000)
    };
    let mut open = Vec::new();
    for round in 0..10 {
        for request in [
            recorded::request_with(&small(0x40, 0), &[]),
            recorded::request_with(&small(0x40, 0xFFFF), &[]),
            recorded::request_with(&[], &small(0x54, 0)),
            recorded::request_with(&[], &small(0x54, 0xFFFF)),
            recorded::request_with(&[], &small(0x60, 0)),
            recorded::request_with(&small(0x40, 0), &small(0x60, 0)),
        ] {
            let mut stream = TcpStream::connect(daemon.address).expect("connected");
            stream.write_all(&request).expect("sent");
            let mut kind = [0];
            stream.read_exact(&mut kind).expect("an answer");
            assert!(matches!(kind, [2 | 3 | 7]), "{kind:?} in round {round}");
            open.push(stream);
        }
    }
    let more = daemon.peak() - base;
    println!(
        "{} requests of 15,000 items, {} KiB more",
        open.len(),
        more >> 10
    );
    assert!(more <= 16 * super::MIB, "{more} bytes");
    drop(open);
    until("the descriptors", || daemon.descriptors() <= descriptors);
    daemon.echo().await;
}

/// Where the lengths of a request stand: of the PDU, then of every item, into the two that hold
/// others, and of the parts of roles and user identity (PS3.7 annex D.3.3).
fn length_fields(request: &[u8]) -> Vec<(usize, usize)> {
    let mut fields = vec![(2, 4)];
    let mut at = 74;
    while at + 4 <= request.len() {
        let (kind, field) = (request[at], (at + 2, 2));
        fields.push(field);
        let length = build::number(request, build::BIG, field.0, 2) as usize;
        at += match kind {
            0x20 => 8,
            0x50 => 4,
            0x54 => {
                fields.push((at + 4, 2));
                4 + length
            }
            0x58 => {
                fields.extend([(at + 6, 2), (at + 9, 2)]);
                4 + length
            }
            _ => 4 + length,
        };
    }
    fields
}
