//! Ports that one address has filled: another is served there, and what brings nothing is closed.

use super::super::harness::{Daemon, Site, until};
use std::net::SocketAddr;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};
use tokio::time::timeout;

const CROWD: &str = "127.0.1.1:0";
const ANOTHER: &str = "127.0.0.1:0";

async fn connect(from: &str, to: SocketAddr) -> TcpStream {
    let socket = TcpSocket::new_v4().expect("a socket");
    socket
        .bind(from.parse().expect("an address"))
        .expect("bound");
    socket.connect(to).await.expect("connected")
}

/// Where it listens, by the code that says so.
fn address(daemon: &Daemon, code: &str) -> SocketAddr {
    let mut found = None;
    until(code, || {
        let log = daemon.log();
        let line = log.iter().find(|line| line["fields"]["code"] == code);
        found = line.and_then(|line| line["fields"]["address"].as_str()?.parse().ok());
        found.is_some()
    });
    found.expect("an address")
}

fn site(more: &str) -> Site {
    Site::with(&format!(
        "listen = \"127.0.0.1:0\"\n[receive.hl7]\nlisten = \"127.0.0.1:0\"\ndefault_issuer = \"HOME\"\n\
         [receive.web]\nlisten = \"127.0.0.1:0\"\n{more}"
    ))
}

/// What comes back until the peer ends or enough is there.
async fn asked(mut stream: TcpStream, question: &[u8], answer: &str) -> String {
    let mut got = Vec::new();
    let asking = async {
        let _ = stream.write_all(question).await;
        let mut piece = [0; 4096];
        while let Ok(read @ 1..) = stream.read(&mut piece).await {
            got.extend_from_slice(&piece[..read]);
            if String::from_utf8_lossy(&got).contains(answer) {
                return;
            }
        }
    };
    // As much as nobody waits who is served.
    let _ = timeout(Duration::from_secs(5), asking).await;
    String::from_utf8_lossy(&got).into_owned()
}

/// More connections than there may be, from one address, each with the beginning of something; one from
/// another address is answered at each port.
#[tokio::test(flavor = "multi_thread")]
async fn another_address_is_served() {
    let site = site("");
    let daemon = site.serve();
    let merge = "\x0bMSH|^~\\&|ADT|HOME|SHEATHLINE||20260101||ADT^A40^ADT_A39|1|P|2.5.1\rEVN||20260101\r\
                 PID|||A1\rMRG|B1\r\x1c\r";
    let get = "GET /livez HTTP/1.1\r\nHost: a\r\n\r\n";
    for (code, count, question, answer) in [
        ("hl7-listening", 16, merge, "MSA|AA|1"),
        ("web-listening", 32, get, "HTTP/1.1 404"),
        ("observe-listening", 16, get, "HTTP/1.1 200"),
    ] {
        let port = address(&daemon, code);
        let mut crowd = Vec::new();
        for _ in 0..count + 4 {
            let mut stream = connect(CROWD, port).await;
            let _ = stream.write_all(&question.as_bytes()[..5]).await;
            crowd.push(stream);
        }
        let start = Instant::now();
        let got = asked(connect(ANOTHER, port).await, question.as_bytes(), answer).await;
        assert!(
            got.contains(answer),
            "{code}: {got:?} after {:?}",
            start.elapsed()
        );
        println!("{code}: answered after {:?}", start.elapsed());
        // One of the crowd had to go, and no more than that, and whoever was too many.
        let mut open = 0;
        for stream in &mut crowd {
            let read = timeout(Duration::from_millis(50), stream.read(&mut [0; 8])).await;
            open += usize::from(read.is_err());
        }
        assert!(open >= count - 1, "{code}: {open} of {count} are left");
    }
    daemon.echo().await;
}

/// Over HTTP a head that does not end, and a connection that is kept without a further request, are
/// closed after the time for idle ones, however many bytes of the head still come.
#[tokio::test(flavor = "multi_thread")]
async fn slow_heads_and_idle_connections_are_closed() {
    let site = site("idle_timeout_s = 1\n");
    let daemon = site.serve();
    let web = address(&daemon, "web-listening");
    let mut kept = connect(ANOTHER, web).await;
    let get = "GET / HTTP/1.1\r\nHost: a\r\n\r\n";
    kept.write_all(get.as_bytes()).await.expect("sent");
    let mut slow = connect(ANOTHER, web).await;
    slow.write_all(&get.as_bytes()[..20]).await.expect("sent");
    let start = Instant::now();
    let trickle = async {
        while slow.write_all(b"a").await.is_ok() {
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
    };
    timeout(Duration::from_secs(20), trickle)
        .await
        .expect("closed");
    println!("a slow head is closed after {:?}", start.elapsed());
    let mut got = Vec::new();
    let read = timeout(Duration::from_secs(20), kept.read_to_end(&mut got)).await;
    read.expect("closed").expect("in order");
    assert!(got.starts_with(b"HTTP/1.1 404"));
}
