//! A server in a thread that answers with given bytes, and keeps what it was sent.

use super::*;
use crate::connect::node::TlsFiles;
use std::net::TcpListener;
use std::path::Path;
use std::thread;

const PATIENCE: Duration = Duration::from_secs(60);

/// What a server got, and what came of its answer.
fn exchange(answer: Vec<u8>, bearer: Option<&Path>) -> (String, Result<Answer, Failure>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let server = thread::spawn(move || {
        let (mut peer, _) = listener.accept().unwrap();
        peer.set_read_timeout(Some(PATIENCE)).unwrap();
        let mut got = Vec::new();
        while !got.ends_with(b"{}") {
            let mut piece = [0; 4096];
            let read = peer.read(&mut piece).unwrap();
            assert!(read > 0, "the request is cut off");
            got.extend_from_slice(&piece[..read]);
        }
        let _ = peer.write_all(&answer);
        String::from_utf8(got).unwrap()
    });
    let way = HttpWay {
        url: format!("http://127.0.0.1:{port}/results"),
        tls: TlsFiles::default(),
        bearer: bearer.map(Path::to_owned),
    };
    let post = Call {
        method: Method::POST,
        path: "/new",
        headers: &[("content-type", "application/json")],
        body: Some(b"{}"),
    };
    let outcome = call(&way, PATIENCE, &post);
    (server.join().unwrap(), outcome)
}

fn answered(text: &str) -> Answer {
    let answer = exchange(text.as_bytes().to_vec(), None).1;
    answer.unwrap_or_else(|failure| panic!("{failure}"))
}

#[test]
fn a_request_and_its_answer() {
    let dir = tempfile::tempdir().unwrap();
    let token = dir.path().join("token");
    std::fs::write(&token, "abc.DEF-123\r\n").unwrap();
    let text = "HTTP/1.1 201 Created\r\nContent-Length: 3\r\n\r\nyes";
    let (got, answer) = exchange(text.into(), Some(&token));
    let answer = answer.unwrap();
    assert_eq!((answer.status, &*answer.text()), (201, "yes"));
    assert_eq!(answer.stages, [Stage::Name, Stage::Connect]);
    assert!(got.starts_with("POST /results/new HTTP/1.1\r\n"), "{got}");
    let got = got.to_lowercase();
    assert!(got.contains("\r\nauthorization: bearer abc.def-123\r\n"));
    assert!(got.contains("\r\ncontent-length: 2\r\n"), "{got}");
    assert!(got.contains("\r\nuser-agent: sheathline/"));
}

#[test]
fn a_token_that_is_none_is_not_sent() {
    let dir = tempfile::tempdir().unwrap();
    let token = dir.path().join("token");
    let way = HttpWay {
        url: "http://127.0.0.1:1/".to_owned(),
        tls: TlsFiles::default(),
        bearer: Some(token.clone()),
    };
    let get = Call {
        method: Method::GET,
        path: "",
        headers: &[],
        body: None,
    };
    let code = || {
        call(&way, PATIENCE, &get)
            .err()
            .map(|failure| failure.code.to_string())
    };
    assert_eq!(code().as_deref(), Some("file-missing"));
    for bad in ["", "\n", "one two", "one\ntwo"] {
        std::fs::write(&token, bad).unwrap();
        assert_eq!(code().as_deref(), Some("file-content"), "{bad:?}");
    }
}

/// RFC 9110 15.5 and 15.6; FHIR R4 3.1.0.7 for 400, 404, 409, 412 and 422.
#[test]
fn statuses_that_speak_of_the_content_last() {
    let lasting = [400, 413, 422];
    for status in 300..600 {
        assert_eq!(lasts(status), lasting.contains(&status), "{status}");
        let text = format!("HTTP/1.1 {status} X\r\nContent-Length: 0\r\n\r\n");
        if [301, 400, 401, 404, 409, 422, 429, 500, 503].contains(&status) {
            let failure = answered(&text).refused("");
            assert_eq!(failure.code.to_string(), format!("http-{status}"));
            assert_eq!(failure.lasts, lasting.contains(&status), "{status}");
        }
    }
}

#[test]
fn a_redirect_is_told_and_not_followed() {
    let text = "HTTP/1.1 307 X\r\nLocation: https://other.example/\r\nContent-Length: 0\r\n\r\n";
    let answer = answered(text);
    let failure = answer.refused("");
    assert_eq!(failure.code, "http-307");
    assert!(failure.words.contains("https://other.example/"));
}

#[test]
fn words_of_a_receiver_are_cut_and_cleaned() {
    let text = "HTTP/1.1 503 X\r\nRetry-After: 120\r\nContent-Length: 0\r\n\r\n";
    let said = format!("one\n\ttwo \u{1b}[31m {}", "x".repeat(5000));
    let failure = answered(text).refused(&said);
    assert!(
        failure.words.contains("Retry-After 120"),
        "{}",
        failure.words
    );
    assert!(failure.words.contains("it says: one two [31m xxx"));
    assert!(failure.words.chars().count() < WORDS + 200);
    assert_eq!(failure.not_before, Some(Duration::from_secs(120)));
}

/// The date is the example of RFC 9110 5.6.7.
#[test]
fn the_time_a_receiver_asks_for_is_seconds_or_a_date() {
    let date = "Sun, 06 Nov 1994 08:49:37 GMT";
    let now = |text: &str| text.parse().unwrap();
    let before = now("1994-11-06T08:48:37Z");
    assert_eq!(later(date, before), Some(Duration::from_secs(60)));
    assert_eq!(later(date, now("1994-11-06T08:50:00Z")), None);
    assert_eq!(later(" 7 ", before), Some(Duration::from_secs(7)));
    for value in ["", "-1", "soon", "1.5", "99999999999999999999"] {
        assert_eq!(later(value, before), None, "{value:?}");
    }
}

#[test]
fn an_answer_without_end_is_cut() {
    let mut endless = b"HTTP/1.1 200 OK\r\n\r\n".to_vec();
    endless.resize(endless.len() + 3 * usize::try_from(KEPT).unwrap(), b'x');
    let answer = exchange(endless, None).1.unwrap();
    assert_eq!(answer.body.len() as u64, KEPT);
}

#[test]
fn what_is_no_answer() {
    for (bytes, code) in [
        (&b""[..], "answer-closed"),
        (b"\x02\0\0\0\0\x04\0\0\0\0", "http-failed"),
        (
            b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\ncut",
            "http-failed",
        ),
    ] {
        let failure = exchange(bytes.to_vec(), None).1.err().expect("no answer");
        assert!(!failure.lasts);
        assert_eq!(failure.stage, Stage::Answer);
        let either = [code, "http-failed"];
        assert!(either.contains(&&*failure.code.to_string()), "{failure:?}");
    }
}

/// The failure of our own connection comes through `ureq` as it is.
#[test]
fn a_server_that_says_nothing() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let way = HttpWay {
        url: format!("http://127.0.0.1:{port}"),
        tls: TlsFiles::default(),
        bearer: None,
    };
    let get = Call {
        method: Method::OPTIONS,
        path: "",
        headers: &[],
        body: None,
    };
    let outcome = call(&way, Duration::from_millis(50), &get);
    assert_eq!(outcome.err().expect("silence").code, "answer-timeout");
}
