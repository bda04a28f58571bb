//! Who may connect, from where, and how often. Numbers of rejections: PS3.8 table 9-21.

use super::raw::{Raw, bytes, connect_from, request};
use super::{Node, SR, VERIFICATION};
use dicom_ul::pdu::Pdu;
use sheathline::config::DicomSettings;
use sheathline_net::dicom::refusal::Refusal;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::io::AsyncReadExt;
use tokio::net::TcpStream;

const ACCEPTED: u8 = 2;

/// The result, source and reason of a rejection, or what else came.
fn rejection(pdu: &[u8]) -> Result<[u8; 3], Vec<u8>> {
    match pdu {
        [3, 0, 0, 0, 0, 4, 0, numbers @ ..] => numbers.try_into().map_err(|_| pdu.to_vec()),
        _ => Err(pdu.to_vec()),
    }
}

/// Asks for an association from an address; the answer, and what keeps it open.
async fn ask_from(from: &str, node: SocketAddr) -> (Vec<u8>, Raw<TcpStream>) {
    let mut raw = Raw::over(connect_from(from, node).await);
    let answer = raw.ask("SCANNER", "SHEATHLINE", &[VERIFICATION, SR]).await;
    (answer, raw)
}

async fn accepted_from(from: &str, node: SocketAddr) -> Raw<TcpStream> {
    let (answer, raw) = ask_from(from, node).await;
    assert_eq!(answer.first(), Some(&ACCEPTED), "{from}: {answer:?}");
    raw
}

/// Whether the connection is closed without an answer. What we write may meet a reset.
async fn closed(mut stream: TcpStream, bytes: &[u8]) -> bool {
    let _ = tokio::io::AsyncWriteExt::write_all(&mut stream, bytes).await;
    let mut byte = [0];
    let read = stream.read(&mut byte);
    let read = tokio::time::timeout(Duration::from_secs(20), read);
    !matches!(read.await.expect("in time"), Ok(1))
}

fn networks(list: &[&str]) -> Vec<ipnet::IpNet> {
    list.iter().map(|one| one.parse().expect("CIDR")).collect()
}

/// Machines without IPv6 exist; there nothing is checked.
async fn ipv6() -> bool {
    let there = tokio::net::TcpListener::bind("[::1]:0").await.is_ok();
    if !there {
        println!("no IPv6 on this machine, nothing is checked");
    }
    there
}

#[tokio::test(flavor = "multi_thread")]
async fn addresses_that_are_not_listed_get_no_byte() {
    let node = Node::start(|settings| {
        settings.addresses_allowed = networks(&["127.0.0.2/32", "127.1.0.0/16"]);
    })
    .await;
    let asked = bytes(&Pdu::AssociationRQ(request("SCANNER", "SHEATHLINE", &[SR])));
    for (from, allowed) in [
        ("127.0.0.1", false),
        ("127.0.0.2", true),
        ("127.0.0.3", false),
        ("127.1.2.3", true),
        ("127.2.0.1", false),
    ] {
        if allowed {
            accepted_from(from, node.address).await;
        } else {
            let stream = connect_from(from, node.address).await;
            assert!(closed(stream, &asked).await, "{from}");
        }
    }
    node.count_of(Refusal::Address, 3).await;
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn ipv6_and_ipv4_in_its_clothes() {
    if !ipv6().await {
        return;
    }
    let all = "[::]:0".parse().expect("an address");
    let node = Node::start(|settings| {
        settings.listen = vec![all];
        settings.addresses_allowed = networks(&["127.0.0.2/32", "::1/128"]);
    })
    .await;
    let port = node.address.port();
    accepted_from("::1", (std::net::Ipv6Addr::LOCALHOST, port).into()).await;
    let over_v4 = (std::net::Ipv4Addr::LOCALHOST, port).into();
    accepted_from("127.0.0.2", over_v4).await;
    assert!(closed(connect_from("127.0.0.1", over_v4).await, b"\x01").await);
    node.count_of(Refusal::Address, 1).await;
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn several_addresses_are_listened_on() {
    let node = Node::start(|settings| {
        let more = ["127.0.0.1:0", "127.0.0.5:0"];
        settings.listen = more.map(|one| one.parse().expect("an address")).to_vec();
    })
    .await;
    assert_eq!(node.addresses.len(), 2);
    for (address, tls) in node.addresses.clone() {
        assert!(!tls);
        let mut raw = accepted_from("127.0.0.1", address).await;
        let answer = raw
            .store(3, SR, &format!("1.{}", address.port()), b"x")
            .await;
        assert_eq!(super::number(&answer, super::tags::STATUS), 0);
    }
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_place_for_each_peer_and_for_all() {
    let node = Node::start(|settings| {
        settings.max_associations = 3;
        settings.max_associations_per_peer = 2;
    })
    .await;
    let first = accepted_from("127.0.0.2", node.address).await;
    let _second = accepted_from("127.0.0.2", node.address).await;
    let (answer, _) = ask_from("127.0.0.2", node.address).await;
    assert_eq!(rejection(&answer), Ok([2, 3, 2]));
    node.count_of(Refusal::AssociationsOfPeer, 1).await;
    let _third = accepted_from("127.0.0.3", node.address).await;
    let (answer, _) = ask_from("127.0.0.3", node.address).await;
    assert_eq!(rejection(&answer), Ok([2, 3, 2]));
    node.count_of(Refusal::Associations, 1).await;
    drop(first);
    // Its end is seen a moment later.
    for attempt in 0.. {
        let (answer, _raw) = ask_from("127.0.0.2", node.address).await;
        if answer.first() == Some(&ACCEPTED) {
            break;
        }
        assert!(attempt < 500, "the place is lost");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    node.stop().await;
}

/// Silent connections of one address stop at its share; others still come in.
#[tokio::test(flavor = "multi_thread")]
async fn connections_have_a_limit_too() {
    let node = Node::start(|settings| settings.max_associations_per_peer = 1).await;
    let mut silent = Vec::new();
    for _ in 0..80 {
        silent.push(connect_from("127.0.0.2", node.address).await);
    }
    let _other = accepted_from("127.0.0.3", node.address).await;
    // 2 for each association and 64 to spare.
    node.count_of(Refusal::ConnectionsOfPeer, 14).await;
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn blank_titles_need_the_exception() {
    for (exception, expected) in [(false, 3), (true, ACCEPTED)] {
        let node = Node::start(|settings| {
            settings.accept_blank_calling = exception;
            settings.calling_allowed = vec!["CART".to_owned()];
        })
        .await;
        let mut raw = Raw::over(connect_from("127.0.0.1", node.address).await);
        let answer = raw.ask("", "SHEATHLINE", &[SR]).await;
        assert_eq!(answer.first(), Some(&expected), "{answer:?}");
        let refused = node.refused(Refusal::CallingBlank);
        assert_eq!(refused, u64::from(!exception));
        node.stop().await;
    }
}

/// PS3.8 7.1.1.14: each context has its own answer, and the log says that none was taken.
#[tokio::test(flavor = "multi_thread")]
async fn nothing_acceptable_is_said_context_by_context() {
    let node = Node::start(|_| {}).await;
    let mut raw = Raw::over(connect_from("127.0.0.1", node.address).await);
    // Secondary Capture, and a class of nobody.
    let asked = ["1.2.840.10008.5.1.4.1.1.7", "1.2.3"];
    let answer = raw.ask("SCANNER", "SHEATHLINE", &asked).await;
    assert_eq!(answer.first(), Some(&ACCEPTED));
    let Ok(Some(Pdu::AssociationAC(accepted))) = dicom_ul::read_pdu(answer.as_slice(), 16384, true)
    else {
        panic!("{answer:?}")
    };
    let reasons = accepted.presentation_contexts.iter();
    let reasons: Vec<u8> = reasons.map(|one| one.reason.clone() as u8).collect();
    assert_eq!(reasons, [3, 3], "abstract syntax not supported");
    raw.write(&bytes(&Pdu::ReleaseRQ)).await;
    assert_eq!(raw.read().await.first(), Some(&6));
    node.count_of(Refusal::NoContext, 1).await;
    node.stop().await;
}

/// A header as HAProxy's "The PROXY protocol" 2.2 prints it.
fn proxy_header(command: u8, family: u8, source: &str, more: &[u8]) -> Vec<u8> {
    let mut header = b"\x0D\x0A\x0D\x0A\x00\x0D\x0A\x51\x55\x49\x54\x0A".to_vec();
    header.extend([command, family]);
    let addresses = match source.parse() {
        Ok(std::net::IpAddr::V4(source)) => [source.octets(), [192, 0, 2, 1]].concat(),
        Ok(std::net::IpAddr::V6(source)) => [source.octets(), [0; 16]].concat(),
        Err(_) => Vec::new(),
    };
    let ports: &[u8] = if addresses.is_empty() {
        &[]
    } else {
        &[0xC0, 0, 0x2B, 0x68]
    };
    let rest = [&addresses[..], ports, more].concat();
    header.extend(u16::try_from(rest.len()).expect("short").to_be_bytes());
    header.extend(rest);
    header
}

fn behind_a_balancer(settings: &mut DicomSettings) {
    settings.proxy_from = networks(&["127.0.0.9/32"]);
    settings.addresses_allowed = networks(&["192.0.2.0/24", "2001:db8::/32", "127.0.0.1/32"]);
    settings.max_associations_per_peer = 1;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_address_behind_a_balancer_is_the_one_that_counts() {
    let node = Node::start(behind_a_balancer).await;
    let through = async |header: &[u8]| {
        let mut raw = Raw::over(connect_from("127.0.0.9", node.address).await);
        raw.write(header).await;
        let answer = raw.ask("SCANNER", "SHEATHLINE", &[SR]).await;
        (answer, raw)
    };
    let (answer, mut first) = through(&proxy_header(0x21, 0x11, "192.0.2.7", b"")).await;
    assert_eq!(answer.first(), Some(&ACCEPTED));
    let stored = first.store(1, SR, "1.2", b"bytes").await;
    assert_eq!(super::number(&stored, super::tags::STATUS), 0);
    // The same peer once more, and others: IPv6, values behind the addresses.
    let (answer, _) = through(&proxy_header(0x21, 0x11, "192.0.2.7", b"")).await;
    assert_eq!(rejection(&answer), Ok([2, 3, 2]));
    node.count_of(Refusal::AssociationsOfPeer, 1).await;
    for (family, source) in [(0x11, "192.0.2.8"), (0x21, "2001:db8::7")] {
        let header = proxy_header(0x21, family, source, b"\x04\x00\x03abc");
        let (answer, _) = through(&header).await;
        assert_eq!(answer.first(), Some(&ACCEPTED), "{source}");
    }
    // Byte by byte.
    let mut slow = Raw::over(connect_from("127.0.0.9", node.address).await);
    for byte in proxy_header(0x21, 0x11, "192.0.2.9", b"") {
        slow.write(&[byte]).await;
    }
    let answer = slow.ask("SCANNER", "SHEATHLINE", &[SR]).await;
    assert_eq!(answer.first(), Some(&ACCEPTED));
    // One that may not connect.
    let refused = proxy_header(0x21, 0x11, "198.51.100.1", b"");
    assert!(closed(connect_from("127.0.0.9", node.address).await, &refused).await);
    node.count_of(Refusal::Address, 1).await;
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn health_checks_are_no_refusals() {
    let node = Node::start(behind_a_balancer).await;
    for header in [
        proxy_header(0x20, 0, "", b""),
        proxy_header(0x20, 0x11, "198.51.100.1", b""),
        Vec::new(),
    ] {
        let mut stream = connect_from("127.0.0.9", node.address).await;
        tokio::io::AsyncWriteExt::write_all(&mut stream, &header)
            .await
            .expect("written");
        tokio::io::AsyncWriteExt::shutdown(&mut stream)
            .await
            .expect("half closed");
        assert!(closed(stream, b"").await);
    }
    assert_eq!(
        node.refusals.counts().map(|(_, count)| count).sum::<u64>(),
        0
    );
    node.stop().await;
    // A balancer that may connect itself may also ask.
    let node = Node::start(|settings| {
        behind_a_balancer(settings);
        settings.addresses_allowed.clear();
    })
    .await;
    let mut raw = Raw::over(connect_from("127.0.0.9", node.address).await);
    raw.write(&proxy_header(0x20, 0, "", b"")).await;
    let answer = raw.ask("BALANCER", "SHEATHLINE", &[VERIFICATION]).await;
    assert_eq!(answer.first(), Some(&ACCEPTED));
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn hostile_proxy_headers() {
    let node = Node::start(|settings| {
        behind_a_balancer(settings);
        settings.association_timeout_s = 2;
    })
    .await;
    let good = proxy_header(0x21, 0x11, "192.0.2.7", b"");
    let asked = bytes(&Pdu::AssociationRQ(request("SCANNER", "SHEATHLINE", &[SR])));
    // Required from the balancer: not version 1, not nothing, not DICOM at once, not TLS.
    let missing: [&[u8]; 4] = [
        &asked,
        b"PROXY TCP4 192.0.2.7 192.0.2.1 49152 11112\r\n",
        b"\x16\x03\x01",
        b"\r\n\r\nGET",
    ];
    for bytes in missing {
        let stream = connect_from("127.0.0.9", node.address).await;
        assert!(closed(stream, bytes).await, "{bytes:?}");
    }
    node.count_of(Refusal::ProxyMissing, 4).await;
    let with = |command, family| proxy_header(command, family, "192.0.2.7", b"");
    let mut malformed = vec![
        with(0x11, 0x11),
        with(0x22, 0x11),
        with(0x2F, 0x11),
        with(0x21, 0x00),
        with(0x21, 0x12),
        with(0x21, 0x21),
        with(0x21, 0x31),
        with(0x21, 0xF1),
        [&good[..14], &[0xFF, 0xFF]].concat(),
        [&good[..14], &[0, 11], &good[16..]].concat(),
    ];
    // Cut short, and the peer gone.
    let cut: Vec<Vec<u8>> = (1..good.len()).map(|end| good[..end].to_vec()).collect();
    let cases = malformed.len() + cut.len();
    malformed.extend(cut);
    for header in malformed {
        let mut stream = connect_from("127.0.0.9", node.address).await;
        let _ = tokio::io::AsyncWriteExt::write_all(&mut stream, &header).await;
        let _ = tokio::io::AsyncWriteExt::shutdown(&mut stream).await;
        assert!(closed(stream, b"").await, "{header:?}");
    }
    node.count_of(Refusal::ProxyMalformed, cases as u64).await;
    // A header that never ends is given up.
    let mut stalled = connect_from("127.0.0.9", node.address).await;
    tokio::io::AsyncWriteExt::write_all(&mut stalled, &good[..20])
        .await
        .expect("written");
    assert!(closed(stalled, b"").await);
    node.count_of(Refusal::ProxyMissing, 5).await;
    // From anyone else it is refused, as a whole header or as its first byte.
    for bytes in [&good[..], &good[..1]] {
        let stream = connect_from("127.0.0.1", node.address).await;
        assert!(closed(stream, bytes).await);
    }
    node.count_of(Refusal::ProxyUnexpected, 2).await;
    accepted_from("127.0.0.1", node.address).await;
    node.stop().await;
}
