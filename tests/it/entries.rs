//! What people say, through the real program: shown before it is recorded, kept with its author, never
//! changed, and asked about where a flagged exam would become part of the baseline.

mod act;
mod at_once;
mod cut_off;
mod prepared;
mod questions;
mod rises;
mod sessions;
mod tables;
mod taken_back;
mod versions;

use super::harness::Site;
use super::objects::Report;
use serde_json::Value;

/// Exams of T-1 in March of four years; the last one is wide, and flagged.
fn site(more: &str) -> Site {
    site_of(more, &[(1, 0), (2, 1), (3, -1), (4, 6)])
}

/// Exams of T-1 in March, each of a year of the twenties and so many tenths of a millimetre wider than
/// usual.
fn site_of(more: &str, exams: &[(usize, i32)]) -> Site {
    let site = Site::with(more);
    let folder = site.path("reports");
    std::fs::create_dir(&folder).expect("folder");
    for &(n, tenths) in exams {
        let report = Report {
            patient: "T-1".into(),
            date: format!("202{n}0301"),
            tenths,
            ..Report::numbered(n)
        };
        report.write(&folder);
    }
    site.ok("process", &[&folder.display().to_string()]);
    site
}

/// The newest result of the exam of a year.
fn of_year(site: &Site, year: &str) -> Value {
    let results = site.results();
    let mut results = results.into_values();
    let found = results.find(|one| {
        let at = one["exam"]["performed_at"].as_str();
        at.is_some_and(|at| at.starts_with(year))
    });
    found.expect("a result of that year")
}

fn exam_of_year(site: &Site, year: &str) -> String {
    let id = of_year(site, year)["exam"]["id"].clone();
    id.as_str().expect("an id").to_owned()
}

/// Standard error of a command that ended with this code.
fn refused(site: &Site, code: i32, command: &str, args: &[&str]) -> String {
    let output = site.run(command, args);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(
        output.status.code(),
        Some(code),
        "{command} {args:?}: {said}"
    );
    said
}

/// Every entry as its number, what it says, what it corrects, and whether it counts.
fn entries(site: &Site) -> Vec<(u64, String, Option<u64>, bool)> {
    let all = site.json("entries", &["T-1", "--json"]);
    let told = |one: Value| {
        (
            one["entry"].as_u64().expect("a number"),
            one["value"].as_str().unwrap_or("-").to_owned(),
            one["corrects"].as_u64(),
            one["counts"].as_bool().expect("whether"),
        )
    };
    all.into_iter().map(told).collect()
}
