//! Bytes dropped after a time, and the room they leave.

use super::{plain, process, reports};
use crate::harness::{Site, fixture};
use std::fs;

#[test]
fn old_bytes_go_and_everything_made_of_them_stays() {
    let site = Site::new();
    let text = fs::read_to_string(site.config()).expect("read");
    let store = "path = \"store.sqlite\"\n";
    let text = text.replace(store, &format!("{store}keep_bodies_days = 30\n"));
    fs::write(site.config(), text).expect("written");
    let mut files = reports(&site, 3, 4);
    files.push(fixture("sr/truncated/report.dcm"));
    process(&site, &files);
    let (results, history) = (site.all_results(), site.ok("history", &["--json", "T-1"]));
    // Young bytes stay.
    process(&site, &files[..1]);
    assert!(
        site.ok("verify", &[])
            .contains("without bytes on purpose 0")
    );

    plain(&site)
        .execute(
            "update object set received_at = '2020-01-01T00:00:00.000000Z'",
            [],
        )
        .expect("made old");
    process(&site, &files[1..2]);
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
