//! The main job on invented patients: a clinic's reports through the real listener and the real
//! drop folder, and what came of them.

mod pages;
mod scenario;
mod send;
mod show;
mod sr;

use crate::cli::{Code, Failure, context, daemon, print};
use crate::config::Config;
use crate::observe::Observed;
use crate::pipeline::Pipeline;
use chrono::Utc;
use scenario::{Clinic, Exam, ISSUER, Layout};
use sheathline_model::annotations::{Author, By, Said};
use sheathline_model::domain::{About, Event, PatientKey};
use sheathline_store::{annotations, assessment_queue};
use std::fs;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

/// Where the demonstration works and how it prints.
#[derive(Debug, Clone)]
pub(crate) struct Demo {
    /// Folder for everything it makes.
    pub dir: PathBuf,
    /// JSON Lines instead of a table.
    pub json: bool,
    /// Where pages are served afterwards, until the program is ended.
    pub pages: Option<SocketAddr>,
}

/// Name of the configuration file in the demonstration's folder; also what tells it is one.
const CONFIG: &str = "demo.toml";

/// The site dictionary that maps the second maker's codes.
const DICTIONARY: &str = r#"# What the codes of the Pocket T say. A real site writes a file like this for its own scanners.

[[term]]
code = "NS-WIDTH"
scheme = "99TARNHOLT"
meaning = "Sheath width"
says = { quantity = "sheath_diameter" }
"#;

/// The demonstration's configuration; ports and folders are its own.
const SETTINGS: &str = r#"# Configuration of the demonstration. Try: sheathline history --config FILE LC-1002

[receive.dicom]
listen = "127.0.0.1:0"

[receive.folder]
path = "drop"
scan_every_ms = 100
settle_ms = 100
unfinished_s = 1

[store]
path = "store.sqlite"

[templates]
dictionaries = ["pocket-t.toml"]

[outbox]
folder = "outbox"

[observe]
log = "warn"
"#;

/// Runs the whole demonstration.
///
/// # Errors
///
/// When the folder cannot be used, or anything the demonstration relies on fails.
pub(crate) fn run(demo: &Demo) -> Result<(), Failure> {
    let config_path = prepare(&demo.dir)?;
    let config = context::config(&config_path)?;
    let mut clinic = scenario::clinic();
    if let Some(address) = demo.pages {
        pages::check(address)?;
        clinic.exams.extend(scenario::unexplained());
    }
    let sent = deliver(&config, &demo.dir, &clinic)?;
    let pipeline = context::pipeline(&config, context::owner(&config)?, Observed::default())?;
    pipeline.refresh()?;
    daemon::drain_with_progress(&pipeline)?;
    tell_what_is_known(&pipeline, &clinic)?;
    daemon::drain_with_progress(&pipeline)?;
    show::everything(&pipeline, &clinic, demo, &sent)?;
    match demo.pages {
        None => Ok(()),
        Some(address) => {
            let accounts = pages::accounts(pipeline.store(), &clinic)?;
            drop(pipeline);
            pages::serve(&config_path, address, &accounts, demo.json)
        }
    }
}

/// An empty folder with configuration and dictionary; an older demonstration in it is replaced.
fn prepare(dir: &Path) -> Result<PathBuf, Failure> {
    let failed = |error| Failure::at(dir, error);
    let config = dir.join(CONFIG);
    if dir.exists() {
        if !config.exists() && fs::read_dir(dir).map_err(failed)?.next().is_some() {
            return Err(Failure::usage(format!(
                "{}: this folder holds something else; name another with --output",
                dir.display()
            )));
        }
        fs::remove_dir_all(dir).map_err(failed)?;
    }
    for folder in ["sent", "drop"] {
        fs::create_dir_all(dir.join(folder)).map_err(failed)?;
    }
    fs::write(dir.join("pocket-t.toml"), DICTIONARY).map_err(failed)?;
    fs::write(&config, SETTINGS).map_err(failed)?;
    Ok(config)
}

/// How many objects went which way.
pub(crate) struct Sent {
    pub(crate) network: usize,
    pub(crate) folder: usize,
}

/// Sends the first maker's reports to the listener and drops the rest, with one broken file.
fn deliver(config: &Config, dir: &Path, clinic: &Clinic) -> Result<Sent, Failure> {
    let by_network = |exam: &&Exam| exam.layout == Layout::Tid1500;
    let objects: Vec<_> = clinic
        .exams
        .iter()
        .filter(by_network)
        .map(sr::report)
        .collect();
    let mut files: Vec<(String, Vec<u8>)> = Vec::new();
    for exam in clinic.exams.iter().filter(|exam| !by_network(exam)) {
        let bytes =
            sr::part10(sr::report(exam)).map_err(|error| Failure::of(Code::NotMade, error))?;
        files.push((
            format!("{} {} {}.dcm", exam.patient.id, exam.date, exam.correction),
            bytes,
        ));
    }
    if let Some((_, whole)) = files.first() {
        let half = whole.get(..whole.len() / 2).unwrap_or(whole).to_vec();
        files.push(("cut off in the middle.dcm".into(), half));
    }
    // One report comes a second time, as archives do.
    let again: Vec<_> = objects.iter().take(1).cloned().collect();
    let sent = Sent {
        network: objects.len() + again.len(),
        folder: files.len(),
    };
    daemon::while_serving(config, |address, runtime| {
        for batch in [&objects, &again] {
            let statuses = runtime
                .block_on(send::send(address, "LARKFELL_US1", batch))
                .map_err(|error| {
                    Failure::of(Code::Peer, error).told_of("sending to the listener")
                })?;
            if let Some(status) = statuses.iter().find(|&&status| status != 0) {
                return Err(Failure::new(
                    Code::Peer,
                    format!("the listener answered {status:04X}H"),
                ));
            }
        }
        for (name, bytes) in &files {
            let written = fs::write(dir.join("sent").join(name), bytes)
                .and_then(|()| fs::write(dir.join(format!(".{name}")), bytes))
                // Renamed into place, so that no half-written file is ever seen there.
                .and_then(|()| {
                    fs::rename(dir.join(format!(".{name}")), dir.join("drop").join(name))
                });
            written.map_err(|error| Failure::at(Path::new(name), error))?;
        }
        wait_until_taken(&dir.join("drop"), files.len())
    })?;
    Ok(sent)
}

/// Waits until the drop folder holds no file of ours any more.
fn wait_until_taken(drop: &Path, files: usize) -> Result<(), Failure> {
    let bar = print::progress("drop folder", files as u64);
    // A minute is a hundred times what it takes.
    for _ in 0..600 {
        let entries = fs::read_dir(drop)?;
        let left = entries
            .filter_map(Result::ok)
            .filter(|entry| entry.path().is_file())
            .count();
        bar.set_position(files.saturating_sub(left) as u64);
        if left == 0 {
            bar.finish_and_clear();
            return Ok(());
        }
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
    Err(Failure::new(
        Code::Incomplete,
        format!("{}: files were not taken within a minute", drop.display()),
    ))
}

/// Labels and events that the clinicians of the invented clinic would enter.
fn tell_what_is_known(pipeline: &Pipeline, clinic: &Clinic) -> Result<(), Failure> {
    let key = |id: &str| PatientKey {
        issuer: ISSUER.to_owned(),
        id: id.to_owned(),
    };
    let labels = clinic.exams.iter().filter_map(|exam| {
        let about = About::of_study(exam.study_instance_uid());
        Some((key(exam.patient.id), Said::Label(about, exam.label?)))
    });
    let events = clinic
        .events
        .iter()
        .map(|&(patient, date, kind)| (key(patient.id), Said::Event(Event { date, kind })));
    let said: Vec<_> = labels.chain(events).collect();
    let by = || By {
        author: Author::Account("invented clinician".to_owned()),
        entered_by: String::new(),
        source: "demo".to_owned(),
        reason: String::new(),
    };
    pipeline
        .store()
        .write(move |tx| {
            let act = annotations::new_act(tx)?;
            for (key, said) in &said {
                annotations::say(tx, act, &by(), key, said, Utc::now())?;
                assessment_queue::mark_dirty(tx, key, Utc::now())?;
            }
            Ok(())
        })
        .map_err(Failure::from)
}
