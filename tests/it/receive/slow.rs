//! Peers that are slow, silent or gone slow down nobody but themselves.

use super::pki::Pki;
use super::raw::{Raw, bytes, connect_from, request};
use super::{Node, SR, VERIFICATION, encode, number, tags, text};
use crate::harness::Site;
use dicom_ul::pdu::{PDataValue, PDataValueType, Pdu};
use sheathline_net::dicom::refusal::Refusal;
use std::net::SocketAddr;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};
use tokio::task::JoinSet;

fn asked() -> Vec<u8> {
    let classes = [VERIFICATION, SR];
    bytes(&Pdu::AssociationRQ(request("SLOW", "SHEATHLINE", &classes)))
}

async fn accepted(from: &str, to: SocketAddr) -> Raw<TcpStream> {
    let mut raw = Raw::over(connect_from(from, to).await);
    let answer = raw.ask("SLOW", "SHEATHLINE", &[VERIFICATION, SR]).await;
    assert_eq!(answer.first(), Some(&2), "{from}: {answer:?}");
    raw
}

/// One byte a second until the connection is closed, or the bytes are used up.
async fn trickle(mut stream: TcpStream, bytes: Vec<u8>) {
    for byte in bytes {
        let read = async { stream.read(&mut [0; 64]).await };
        match tokio::time::timeout(Duration::from_secs(1), read).await {
            Ok(_) => return,
            Err(_) if stream.write_all(&[byte]).await.is_err() => return,
            Err(_) => {}
        }
    }
    panic!("never closed");
}

/// The end of a connection, whatever comes before it.
async fn until_closed(mut stream: TcpStream) {
    let read = async { stream.read_to_end(&mut Vec::new()).await };
    let read = tokio::time::timeout(Duration::from_secs(60), read);
    let _ = read.await.expect("closed in time");
}

/// 50 senders of one byte a second, 200 handshakes and 100 associations that do not go on, each
/// kind within the default shares; 100 objects go through beside them.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_real_sender_beside_350_slow_ones() {
    let pki = Pki::new();
    let (own, cart) = (pki.issue("server"), pki.issue("cart"));
    let node = Node::start(|settings| {
        pki.serve(settings, &own);
        settings.tls.handshake_timeout_s = 8;
        settings.association_timeout_s = 8;
        settings.idle_timeout_s = 8;
    })
    .await;
    let plain = node.address;
    let tls = node.addresses.iter().find(|(_, tls)| *tls).expect("TLS").0;
    let mut slow = JoinSet::new();
    for _ in 0..25 {
        let stream = connect_from("127.0.1.1", plain).await;
        slow.spawn(trickle(stream, asked()));
        let inside = accepted("127.0.1.1", plain).await;
        let value = PDataValue {
            presentation_context_id: 3,
            value_type: PDataValueType::Command,
            is_last: true,
            data: vec![0; 100],
        };
        let value = bytes(&Pdu::PData { data: vec![value] });
        slow.spawn(trickle(inside.stream, value));
    }
    for n in 0..200 {
        let from = ["127.0.1.2", "127.0.1.3"][n % 2];
        let mut stream = connect_from(from, tls).await;
        // The beginning of a ClientHello (RFC 8446 5.1).
        let hello = [0x16, 3, 1, 2, 0, 1, 0, 1, 0xFC];
        stream.write_all(&hello).await.expect("sent");
        slow.spawn(until_closed(stream));
    }
    for n in 0..100 {
        let from = ["127.0.1.4", "127.0.1.5"][n % 2];
        slow.spawn(until_closed(accepted(from, plain).await.stream));
    }

    let started = Instant::now();
    let mut over_tls = Raw::over(
        pki.connect(connect_from("127.0.0.1", tls).await, Some(&cart))
            .await
            .expect("a handshake"),
    );
    let answer = over_tls.ask("CART", "SHEATHLINE", &[SR]).await;
    assert_eq!(answer.first(), Some(&2));
    let mut sender = accepted("127.0.0.1", plain).await;
    for n in 0..50 {
        let body = |how: &str| format!("object {n} {how} ").repeat(500);
        let (instance, body_plain, body_tls) = (format!("1.{n}"), body("plain"), body("TLS"));
        let answer = sender.store(3, SR, &instance, body_plain.as_bytes()).await;
        assert_eq!(number(&answer, tags::STATUS), 0);
        let instance = format!("2.{n}");
        let answer = over_tls.store(1, SR, &instance, body_tls.as_bytes()).await;
        assert_eq!(number(&answer, tags::STATUS), 0);
    }
    println!("100 objects in {:?}", started.elapsed());
    assert_eq!(node.kept().len(), 100);
    // Every slow one is ended by its time-out.
    while let Some(ended) = slow.join_next().await {
        ended.expect("closed");
    }
    node.count_of(Refusal::HandshakeSlow, 200).await;
    node.count_of(Refusal::RequestSlow, 25).await;
    node.stop().await;
}

/// A peer that asks on and on and reads nothing loses its connection and its place.
#[tokio::test(flavor = "multi_thread")]
async fn a_peer_that_does_not_read() {
    let node = Node::start(|settings| {
        settings.max_associations = 1;
        settings.write_timeout_s = 1;
    })
    .await;
    let socket = TcpSocket::new_v4().expect("a socket");
    socket.set_recv_buffer_size(2048).expect("set");
    let stream = socket.connect(node.address).await.expect("connected");
    let mut deaf = Raw::over(stream);
    let answer = deaf.ask("SLOW", "SHEATHLINE", &[VERIFICATION]).await;
    assert_eq!(answer.first(), Some(&2));
    let echo = encode(&[
        (tags::AFFECTED_SOP_CLASS_UID, text(VERIFICATION)),
        (tags::COMMAND_FIELD, vec![0x30, 0]),
        (tags::MESSAGE_ID, vec![1, 0]),
        (tags::COMMAND_DATA_SET_TYPE, vec![1, 1]),
    ]);
    let value = PDataValue {
        presentation_context_id: 1,
        value_type: PDataValueType::Command,
        is_last: true,
        data: echo,
    };
    let many = bytes(&Pdu::PData { data: vec![value] }).repeat(100);
    let asking = async { while deaf.stream.write_all(&many).await.is_ok() {} };
    tokio::time::timeout(Duration::from_secs(60), asking)
        .await
        .expect("cut off");
    let again = async {
        loop {
            let mut next = Raw::over(connect_from("127.0.0.1", node.address).await);
            let answer = next.ask("NEXT", "SHEATHLINE", &[VERIFICATION]).await;
            if answer.first() == Some(&2) {
                break;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    tokio::time::timeout(Duration::from_secs(30), again)
        .await
        .expect("the place is free");
    node.stop().await;
}

/// Resets at 200 places of an association, over both kinds of port.
#[tokio::test(flavor = "multi_thread")]
async fn resets_in_every_state() {
    let pki = Pki::new();
    let own = pki.issue("server");
    let node = Node::start(|settings| pki.serve(settings, &own)).await;
    let value = PDataValue {
        presentation_context_id: 3,
        value_type: PDataValueType::Data,
        is_last: false,
        data: vec![0; 100],
    };
    let mut recorded = asked();
    recorded.extend(bytes(&Pdu::PData { data: vec![value] }));
    for n in 0..200 {
        let (address, _) = node.addresses[n % 2];
        let mut stream = connect_from("127.0.0.3", address).await;
        let end = recorded.len() * n / 200;
        // The port for TLS may have closed it already.
        let _ = stream.write_all(&recorded[..end]).await;
        stream.set_zero_linger().expect("set");
        drop(stream);
    }
    let mut sender = accepted("127.0.0.1", node.address).await;
    let answer = sender.store(3, SR, "1.2", b"bytes").await;
    assert_eq!(number(&answer, tags::STATUS), 0);
    assert_eq!(node.kept().len(), 1);
    node.stop().await;
}

/// The processor time a process has used, in clock ticks of 1/100 s (proc(5), fields 14 and 15).
#[cfg(target_os = "linux")]
fn ticks(pid: u32) -> u64 {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).expect("running");
    let after_name = stat.rsplit(") ").next().expect("fields");
    let fields: Vec<&str> = after_name.split(' ').collect();
    let number = |at: usize| fields[at].parse::<u64>().expect("a number");
    number(11) + number(12)
}

/// With 64 descriptors and 100 connections the program waits instead of spinning, and serves again
/// when they are gone.
#[cfg(target_os = "linux")]
#[tokio::test(flavor = "multi_thread")]
async fn out_of_descriptors() {
    let site = Site::new();
    let daemon = site.serve();
    let pid = daemon.pid();
    let limited = std::process::Command::new("prlimit")
        .args(["--pid", &pid.to_string(), "--nofile=64:64"])
        .status();
    if !limited.is_ok_and(|status| status.success()) {
        println!("prlimit is not there, nothing is checked");
        return;
    }
    let mut silent = Vec::new();
    for _ in 0..100 {
        silent.push(connect_from("127.0.0.2", daemon.address).await);
    }
    let failed = async {
        let code = |line: &serde_json::Value| line["fields"]["code"] == "accept-failed";
        while !daemon.log().iter().any(code) {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    tokio::time::timeout(Duration::from_secs(20), failed)
        .await
        .expect("it is out of descriptors");
    let before = ticks(pid);
    tokio::time::sleep(Duration::from_secs(2)).await;
    // Two seconds are 200 ticks; spinning would use them all.
    let used = ticks(pid) - before;
    assert!(used < 40, "{used} ticks");
    drop(silent);
    let mut sender = accepted("127.0.0.3", daemon.address).await;
    let answer = sender.store(3, SR, "1.2", b"bytes").await;
    assert_eq!(number(&answer, tags::STATUS), 0);
    assert_eq!(daemon.stop(), Some(0));
}
