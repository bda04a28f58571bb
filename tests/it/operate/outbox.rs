//! One store in an outbox, however another one comes to it; and what stands in the way there.

use crate::harness::{Site, by, until};
use crate::objects::Report;
use std::fs;
use std::os::unix::fs::symlink;

/// A second configuration: a store of its own, the outbox of the site by another name.
fn second(site: &Site, outbox: &str) -> std::path::PathBuf {
    fs::create_dir_all(site.path("second/drop")).expect("made");
    let file = site.path("second/second.toml");
    let text = format!(
        "[receive.dicom]\nlisten = \"127.0.0.1:0\"\n[receive.folder]\npath = \"drop\"\n\
         [store]\npath = \"second.sqlite\"\n[outbox]\nfolder = \"{outbox}\"\n"
    );
    fs::write(&file, text).expect("written");
    file
}

/// A store that knows nothing would put "no baseline" over a flagged result.
#[test]
fn a_second_store_is_kept_out_of_the_outbox() {
    let site = Site::new();
    let daemon = site.serve();
    let report = Report::numbered(1);
    report.write(&site.path("drop"));
    until("the result", || site.results().len() == 1);
    let before = site.all_results();
    symlink(site.path("outbox"), site.path("second-name")).expect("linked");
    // What the first one is writing is not swept away by the second.
    fs::create_dir(site.path("outbox/.partial-1-x")).expect("made");

    let file = report.write(&site.path("."));
    for name in ["../outbox", "../second-name"] {
        let config = second(&site, name);
        for (command, args) in [("serve", vec![]), ("process", vec![file.as_path()])] {
            let (code, said) = by(&config, command, &args);
            assert_eq!(code, Some(1), "{command} {name}: {said}");
            let pid = format!("process {}", daemon.pid());
            for part in [pid.as_str(), "store.sqlite", "[outbox]"] {
                assert!(said.contains(part), "{command} {name}: {part}: {said}");
            }
        }
    }
    assert!(site.path("outbox/.partial-1-x").exists());
    assert_eq!(site.all_results(), before);
    // Commands of the first store go on beside its daemon.
    let exam = site.results().into_keys().next().expect("an exam");
    site.ok("label", &[&exam, "well"]);
    site.ok("verify", &["--outbox-complete"]);

    // No lock outlives its process, and the outbox stays that of its store.
    daemon.kill();
    let config = second(&site, "../outbox");
    let (code, said) = by(&config, "serve", &[""; 0]);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("belongs to another store"), "{said}");
    let daemon = site.serve();
    assert_eq!(daemon.stop(), Some(0));
    let status = site.json("status", &["--json"]);
    let newest = site.all_results().len();
    assert_eq!(status[0]["disk"]["outbox_results"], newest);
}

/// What has the names of more results than are written at a time.
#[test]
fn what_stands_in_the_way_of_results_holds_up_nobody() {
    let site = Site::new();
    fs::create_dir(site.path("reports")).expect("made");
    let of = |n: usize| Report::numbered(n).write(&site.path("reports"));
    let files: Vec<_> = (0..70).map(of).collect();
    let names: Vec<&str> = files
        .iter()
        .map(|path| path.to_str().expect("UTF-8"))
        .collect();
    site.ok("process", &names);
    let exams: Vec<String> = site.results().into_keys().collect();
    fs::rename(site.path("outbox"), site.path("before")).expect("moved");
    fs::remove_file(site.path("store.sqlite")).expect("removed");
    fs::remove_file(site.path("store.sqlite.lock")).expect("removed");

    let elsewhere = site.path("elsewhere");
    fs::create_dir(&elsewhere).expect("made");
    fs::create_dir(site.path("outbox")).expect("made");
    for (n, exam) in exams.iter().take(68).enumerate() {
        let name = site.path("outbox").join(format!("{exam}-v1"));
        match n % 2 {
            0 => fs::write(name, b"in the way").expect("written"),
            _ => symlink(&elsewhere, name).expect("linked"),
        }
    }
    site.ok("process", &names);
    for (n, exam) in exams.iter().enumerate() {
        let version = if n < 68 { 2 } else { 1 };
        let file = format!("outbox/{exam}-v{version}/result.json");
        let text = fs::read_to_string(site.path(&file)).expect("a result");
        let result: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        let told = result["why"].to_string().contains("is a link or a file");
        assert_eq!(
            (told, &result["supersedes"]),
            (n < 68, &serde_json::Value::Null)
        );
    }
    assert_eq!(fs::read_dir(&elsewhere).expect("there").count(), 0);
    site.ok("verify", &["--outbox-complete"]);
}
