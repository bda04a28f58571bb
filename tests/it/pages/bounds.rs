//! Bounds on what a stranger sends: bytes, time, memory.

use super::Ward;
use crate::browser::{exchange, parsed};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

fn head(ward: &Ward, more: &str) -> String {
    let address = ward.address;
    format!(
        "POST /sign-in HTTP/1.1\r\nHost: {address}\r\nOrigin: http://{address}\r\n\
         Content-Type: application/x-www-form-urlencoded\r\nConnection: close\r\n{more}\r\n"
    )
}

/// A body that says that it is huge, and one that is.
#[test]
fn huge_bodies_are_refused() {
    let ward = Ward::new(&[]);
    let huge = "x".repeat(300 << 10);
    let told = head(&ward, &format!("Content-Length: {}\r\n", huge.len()));
    assert_eq!(
        parsed(&exchange(ward.address, format!("{told}{huge}").as_bytes())).status,
        413
    );
    let mut chunked = head(&ward, "Transfer-Encoding: chunked\r\n");
    chunked.push_str(&format!("{:x}\r\n{huge}\r\n0\r\n\r\n", huge.len()));
    assert_eq!(
        parsed(&exchange(ward.address, chunked.as_bytes())).status,
        413
    );
    let many = "a=&".repeat(50_000);
    let told = head(&ward, &format!("Content-Length: {}\r\n", many.len()));
    let answer = parsed(&exchange(ward.address, format!("{told}{many}").as_bytes()));
    assert_eq!(answer.status, 403, "a sign-in without name");
}

/// A head of many kilobytes, and of many fields.
#[test]
fn huge_heads_are_refused() {
    let ward = Ward::new(&[]);
    let long = format!("X-Long: {}\r\n", "x".repeat(64 << 10));
    let many = "X: y\r\n".repeat(2000);
    for more in [long, many] {
        let answer = parsed(&exchange(ward.address, head(&ward, &more).as_bytes()));
        assert_eq!(answer.status, 431, "{}", answer.body);
    }
    let path = format!("GET /{} HTTP/1.1\r\nHost: x\r\n\r\n", "a".repeat(64 << 10));
    let status = parsed(&exchange(ward.address, path.as_bytes())).status;
    assert!([414, 431].contains(&status), "{status}");
}

/// A body that never comes is given up, and others are served meanwhile.
#[test]
fn slow_bodies_hold_up_nobody() {
    let ward = Ward::new(&[]);
    let mut slow = TcpStream::connect(ward.address).expect("connects");
    slow.set_read_timeout(Some(Duration::from_secs(120)))
        .expect("a limit");
    let told = head(&ward, "Content-Length: 100\r\n");
    slow.write_all(format!("{told}name=").as_bytes())
        .expect("sent");
    assert_eq!(ward.browser().get("/sign-in").status, 200);
    let begun = Instant::now();
    let mut answer = String::new();
    let _ = slow.read_to_string(&mut answer);
    assert_eq!(parsed(&answer).status, 408, "{answer}");
    assert!(begun.elapsed() < Duration::from_secs(100));
}
