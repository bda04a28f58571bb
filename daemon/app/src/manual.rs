//! `daemon/docs/failures.md`: every code that hospital IT meets, from the tables that the program works by.

use crate::health::causes::Cause;
use crate::health::needs::Needed;
use crate::observe::failures::CODES;
use sheathline_net::connect::code::{NUMBERED, Word};
use sheathline_net::dicom::refusal::Refusal;
use std::fmt::Write;

const ABOUT: &str = "\
# Codes of failures

Made by `sheathline generate failures` from the tables in the program. Codes are added; one that goes or \
changes its name is a breaking change. Codes of results are [another page](codes.md).

`page`: reports or results wait or are lost, so somebody looks now. `look`: in working hours. \
[`alerts.yml`](../../config/alerts.yml) rings in the same way. Names like `error` are fields of the log \
line. [Watching the service](watch.md) says where each can be seen.
";

const OF_LOG: &str =
    "`code` of a line with level WARN or ERROR, and of `sheathline_failures_total`.";

const OF_PEERS: &str = "\
A DICOM peer was refused: `code` of its line in the log, `reason` of `sheathline_peers_refused_total`. All \
are `look`. `answer` in the line is what it was told, as in the [conformance statement](conformance.md). \
Over HL7 and HTTP it is `hl7-…` and `web-…` above. Keys are those of `[receive.dicom]`.";

const OF_DELIVERIES: &str = "\
`failure` of the lines `destination-down`, `delivery-dead` and `audit-syslog-down`, `code` of \
`sheathline_delivery_failures_total`, and what `outbox list`, `echo` and `backfill` say. All are `look`: \
nothing is lost, and but for content that is refused for good all is tried again. Of an object that an \
archive sent and that does not fit, it is the `why` of `object-refused`. Keys are those of the destination.";

const OF_READINESS: &str = "\
`reasons` of `/readyz`, also in `status`. All are `page` once they last, but for `starting`, `stopping` and \
`store-busy`, which pass.";

const OF_NEEDS: &str = "\
`needs` of `status --json`; `status` ends with 1. All are `look`, but for results that cannot be written \
and values that stopped, which are `page`.";

/// The document, Markdown.
#[must_use]
pub fn failures() -> String {
    let mut text = String::from(ABOUT);
    section(
        &mut text,
        "In the log and metrics",
        OF_LOG,
        &["code", "urgency", "means", "do"],
    );
    for row in CODES {
        let urgency = row.urgency.word();
        line(&mut text, row.code, &[urgency, row.meaning, row.action]);
    }
    let three = ["code", "means", "do"];
    section(&mut text, "Refused peers", OF_PEERS, &three);
    for one in Refusal::ALL {
        line(&mut text, one.code(), &[&sentence(one.why()), one.action()]);
    }
    section(&mut text, "Deliveries", OF_DELIVERIES, &three);
    for one in Word::ALL {
        line(&mut text, one.code(), &[one.meaning(), one.action()]);
    }
    for (codes, meaning, action) in NUMBERED {
        line(&mut text, codes, &[meaning, action]);
    }
    section(&mut text, "Not ready", OF_READINESS, &three);
    for one in Cause::ALL {
        line(
            &mut text,
            one.code(),
            &[&sentence(one.meaning()), one.action()],
        );
    }
    section(&mut text, "Needs somebody", OF_NEEDS, &three);
    for one in Needed::ALL {
        line(&mut text, one.code(), &[one.meaning(), one.action()]);
    }
    text
}

fn section(text: &mut String, title: &str, about: &str, columns: &[&str]) {
    let (head, rule) = (columns.join(" | "), "---|".repeat(columns.len()));
    // Writing to text cannot fail.
    let _ = write!(text, "\n## {title}\n\n{about}\n\n| {head} |\n|{rule}\n");
}

/// One row; `codes` is one code, or several with commas between.
fn line(text: &mut String, codes: &str, cells: &[&str]) {
    let codes = codes.replace(", ", "`, `");
    let _ = writeln!(text, "| `{codes}` | {} |", cells.join(" | "));
}

/// Words of a log line or an answer as a sentence.
fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(char::to_uppercase);
    let first = first.into_iter().flatten();
    first.chain(letters).chain(['.']).collect()
}
