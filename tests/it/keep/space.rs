//! Bytes dropped after a time, and the room they leave.

use super::{plain, process, reports};
use crate::harness::{Site, fixture, until};
use std::fs;
use std::path::Path;

/// A site that keeps bytes for a month.
fn for_a_month() -> Site {
    let site = Site::new();
    let text = fs::read_to_string(site.config()).expect("read");
    let store = "path = \"store.sqlite\"\n";
    let text = text.replace(store, &format!("{store}keep_bodies_days = 30\n"));
    fs::write(site.config(), text).expect("written");
    site
}

/// Runs over one file; what the program says, and how many objects have no bytes then.
fn over(site: &Site, file: &Path) -> (String, u64) {
    let output = site.run("process", &[file.to_str().expect("UTF-8")]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{said}");
    let verified = &site.json("verify", &["--json"])[0];
    (said, verified["bytes_dropped"].as_u64().expect("a number"))
}

/// As if the share of a day had been used up the day before.
fn a_day_passes(site: &Site) {
    let passed =
        "update meta set value = '2001-01-01T00:00:00.000000Z 99' where name = 'bodies_dropped'";
    plain(site).change(passed).expect("passed");
}

/// All that came, made ten years older, is what a clock that is ten years ahead sees.
#[test]
fn a_clock_that_is_years_ahead_drops_little() {
    let site = for_a_month();
    let files = reports(&site, 4, 15);
    process(&site, &files[..59]);
    plain(&site)
        .change("update object set received_at = replace(received_at, '20', '10')")
        .expect("made old");
    for _ in 0..2 {
        let (said, dropped) = over(&site, &files[0]);
        assert_eq!(dropped, 0, "{said}");
        assert!(said.contains("old bodies are kept"), "{said}");
    }
    assert_eq!(
        site.json("status", &["--json"])[0]["bodies_kept_by_clock"],
        true
    );
    assert!(site.ok("status", &[]).contains("beyond the newest object"));
    let daemon = site.serve();
    let told = |line: &serde_json::Value| line["fields"]["code"] == "bodies-clock";
    until("the warning", || daemon.log().iter().any(told));
    assert_eq!(daemon.stop(), Some(0));
    // Something new comes, by the same clock: a day's share goes, whatever is started again.
    for _ in 0..3 {
        let (said, dropped) = over(&site, &files[59]);
        assert_eq!(dropped, 6, "{said}");
        assert!(!said.contains("old bodies are kept"), "{said}");
    }
    assert_eq!(
        site.json("status", &["--json"])[0]["bodies_kept_by_clock"],
        false
    );
    a_day_passes(&site);
    assert_eq!(over(&site, &files[59]).1, 12);
    // The clock is set right: what it said while it was ahead gives no further share.
    plain(&site)
        .change(
            "update meta set value = '2999-01-01T00:00:00.000000Z 0' where name = 'bodies_dropped'",
        )
        .expect("set");
    assert_eq!(over(&site, &files[59]).1, 12);
    assert_eq!(over(&site, &files[59]).1, 12);
}

#[test]
fn old_bytes_go_and_everything_made_of_them_stays() {
    let site = for_a_month();
    let mut files = reports(&site, 3, 4);
    files.push(fixture("sr/truncated/report.dcm"));
    // The broken one comes last wherever the checkout lies: one call takes its files by name.
    process(&site, &files[..12]);
    process(&site, &files[12..]);
    let (results, history) = (site.all_results(), site.ok("history", &["--json", "T-1"]));
    // Young bytes stay.
    process(&site, &files[..1]);
    assert!(
        site.ok("verify", &[])
            .contains("without bytes on purpose 0")
    );

    plain(&site)
        .change("update object set received_at = '2025-01-01T00:00:00.000000Z' where id < 13")
        .expect("made old");
    for day in 1..=6 {
        assert_eq!(over(&site, &files[12]).1, 2 * day, "a share a day");
        a_day_passes(&site);
    }
    assert_eq!(over(&site, &files[12]).1, 12);
    assert_eq!(site.all_results(), results);
    assert_eq!(site.ok("history", &["--json", "T-1"]), history);
    let verified = &site.json("verify", &["--json"])[0];
    // What is in quarantine is kept whole.
    assert_eq!(
        (&verified["objects"], &verified["bytes_dropped"]),
        (&13.into(), &12.into())
    );
    let quarantined = site.json("quarantine", &["--json"]);
    let number = quarantined[0]["object"].to_string();
    let saved = site.path("saved");
    site.ok(
        "quarantine",
        &[&number, "--save", saved.to_str().expect("UTF-8")],
    );
    assert_eq!(
        fs::read(saved).expect("read"),
        fs::read(&files[12]).expect("read")
    );
    let told = site.ok("explain", &["2.25.10005"]);
    assert!(told.contains("bytes dropped since"), "{told}");

    let given_back = site.ok("compact", &[]);
    assert!(!given_back.starts_with("0 "), "{given_back}");
    site.ok("verify", &[]);

    // New rules do not reach them, and say so. An object sent again has its bytes again.
    let dictionary = fixture("sr/local-codes/dictionary.toml");
    let rules = format!(
        "[templates]\ndictionaries = [{:?}]\n",
        dictionary.display().to_string()
    );
    let text = fs::read_to_string(site.config()).expect("read");
    fs::write(site.config(), format!("{text}{rules}")).expect("written");
    let output = site.run("process", &[files[5].to_str().expect("UTF-8")]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        said.contains("except 12 whose bytes are not kept"),
        "{said}"
    );
    assert_eq!(site.results().len(), 12);
    let mut again = site.ok("history", &["--json", "T-1"]);
    again.truncate(history.len());
    assert_eq!(again, history);
}
