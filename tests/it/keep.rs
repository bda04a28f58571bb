//! The life of the store: damage found, copies made and put back, bytes dropped, shapes brought up,
//! files taken away underneath, and a store of several names.

mod copies;
mod damage;
mod moved;
mod names;
mod older;
mod shapes;
mod space;
mod states;
mod underneath;

use super::harness::Site;
use super::objects::Report;
use sheathline_store::bare::Bare;
use std::path::PathBuf;

/// Reports of a few patients, each seen several times.
fn reports(site: &Site, patients: usize, exams: usize) -> Vec<PathBuf> {
    let folder = site.path("reports");
    std::fs::create_dir_all(&folder).expect("folder");
    let each = |n: usize| Report {
        patient: format!("T-{}", n % patients),
        date: format!("2024{:02}05", 1 + n / patients),
        tenths: i32::try_from(n % 4).expect("small"),
        ..Report::numbered(n)
    };
    (0..patients * exams)
        .map(|n| each(n).write(&folder))
        .collect()
}

fn process(site: &Site, files: &[PathBuf]) -> String {
    let names: Vec<&str> = files
        .iter()
        .map(|path| path.to_str().expect("UTF-8"))
        .collect();
    site.ok("process", &names)
}

/// The store's file, opened by its database alone.
fn plain(site: &Site) -> Bare {
    Bare::open(&site.path("store.sqlite")).expect("opens")
}

/// One column of a question, as text.
fn column(file: &Bare, sql: &str) -> Vec<String> {
    file.column(sql).expect("asked")
}
