//! Tells by HTTP POST that a result is there, what kind of change it is and, if asked for, its status. The
//! notice holds nothing of the patient and no number: whoever may read the outbox finds those there.

use super::{Carrier, unformed};
use crate::outbox::folder_name;
use crate::parcel::Parcel;
use serde::Serialize;
use sheathline_model::assess::Status;
use sheathline_model::results::Envelope;
use sheathline_net::connect::node::HttpWay;
use sheathline_net::connect::{Failure, Stage};
use sheathline_net::http::client::{self, Answer, Call};
use std::time::Duration;
use ureq::http::Method;

/// What is sent. Fields may be added; those that are there stay.
#[derive(Debug, Serialize)]
struct Notice<'a> {
    /// Key of the result, as in its `result.json`.
    key: &'a str,
    /// Our name of the exam.
    exam: &'a str,
    /// Version of its result, from 1.
    version: u32,
    /// Name of its folder in the outbox.
    folder: String,
    /// What kind of change it is: `first`, `changed`, `new_rise`, `withdrawn_rise`.
    change: &'static str,
    /// The status of the result, where the configuration has it told; absent otherwise.
    #[serde(skip_serializing_if = "Option::is_none")]
    status: Option<Status>,
    /// Nobody has acknowledged the rise that an earlier notice told; absent otherwise.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    reminder: bool,
}

impl Notice<'_> {
    fn of(result: &Envelope, reminder: bool, tell_status: bool) -> Notice<'_> {
        let exam = result.content.exam.id.as_str();
        Notice {
            key: &result.key,
            exam,
            version: result.version,
            folder: folder_name(exam, result.version),
            change: result.change().word(),
            status: tell_status.then_some(result.content.assessment.status),
            reminder,
        }
    }

    /// What a receiver knows a repeat by: a structured string as
    /// draft-ietf-httpapi-idempotency-key-header 2.1 wants it. The version is in it since a key
    /// comes again when a result says again what an earlier version said. A reminder is another notice.
    fn idempotency_key(&self) -> String {
        let reminder = if self.reminder { "-reminder" } else { "" };
        format!("\"{}-v{}{reminder}\"", self.key, self.version)
    }
}

/// Sends notices.
pub(super) struct Hook {
    pub(super) way: HttpWay,
    pub(super) tell_status: bool,
    pub(super) timeout: Duration,
}

impl Carrier for Hook {
    /// 2xx is taken. By the draft a repeat is answered as the first time was; 409 says that the
    /// first is still being worked on and 422 that the key came with another notice.
    fn deliver(&mut self, parcel: &Parcel) -> Result<(), Failure> {
        let notice = Notice::of(&parcel.result, parcel.context.reminder, self.tell_status);
        let body = serde_json::to_vec(&notice).map_err(unformed)?;
        let call = Call {
            method: Method::POST,
            path: "",
            headers: &[
                ("content-type", "application/json"),
                ("idempotency-key", &notice.idempotency_key()),
            ],
            body: Some(&body),
        };
        let answer = client::call(&self.way, self.timeout, &call)?;
        match answer.status {
            200..=299 => Ok(()),
            _ => Err(answer.refused(&answer.text())),
        }
    }

    /// By OPTIONS, which changes nothing anywhere (RFC 9110 9.3.7). Most receivers do not know it
    /// and say so; that they answer is enough, unless the same answer would meet a notice.
    fn echo(&mut self) -> Result<Vec<Stage>, Failure> {
        let call = Call {
            method: Method::OPTIONS,
            path: "",
            headers: &[],
            body: None,
        };
        let answer = client::call(&self.way, self.timeout, &call)?;
        if bars(&answer) {
            Err(answer.refused(&answer.text()))
        } else {
            Ok([answer.stages.as_slice(), &[Stage::Answer]].concat())
        }
    }
}

/// Whether who answers so would not take a notice either: redirects, permission, path, a proxy, or
/// what stands before a receiver that is not there.
fn bars(answer: &Answer) -> bool {
    matches!(answer.status, 300..=399 | 401 | 403 | 404 | 407 | 410 | 421 | 502..=504)
}

#[cfg(test)]
mod tests;
