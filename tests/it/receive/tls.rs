//! Associations over TLS: DCMTK and `openssl` at the other end. PS3.15 B.12 and RFC 9325 say what is
//! spoken.

use super::dcmtk::{file, run};
use super::pki::{Issued, Pki, rsa_key};
use super::raw::{Raw, connect_from};
use super::{Node, SR, VERIFICATION, number, tags};
use rcgen::{KeyPair, date_time_ymd};
use sheathline::config::ClientCertificate;
use sheathline_net::dicom::refusal::Refusal;
use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};

fn tls_address(node: &Node) -> SocketAddr {
    let mut addresses = node.addresses.iter();
    addresses.find(|(_, tls)| *tls).expect("a port for TLS").0
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

/// An association over TLS, or `None` where the handshake or what follows it fails.
pub(crate) async fn associate(
    pki: &Pki,
    to: SocketAddr,
    own: Option<&Issued>,
) -> Option<Raw<tokio_rustls::client::TlsStream<tokio::net::TcpStream>>> {
    let stream = connect_from("127.0.0.1", to).await;
    let mut raw = Raw::over(pki.connect(stream, own).await.ok()?);
    let request = super::raw::request("SCANNER", "SHEATHLINE", &[VERIFICATION, SR]);
    let request = super::raw::bytes(&dicom_ul::Pdu::AssociationRQ(request));
    raw.stream.write_all(&request).await.ok()?;
    raw.stream.flush().await.ok()?;
    let answer = raw.read().await;
    (answer.first() == Some(&2)).then_some(raw)
}

#[tokio::test(flavor = "multi_thread")]
async fn with_and_without_a_certificate_of_the_peer() {
    let pki = Pki::new();
    let (own, cart) = (pki.issue("server"), pki.issue("cart"));
    let elsewhere = Pki::new();
    let stranger = elsewhere.issue("stranger");
    let ended = pki.issue_with("ended", KeyPair::generate().expect("a key"), |params| {
        params.not_before = date_time_ymd(2020, 1, 1);
        params.not_after = date_time_ymd(2021, 1, 1);
    });
    use ClientCertificate::{Off, Optional, Required};
    for (asked, with, none, foreign) in [
        (Required, true, false, false),
        (Optional, true, true, false),
        (Off, true, true, true),
    ] {
        let node = Node::start(|settings| {
            pki.serve(settings, &own);
            settings.tls.client_certificate = asked;
        })
        .await;
        let to = tls_address(&node);
        for (certificate, accepted) in [
            (Some(&cart), with),
            (None, none),
            (Some(&stranger), foreign),
            (Some(&ended), foreign),
        ] {
            let raw = associate(&pki, to, certificate).await;
            assert_eq!(raw.is_some(), accepted, "{asked:?}");
            if let Some(mut raw) = raw {
                let large = vec![7; 100_000];
                let answer = raw.store(3, SR, "1.2", &large).await;
                assert_eq!(number(&answer, tags::STATUS), 0);
                assert_eq!(node.kept()[0].1, large);
            }
        }
        let refused = [with, none, foreign, foreign].into_iter().filter(|ok| !ok);
        node.count_of(Refusal::HandshakeFailed, refused.count() as u64)
            .await;
        node.stop().await;
    }
}

/// The port without TLS goes on beside it, and each tells its own from the other's.
#[tokio::test(flavor = "multi_thread")]
async fn the_wrong_port() {
    let pki = Pki::new();
    let own = pki.issue("server");
    let node = Node::start(|settings| pki.serve(settings, &own)).await;
    let to = tls_address(&node);
    for (n, bytes) in (1..).zip([
        &b"\x01\x00\x00\x00\x00\x10"[..],
        b"GET / HTTP/1.1\r\n\r\n",
        b"\0",
    ]) {
        let mut stream = connect_from("127.0.0.1", to).await;
        stream.write_all(bytes).await.expect("sent");
        let mut rest = Vec::new();
        let _ = stream.read_to_end(&mut rest).await;
        assert_eq!(rest, b"");
        node.count_of(Refusal::PlainOnTls, n).await;
    }
    let mut stream = connect_from("127.0.0.1", to).await;
    stream
        .write_all(b"\r\n\r\n\0\r\nQUIT\n")
        .await
        .expect("sent");
    let _ = stream.read_to_end(&mut Vec::new()).await;
    node.count_of(Refusal::ProxyUnexpected, 1).await;
    // TLS where there is none: an abort, as any other protocol gets.
    let plain = connect_from("127.0.0.1", node.address).await;
    assert!(pki.connect(plain, None).await.is_err());
    node.count_of(Refusal::TlsOnPlain, 1).await;
    // Connect and close is no refusal.
    for _ in 0..50 {
        drop(connect_from("127.0.0.1", to).await);
    }
    assert!(
        associate(&pki, to, Some(&pki.issue("cart")))
            .await
            .is_some()
    );
    assert_eq!(node.refused(Refusal::HandshakeFailed), 0);
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn stalled_handshakes_end_in_time_and_are_bounded() {
    let pki = Pki::new();
    let (own, cart) = (pki.issue("server"), pki.issue("cart"));
    let node = Node::start(|settings| {
        pki.serve(settings, &own);
        settings.tls.max_handshakes = 3;
        settings.tls.handshake_timeout_s = 3;
    })
    .await;
    let to = tls_address(&node);
    // The beginning of a ClientHello (RFC 8446 5.1): a record of 512 bytes that never comes.
    let hello = [0x16, 3, 1, 2, 0, 1, 0, 1, 0xFC];
    let mut stalled = Vec::new();
    for _ in 0..3 {
        let mut stream = connect_from("127.0.0.1", to).await;
        stream.write_all(&hello).await.expect("sent");
        stalled.push(stream);
    }
    // Silence takes no place.
    let mut silent = connect_from("127.0.0.1", to).await;
    // The places are taken a moment later; then one more is closed.
    while node.refused(Refusal::Handshakes) == 0 {
        let mut stream = connect_from("127.0.0.1", to).await;
        stream.write_all(&hello).await.expect("sent");
        stalled.push(stream);
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    for mut stream in stalled {
        let _ = stream.read_to_end(&mut Vec::new()).await;
    }
    assert_eq!(silent.read_to_end(&mut Vec::new()).await.ok(), Some(0));
    node.count_of(Refusal::HandshakeSlow, 4).await;
    assert!(associate(&pki, to, Some(&cart)).await.is_some());
    node.stop().await;
}

/// `openssl s_client` as the peer: the versions and suites of RFC 9325, and nothing older.
#[tokio::test(flavor = "multi_thread")]
async fn versions_and_suites() {
    let Some(key) = rsa_key() else {
        println!("openssl is not installed, nothing is checked");
        return;
    };
    let pki = Pki::new();
    let own = pki.issue_with("server", key, |_| {});
    let cart = pki.issue("cart");
    let node = Node::start(|settings| pki.serve(settings, &own)).await;
    let to = tls_address(&node).to_string();
    let ca = pki.ca();
    let connect = async |options: &[&str]| {
        let mut call = vec!["s_client", "-connect", &to, "-CAfile", text(&ca)];
        call.extend(["-verify_return_error", "-cert", text(&cart.certificate)]);
        call.extend(["-key", text(&cart.key)]);
        call.extend(options);
        let output = run("openssl", &call).await?;
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        let line = said.lines().find(|line| line.starts_with("New, "))?;
        Some(line.to_owned())
    };
    for (options, expected) in [
        (&[][..], "New, TLSv1.3, Cipher is TLS_AES_256_GCM_SHA384"),
        (
            &["-tls1_3", "-ciphersuites", "TLS_AES_128_GCM_SHA256"],
            "New, TLSv1.3, Cipher is TLS_AES_128_GCM_SHA256",
        ),
        (
            &["-tls1_2", "-cipher", "ECDHE-RSA-AES128-GCM-SHA256"],
            "New, TLSv1.2, Cipher is ECDHE-RSA-AES128-GCM-SHA256",
        ),
        (
            &["-tls1_2", "-cipher", "ECDHE-RSA-AES256-GCM-SHA384"],
            "New, TLSv1.2, Cipher is ECDHE-RSA-AES256-GCM-SHA384",
        ),
    ] {
        let said = connect(options).await;
        assert_eq!(said.as_deref(), Some(expected), "{options:?}");
    }
    assert_eq!(node.refused(Refusal::HandshakeFailed), 0);
    let older: [&[&str]; 5] = [
        &["-tls1_1", "-cipher", "ALL:@SECLEVEL=0"],
        &["-tls1", "-cipher", "ALL:@SECLEVEL=0"],
        // No forward secrecy, no authenticated encryption, no certificate.
        &["-tls1_2", "-cipher", "AES128-GCM-SHA256"],
        &["-tls1_2", "-cipher", "ECDHE-RSA-AES128-SHA256"],
        &["-tls1_2", "-cipher", "aNULL:@SECLEVEL=0"],
    ];
    for (n, options) in (1..).zip(older) {
        let said = connect(options).await.expect("a line");
        assert_eq!(said, "New, (NONE), Cipher is (NONE)", "{options:?}");
        node.count_of(Refusal::HandshakeFailed, n).await;
    }
    node.stop().await;
}

/// DCMTK's tools in their default profile, non-downgrading BCP 195.
#[tokio::test(flavor = "multi_thread")]
async fn dcmtk_over_tls() {
    let Some(key) = rsa_key() else {
        println!("openssl is not installed, nothing is checked");
        return;
    };
    let pki = Pki::new();
    let own = pki.issue_with("server", key, |_| {});
    let cart = pki.issue_with("cart", rsa_key().expect("as before"), |_| {});
    let stranger = Pki::new();
    let other = stranger.issue_with("other", rsa_key().expect("as before"), |_| {});
    let node = Node::start(|settings| pki.serve(settings, &own)).await;
    let port = tls_address(&node).port().to_string();
    let ca = pki.ca();
    let sent = file(node.temp.path(), 1);
    let call = async |tool: &str, who: &Issued, profile: &str, files: &[&str]| {
        let mut call = vec![
            "-aec",
            "SHEATHLINE",
            "+tls",
            text(&who.key),
            text(&who.certificate),
        ];
        call.extend(["+cf", text(&ca), profile, "127.0.0.1", &port]);
        call.extend(files);
        run(tool, &call).await
    };
    for profile in ["+py", "+px", "+pz"] {
        let Some(output) = call("echoscu", &cart, profile, &[]).await else {
            return;
        };
        // The extended profile knows DHE alone besides ECDHE with 256 bits; both sides share one.
        assert!(output.status.success(), "{profile} {output:?}");
    }
    let output = call("storescu", &cart, "+py", &[text(&sent)]).await;
    let output = output.expect("there");
    assert!(output.status.success(), "{output:?}");
    assert_eq!(node.kept().len(), 1);
    let output = call("echoscu", &other, "+py", &[]).await.expect("there");
    assert!(!output.status.success(), "a stranger");
    let anonymous = [
        "-aec",
        "SHEATHLINE",
        "+tla",
        "+cf",
        text(&ca),
        "127.0.0.1",
        &port,
    ];
    let output = run("echoscu", &anonymous).await.expect("there");
    assert!(!output.status.success(), "no certificate");
    node.count_of(Refusal::HandshakeFailed, 2).await;
    node.stop().await;
}
