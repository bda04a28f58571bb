//! A port for TLS whose certificate or key does not serve is closed, and takes no other port with it.
//!
//! Validity is that of RFC 5280 4.1.2.5.

use super::reload::{lines, reload};
use crate::harness::{Site, program, until};
use crate::objects::Report;
use crate::observe::{LISTEN, endpoint, reasons};
use crate::receive::Sender;
use crate::receive::pki::Pki;
use rcgen::{KeyPair, date_time_ymd};
use std::fs;
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicU16, Ordering};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// An address that nobody listens at. It is below the ports that systems choose by themselves, so nobody
/// comes by it while it is not open.
pub(super) fn free() -> SocketAddr {
    static NEXT: AtomicU16 = AtomicU16::new(0);
    let first = 12_000 + u16::try_from(std::process::id() % 190).expect("small") * 100;
    loop {
        let port = first + NEXT.fetch_add(1, Ordering::Relaxed);
        if TcpListener::bind((Ipv4Addr::UNSPECIFIED, port)).is_ok() {
            return SocketAddr::from((Ipv4Addr::LOCALHOST, port));
        }
    }
}

pub(super) fn is_open(address: SocketAddr) -> bool {
    TcpStream::connect(address).is_ok()
}

/// Puts a certificate that holds until `end` seconds from now, and its key, beside the configuration.
pub(super) fn certify(site: &Site, pki: &Pki, name: &str, end: i64) {
    let own = pki.issue_with(name, KeyPair::generate().expect("a key"), |params| {
        let now = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .expect("a date");
        let (now, away) = (now, Duration::from_secs(end.unsigned_abs()));
        params.not_before = date_time_ymd(2020, 1, 1);
        params.not_after =
            date_time_ymd(1970, 1, 1) + if end < 0 { now - away } else { now + away };
    });
    fs::copy(&own.certificate, site.path("server.pem")).expect("copied");
    fs::copy(&own.key, site.path("server.key")).expect("copied");
}

/// A table of TLS settings for these files.
pub(super) fn tls(table: &str, address: SocketAddr) -> String {
    format!(
        "[{table}]\nlisten = \"{address}\"\nclient_certificate = \"off\"\n\
         certificate = \"server.pem\"\nkey = \"server.key\"\n"
    )
}

const TABLES: [&str; 3] = ["receive.dicom.tls", "receive.hl7.tls", "receive.web.tls"];

/// With certificates that have ended the plain port and the folder take objects all the same; each
/// closed port is told, and opens when renewed files are there, without a start or a signal.
#[tokio::test(flavor = "multi_thread")]
async fn an_ended_certificate_closes_its_own_port_alone() {
    let addresses = TABLES.map(|_| free());
    let tables: Vec<String> = TABLES
        .iter()
        .zip(addresses)
        .map(|(t, a)| tls(t, a))
        .collect();
    let site = Site::with(&format!("{LISTEN}{}", tables.concat()));
    let pki = Pki::new();
    certify(&site, &pki, "ended", -60);
    let daemon = site.serve();
    let to = endpoint(&daemon);
    Sender::connect(daemon.address).await.expect("accepted");
    Report::numbered(1).write(&site.path("drop"));
    until("the result", || site.results().len() == 1);
    assert_eq!(addresses.map(is_open), [false; 3]);
    let told: Vec<String> = lines(&daemon, "tls-port-closed")
        .iter()
        .map(|line| {
            let said = line["fields"]["message"].as_str().expect("a message");
            assert!(
                said.contains("server.pem: the certificate ended on"),
                "{said}"
            );
            line["fields"]["table"]
                .as_str()
                .expect("a table")
                .to_owned()
        })
        .collect();
    assert_eq!(told, TABLES);
    assert_eq!(reasons(to), (503, vec!["tls-port-closed".to_owned()]));
    // What is closed already is no reason to refuse a reload.
    reload(&daemon, "reloaded");
    assert_eq!(lines(&daemon, "tls-port-closed").len(), 3, "told once");

    certify(&site, &pki, "renewed", 86_400);
    until("all open", || addresses.map(is_open) == [true; 3]);
    until("ready", || reasons(to) == (200, vec![]));
    let stream = tokio::net::TcpStream::connect(addresses[0])
        .await
        .expect("open");
    pki.connect(stream, None).await.expect("a handshake");
    assert_eq!(daemon.stop(), Some(0));
}

/// Missing, unreadable as what they should be, or of another: the same, and a reload opens the port.
#[tokio::test(flavor = "multi_thread")]
async fn files_that_do_not_fit_close_their_own_port_alone() {
    let address = free();
    let site = Site::with(&format!("{LISTEN}{}", tls("receive.web.tls", address)));
    let pki = Pki::new();
    for what in ["missing", "garbage", "another key"] {
        certify(&site, &pki, what, 86_400);
        match what {
            "missing" => fs::remove_file(site.path("server.key")).expect("removed"),
            "garbage" => fs::write(site.path("server.pem"), b"x").expect("written"),
            _ => {
                let other = pki.issue("other").key;
                fs::copy(other, site.path("server.key")).expect("copied");
            }
        }
        let daemon = site.serve();
        let to = endpoint(&daemon);
        Sender::connect(daemon.address).await.expect("accepted");
        assert!(!is_open(address), "{what}");
        // It listens before all of it serves.
        until("started", || reasons(to).1 != ["starting"]);
        assert_eq!(reasons(to), (503, vec!["tls-port-closed".to_owned()]));
        assert_eq!(lines(&daemon, "tls-port-closed").len(), 1, "{what}");
        certify(&site, &pki, "mended", 86_400);
        reload(&daemon, "reloaded");
        assert!(is_open(address), "{what}");
        assert_eq!(reasons(to), (200, vec![]));
        assert_eq!(daemon.stop(), Some(0));
    }
}

/// A certificate that ends under way closes the port, which is DICOM over TLS here; what holds on the
/// plain port stays. A renewed one that lies there is taken instead.
#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_that_ends_under_way_closes_its_port() {
    let address = free();
    let site = Site::with(&format!("{LISTEN}{}", tls("receive.dicom.tls", address)));
    let pki = Pki::new();
    certify(&site, &pki, "short", 4);
    let daemon = site.serve();
    let to = endpoint(&daemon);
    until("open", || is_open(address));
    let mut plain = Sender::connect(daemon.address).await.expect("accepted");
    until("closed", || !is_open(address));
    until("told", || {
        reasons(to) == (503, vec!["tls-port-closed".into()])
    });
    assert_eq!(plain.echo().await, 0);
    certify(&site, &pki, "short again", 9);
    until("open", || is_open(address));
    certify(&site, &pki, "long", 86_400);
    // Past the end of the short one, and of the look that finds it ended.
    std::thread::sleep(Duration::from_secs(15));
    assert!(is_open(address));
    assert_eq!(lines(&daemon, "tls-port-closed").len(), 1);
    assert_eq!(daemon.stop(), Some(0));
}

/// With nothing left that receives: a date mends itself, so it waits; files are for people to mend, so
/// it ends with the code that the unit does not start again.
#[test]
fn the_only_port() {
    let address = free();
    let site = Site::new();
    let text = format!(
        "[receive.dicom]\nlisten = []\n{}[observe]\nlog_format = \"json\"\n",
        tls("receive.dicom.tls", address)
    );
    fs::write(site.config(), text).expect("written");
    let ended = || {
        let mut serve = program();
        let serve = serve.arg("serve").arg("--config").arg(site.config());
        let output = serve.output().expect("runs");
        (
            output.status.code(),
            String::from_utf8_lossy(&output.stderr).into_owned(),
        )
    };
    let (code, said) = ended();
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("server.pem: No such file"), "{said}");

    let pki = Pki::new();
    certify(&site, &pki, "ended", -60);
    let daemon = std::thread::scope(|scope| {
        scope.spawn(|| {
            std::thread::sleep(Duration::from_secs(2));
            certify(&site, &pki, "renewed", 86_400);
        });
        site.serve()
    });
    assert_eq!(lines(&daemon, "tls-port-closed").len(), 1);
    assert_eq!(daemon.address, address);
    assert_eq!(daemon.stop(), Some(0));
}
