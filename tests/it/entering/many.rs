//! Tables of thousands of rows: no row searches what the others brought, and a command that leaves results
//! to the service says so.

use super::{bring, number, site};
use chrono::{Local, NaiveDate, TimeDelta};
use sheathline::entering::{self, Bring};
use sheathline::observe::Observed;
use sheathline::pipeline::{Beside, Pipeline};
use sheathline_model::annotations::{Author, By};
use sheathline_model::entered::table::{Shape, Signing};
use sheathline_model::entered::{Declared, Limits, Table, Unit, table};
use sheathline_model::reading::Rules;
use sheathline_model::results::Site;
use sheathline_model::template::Templates;
use sheathline_store::backlog::backlog;
use sheathline_store::{Mode, Store};
use std::fs;
use std::time::{Duration, Instant};

/// Exams of one patient, a day each from `first` on.
fn rows(first: usize, count: usize) -> String {
    let begin: NaiveDate = "2014-01-01".parse().expect("a day");
    let mut text = "patient_id,birth_date,date,right,left\n".to_owned();
    for n in first..first + count {
        let day = begin + TimeDelta::days(n as i64);
        text.push_str(&format!("0042,2001-03-02,{day},5.{},5.1\n", n % 4));
    }
    text
}

fn read(text: &str) -> Table {
    let signing = Signing {
        author: "Farnwick^Ilse".to_owned(),
        at: Local::now().fixed_offset(),
        reason: String::new(),
    };
    let declared = Declared::new(Unit::Mm, Shape::Exams);
    let table = table(text.as_bytes(), &declared, &signing, &Limits::default());
    assert!(table.all_faults().is_empty(), "{:?}", table.all_faults());
    table
}

/// How long it takes to look at so many rows of a patient of whom as many are here.
fn looked_at(count: usize) -> Duration {
    let folder = tempfile::TempDir::new().expect("temp");
    let store = Store::open(&folder.path().join("store.sqlite"), Mode::Owner).expect("opens");
    let by = By {
        author: Author::Account("Farnwick^Ilse".to_owned()),
        entered_by: "ilse".to_owned(),
        source: "table".to_owned(),
        reason: String::new(),
    };
    let bring = Bring {
        table: &read(&rows(0, count)),
        by: &by,
        file_name: "old.csv",
        file_sha256: [0; 32],
        current_days: None,
    };
    let brought = entering::bring_in(&store, &Observed::default(), &bring).expect("brought in");
    assert_eq!(brought.new, count);
    let rules = Rules::new(Templates::builtin().expect("templates"));
    let outbox = folder.path().join("outbox");
    let pipeline = Pipeline::new(store, rules, Site::default(), outbox, Beside::default());
    while pipeline.read_some().expect("read") > 0 {}
    let more = read(&rows(count, count));
    let look = || {
        let began = Instant::now();
        let looked = entering::look_at(pipeline.store(), &more).expect("looked at");
        assert_eq!((looked.states.len(), looked.faults.len()), (count, 0));
        began.elapsed()
    };
    (0..5).map(|_| look()).min().expect("a time")
}

/// In one run. Where every row searches all earlier reports for each of them, three times as many rows take
/// 27 times as long.
#[test]
fn three_times_as_many_rows_of_one_patient_take_about_three_times_as_long() {
    let (one, three) = (looked_at(200), looked_at(600));
    assert!(three < one * 12, "{one:?}, then {three:?}");
}

#[test]
fn what_is_left_to_the_service_is_told_and_made_later() {
    let site = site("");
    let file = site.path("years.csv");
    fs::write(&file, rows(0, 501)).expect("written");
    let file = file.display().to_string();
    let brought = bring(&site, &file, &["--accept-doubts"]);
    assert_eq!(
        (number(&brought, "new"), number(&brought, "table")),
        (501, 1)
    );
    let store = Store::open(&site.path("store.sqlite"), Mode::Guest).expect("opens");
    let waits = || store.read(backlog).expect("counted");
    let left = waits();
    let told = &brought["waiting"];
    assert_eq!(number(told, "reports"), left.objects.count);
    assert_eq!(number(told, "patients"), left.patients.count);
    assert_eq!(number(told, "results"), left.results.count);
    // Given again it adds nothing, and makes the rest.
    let again = bring(&site, &file, &["--accept-doubts", "--wait"]);
    assert_eq!((number(&again, "already"), number(&again, "new")), (501, 0));
    assert_eq!(again["waiting"]["results"], 0);
    let left = waits();
    assert_eq!(
        left.objects.count + left.patients.count + left.results.count,
        0
    );
    assert_eq!(site.results().len(), 501);
    // Each was made once, of all that was there.
    assert_eq!(site.all_results().len(), 501);
}
