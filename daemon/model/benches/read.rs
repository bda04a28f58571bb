//! How long one core takes to read one report of 5 to 10 KB.
//!
//! `cargo bench --bench read` reads each report thousands of times; `cargo test --bench read` a few
//! times, to see that it runs.
#![allow(missing_docs)]
#![allow(clippy::print_stdout, reason = "a benchmark prints")]
#![allow(clippy::expect_used, reason = "a benchmark may stop")]

use sheathline_model::reading::{Rules, read_object};
use sheathline_model::sr;
use sheathline_model::template::Templates;
use std::hint::black_box;
use std::time::Instant;

macro_rules! fixture {
    ($name:literal) => {
        (
            $name,
            include_bytes!(concat!("../../../fixtures/sr/", $name, "/report.dcm")).as_slice(),
        )
    };
}

/// The reports of that size among the fixtures: every template, every way to write a data set.
const REPORTS: [(&str, &[u8]); 7] = [
    fixture!("tid1500"),
    fixture!("tid1500-implicit"),
    fixture!("tid1500-big-endian"),
    fixture!("tid1410"),
    fixture!("tid1411"),
    fixture!("tid1420"),
    fixture!("context-deep"),
];

/// The shortest of some rounds is the one that the machine disturbed least.
fn microseconds(times: u32, mut once: impl FnMut()) -> f64 {
    let round = || {
        let start = Instant::now();
        for _ in 0..times {
            once();
        }
        1e6 * start.elapsed().as_secs_f64() / f64::from(times)
    };
    std::iter::repeat_with(round)
        .take(if times > 2 { 40 } else { 1 })
        .fold(f64::INFINITY, f64::min)
}

fn main() {
    let bench = std::env::args().any(|argument| argument == "--bench");
    let times = if bench { 100 } else { 2 };
    let rules = Rules::new(Templates::builtin().expect("the built-in templates"));
    println!("microseconds of one core      whole    sr  rest");
    let (mut all, mut decoded) = (0.0, 0.0);
    for (name, bytes) in REPORTS {
        let whole = microseconds(times, || {
            black_box(read_object(black_box(bytes), None, "", &rules));
        });
        // Bytes to a tree: gate, content hash, decoder, character sets.
        let tree = microseconds(times, || {
            black_box(sr::read(black_box(bytes), None, &rules.limits)).expect("a report");
        });
        let rest = whole - tree;
        println!(
            "{name:20} {:5} B {whole:7.1} {tree:7.1} {rest:6.1}",
            bytes.len()
        );
        all += whole;
        decoded += tree;
    }
    let number = REPORTS.len() as f64;
    let (all, decoded) = (all / number, decoded / number);
    println!(
        "mean                         {all:7.1} {decoded:7.1} {:6.1}",
        all - decoded
    );
}
