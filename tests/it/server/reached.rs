//! `check-config` goes the way to a server; each end of it is told with what to do.

use super::{Cluster, on};
use crate::harness::{Site, by, until};
use crate::receive::pki::Pki;
use rcgen::{KeyPair, SanType, date_time_ymd};
use std::fs;
use std::io::Read;
use std::net::TcpListener;
use std::time::Duration;

const HOSTSSL: &str = "hostssl all all 127.0.0.0/8 scram-sha-256";

/// Exit code and words of `check-config`.
fn checked(site: &Site) -> (Option<i32>, String) {
    by::<&str>(&site.config(), "check-config", &[])
}

/// Waits until `check-config` ends so: a server takes new files a moment after it was told.
fn ends(site: &Site, code: i32, words: &str) {
    let mut last = (None, String::new());
    let begun = std::time::Instant::now();
    while begun.elapsed() < Duration::from_secs(20) {
        last = checked(site);
        if last.0 == Some(code) && last.1.contains(words) {
            return;
        }
        std::thread::sleep(Duration::from_millis(200));
    }
    panic!("{words}: {last:?}");
}

#[test]
fn a_server_is_who_its_certificate_says_or_nothing_is_said_to_it() {
    let pki = Pki::new();
    let key = || KeyPair::generate().expect("a key");
    let cluster = Cluster::start();
    let address = cluster.address.parse().expect("an address");
    let right = pki.issue_with("right", key(), |params| {
        params.subject_alt_names = vec![SanType::IpAddress(address)];
    });
    let other_name = pki.issue_with("other", key(), |params| {
        params.subject_alt_names = vec![SanType::DnsName("db.example".try_into().expect("a name"))];
    });
    let ended = pki.issue_with("ended", key(), |params| {
        params.subject_alt_names = vec![SanType::IpAddress(address)];
        params.not_before = date_time_ymd(2020, 1, 1);
        params.not_after = date_time_ymd(2021, 1, 1);
    });
    let site = Site::new();
    let ca = format!("ca = \"{}\"\n", pki.ca().display());
    on(&site, &cluster.url(), &ca);
    ends(&site, 2, "the server offers no TLS");

    cluster.show(&other_name, &pki.ca());
    ends(&site, 2, "certificate is for another name");
    cluster.show(&ended, &pki.ca());
    ends(&site, 2, "certificate has ended");
    cluster.show(&right, &pki.ca());
    ends(&site, 0, "holds no store yet");
    cluster.admit(HOSTSSL);
    ends(&site, 0, "holds no store yet");
    assert!(!cluster.log().contains(super::PASSWORD));

    // Another authority vouches.
    let strange = Pki::new();
    on(
        &site,
        &cluster.url(),
        &format!("ca = \"{}\"\n", strange.ca().display()),
    );
    ends(&site, 2, "no authority we trust");

    // Without TLS such a server takes nobody.
    on(&site, &cluster.url(), "tls = \"off\"\n");
    ends(&site, 2, "the server takes no such sign-in from here");

    // It asks for a certificate of ours: that of the account.
    cluster.admit("hostssl all all 127.0.0.0/8 cert");
    on(&site, &cluster.url(), &ca);
    ends(&site, 2, "the server takes no such sign-in from here");
    let own = pki.issue("store");
    let files = format!(
        "{ca}certificate = \"{}\"\nkey = \"{}\"\n",
        own.certificate.display(),
        own.key.display()
    );
    on(&site, &cluster.url(), &files);
    ends(&site, 0, "holds no store yet");
}

/// A stranger who answers that he has no TLS gets the question for it and not a byte more.
#[test]
fn nothing_goes_in_the_clear_to_a_server_without_tls() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("bound");
    let port = listener.local_addr().expect("bound").port();
    let heard = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a connection");
        let limit = Some(Duration::from_secs(20));
        stream.set_read_timeout(limit).expect("set");
        let mut bytes = vec![0; 8];
        stream.read_exact(&mut bytes).expect("a question");
        std::io::Write::write_all(&mut stream, b"N").expect("answered");
        stream.read_to_end(&mut bytes).expect("an end");
        bytes
    });
    let site = Site::new();
    let pki = Pki::new();
    let url = format!("postgresql://store@127.0.0.1:{port}/store");
    on(&site, &url, &format!("ca = \"{}\"\n", pki.ca().display()));
    let (code, said) = checked(&site);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("the server offers no TLS"), "{said}");
    // SSLRequest: length 8, code 80877103 (PostgreSQL documentation, 55.7 "Message Formats").
    assert_eq!(
        heard.join().expect("no panic"),
        [0, 0, 0, 8, 4, 210, 22, 47]
    );
}

#[test]
fn each_end_of_the_way_says_what_to_do() {
    let cluster = Cluster::start();
    let site = Site::new();
    let off = "tls = \"off\"\n";
    let url = cluster.url();
    on(&site, &url, off);
    let (code, said) = checked(&site);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("holds no store yet"), "{said}");
    assert!(!said.contains("without TLS"), "this machine alone: {said}");
    let able = "the server does what the store needs: texts in the order of their bytes; ";
    assert!(said.contains(able), "{said}");

    // A port where nothing listens.
    let free = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = free.local_addr().expect("an address").port();
    drop(free);
    on(
        &site,
        &format!("postgresql://store@127.0.0.1:{port}/store"),
        off,
    );
    let (code, said) = checked(&site);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("nothing listens there"), "{said}");

    on(&site, &url.replace(&cluster.address, "db.invalid"), off);
    let (code, said) = checked(&site);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("the name leads to no address"), "{said}");
    assert!(said.contains("db.invalid is reached without TLS"), "{said}");

    on(&site, &url.replace("5432/store", "5432/another"), off);
    let (code, said) = checked(&site);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("CREATE DATABASE"), "{said}");

    on(&site, &url, off);
    fs::write(site.path("password"), "wrong\n").expect("written");
    let (code, said) = checked(&site);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("refuses the sign-in"), "{said}");
    fs::remove_file(site.path("password")).expect("removed");
    let (code, said) = checked(&site);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("password_file names it"), "{said}");

    on(&site, &url, off);
    let role = |sql: &str| cluster.sql(&format!("alter role store {sql}"));
    role("set synchronous_commit = off");
    let (code, said) = checked(&site);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("synchronous_commit = on"), "{said}");
    role("reset synchronous_commit");
    role("set default_transaction_read_only = on");
    let (code, said) = checked(&site);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("takes no changes"), "{said}");
    role("reset default_transaction_read_only");

    cluster.sql("create database others");
    on(&site, &url.replace("5432/store", "5432/others"), off);
    let (code, said) = checked(&site);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("GRANT CREATE"), "{said}");

    let mut cluster = cluster;
    on(&site, &url, off);
    cluster.end();
    until("the end of the server", || {
        checked(&site).1.contains("nothing listens there")
    });
}
