//! Peers that keep no rule must harm nobody but themselves. PS3.8 section 9 says what a PDU is
//! and table 9-26 what an abort says.

use super::{Node, SR, Sender, VERIFICATION, encode, tags, text};
use dicom_ul::association::Error;
use dicom_ul::pdu::{AssociationRJResult, PDataValue, PDataValueType, Pdu};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

/// All that the node sends until it closes.
async fn rest(stream: &mut TcpStream) -> Vec<u8> {
    let mut bytes = Vec::new();
    let read = stream.read_to_end(&mut bytes);
    timeout(Duration::from_secs(10), read)
        .await
        .expect("it closes")
        .expect("no reset");
    bytes
}

/// "GET " read as a PDU would announce 1.4 GB (fo-dicom#1678).
#[tokio::test(flavor = "multi_thread")]
async fn other_protocols_on_the_port() {
    let node = Node::start(|_| {}).await;
    let tls = [
        0x16, 0x03, 0x01, 0x02, 0x00, 0x01, 0x00, 0x01, 0xfc, 0x03, 0x03,
    ];
    for hello in [
        &b"GET / HTTP/1.1\r\nHost: a\r\n\r\n"[..],
        &tls,
        b"\x0bMSH|^~\\&|",
        b"\0",
    ] {
        let mut stream = TcpStream::connect(node.address).await.expect("connected");
        stream.write_all(hello).await.expect("sent");
        // A-ABORT, source 2 (provider), reason 1 (unrecognised PDU).
        assert_eq!(
            rest(&mut stream).await,
            [7, 0, 0, 0, 0, 4, 0, 0, 2, 1],
            "{hello:?}"
        );
    }
    // Connect and close, as load balancers do.
    for _ in 0..200 {
        drop(TcpStream::connect(node.address).await.expect("connected"));
    }
    let mut sender = Sender::connect(node.address).await.expect("accepted");
    assert_eq!(sender.echo().await, 0);
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn pdus_that_lie() {
    let node = Node::start(|_| {}).await;
    let huge = [1, 0, 0x7f, 0xff, 0xff, 0xff, 0, 1];
    let empty_request = [1, 0, 0, 0, 0, 0];
    for (bytes, reason) in [
        (&huge[..], 6),
        (&empty_request, 6),
        (&[5, 0, 0, 0, 0, 4, 0, 0, 0, 0], 2),
    ] {
        let mut stream = TcpStream::connect(node.address).await.expect("connected");
        stream.write_all(bytes).await.expect("sent");
        assert_eq!(
            rest(&mut stream).await,
            [7, 0, 0, 0, 0, 4, 0, 0, 2, reason],
            "{bytes:?}"
        );
    }
    node.stop().await;
}

/// A data set that never ends is cut off at the limit, and its association with it.
#[tokio::test(flavor = "multi_thread")]
async fn endless_fragments_are_aborted_at_the_limit() {
    let limit = 1 << 20;
    let node = Node::start(|settings| {
        settings.max_object_bytes = limit;
        settings.max_associations = 1;
    })
    .await;
    let mut endless = Sender::connect(node.address).await.expect("accepted");
    endless.command(SR, 0x0001, true, Some("1.2")).await;
    let value = PDataValue {
        presentation_context_id: endless.context(SR),
        value_type: PDataValueType::Data,
        is_last: false,
        data: vec![0; 16_000],
    };
    let piece = Pdu::PData { data: vec![value] };
    let mut sent = 0_u64;
    while sent < 100 << 20 && endless.association.send(&piece).await.is_ok() {
        sent += 16_000;
    }
    assert!(sent >= limit, "cut off too early, after {sent}");
    assert!(sent < 100 << 20, "never cut off");
    assert_eq!(node.kept().len(), 0);
    drop(endless);
    // The only slot is free again.
    let started = Instant::now();
    loop {
        match Sender::connect(node.address).await {
            Ok(mut next) => {
                assert_eq!(next.store("1.2", &vec![7; 1 << 20]).await, 0);
                break;
            }
            Err(_) => assert!(
                started.elapsed() < Duration::from_secs(5),
                "the slot is lost"
            ),
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    node.stop().await;
}

/// A command set that never ends.
#[tokio::test(flavor = "multi_thread")]
async fn an_endless_command_is_aborted() {
    let node = Node::start(|_| {}).await;
    let mut sender = Sender::connect(node.address).await.expect("accepted");
    let value = PDataValue {
        presentation_context_id: sender.context(SR),
        value_type: PDataValueType::Command,
        is_last: false,
        data: vec![0; 10_000],
    };
    sender.send(vec![value.clone(), value]).await;
    let pdu = sender.association.receive().await.expect("an abort");
    assert!(matches!(pdu, Pdu::AbortRQ { .. }), "{pdu:?}");
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn messages_against_the_rules_are_aborted() {
    let node = Node::start(|_| {}).await;
    let value = |context, value_type, data: &[u8]| PDataValue {
        presentation_context_id: context,
        value_type,
        is_last: true,
        data: data.to_vec(),
    };
    let store = encode(&[
        (tags::COMMAND_FIELD, vec![1, 0]),
        (tags::MESSAGE_ID, vec![1, 0]),
        (tags::COMMAND_DATA_SET_TYPE, vec![0, 0]),
    ]);
    let answer = encode(&[
        (tags::AFFECTED_SOP_CLASS_UID, text(VERIFICATION)),
        (tags::COMMAND_FIELD, vec![0x30, 0x80]),
        (tags::COMMAND_DATA_SET_TYPE, vec![1, 1]),
    ]);
    use PDataValueType::{Command, Data};
    let cases = [
        ("data without a command", vec![value(3, Data, b"x")]),
        (
            "a command in a data set",
            vec![value(3, Command, &store), value(3, Command, &store)],
        ),
        ("no command set", vec![value(3, Command, b"nonsense")]),
        (
            "an unknown context",
            vec![value(99, Command, &store), value(99, Data, b"x")],
        ),
        ("an answer", vec![value(1, Command, &answer)]),
    ];
    for (what, values) in cases {
        let mut sender = Sender::connect(node.address).await.expect("accepted");
        assert_eq!((sender.context(VERIFICATION), sender.context(SR)), (1, 3));
        sender.send(values).await;
        let pdu = timeout(Duration::from_secs(5), sender.association.receive())
            .await
            .expect(what);
        assert!(matches!(pdu, Ok(Pdu::AbortRQ { .. })), "{what}: {pdu:?}");
    }
    assert_eq!(node.kept().len(), 0);
    node.stop().await;
}

/// Half-open connections, one byte at a time, an association that stops inside its object: a
/// real sender is served beside all of them, and they are ended in time.
#[tokio::test(flavor = "multi_thread")]
async fn stalled_peers_hinder_nobody() {
    let node = Node::start(|settings| {
        settings.max_associations = 4;
        settings.association_timeout_s = 2;
        settings.idle_timeout_s = 2;
    })
    .await;
    let mut silent = Vec::new();
    for _ in 0..60 {
        silent.push(TcpStream::connect(node.address).await.expect("connected"));
    }
    let mut slow = TcpStream::connect(node.address).await.expect("connected");
    slow.write_all(&[1]).await.expect("sent");
    let mut stalled = Sender::connect(node.address).await.expect("accepted");
    stalled.command(SR, 0x0001, true, Some("1.2")).await;
    stalled.data(SR, b"the beginning", false).await;

    let started = Instant::now();
    let mut sender = Sender::connect(node.address).await.expect("accepted");
    for n in 0..50 {
        assert_eq!(
            sender
                .store(&format!("1.{n}"), format!("object {n}").as_bytes())
                .await,
            0
        );
    }
    assert_eq!(sender.echo().await, 0);
    assert!(started.elapsed() < Duration::from_secs(5), "held up");

    for mut stream in silent {
        assert_eq!(rest(&mut stream).await.first(), Some(&7));
    }
    assert_eq!(rest(&mut slow).await.first(), Some(&7));
    let ended = timeout(Duration::from_secs(5), stalled.association.receive()).await;
    assert!(matches!(ended, Ok(Ok(Pdu::AbortRQ { .. }))), "{ended:?}");
    assert_eq!(node.kept().len(), 50);
    node.stop().await;
}

/// PS3.8 table 9-21: transient, so that the sender tries again.
#[tokio::test(flavor = "multi_thread")]
async fn one_association_too_many_is_told_to_come_back() {
    let node = Node::start(|settings| settings.max_associations = 2).await;
    let first = Sender::connect(node.address).await.expect("accepted");
    let _second = Sender::connect(node.address).await.expect("accepted");
    match Sender::connect(node.address).await {
        Err(Error::Rejected { association_rj, .. }) => {
            assert_eq!(association_rj.result, AssociationRJResult::Transient);
        }
        Err(other) => panic!("{other}"),
        Ok(_) => panic!("accepted"),
    }
    first.association.release().await.expect("released");
    let again = async {
        while Sender::connect(node.address).await.is_err() {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    timeout(Duration::from_secs(5), again)
        .await
        .expect("a slot is free");
    node.stop().await;
}

/// The connection is cut at every byte of one recorded association: nothing partial is kept.
#[tokio::test(flavor = "multi_thread")]
async fn cut_at_every_byte() {
    let node = Node::start(|_| {}).await;
    let mut recorded = Vec::new();
    dicom_ul::write_pdu(
        &mut recorded,
        &Pdu::AssociationRQ(dicom_ul::pdu::AssociationRQ {
            protocol_version: 1,
            calling_ae_title: "SCANNER".to_owned(),
            called_ae_title: "SHEATHLINE".to_owned(),
            application_context_name: "1.2.840.10008.3.1.1.1".to_owned(),
            presentation_contexts: vec![dicom_ul::pdu::PresentationContextProposed {
                id: 1,
                abstract_syntax: SR.to_owned(),
                transfer_syntaxes: vec![super::EXPLICIT.to_owned()],
            }],
            user_variables: vec![dicom_ul::pdu::UserVariableItem::MaxLength(16384)],
        }),
    )
    .expect("a PDU");
    let command = encode(&[
        (tags::AFFECTED_SOP_CLASS_UID, text(SR)),
        (tags::COMMAND_FIELD, vec![1, 0]),
        (tags::MESSAGE_ID, vec![1, 0]),
        (tags::COMMAND_DATA_SET_TYPE, vec![0, 0]),
        (tags::AFFECTED_SOP_INSTANCE_UID, text("1.2")),
    ]);
    for (value_type, is_last, data) in [
        (PDataValueType::Command, true, command),
        (PDataValueType::Data, false, b"first".to_vec()),
        (PDataValueType::Data, true, b"last".to_vec()),
    ] {
        let value = PDataValue {
            presentation_context_id: 1,
            value_type,
            is_last,
            data,
        };
        dicom_ul::write_pdu(&mut recorded, &Pdu::PData { data: vec![value] }).expect("a PDU");
    }
    for cut in 0..recorded.len() {
        let mut stream = TcpStream::connect(node.address).await.expect("connected");
        stream.write_all(&recorded[..cut]).await.expect("sent");
    }
    assert_eq!(node.kept().len(), 0);
    let mut stream = TcpStream::connect(node.address).await.expect("connected");
    for byte in &recorded {
        stream.write_all(&[*byte]).await.expect("sent");
    }
    // Waits for the answer: an acceptance, then a data PDU.
    let mut answer = vec![0; 6];
    for kind in [2, 4] {
        stream.read_exact(&mut answer).await.expect("a header");
        assert_eq!(answer[0], kind);
        let length = u32::from_be_bytes([answer[2], answer[3], answer[4], answer[5]]);
        let mut body = vec![0; length as usize];
        stream.read_exact(&mut body).await.expect("a body");
    }
    assert_eq!(node.kept()[0].1, b"firstlast");
    drop(stream);
    node.stop().await;
}
