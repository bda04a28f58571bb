//! What a Store transaction is answered (PS3.18 10.5.3): pure.

use crate::receive::dimse::Status;
use http_body_util::Full;
use hyper::body::Bytes;
use hyper::header::{
    ALLOW, CACHE_CONTROL, CONTENT_TYPE, HeaderValue, RETRY_AFTER, WWW_AUTHENTICATE,
};
use hyper::{Response, StatusCode};
use serde_json::{Map, Value, json};

pub(super) type Answer = Response<Full<Bytes>>;

/// What became of one part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Told {
    /// SOP class, as far as the part names one.
    pub(super) class: Option<String>,
    /// SOP Instance UID, as far as the part names one.
    pub(super) instance: Option<String>,
    /// Success means that it is on stable storage.
    pub(super) status: Status,
}

impl Told {
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
/// Where the store takes nothing, the peer is to come again.
pub(super) fn stored(told: &[Told]) -> Answer {
    let (good, bad): (Vec<&Told>, Vec<&Told>) =
        told.iter().partition(|one| one.status == Status::Success);
    let is_for_now = |one: &&Told| one.status.code() & 0xFF00 == 0xA700;
    let status = match (good.is_empty(), bad.is_empty()) {
        (_, true) => StatusCode::OK,
        (false, false) => StatusCode::ACCEPTED,
        (true, false) if bad.iter().any(is_for_now) => StatusCode::SERVICE_UNAVAILABLE,
        (true, false) => StatusCode::CONFLICT,
    };
    let mut module = Map::new();
    // Nothing can be retrieved from here.
    module.insert("00081190".to_owned(), json!({"vr": "UR"}));
    for (tag, some) in [("00081198", bad), ("00081199", good)] {
        if !some.is_empty() {
            let items: Vec<_> = some.iter().map(|one| one.item()).collect();
            module.insert(tag.to_owned(), json!({"vr": "SQ", "Value": items}));
        }
    }
    let body = Value::Object(module).to_string();
    with(status, "application/dicom+json", body)
}

/// The answer to a request that is not carried out.
pub(super) fn refusal(status: StatusCode, says: &str) -> Answer {
    with(status, "text/plain; charset=utf-8", format!("{says}\n"))
}

fn with(status: StatusCode, kind: &'static str, body: String) -> Answer {
    let mut answer = Response::new(Full::new(Bytes::from(body)));
    *answer.status_mut() = status;
    let headers = answer.headers_mut();
    headers.insert(CONTENT_TYPE, HeaderValue::from_static(kind));
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    match status {
        StatusCode::UNAUTHORIZED => {
            headers.insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        StatusCode::METHOD_NOT_ALLOWED => {
            headers.insert(ALLOW, HeaderValue::from_static("POST"));
        }
        StatusCode::SERVICE_UNAVAILABLE => {
            headers.insert(RETRY_AFTER, HeaderValue::from_static("60"));
        }
        _ => {}
    }
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PS3.18 table 10.5.3-1: 200 when all are stored, 202 when some are, 409 when none is.
    #[test]
    fn the_status_tells_how_many_are_stored() {
        let told = |status| Told {
            class: Some("1.2".to_owned()),
            instance: None,
            status,
        };
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
            assert_eq!(stored(&told).status().as_u16(), status);
        }
    }
}
