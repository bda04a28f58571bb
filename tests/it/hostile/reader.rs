//! `sheathline read --json` over many files, with its memory measured after the last of them.

use super::super::harness::{fixture, program};
use super::build::{self, DEFLATED, EXPLICIT};
use super::memory;
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use tempfile::TempDir;

/// What the four words of a row may be (the README's list of dispositions).
const DISPOSITIONS: [&str; 4] = [
    "accepted",
    "accepted_with_remarks",
    "no_sheath_measurement",
    "quarantined",
];

/// Sound files read behind the others. Their rows are more than a pipe holds (pipe(7): 64 KiB), so
/// the program still runs, stopped by the full pipe, when the last row of interest is here.
const TAIL: usize = 40;

/// Address space of the program: what asks for more than that ends it.
const SPACE: u64 = 1 << 30;

/// One row a file, and what all of them cost.
pub(super) struct Readings {
    pub(super) rows: Vec<Value>,
    /// Peak of resident memory, bytes.
    pub(super) peak: u64,
}

/// Reads `files` in one process. `name` says which file a number is, for the message of a failure.
pub(super) fn read_all(
    files: impl IntoIterator<Item = Vec<u8>>,
    name: impl Fn(usize) -> String,
) -> Readings {
    read_within(SPACE, files, name)
}

fn read_within(
    space: u64,
    files: impl IntoIterator<Item = Vec<u8>>,
    name: impl Fn(usize) -> String,
) -> Readings {
    let folder = TempDir::new().expect("temporary folder");
    let mut count = 0;
    for bytes in files {
        fs::write(folder.path().join(format!("{count:06}")), bytes).expect("written");
        count += 1;
    }
    let sound = fs::read(fixture("sr/tid1500/report.dcm")).expect("fixture");
    for n in 0..TAIL {
        fs::write(folder.path().join(format!("tail-{n:06}")), &sound).expect("written");
    }
    read_folder(space, folder.path(), count, name)
}

fn read_folder(
    space: u64,
    folder: &Path,
    count: usize,
    name: impl Fn(usize) -> String,
) -> Readings {
    let mut child = Command::new("prlimit")
        .args([&format!("--as={space}"), "--core=0"])
        .arg(program().get_program())
        .args(["read", "--json"])
        .arg(folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("prlimit runs");
    let mut lines = BufReader::new(child.stdout.take().expect("piped")).lines();
    let mut rows = Vec::new();
    for number in 0..count {
        let Some(line) = lines.next() else {
            let output = child.wait_with_output().expect("ended");
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            panic!("ended ({}) at {}: {said}", output.status, name(number));
        };
        let row: Value = serde_json::from_str(&line.expect("UTF-8")).expect("a JSON line");
        let path = row["path"].as_str().expect("a path").to_owned();
        assert!(
            path.ends_with(&format!("/{number:06}")),
            "{path} instead of {}",
            name(number)
        );
        let word = row["disposition"].as_str().unwrap_or_default();
        assert!(DISPOSITIONS.contains(&word), "{}: {row}", name(number));
        if word == "quarantined" {
            assert!(
                says_why(&row),
                "{} is refused without a reason: {row}",
                name(number)
            );
        }
        rows.push(row);
    }
    let peak = memory(child.id(), "VmHWM:");
    assert_eq!(lines.map_while(Result::ok).count(), TAIL);
    child.wait().expect("ended");
    Readings { rows, peak }
}

fn says_why(row: &Value) -> bool {
    let of = |value: &Value| value["remarks"].as_array().cloned().unwrap_or_default();
    let measurements = row["measurements"].as_array().cloned().unwrap_or_default();
    let all = of(row).into_iter().chain(measurements.iter().flat_map(of));
    all.into_iter().any(|remark| {
        remark["severity"] == "blocking" && remark["text"].as_str().is_some_and(|t| !t.is_empty())
    })
}

/// The harness notices: a program that dies is named with what it died of.
#[test]
#[should_panic(expected = "at a gigabyte: ")]
fn a_program_that_dies_is_noticed() {
    let text = build::header(EXPLICIT, build::TEXT, "UT", 1 << 30);
    let bomb = build::file(DEFLATED, &build::bomb(&text, 1024));
    read_within(48 << 20, [bomb], |_| "a gigabyte".to_owned());
}
