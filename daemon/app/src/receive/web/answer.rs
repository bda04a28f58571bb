//! What a Store transaction is answered (PS3.18 10.5.3): pure.

use crate::intake::Unfit;
use axum::body::{Body, Bytes};
use axum::http::HeaderValue;
use axum::http::StatusCode;
use axum::http::header::{
    ALLOW, CACHE_CONTROL, CONTENT_TYPE, HeaderName, RETRY_AFTER, WARNING, WWW_AUTHENTICATE,
};
use axum::response::{IntoResponse, Response};
use http_body::{Frame, SizeHint};
use serde_json::{Map, Value, json};
use sheathline_net::dicom::dimse::Status;
use sheathline_net::shares::Share;
use std::convert::Infallible;
use std::pin::Pin;
use std::task::{Context, Poll};

/// What became of one part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct PartAnswer {
    /// SOP class, as far as the part names one.
    pub(super) class: Option<String>,
    /// SOP Instance UID, as far as the part names one.
    pub(super) instance: Option<String>,
    /// Success means that it is on stable storage.
    pub(super) status: Status,
    /// Why it may not come this way.
    pub(super) why: Option<Unfit>,
}

impl PartAnswer {
    fn item(&self) -> Map<String, Value> {
        let uid = |uid: &Option<String>| match uid {
            Some(uid) => json!({"vr": "UI", "Value": [uid]}),
            None => json!({"vr": "UI"}),
        };
        let mut item = Map::new();
        item.insert("00081150".to_owned(), uid(&self.class));
        item.insert("00081155".to_owned(), uid(&self.instance));
        if self.status != Status::Success {
            let reason = json!({"vr": "US", "Value": [self.status.code()]});
            item.insert("00081197".to_owned(), reason);
        }
        item
    }
}

/// The answer after every part was looked at: the Store Instances Response Module as DICOM JSON.
/// Where the store takes nothing, the peer is to come again. It is written while it is sent, and
/// `memory` is held until then.
pub(super) fn stored(told: Vec<PartAnswer>, memory: Share) -> Response {
    let (good, mut all): (Vec<PartAnswer>, Vec<PartAnswer>) = told
        .into_iter()
        .partition(|one| one.status == Status::Success);
    let is_for_now = |one: &PartAnswer| one.status.code() & 0xFF00 == 0xA700;
    let status = match (good.is_empty(), all.is_empty()) {
        (_, true) => StatusCode::OK,
        (false, false) => StatusCode::ACCEPTED,
        (true, false) if all.iter().any(is_for_now) => StatusCode::SERVICE_UNAVAILABLE,
        (true, false) => StatusCode::CONFLICT,
    };
    let failed = all.len();
    let why = reasons(&all);
    all.extend(good);
    let report = Report::new(all, failed, memory);
    let mut response = with(status, "application/dicom+json", Body::new(report));
    if let Some(why) = why {
        response.headers_mut().insert(WARNING, why);
    }
    response
}

/// Why parts are refused, each reason once: the module has a number alone (PS3.18 10.5.3). In a header
/// field Warning with code 299, as PS3.18 8.3.4.4 uses it (from memory). There are few reasons, and none
/// repeats what the peer sent.
fn reasons(failed: &[PartAnswer]) -> Option<HeaderValue> {
    let mut all: Vec<String> = Vec::new();
    for why in failed.iter().filter_map(|one| one.why) {
        let words = format!("{} ({})", why.says(), why.code());
        if !all.contains(&words) && all.len() < REASONS {
            all.push(words);
        }
    }
    let told = !all.is_empty();
    told.then(|| HeaderValue::try_from(format!("299 sheathline \"{}\"", all.join("; "))).ok())?
}

/// Reasons told in one answer.
const REASONS: usize = 8;

/// Bytes of an answer that are written at a time.
const PIECE: usize = 16 << 10;

/// The Store Instances Response Module, written item by item.
struct Report {
    /// Those that failed, then those that are stored.
    told: Vec<PartAnswer>,
    failed: usize,
    /// The next to write, and how many bytes are left with it.
    next: usize,
    left: u64,
    _memory: Share,
}

impl Report {
    fn new(told: Vec<PartAnswer>, failed: usize, memory: Share) -> Self {
        let mut report = Report {
            told,
            failed,
            next: 0,
            left: 0,
            _memory: memory,
        };
        let lengths = (0..).map_while(|at| Some(report.text(at)?.len() as u64));
        report.left = lengths.sum();
        report
    }

    /// One item with what stands around it.
    fn text(&self, at: usize) -> Option<String> {
        let item = Value::Object(self.told.get(at)?.item());
        // Nothing can be retrieved from here.
        let begin = match at {
            0 => "{\"00081190\":{\"vr\":\"UR\"}",
            _ => "",
        };
        let before = match at {
            0 if self.failed > 0 => ",\"00081198\":{\"vr\":\"SQ\",\"Value\":[",
            at if at == self.failed => ",\"00081199\":{\"vr\":\"SQ\",\"Value\":[",
            _ => ",",
        };
        let after = match at + 1 {
            next if next == self.told.len() => "]}}",
            next if next == self.failed => "]}",
            _ => "",
        };
        Some(format!("{begin}{before}{item}{after}"))
    }
}

impl http_body::Body for Report {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        let mut piece = String::new();
        while piece.len() < PIECE
            && let Some(text) = self.text(self.next)
        {
            piece.push_str(&text);
            self.next += 1;
        }
        self.left = self.left.saturating_sub(piece.len() as u64);
        let frame = (!piece.is_empty()).then(|| Ok(Frame::data(Bytes::from(piece))));
        Poll::Ready(frame)
    }

    fn is_end_stream(&self) -> bool {
        self.left == 0
    }

    fn size_hint(&self) -> SizeHint {
        SizeHint::with_exact(self.left)
    }
}

/// The answer to a request that is not carried out.
pub(super) fn refusal(status: StatusCode, says: &str) -> Response {
    with(status, "text/plain; charset=utf-8", format!("{says}\n"))
}

fn with(status: StatusCode, kind: &'static str, body: impl IntoResponse) -> Response {
    let more: Option<(HeaderName, &str)> = match status {
        StatusCode::UNAUTHORIZED => Some((WWW_AUTHENTICATE, "Bearer")),
        StatusCode::METHOD_NOT_ALLOWED => Some((ALLOW, "POST")),
        StatusCode::SERVICE_UNAVAILABLE => Some((RETRY_AFTER, "60")),
        _ => None,
    };
    let headers = [(CONTENT_TYPE, kind), (CACHE_CONTROL, "no-store")];
    let more = more.map(|one| [one]);
    (status, headers, more, body).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;
    use http_body::Body;
    use http_body_util::BodyExt;
    use sheathline_net::shares::{Party, Shares};
    use std::net::{IpAddr, Ipv4Addr};

    fn answer(told: Vec<PartAnswer>) -> Response {
        let party = Party::of(IpAddr::V4(Ipv4Addr::LOCALHOST));
        stored(told, Shares::default().nothing(party))
    }

    fn told(status: Status) -> PartAnswer {
        PartAnswer {
            class: Some("1.2".to_owned()),
            instance: None,
            status,
            why: None,
        }
    }

    #[test]
    fn a_refusal_says_why_once() {
        let mut part = told(Status::NotUnderstood);
        part.why = Some(Unfit::NotAFile);
        let mut other = told(Status::ClassNotSupported);
        other.why = Some(Unfit::Class);
        let answered = answer(vec![part.clone(), part, other, told(Status::Success)]);
        let said = answered.headers().get(WARNING).expect("a reason");
        assert_eq!(
            said,
            "299 sheathline \"refused: no DICOM file (not-a-file); refused: its class is not taken \
             (class-not-taken)\""
        );
        let answered = answer(vec![told(Status::Success)]);
        assert!(answered.headers().get(WARNING).is_none());
    }

    /// PS3.18 table 10.5.3-1: 200 when all are stored, 202 when some are, 409 when none is.
    #[test]
    fn the_status_tells_how_many_are_stored() {
        let (good, bad, later) = (
            told(Status::Success),
            told(Status::NotUnderstood),
            told(Status::NoSpace),
        );
        for (told, status) in [
            (vec![good.clone()], 200),
            (vec![good.clone(), bad.clone()], 202),
            (vec![good, later.clone()], 202),
            (vec![bad.clone()], 409),
            (vec![bad, later.clone()], 503),
            (vec![later], 503),
        ] {
            assert_eq!(answer(told).status().as_u16(), status);
        }
    }

    /// The module of PS3.18 table 10.5.3-3 (from memory), read by a JSON reader; as long as it says.
    #[tokio::test]
    async fn the_module_is_written_piece_by_piece() {
        for (good, bad) in [(1, 0), (0, 1), (1, 1), (2, 3), (2000, 3000)] {
            let all = std::iter::repeat_n(told(Status::Success), good)
                .chain(std::iter::repeat_n(told(Status::NotUnderstood), bad));
            let mut body = answer(all.collect()).into_body();
            let says = body.size_hint().exact().expect("known");
            let mut text = Vec::new();
            while let Some(frame) = body.frame().await {
                let piece = frame.expect("no error").into_data().expect("data");
                assert!(piece.len() < PIECE + 1024);
                text.extend_from_slice(&piece);
            }
            assert!(body.is_end_stream());
            assert_eq!(text.len() as u64, says);
            let module: Value = serde_json::from_slice(&text).expect("JSON");
            let count = |tag: &str| module[tag]["Value"].as_array().map_or(0, Vec::len);
            assert_eq!((count("00081199"), count("00081198")), (good, bad));
            assert_eq!(module["00081190"]["vr"], "UR");
            if bad > 0 {
                let last = &module["00081198"]["Value"][bad - 1];
                assert_eq!(last["00081197"]["Value"][0], Status::NotUnderstood.code());
            }
        }
    }
}
