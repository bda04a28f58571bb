//! Peers that only take: streams without end, other protocols, silence, resets, and too few
//! descriptors. A real sender is served beside and after them, and nothing of them stays.
//!
//! The peers come from other addresses of the loopback network than the sender.

use super::super::harness::{Daemon, Site, program, until};
use super::super::receive::Sender;
use super::{Dice, MIB, asked, recorded};
use std::fs;
use std::process::Command;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};

/// Resident memory may differ by this much when all is over (allocators keep a little).
const REST: u64 = 4 * MIB;

/// A socket at the nth of ten other addresses.
fn socket(n: usize) -> TcpSocket {
    let socket = TcpSocket::new_v4().expect("a socket");
    let from = format!("127.0.1.{}:0", n % 10 + 1);
    let from = from.parse().expect("an address");
    socket.bind(from).expect("bound");
    socket
}

async fn peer(daemon: &Daemon, n: usize) -> TcpStream {
    let connected = socket(n).connect(daemon.address).await;
    connected.expect("connected")
}

/// A site with these settings in `[receive.dicom]`.
fn site_with(settings: &str) -> Site {
    let site = Site::new();
    let text = fs::read_to_string(site.config()).expect("configuration");
    let table = "[receive.dicom]\n";
    let text = text.replace(table, &format!("{table}{settings}"));
    fs::write(site.config(), text).expect("configuration");
    site
}

/// Closes with a reset instead of an end (socket(7), SO_LINGER of nought).
fn reset(stream: TcpStream) {
    stream.set_zero_linger().expect("set");
    drop(stream);
}

/// One data set without a last fragment: aborted at the limit of an object, and never more than
/// that in memory.
#[tokio::test(flavor = "multi_thread")]
async fn a_stream_without_end() {
    const LIMIT: u64 = 16 * MIB;
    let site = site_with(&format!("max_object_bytes = {LIMIT}\n"));
    let daemon = site.serve();
    daemon.echo().await;
    let base = daemon.peak();
    let mut stream = peer(&daemon, 0).await;
    let start = [recorded::request(), recorded::command("2.25.1")].concat();
    stream.write_all(&start).await.expect("sent");
    let piece = recorded::data_pdu(0, &[0; 16_000]);
    let mut sent = 0;
    while sent < 10 * LIMIT && stream.write_all(&piece).await.is_ok() {
        sent += 16_000;
    }
    let more = daemon.peak() - base;
    println!("{} KiB sent, {} KiB more in memory", sent >> 10, more >> 10);
    let cut_off = (LIMIT..10 * LIMIT).contains(&sent);
    assert!(cut_off, "cut off after {sent}");
    // The bytes received show in the measure, so the measure would show more of them.
    assert!(more > LIMIT / 2 && more <= LIMIT + 8 * MIB, "{more} bytes");
    daemon.echo().await;
    assert!(site.results().is_empty());
}

/// Connections that ask for nothing, and other protocols: descriptors and memory are back after.
#[tokio::test(flavor = "multi_thread")]
async fn other_protocols_leave_nothing_behind() {
    let site = Site::new();
    let daemon = site.serve();
    let mut dice = Dice(20_240_502);
    let hellos: [&[u8]; 5] = [
        b"",
        b"GET / HTTP/1.1\r\nHost: a\r\n\r\n",
        &[0x16, 3, 1, 2, 0, 1, 0, 1, 0xFC, 3, 3],
        b"\x0bMSH|^~\\&|A|B|C|D|20240501||ADT^A08|1|P|2.5\r\x1c\r",
        b"SSH-2.0-test\r\n",
    ];
    let random = |dice: &mut Dice| -> Vec<u8> {
        let length = 1 + dice.below(200);
        (0..length).map(|_| dice.next().to_le_bytes()[0]).collect()
    };
    let count = asked("SHEATHLINE_CONNECTIONS", 10_000) as usize;
    let mut start = None;
    for n in 0..count {
        // The first thousand warm up allocator and threads.
        if n == 1000.min(count / 2) {
            daemon.echo().await;
            start = Some((daemon.descriptors(), daemon.resident()));
        }
        let mut stream = peer(&daemon, n).await;
        let hello = match n % 6 {
            5 => random(&mut dice),
            n => hellos[n].to_vec(),
        };
        let _ = stream.write_all(&hello).await;
        match dice.below(4) {
            0 => reset(stream),
            1 => {
                let _ = stream.shutdown().await;
                let mut answer = Vec::new();
                let _ = stream.read_to_end(&mut answer).await;
            }
            _ => drop(stream),
        }
    }
    let (descriptors, resident) = start.expect("enough connections");
    daemon.echo().await;
    until("the descriptors", || daemon.descriptors() <= descriptors);
    let now = daemon.resident();
    println!(
        "{count} connections, resident {} KiB, then {} KiB",
        resident >> 10,
        now >> 10
    );
    assert!(now <= resident + REST, "{now} after {resident}");
}

/// Silent connections, more than there may be associations, those that send one byte, and a hundred
/// associations that ask for nothing: a real sender stores beside them.
#[tokio::test(flavor = "multi_thread")]
async fn half_open_connections_hinder_nobody() {
    let site = Site::new();
    let daemon = site.serve();
    daemon.echo().await;
    let before = daemon.descriptors_at_rest();
    let count = asked("SHEATHLINE_HALF_OPEN", 500) as usize;
    let mut silent = Vec::new();
    for n in 0..count {
        let mut stream = peer(&daemon, n).await;
        if n % 10 == 9 {
            stream.write_all(&[1]).await.expect("sent");
        }
        silent.push(stream);
    }
    for n in 0..100 {
        let mut stream = peer(&daemon, n).await;
        stream.write_all(&recorded::request()).await.expect("sent");
        let mut kind = [0];
        stream.read_exact(&mut kind).await.expect("an answer");
        assert_eq!(kind, [2], "association {n}");
        silent.push(stream);
    }
    let mut sender = Sender::connect(daemon.address).await.expect("accepted");
    for n in 0..100 {
        let body = format!("object {n} ").repeat(500);
        let status = sender.store(&format!("2.25.{n}"), body.as_bytes()).await;
        assert_eq!(status, 0, "object {n}");
    }
    daemon.echo().await;
    drop(silent);
    until("the descriptors", || daemon.descriptors() <= before + 1);
    println!("{count} half-open connections, 100 objects stored beside them");
}

/// A reset in every state of an association.
#[tokio::test(flavor = "multi_thread")]
async fn resets_in_every_state() {
    let site = Site::new();
    let daemon = site.serve();
    daemon.echo().await;
    let before = daemon.descriptors_at_rest();
    let (request, store, release) = (recorded::request(), recorded::store(), recorded::release());
    let command = recorded::command("2.25.1");
    let whole = [request.clone(), store.clone()].concat();
    let states: [(&str, Vec<u8>, bool); 9] = [
        ("connected", Vec::new(), false),
        ("in a header", request[..3].to_vec(), false),
        ("in a request", request[..100].to_vec(), false),
        ("request sent", request.clone(), false),
        ("accepted", request.clone(), true),
        (
            "in a command",
            [&request[..], &command[..20]].concat(),
            true,
        ),
        ("in a data set", whole[..whole.len() - 500].to_vec(), true),
        ("before the answer", whole.clone(), true),
        ("released", [whole, release].concat(), true),
    ];
    let rounds = asked("SHEATHLINE_RESETS", 25) as usize;
    for round in 0..rounds {
        for (what, bytes, waits) in &states {
            let mut stream = peer(&daemon, round).await;
            let (first, rest) = bytes.split_at(bytes.len().min(request.len()));
            stream.write_all(first).await.expect(what);
            if *waits {
                // The acceptance has to be here before the rest is sent.
                let mut kind = [0];
                stream.read_exact(&mut kind).await.expect(what);
                assert_eq!(kind, [2], "{what}");
            }
            stream.write_all(rest).await.expect(what);
            reset(stream);
        }
    }
    until("the descriptors", || daemon.descriptors() <= before);
    // The object may have been complete in two of the states; sent in peace, it is there once.
    let mut stream = peer(&daemon, 0).await;
    stream.write_all(&states[8].1).await.expect("sent");
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).await.expect("closed");
    until("its result", || site.results().len() == 1);
    assert_eq!(site.json("quarantine", &["--json"]).len(), 0);
    println!(
        "{} resets in {} states",
        rounds * states.len(),
        states.len()
    );
}

/// Requests without end from peers that never read an answer: each is ended when no answer can be
/// sent any more, and takes no more memory than the sockets hold.
#[tokio::test(flavor = "multi_thread")]
async fn peers_that_never_read() {
    let site = site_with("idle_timeout_s = 1\nwrite_timeout_s = 1\n");
    let daemon = site.serve();
    daemon.echo().await;
    let (before, base) = (daemon.descriptors_at_rest(), daemon.peak());
    let mut peers = tokio::task::JoinSet::new();
    for n in 0..2 {
        let socket = socket(n);
        // A small window is full sooner.
        socket.set_recv_buffer_size(4096).expect("set");
        let mut stream = socket.connect(daemon.address).await.expect("connected");
        peers.spawn(async move {
            stream.write_all(&recorded::request()).await.expect("sent");
            let request = recorded::command_without_data(0x0030).repeat(1000);
            while stream.write_all(&request).await.is_ok() {}
        });
    }
    let ended = tokio::time::timeout(Duration::from_secs(120), peers.join_all()).await;
    ended.expect("the daemon ends them");
    until("the descriptors", || daemon.descriptors() <= before);
    let more = daemon.peak() - base;
    assert!(more <= 8 * MIB, "{more} bytes");
    daemon.echo().await;
}

/// With 64 descriptors and more connections than that, the daemon waits instead of spinning, and
/// serves again as soon as there are some.
#[tokio::test(flavor = "multi_thread")]
async fn too_few_descriptors() {
    let site = Site::new();
    let mut limited = Command::new("prlimit");
    limited.arg("--nofile=64:64").arg(program().get_program());
    let daemon = site.serve_by(limited);
    daemon.echo().await;
    let mut silent = Vec::new();
    for n in 0..150 {
        silent.push(peer(&daemon, n).await);
    }
    until("the limit", || daemon.descriptors() >= 48);
    let (started, ticks) = (Instant::now(), daemon.ticks());
    tokio::time::sleep(Duration::from_secs(3)).await;
    let hundredths = (started.elapsed().as_millis() / 10) as u64;
    let used = daemon.ticks() - ticks;
    println!("{used} of {hundredths} hundredths of a second at the limit");
    assert!(used * 5 < hundredths, "{used} of {hundredths}: it spins");
    drop(silent);
    until("some descriptors", || daemon.descriptors() < 40);
    let mut sender = Sender::connect(daemon.address).await.expect("accepted");
    assert_eq!(sender.store("2.25.1", b"bytes").await, 0);
    until("the object", || {
        site.json("quarantine", &["--json"]).len() == 1
    });
}
