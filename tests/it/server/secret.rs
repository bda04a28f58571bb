//! The password of the store stands nowhere but in its file.

use super::{Cluster, PASSWORD, on};
use crate::harness::{Site, by};
use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};

fn got(address: std::net::SocketAddr, path: &str) -> String {
    let mut stream = TcpStream::connect(address).expect("connected");
    let request = format!("GET {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).expect("asked");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("answered");
    answer
}

#[test]
fn nothing_tells_the_password() {
    let cluster = Cluster::start();
    let free = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = free.local_addr().expect("an address");
    drop(free);
    let site = Site::with(&format!("log = \"debug\"\nlisten = \"{address}\"\n"));
    on(&site, &cluster.url(), "tls = \"off\"\n");
    let daemon = site.serve();
    let mut all = vec![
        got(address, "/metrics"),
        got(address, "/readyz"),
        site.ok("status", &["--json"]),
        site.ok("status", &[]),
        site.ok("check-config", &["--explain"]),
    ];
    assert!(all[0].contains("sheathline_database_reached"), "{}", all[0]);
    let status: serde_json::Value = serde_json::from_str(&all[2]).expect("JSON");
    assert_eq!(status["database"]["kind"], "postgresql");
    assert_eq!(status["database"]["synchronous_commit"], "on");
    assert_eq!(status["database"]["in_recovery"], false);
    assert_eq!(status["database"]["standbys"]["told"], "all");
    // A second daemon, a wrong password, a password in the url.
    let failed = |words: &str| {
        let (code, said) = by::<&str>(&site.config(), "serve", &[]);
        assert_ne!(code, Some(0), "{words}: {said}");
        said
    };
    all.push(failed("a second one"));
    let log = daemon.stop_and_log().1;
    all.push(serde_json::to_string(&log).expect("JSON"));
    fs::write(site.path("password"), format!("{PASSWORD}-wrong\n")).expect("written");
    all.push(failed("a wrong password"));
    all.push(by::<&str>(&site.config(), "check-config", &[]).1);
    let url = cluster.url().replace('@', &format!(":{PASSWORD}@"));
    on(&site, &url, "tls = \"off\"\n");
    all.push(failed("a password in the url"));
    all.push(by::<&str>(&site.config(), "check-config", &[]).1);
    for one in &all {
        assert!(!one.is_empty());
        assert!(!one.contains(PASSWORD), "{one}");
    }
}
