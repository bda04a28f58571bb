use super::*;
use serde_json::json;

fn outcome(answer: &Value, sent: usize) -> Result<(), (String, bool)> {
    let taken = taken(answer.to_string().as_bytes(), sent);
    taken.map_err(|failure| {
        assert_eq!(failure.stage, Stage::Answer);
        (failure.code.to_string(), failure.lasts)
    })
}

fn response(statuses: &[&str]) -> Value {
    let entries = statuses
        .iter()
        .map(|status| json!({ "response": { "status": status } }));
    json!({
        "resourceType": "Bundle",
        "type": "transaction-response",
        "entry": entries.collect::<Vec<_>>(),
    })
}

/// FHIR R4 3.1.0.11.2: one entry of the response for each of the request, in order, each with the
/// status of its own request.
#[test]
fn taken_is_every_entry_taken() {
    assert_eq!(
        outcome(&response(&["201 Created", "200 OK", "200"]), 3),
        Ok(())
    );
    let failed = |code: &str, lasts| Err((code.to_owned(), lasts));
    let refused = response(&["201 Created", "422 Unprocessable Entity"]);
    assert_eq!(outcome(&refused, 2), failed("fhir-entry-422", true));
    let refused = response(&["412 Precondition Failed", "200"]);
    assert_eq!(outcome(&refused, 2), failed("fhir-entry-412", false));
    let unclear = || failed("fhir-answer", false);
    assert_eq!(outcome(&response(&["201 Created"]), 2), unclear());
    assert_eq!(outcome(&response(&[]), 2), unclear());
    assert_eq!(outcome(&json!({}), 2), unclear());
    assert_eq!(
        outcome(&json!({ "resourceType": "OperationOutcome" }), 0),
        unclear()
    );
    let silent = json!({ "resourceType": "Bundle", "entry": [{}] });
    assert_eq!(outcome(&silent, 1), unclear());
    assert_eq!(taken(b"<html>", 1).unwrap_err().code, "fhir-answer");
}

/// The shape of the standard's own example of an outcome (FHIR R4, operationoutcome-example.json,
/// from memory): severity, code, details.text, expression.
#[test]
fn the_words_of_an_outcome() {
    let body = json!({
        "resourceType": "OperationOutcome",
        "issue": [
            {
                "severity": "error",
                "code": "code-invalid",
                "details": { "text": "The code \"W\" is not known" },
                "expression": ["Person.gender"],
            },
            { "severity": "error", "code": "required" },
            { "severity": "error", "code": "invalid", "diagnostics": "line 3" },
        ],
    });
    assert_eq!(
        said(body.to_string().as_bytes()),
        "The code \"W\" is not known (Person.gender); required; line 3"
    );
    assert_eq!(said(b"no\nJSON"), "no JSON");
    assert_eq!(said(b"caf\xE9"), "caf\u{fffd}");
}
