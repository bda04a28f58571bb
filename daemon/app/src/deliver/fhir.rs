//! FHIR R4: the transaction of a result by POST to the base (3.1.0.11). All of it is taken or
//! nothing. It updates by identifier, so a repeat changes nothing.

use super::{Carrier, unformed};
use crate::parcel::Parcel;
use serde::Deserialize;
use serde_json::Value;
use sheathline_model::forms;
use sheathline_net::connect::node::HttpWay;
use sheathline_net::connect::{Code, Failure, Stage, Word};
use sheathline_net::http::client::{self, Call};
use std::time::Duration;
use ureq::http::Method;

/// FHIR R4 2.21.0.1 (JSON).
const MEDIA_TYPE: &str = "application/fhir+json";

/// Sends transactions.
pub(super) struct Fhir {
    pub(super) way: HttpWay,
    pub(super) timeout: Duration,
}

impl Fhir {
    /// The base without the stroke at its end.
    fn at_base(&self) -> HttpWay {
        HttpWay {
            url: self.way.url.trim_end_matches('/').to_owned(),
            ..self.way.clone()
        }
    }
}

impl Carrier for Fhir {
    /// Taken when the transaction is answered with 200 or 201 and a response of 2xx for each entry.
    fn deliver(&mut self, parcel: &Parcel) -> Result<(), Failure> {
        let bundle = forms::fhir::transaction(&parcel.result, &parcel.context).map_err(unformed)?;
        let entries = bundle.pointer("/entry").and_then(Value::as_array);
        let sent = entries.map_or(0, Vec::len);
        let body = serde_json::to_vec_pretty(&bundle).map_err(unformed)?;
        let call = Call {
            method: Method::POST,
            path: "",
            headers: &[
                ("content-type", MEDIA_TYPE),
                ("accept", MEDIA_TYPE),
                // What we sent need not come back (FHIR R4 3.1.0.1.7).
                ("prefer", "return=minimal"),
            ],
            body: Some(&body),
        };
        let answer = client::call(&self.at_base(), self.timeout, &call)?;
        match answer.status {
            200 | 201 => taken(&answer.body, sent),
            _ => Err(answer.refused(&said(&answer.body))),
        }
    }

    /// Asks for the statement of what the server can do (3.1.0.8), which every server has.
    fn echo(&mut self) -> Result<Vec<Stage>, Failure> {
        let call = Call {
            method: Method::GET,
            path: "/metadata",
            headers: &[("accept", MEDIA_TYPE)],
            body: None,
        };
        let answer = client::call(&self.at_base(), self.timeout, &call)?;
        if answer.status != 200 {
            return Err(answer.refused(&said(&answer.body)));
        }
        // The statement of a large server is longer than what is kept of it.
        if answer.text().contains("\"CapabilityStatement\"") {
            Ok([answer.stages.as_slice(), &[Stage::Answer]].concat())
        } else {
            Err(Failure::answer(
                Word::FhirAnswer,
                "what answers there is no FHIR server; is the path of url its base?".to_owned(),
            ))
        }
    }
}

/// The part of an answer that counts: of a Bundle of type `transaction-response`.
#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Response {
    resource_type: String,
    #[serde(default)]
    entry: Vec<Entry>,
}

#[derive(Deserialize)]
struct Entry {
    response: Option<EntryResponse>,
}

#[derive(Deserialize)]
struct EntryResponse {
    /// Begins with the status of HTTP: `201 Created`.
    status: String,
    outcome: Option<Value>,
}

/// Whether an answer says that each of the entries sent was taken.
fn taken(body: &[u8], sent: usize) -> Result<(), Failure> {
    let unclear = |what: &str| {
        let words = format!("it answered with success, but {what}; is url the base of the server?");
        Err(Failure::answer(Word::FhirAnswer, words))
    };
    let Ok(answer) = serde_json::from_slice::<Response>(body) else {
        return unclear("not with a resource of FHIR");
    };
    if answer.resource_type != "Bundle" {
        return unclear(&format!("with {}", client::cut(&answer.resource_type)));
    }
    for (number, entry) in (1..).zip(&answer.entry) {
        let Some(response) = &entry.response else {
            return unclear(&format!("entry {number} says nothing of what became of it"));
        };
        if response.status.starts_with('2') {
            continue;
        }
        let status = response.status.get(..3).and_then(|text| text.parse().ok());
        let status: u16 = status.unwrap_or(0);
        let outcome = response.outcome.as_ref().map(diagnostics);
        let words = format!(
            "entry {number} was not taken: {} {}",
            client::cut(&response.status),
            outcome.unwrap_or_default()
        );
        let failure = Failure::answer(Code::FhirEntry(status), words);
        return Err(failure.lasting(client::lasts(status)));
    }
    if answer.entry.len() == sent {
        Ok(())
    } else {
        unclear(&format!("for {} of {sent} entries", answer.entry.len()))
    }
}

/// The words of an answer: those of an OperationOutcome, else its text.
fn said(body: &[u8]) -> String {
    match serde_json::from_slice::<Value>(body) {
        Ok(outcome) if outcome.pointer("/issue").is_some() => diagnostics(&outcome),
        _ => client::cut(&String::from_utf8_lossy(body)),
    }
}

/// What an OperationOutcome says (FHIR R4, OperationOutcome.issue).
fn diagnostics(outcome: &Value) -> String {
    let issues = outcome.pointer("/issue").and_then(Value::as_array);
    let texts = issues.into_iter().flatten().map(|issue| {
        let text = ["/diagnostics", "/details/text", "/code"]
            .into_iter()
            .find_map(|place| issue.pointer(place)?.as_str());
        let places = issue.pointer("/expression").and_then(Value::as_array);
        let places = places.into_iter().flatten().filter_map(Value::as_str);
        let places = places.collect::<Vec<_>>().join(", ");
        let text = text.unwrap_or_default();
        match places.as_str() {
            "" => text.to_owned(),
            places => format!("{text} ({places})"),
        }
    });
    client::cut(&texts.collect::<Vec<_>>().join("; "))
}

#[cfg(test)]
mod tests;
