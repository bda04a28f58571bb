//! Results to receivers of HL7 v2 that answer well, badly, or not at all.

use super::super::receive::pki::Pki;
use super::*;
use sheathline::deliver::Carrier;
use sheathline::deliver::mllp::Mllp;
use sheathline::parcel::Parcel;
use sheathline::routes::destination::MllpWay;
use sheathline_model::forms::Context;
use sheathline_model::forms::hl7::Route;
use sheathline_net::connect::node::TlsFiles;
use sheathline_net::connect::{Failure, Stage};
use std::net::TcpListener;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use tokio_rustls::rustls::{ServerConfig, ServerConnection, StreamOwned};

fn parcel() -> Parcel {
    let site = Site::new();
    site.ok("process", &[&fixture("sr/tid1500").display().to_string()]);
    let result = site.results().into_values().next().expect("a result");
    Parcel {
        result: serde_json::from_value(result).expect("an envelope"),
        context: Context::default(),
        others: Vec::new(),
    }
}

/// What a receiver does with the control id it finds.
type Answer = fn(&str) -> Option<String>;

fn ack(code: &str, control: &str, rest: &str) -> Option<String> {
    Some(format!(
        "MSH|^~\\&|R|||||| ACK|7|P|2.5.1\rMSA|{code}|{control}{rest}\r"
    ))
}

fn answered(stream: &mut (impl Read + Write), answer: Answer) -> String {
    let mut message = Vec::new();
    let mut one = [0];
    while !message.ends_with(b"\x1c\r") && matches!(stream.read(&mut one), Ok(1)) {
        message.push(one[0]);
    }
    let text = String::from_utf8(message).expect("UTF-8");
    let text = text
        .trim_start_matches('\x0b')
        .trim_end_matches("\x1c\r")
        .to_owned();
    if text.is_empty() {
        return text;
    }
    let read = hl7_parser::parse_message(&text).expect("a message");
    let control = read
        .segment("MSH")
        .expect("MSH")
        .field(10)
        .expect("MSH-10")
        .raw_value();
    match answer(control) {
        Some(answer) => {
            let _ = stream.write_all(format!("\x0b{answer}\x1c\r").as_bytes());
            let _ = stream.flush();
        }
        None => thread::sleep(Duration::from_secs(3)),
    }
    text
}

/// A receiver of one connection; hands over what it got.
fn receiver(answer: Answer, tls: Option<Arc<ServerConfig>>) -> (u16, Receiver<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("binds");
    let port = listener.local_addr().expect("bound").port();
    let (got, taken) = channel();
    thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a sender");
        let text = match tls {
            None => answered(&mut stream, answer),
            Some(tls) => {
                let session = ServerConnection::new(tls).expect("a session");
                answered(&mut StreamOwned::new(session, stream), answer)
            }
        };
        let _ = got.send(text);
    });
    (port, taken)
}

fn carrier(port: u16, tls: Option<TlsFiles>) -> Mllp {
    let way = MllpWay {
        host: "localhost".to_owned(),
        port,
        tls,
        route: Route::default(),
    };
    Mllp::new(way, Duration::from_secs(1))
}

#[test]
fn the_answer_decides_and_silence_is_no_answer() {
    let parcel = parcel();
    let deliver = |answer: Answer| {
        let (port, got) = receiver(answer, None);
        let done = carrier(port, None).deliver(&parcel);
        (done, got)
    };
    let (done, got) = deliver(|control| ack("AA", control, ""));
    assert_eq!(done, Ok(()));
    let sent = got.recv().expect("a message");
    let read = hl7_parser::parse_message(&sent).expect("a message");
    let id = read
        .segment("PID")
        .and_then(|pid| pid.field(3)?.component(1))
        .map(|id| id.raw_value());
    assert_eq!(id, Some(NEW));
    assert!(read.segments().filter(|one| one.name == "OBX").count() > 10);

    let failed = |answer: Answer| {
        let Failure {
            stage,
            lasts,
            code,
            words,
            ..
        } = deliver(answer).0.expect_err("refused");
        assert_eq!(stage, Stage::Answer);
        (code.to_string(), lasts, words)
    };
    let (code, lasts, words) = failed(|control| {
        ack(
            "AE",
            control,
            "\rERR||OBX^1|102^^HL70357|E||||No room for this",
        )
    });
    assert_eq!(
        (code.as_str(), lasts, words.as_str()),
        ("ack-ae", true, "102 No room for this")
    );
    let (code, lasts, _) = failed(|control| ack("AE", control, "\rERR|||206^^HL70357|E"));
    assert_eq!((code.as_str(), lasts), ("ack-ae", false));
    let (code, lasts, _) = failed(|control| ack("AR", control, ""));
    assert_eq!((code.as_str(), lasts), ("ack-ar", false));
    let (code, lasts, _) = failed(|_| ack("AA", "somebody-else", ""));
    assert_eq!((code.as_str(), lasts), ("ack-of-another", false));
    let (code, lasts, _) = failed(|_| Some("hello".to_owned()));
    assert_eq!((code.as_str(), lasts), ("ack-malformed", false));
    let (code, lasts, _) = failed(|_| None);
    assert_eq!((code.as_str(), lasts), ("answer-timeout", false));
    // Nobody there.
    let port = TcpListener::bind("127.0.0.1:0")
        .expect("binds")
        .local_addr()
        .expect("bound")
        .port();
    let nobody = carrier(port, None).deliver(&parcel).expect_err("nobody");
    assert_eq!((nobody.stage, nobody.lasts), (Stage::Connect, false));
}

#[test]
fn over_tls_the_receiver_must_be_who_it_says() {
    let parcel = parcel();
    let pki = Pki::new();
    let server = pki.server_config(&pki.issue("localhost"));
    let files = |pki: &Pki| TlsFiles {
        ca: Some(pki.ca()),
        ..TlsFiles::default()
    };
    let (port, got) = receiver(|control| ack("AA", control, ""), Some(Arc::clone(&server)));
    assert_eq!(carrier(port, Some(files(&pki))).deliver(&parcel), Ok(()));
    assert!(got.recv().expect("a message").contains(NEW));
    let (port, _) = receiver(|control| ack("AA", control, ""), Some(Arc::clone(&server)));
    let echo = carrier(port, Some(files(&pki))).echo();
    assert_eq!(echo.expect("stands").last(), Some(&Stage::Tls));
    let elsewhere = Pki::new();
    let (port, got) = receiver(|control| ack("AA", control, ""), Some(server));
    let stranger = carrier(port, Some(files(&elsewhere))).deliver(&parcel);
    assert_eq!(stranger.expect_err("a stranger").stage, Stage::Tls);
    assert_eq!(
        got.recv().expect("nothing"),
        "",
        "the stranger got no byte of the result"
    );
}
