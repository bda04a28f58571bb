//! A large store: how soon the daemon is ready, and whether the rate holds. Takes minutes, so:
//!
//! `cargo test --release --test it large -- --ignored --nocapture`, with `SHEATHLINE_EXAMS` for
//! another number than 100,000.

use super::harness::Site;
use super::objects::Report;
use sheathline::pipeline::{Beside, Pipeline};
use sheathline_model::reading::Rules;
use sheathline_model::results;
use sheathline_model::template::Templates;
use sheathline_store::objects::{self, Incoming};
use sheathline_store::{Mode, Store};
use std::fs;
use std::time::Instant;

const EXAMS_A_PATIENT: usize = 5;

fn report(n: usize) -> Vec<u8> {
    let (patient, exam) = (n / EXAMS_A_PATIENT, n % EXAMS_A_PATIENT);
    let one = Report {
        patient: format!("T-{patient}"),
        date: format!("20{:02}0501", 18 + exam),
        ..Report::numbered(n)
    };
    one.bytes()
}

/// Keeps, reads and assesses some reports; reports a second.
fn take(pipeline: &Pipeline, range: std::ops::Range<usize>) -> f64 {
    let count = range.len();
    let start = Instant::now();
    let mut range = range.peekable();
    while range.peek().is_some() {
        let some: Vec<Incoming> = range
            .by_ref()
            .take(200)
            .map(|n| Incoming::new(&report(n), None, "folder", "", chrono::Utc::now()))
            .collect::<Result<_, _>>()
            .expect("packed");
        pipeline
            .store()
            .write(move |tx| {
                some.iter()
                    .try_for_each(|one| objects::keep(tx, one).map(|_| ()))
            })
            .expect("kept");
    }
    while pipeline.read_some().expect("read") > 0 {}
    while pipeline.assess_some().expect("assessed") > 0 {}
    count as f64 / start.elapsed().as_secs_f64()
}

#[test]
#[ignore = "fills a store with 100,000 exams"]
fn a_large_store_is_ready_soon_and_as_fast_as_a_small_one() {
    let exams: usize =
        std::env::var("SHEATHLINE_EXAMS").map_or(100_000, |n| n.parse().expect("a number"));
    let site = Site::new();
    let store = Store::open(&site.path("store.sqlite"), Mode::Owner).expect("opens");
    let beside = Beside::default();
    let rules = Rules::new(Templates::load(&[], &[]).expect("built in"));
    let pipeline = Pipeline::new(
        store,
        rules,
        results::Site::default(),
        site.path("outbox"),
        beside,
    );
    take(&pipeline, 0..1000);
    println!(
        "at 1,000 exams: {:.0} reports/s",
        take(&pipeline, 1000..2000)
    );
    println!("on the way: {:.0} reports/s", take(&pipeline, 2000..exams));
    let more = exams..exams + 1000;
    println!("at {exams} exams: {:.0} reports/s", take(&pipeline, more));
    let published = "update result set published_at = created_at";
    pipeline
        .store()
        .write(move |tx| sheathline_store::bare::run(tx, published))
        .expect("marked");
    drop(pipeline);
    let bytes = fs::metadata(site.path("store.sqlite"))
        .expect("there")
        .len();
    println!("{} MB", bytes >> 20);

    let ready = |what: &str| {
        let start = Instant::now();
        let daemon = site.serve();
        let taken = start.elapsed();
        println!("ready {what}: {:.2} s", taken.as_secs_f64());
        (daemon, taken.as_secs_f64())
    };
    let (daemon, first) = ready("the first time");
    daemon.kill();
    let (daemon, after_kill) = ready("after kill -9");
    daemon.stop();
    let text = fs::read_to_string(site.config()).expect("read");
    fs::write(
        site.config(),
        format!("{text}\n[technique]\ndepth_mm = 3.5\n"),
    )
    .expect("written");
    let (daemon, new_rules) = ready("with new rules of reading");
    daemon.kill();
    let start = Instant::now();
    let output = site.run("verify", &[]);
    println!("verify: {:.1} s", start.elapsed().as_secs_f64());
    assert!(output.status.success());
    for seconds in [first, after_kill, new_rules] {
        assert!(seconds < 2.0, "{seconds} s");
    }
}
