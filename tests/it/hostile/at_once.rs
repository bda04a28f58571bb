//! Many at once: bombs over both networks, and bodies of very many parts.

use super::super::harness::{Daemon, Site, until};
use super::super::receive::Sender;
use super::build::{self, DEFLATED, EXPLICIT, TEXT, element, header};
use super::{Dice, MIB};
use serde_json::Value;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

/// One object is read at a time, so many bombs cost what one does: 64 MiB that may be inflated and half
/// as much around it, and as much again for bodies that wait.
const ROOM: u64 = 192 * MIB;

const KIND: &str = "multipart/related; type=\"application/dicom\"; boundary=e";

/// A daemon that takes objects over HTTP too, and refuses what it cannot understand; its HTTP port.
fn serve(site: &Site) -> (Daemon, String) {
    let daemon = site.serve();
    let mut address = None;
    until("the HTTP port", || {
        let log = daemon.log();
        let line = log
            .iter()
            .find(|line| line["fields"]["code"] == "web-listening");
        address = line.and_then(|line| Some(line["fields"]["address"].as_str()?.to_owned()));
        address.is_some()
    });
    (daemon, address.expect("an address"))
}

fn site() -> Site {
    Site::with(
        "[[receive.dicom.sender]]\nae_title = \"SCANNER\"\nmalformed = \"refuse\"\n\
         [receive.web]\nlisten = \"127.0.0.1:0\"\n",
    )
}

/// Status and body of the answer to a POST.
fn post(address: &str, path: &str, body: &[u8]) -> (u16, Vec<u8>) {
    let mut stream = TcpStream::connect(address).expect("connected");
    let patience = Some(Duration::from_secs(120));
    stream.set_read_timeout(patience).expect("set");
    let head = format!(
        "POST {path} HTTP/1.1\r\nHost: a\r\nConnection: close\r\nContent-Type: {KIND}\r\n\
         Content-Length: {}\r\n\r\n",
        body.len()
    );
    // It may be answered before the end, and then not read on.
    let _ = stream.write_all(head.as_bytes());
    let _ = stream.write_all(body);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    let end = answer.windows(4).position(|four| four == b"\r\n\r\n");
    let end = end.expect("a head");
    let status = std::str::from_utf8(&answer[9..12]).expect("a status");
    (
        status.parse().expect("a number"),
        answer[end + 4..].to_vec(),
    )
}

fn multipart(parts: impl Iterator<Item = Vec<u8>>) -> Vec<u8> {
    let parts = parts.map(|part| [&b"--e\r\n\r\n"[..], &part, b"\r\n"].concat());
    [parts.collect::<Vec<_>>().concat(), b"--e--".to_vec()].concat()
}

/// Three hundred kilobytes that may become a hundred times as much, and would become more.
fn bomb() -> Vec<u8> {
    let mut dice = Dice(20_261_129);
    let noise: Vec<u8> = (0..37_500)
        .flat_map(|_| dice.next().to_le_bytes())
        .collect();
    let data = [
        element(EXPLICIT, (0x0042, 0x0011), "OB", &noise),
        header(EXPLICIT, TEXT, "UT", 40 << 20),
        vec![b' '; 40 << 20],
    ];
    build::deflate(&data.concat())
}

#[tokio::test(flavor = "multi_thread")]
async fn bombs_at_once() {
    let bomb = bomb();
    let site = site();
    let (daemon, web) = serve(&site);
    let small = build::deflate(&element(EXPLICIT, TEXT, "UT", b"x"));
    let mut sender = Sender::connect_in(daemon.address, DEFLATED)
        .await
        .expect("accepted");
    assert_eq!(sender.store("2.25.1", &small).await, 0xA900, "of no class");
    let base = daemon.peak();
    let body = multipart([build::file(DEFLATED, &bomb)].into_iter());
    let mut sending = tokio::task::JoinSet::new();
    for number in 0..12 {
        let (address, bomb) = (daemon.address, bomb.clone());
        sending.spawn(async move {
            let mut sender = Sender::connect_in(address, DEFLATED)
                .await
                .expect("accepted");
            u32::from(sender.store(&format!("2.25.{number}"), &bomb).await)
        });
    }
    for _ in 0..8 {
        let (web, body) = (web.clone(), body.clone());
        sending.spawn_blocking(move || post(&web, "/studies/1.2.3", &body).0.into());
    }
    let mut statuses = sending.join_all().await;
    statuses.sort_unstable();
    let not_understood = [vec![409; 8], vec![0xC000; 12]].concat();
    assert_eq!(statuses, not_understood);
    let more = daemon.peak() - base;
    println!("20 bombs at once, {} MiB more in memory", more / MIB);
    assert!(more <= ROOM, "{more} bytes");
    // The measure shows the one that is read.
    assert!(more > 16 * MIB, "{more} bytes");
    daemon.echo().await;
}

/// Two megabytes of parts that are nothing: refused once that is plain, not answered one by one.
#[tokio::test(flavor = "multi_thread")]
async fn empty_parts_without_end() {
    let site = site();
    let (daemon, web) = serve(&site);
    daemon.echo().await;
    let base = daemon.peak();
    let body = multipart(std::iter::repeat_n(Vec::new(), 300_000));
    let (status, says) = post(&web, "/studies", &body);
    assert_eq!(status, 400, "{}", String::from_utf8_lossy(&says));
    let more = daemon.peak() - base;
    let lines = daemon.log().len();
    println!(
        "300,000 empty parts: {} KiB more in memory, {lines} lines of log",
        more >> 10
    );
    assert!(more <= 8 * MIB, "{more} bytes");
    assert!(lines < 200, "{lines} lines");
}

/// As many parts as one body may have, each refused by name, are each told; one more is not read.
#[tokio::test(flavor = "multi_thread")]
async fn as_many_parts_as_there_may_be() {
    let site = site();
    let (daemon, web) = serve(&site);
    daemon.echo().await;
    let base = daemon.peak();
    // A syntax that is not taken.
    let part = build::file("1.2.840.10008.1.2.4.90", b"");
    let (status, said) = post(
        &web,
        "/studies",
        &multipart(std::iter::repeat_n(part.clone(), 10_000)),
    );
    assert_eq!(status, 409);
    let module: Value = serde_json::from_slice(&said).expect("whole JSON");
    let failed = module["00081198"]["Value"].as_array().expect("a list");
    assert_eq!(failed.len(), 10_000);
    let more = daemon.peak() - base;
    println!("10,000 parts: {} KiB more in memory", more >> 10);
    assert!(more <= 24 * MIB, "{more} bytes");
    let (status, _) = post(
        &web,
        "/studies",
        &multipart(std::iter::repeat_n(part, 10_001)),
    );
    assert_eq!(status, 413);
}
