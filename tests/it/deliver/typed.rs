//! Typed reports on their way to archives of another project, DCMTK's `storescp` and `dcmqrscp`: each
//! arrives once, byte for byte, and a store that was lost is made again from what the archive has.

use super::{list, ok};
use crate::entering::{bring, bytes, exams, measure, number, told};
use crate::harness::{Daemon, Site, program, tool, until};
use crate::operate::reload::{reload, rewrite};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use tempfile::TempDir;

/// Exams of the example, and the one that is typed.
const TYPED: usize = 7;

/// A program that listens, killed when dropped.
struct Listens(Child);

impl Drop for Listens {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// An archive that keeps each object that comes as a file of its own, the same again as another.
struct Keeper {
    folder: TempDir,
    port: u16,
}

impl Keeper {
    /// One that does not listen yet.
    fn new() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        Keeper {
            folder: TempDir::new().expect("temp"),
            port: listener.local_addr().expect("bound").port(),
        }
    }

    fn listen(&self) -> Listens {
        let child = tool("storescp")
            .args(["+B", "+uf", "-aet", "ARCHIVE", "-od"])
            .arg(self.folder.path())
            .arg(self.port.to_string())
            // Debian's build leaves Nagle's algorithm on, which costs 40 ms a message.
            .env("TCP_NODELAY", "1")
            .stdin(Stdio::null())
            .spawn();
        Listens(child.expect("storescp runs"))
    }

    /// The data sets that came.
    fn came(&self) -> Vec<Vec<u8>> {
        files(self.folder.path())
            .iter()
            .filter_map(|path| data(path))
            .collect()
    }

    fn destination(&self, name: &str, objects: &[&str]) -> String {
        destination(name, self.port, objects)
    }
}

fn destination(name: &str, port: u16, objects: &[&str]) -> String {
    format!(
        "[[destination]]\nname = \"{name}\"\nkind = \"dicom\"\nhost = \"127.0.0.1\"\nport = {port}\n\
         called = \"ARCHIVE\"\ncalling = \"SHEATHLINE\"\nobjects = {objects:?}\n\
         first_wait_s = 1\nlongest_wait_s = 1\n"
    )
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).expect("a folder");
    entries
        .map(|entry| entry.expect("an entry").path())
        .collect()
}

/// What comes after the meta information (PS3.10 7.1); `None` while it is being written.
fn data_of(file: &[u8]) -> Option<Vec<u8>> {
    let length = file.get(140..144)?.try_into().ok()?;
    let begin = 144 + usize::try_from(u32::from_le_bytes(length)).ok()?;
    Some(file.get(begin..)?.to_vec())
}

fn data(path: &Path) -> Option<Vec<u8>> {
    data_of(&fs::read(path).ok()?)
}

/// The data sets of all that was typed at a site.
fn typed(site: &Site) -> Vec<Vec<u8>> {
    let all = bytes(site);
    all.iter()
        .map(|one| data_of(one).expect("a file"))
        .collect()
}

/// How often each of these came.
fn counts(came: &[Vec<u8>], wanted: &[Vec<u8>]) -> Vec<usize> {
    let count = |one: &Vec<u8>| came.iter().filter(|other| *other == one).count();
    wanted.iter().map(count).collect()
}

/// Types one exam and brings in a table, as a person does beside the service.
fn enter(site: &Site) {
    bring(site, &exams(), &["--author", "Farnwick^Ilse"]);
    let right = ["--right", "5.3:transverse:3.0", "--border", "outer"];
    site.ok("measure", &measure("5.2:transverse:3.0", &right));
}

/// The deliveries of a site of one kind in one state.
fn of_kind(site: &Site, what: &str, state: &str) -> Vec<Value> {
    let all = list(site, &["--state", state]);
    all.into_iter().filter(|one| one["what"] == what).collect()
}

fn nothing_waits(site: &Site) -> bool {
    list(site, &["--state", "waiting"]).is_empty()
}

fn status(site: &Site) -> Value {
    let output = site.run("status", &["--json"]);
    serde_json::from_slice(&output.stdout).expect("JSON")
}

#[test]
fn typed_reports_arrive_once_byte_for_byte_whatever_is_killed() {
    let keeper = Keeper::new();
    let site = Site::with(&keeper.destination("archive", &["sr", "entered"]));
    let daemon = site.serve();
    enter(&site);
    until("all of them waiting", || {
        of_kind(&site, "entered", "waiting").len() == TYPED
    });
    let wanted = typed(&site);
    assert_eq!(wanted.len(), TYPED);
    // Results of old values wait for nobody.
    assert_eq!(of_kind(&site, "result", "waiting").len(), 1);
    let to = status(&site)["deliveries"][0].clone();
    assert_eq!(to["waiting_entered"], TYPED, "{to}");
    assert!(ok(&site, &["list"]).contains(", typed reports"));
    // Nobody listens yet; the power goes, and once more while they go.
    daemon.kill();
    let daemon = site.serve();
    let listens = keeper.listen();
    until("some of them", || {
        counts(&keeper.came(), &wanted).iter().sum::<usize>() >= 2
    });
    daemon.kill();
    let daemon = site.serve();
    until("nothing waits", || nothing_waits(&site));
    let came = counts(&keeper.came(), &wanted);
    assert!(came.iter().all(|count| *count >= 1), "{came:?}");
    // What was under way when it was killed comes again, which is the same object.
    assert!(came.iter().sum::<usize>() <= TYPED + 1, "{came:?}");
    assert_eq!(of_kind(&site, "entered", "delivered").len(), TYPED);

    // Typed and brought in again, killed and started again, labelled: nothing goes twice.
    enter(&site);
    let exam = of_kind(&site, "result", "delivered")[0]["exam_id"].clone();
    site.ok("label", &[exam.as_str().expect("an id"), "well"]);
    daemon.kill();
    let daemon = site.serve();
    until("a result with its label", || {
        nothing_waits(&site) && of_kind(&site, "result", "delivered").len() > 1
    });
    assert_eq!(counts(&keeper.came(), &wanted), came);
    assert_eq!(daemon.stop(), Some(0));
    drop(listens);
}

/// A destination that is named later, and one that takes typed reports from a reload on, get all that
/// was typed before, and what is corrected; what was taken back does not go.
#[test]
fn a_destination_of_later_catches_up() {
    let (first, second) = (Keeper::new(), Keeper::new());
    let results = first.destination("first", &["sr"]);
    let site = Site::with(&results);
    let listens = [first.listen(), second.listen()];
    let daemon = site.serve();
    enter(&site);
    until("the result", || {
        of_kind(&site, "result", "delivered").len() == 1
    });
    let wanted = typed(&site);
    assert_eq!(counts(&first.came(), &wanted).iter().sum::<usize>(), 0);
    // The whole table was a mistake.
    let back = site.json("bring-in", &["--withdraw", "1", "--json"]);
    assert_eq!(number(&back[0], "reports"), 6);
    let versions = |version: u64| {
        let newest = site.results();
        newest
            .values()
            .filter(|one| one["version"] == version)
            .count()
    };
    until("the table taken back", || versions(2) >= 6);

    let both = first.destination("first", &["sr", "entered"])
        + &second.destination("second", &["entered"]);
    name(&site, &daemon, &both);
    for keeper in [&first, &second] {
        let came = || counts(&keeper.came(), &wanted).iter().sum::<usize>();
        until("what was typed before", || came() == 1);
    }
    // The table counts again, and the exam is corrected.
    bring(&site, &exams(), &[]);
    let uid = of_the_delivered(&site);
    let correct = ["--correct", uid.as_str()];
    site.ok("measure", &measure("5.4:transverse:3.0", &correct));
    let wanted = || typed(&site);
    assert_eq!(wanted().len(), TYPED + 1);
    for keeper in [&first, &second] {
        until("the rest", || {
            counts(&keeper.came(), &wanted())
                .iter()
                .all(|count| *count == 1)
        });
    }
    until("nothing waits", || nothing_waits(&site));
    // The second takes no results.
    assert_eq!(second.came().len(), TYPED + 1);
    assert!(
        of_kind(&site, "result", "delivered")
            .iter()
            .all(|one| one["destination"] == "first")
    );

    // All of it once more, where an archive lost it.
    let days = ["--from", "2020-01-01", "--to", "2099-12-31"];
    ok(
        &site,
        &[&["replay", "--destination", "second"], &days[..]].concat(),
    );
    until("all of it again", || {
        nothing_waits(&site)
            && counts(&second.came(), &wanted())
                .iter()
                .all(|count| *count == 2)
    });
    assert_eq!(daemon.stop(), Some(0));
    drop(listens);
}

/// The typed report that was delivered, of the newest version of its exam.
fn of_the_delivered(site: &Site) -> String {
    let all = of_kind(site, "entered", "delivered");
    let exam = all[0]["exam_id"].as_str().expect("an id").to_owned();
    let result = site.results().remove(&exam).expect("a result");
    let uid = result["reports"][0]["sop_instance_uid"].as_str();
    uid.expect("a UID").to_owned()
}

fn name(site: &Site, daemon: &Daemon, all: &str) {
    rewrite(site, |text| {
        let (before, _) = text.split_once("[[destination]]").unwrap_or((&text, ""));
        format!("{before}{all}")
    });
    reload(daemon, "reloaded");
}

/// An archive that can be asked for what it was sent.
fn asked(folder: &Path) -> (Listens, u16) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("bound").port();
    drop(listener);
    let data = folder.join("data");
    fs::create_dir(&data).expect("folder");
    let data = data.display();
    let text = format!(
        "MaxPDUSize = 16384\nMaxAssociations = 16\nHostTable BEGIN\nHostTable END\n\
         VendorTable BEGIN\nVendorTable END\nAETable BEGIN\n\
         ARCHIVE {data} RW (500, 1024mb) ANY\nAETable END\n"
    );
    let configuration = folder.join("archive.cfg");
    fs::write(&configuration, text).expect("written");
    let child = tool("dcmqrscp")
        .arg("-c")
        .arg(&configuration)
        .arg(port.to_string())
        .env("TCP_NODELAY", "1")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    (Listens(child.expect("dcmqrscp runs")), port)
}

/// What results say, without when they were made and whence their reports came.
fn said(site: &Site) -> BTreeMap<String, Value> {
    let mut all = site.results();
    for result in all.values_mut() {
        let result = result.as_object_mut().expect("an object");
        for key in [
            "version",
            "key",
            "seen_key",
            "supersedes",
            "why",
            "replaces",
            "created_at",
        ] {
            result.remove(key);
        }
        let exam = result["exam"].as_object_mut().expect("an object");
        exam.remove("history_only");
        let remarks = result["remarks"].as_array_mut().expect("remarks");
        remarks.retain(|one| one["code"] != "history-only");
    }
    all
}

#[test]
fn a_store_that_was_lost_is_made_again_from_the_archive() {
    let folder = TempDir::new().expect("temp");
    let (listens, port) = asked(folder.path());
    let before = Site::with(&destination("archive", port, &["entered"]));
    let daemon = before.serve();
    enter(&before);
    until("all of them there", || {
        of_kind(&before, "entered", "delivered").len() == TYPED
    });
    assert_eq!(daemon.stop(), Some(0));

    let after = Site::with(&format!(
        "[[archive]]\nname = \"old\"\nkind = \"dicom\"\nhost = \"127.0.0.1\"\nport = {port}\n\
         called = \"ARCHIVE\"\n"
    ));
    let output = program()
        .args(["backfill", "--config"])
        .arg(after.config())
        .args([
            "--archive",
            "old",
            "--from",
            "2023-01-01",
            "--to",
            "2099-12-31",
        ])
        .output()
        .expect("runs");
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{words}");
    let daemon = after.serve();
    until("all results", || after.results().len() == TYPED);
    assert_eq!(daemon.stop(), Some(0));
    assert_eq!(
        told(&after),
        told(&before),
        "every reading, with its remarks"
    );
    let (was, is) = (said(&before), said(&after));
    assert_eq!(is, was);
    let newest = was.values().last().expect("results");
    assert!(was.len() == TYPED, "{newest}");
    let copied = |one: &Value| {
        let remarks = one["reports"][0]["remarks"].as_array().expect("remarks");
        remarks.iter().any(|remark| remark["code"] == "transcribed")
    };
    assert_eq!(is.values().filter(|one| copied(one)).count(), TYPED - 1);
    let baselines = is
        .values()
        .map(|one| one["baseline"].as_array().map_or(0, Vec::len));
    assert!(baselines.max() > Some(3), "old values are the baseline");
    // Entered again it is all here.
    let again = bring(&after, &exams(), &[]);
    assert_eq!((number(&again, "already"), number(&again, "new")), (6, 0));
    assert_eq!(json!(said(&after)), json!(was));
    drop(listens);
}
