use super::*;
use sheathline_net::dicom::refusal::Refusal;
use std::collections::BTreeSet;
use std::path::Path;
use tracing_subscriber::layer::SubscriberExt;

/// Every source file but tests, without white space.
fn sources(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("sources") {
        let path = entry.expect("entry").path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|is| is == "rs") && !path.ends_with("tests.rs") {
            let text = std::fs::read_to_string(&path).expect("UTF-8");
            found.push(text.split_whitespace().collect());
        }
    }
    found
}

fn all_sources() -> Vec<String> {
    let daemon = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let of = |package: &str| sources(&daemon.join(package).join("src"));
    ["model", "net", "store", "app"].map(of).concat()
}

#[test]
fn the_list_is_what_the_sources_say() {
    let mut found = BTreeSet::new();
    for text in all_sources() {
        // Those of the drop folder have a helper, refusals are told together.
        for begin in [
            "warn!(code=\"",
            "error!(code=\"",
            "note(seen,\"",
            "note(&mutseen,\"",
            "Reason::new(\"",
            "Reason::of_content(\"",
        ] {
            for rest in text.split(begin).skip(1) {
                found.extend(rest.split('"').next().map(str::to_owned));
            }
        }
    }
    let listed: BTreeSet<String> = CODES.iter().map(|row| row.code.to_owned()).collect();
    assert_eq!(listed, found);
}

/// A failure without a code would escape the count.
#[test]
fn every_warning_begins_with_its_code() {
    for text in all_sources() {
        for level in ["tracing::warn!(", "tracing::error!("] {
            for rest in text.split(level).skip(1) {
                let good = rest.starts_with("code=\"") || rest.starts_with("code,");
                assert!(good, "{}", rest.chars().take(60).collect::<String>());
            }
        }
    }
}

#[test]
fn each_is_counted_once_under_its_own_name() {
    let metrics = Arc::new(Metrics::default());
    let layer = CountFailures(Arc::clone(&metrics));
    let refusals = Refusal::ALL.iter().map(|one| one.code());
    let codes = CODES.iter().map(|row| row.code);
    let all: Vec<&'static str> = codes.chain(refusals).collect();
    tracing::subscriber::with_default(tracing_subscriber::registry().with(layer), || {
        for code in &all {
            tracing::warn!(code, "of a test");
        }
        tracing::info!(code = "pipeline-failed", "no failure");
        tracing::error!("without a code");
        let code = "invented-elsewhere";
        tracing::error!(code, "not on the list");
    });
    for code in all {
        assert_eq!(metrics.failures(code), 1, "{code}");
    }
    assert_eq!(metrics.failures(OTHER), 2);
}
