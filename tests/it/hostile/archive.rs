//! Archives whose answers have no end, or are none: what `backfill` takes of them is bounded.

use super::super::harness::{Site, program, web_archive};
use super::{MIB, memory_if_any};
use std::process::{Output, Stdio};
use std::time::{Duration, Instant};

/// Beside what a whole and small answer costs: pieces, names and the allocator.
const ROOM: u64 = 48 * MIB;

/// Runs `backfill` for one day; what it says, and the peak of its memory.
fn backfill(address: &str) -> (Output, u64) {
    let site = Site::with(&format!(
        "[[archive]]\nname = \"web\"\nkind = \"dicomweb\"\nurl = \"http://{address}\"\n"
    ));
    let mut child = program()
        .args([
            "backfill",
            "--archive",
            "web",
            "--from",
            "2024-01-01",
            "--to",
            "2024-01-01",
        ])
        .arg("--config")
        .arg(site.config())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let (mut peak, start) = (0, Instant::now());
    while child.try_wait().expect("waited").is_none() {
        // The last look is a little before the end, and a peak is reached long before.
        peak = memory_if_any(child.id(), "VmHWM:")
            .unwrap_or_default()
            .max(peak);
        if start.elapsed() > Duration::from_secs(90) {
            child.kill().expect("killed");
            panic!(
                "still at it after {:?}, {} MiB",
                start.elapsed(),
                peak / MIB
            );
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    let mut output = child.wait_with_output().expect("ended");
    output.stdout.extend(output.stderr.clone());
    (output, peak)
}

const JSON: &str = "application/dicom+json";

/// What is named at each level, down to one instance.
fn names(path: &str) -> Vec<u8> {
    let name = match path {
        // The next page.
        path if !path.ends_with("&offset=0") => "[]",
        path if path.contains("/instances?") => {
            r#"[{"00080018": {"vr": "UI", "Value": ["1.2.3.3"]}}]"#
        }
        path if path.contains("/series?") => {
            r#"[{"0020000E": {"vr": "UI", "Value": ["1.2.3.2"]}}]"#
        }
        _ => r#"[{"0020000D": {"vr": "UI", "Value": ["1.2.3.1"]}}]"#,
    };
    name.as_bytes().to_vec()
}

fn ordinary() -> u64 {
    let (output, peak) = backfill(&web_archive(|path| (JSON, names(path))));
    assert_eq!(output.status.code(), Some(1), "nothing is got");
    peak
}

/// Eight megabytes of answers of nothing: each would be a map of its own.
#[test]
fn a_page_of_very_many_answers() {
    let base = ordinary();
    let body = format!("[{}{{\"a\":0}}]", "{\"a\":0},".repeat(1_000_000));
    let (output, peak) = backfill(&web_archive(move |_| (JSON, body.clone().into_bytes())));
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("no end"), "{said}");
    println!(
        "10^6 answers on a page: {} KiB beside {}",
        peak.saturating_sub(base) >> 10,
        base >> 10
    );
    assert!(peak <= base + ROOM, "{peak} beside {base}");
}

/// One answer with sixteen megabytes of attributes that nobody asked for is read all the same.
#[test]
fn an_answer_with_much_that_nobody_asked_for() {
    let base = ordinary();
    let much = r#""00081111":{"vr":"SQ","Value":[{"a":[1,2,{"b":null}]}]},"#.repeat(300_000);
    let answers = web_archive(move |path| {
        if path.contains("/series?") && path.ends_with("&offset=0") {
            (
                JSON,
                format!("[{{{much}{}", &String::from_utf8_lossy(&names(path))[2..]).into_bytes(),
            )
        } else {
            (JSON, names(path))
        }
    });
    let (output, peak) = backfill(&answers);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        said.contains("1.2.3.3"),
        "the instance is asked for: {said}"
    );
    println!(
        "16 MB of attributes: {} KiB beside {}",
        peak.saturating_sub(base) >> 10,
        base >> 10
    );
    assert!(peak <= base + ROOM, "{peak} beside {base}");
}

/// An object that comes as half a million empty parts.
#[test]
fn an_object_of_empty_parts() {
    let base = ordinary();
    let body = [b"--e\r\n\r\n\r\n".repeat(500_000), b"--e--".to_vec()].concat();
    let answers = web_archive(move |path| {
        if path.ends_with("/instances/1.2.3.3") {
            (
                "multipart/related; type=\"application/dicom\"; boundary=e",
                body.clone(),
            )
        } else {
            (JSON, names(path))
        }
    });
    let (output, peak) = backfill(&answers);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(said.contains("parts allowed"), "{said}");
    println!(
        "500,000 empty parts: {} KiB beside {}",
        peak.saturating_sub(base) >> 10,
        base >> 10
    );
    assert!(peak <= base + ROOM, "{peak} beside {base}");
}
