//! Every report below `fixtures/sr`, and every template, against each other.

use super::*;
use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

fn folder() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/sr"))
}

/// Id of the template that reads a case with its own dictionary, `none` when none does.
fn read_by(case: &str) -> String {
    let folder = folder().join(case);
    let dictionary = fs::read_to_string(folder.join("dictionary.toml"));
    let dictionaries: Vec<_> = dictionary
        .into_iter()
        .map(|text| ("dictionary.toml".to_owned(), text))
        .collect();
    let rules = Rules::new(Templates::load(&[], &dictionaries).unwrap());
    let bytes = fs::read(folder.join("report.dcm")).unwrap_or_else(|e| panic!("{case}: {e}"));
    let label = read_object(&bytes, None, "", &rules).template;
    let id = label.and_then(|label| Some(label.split_once('@')?.0.to_owned()));
    id.unwrap_or_else(|| "none".to_owned())
}

/// What each case's `about.toml` says of its template.
fn said() -> BTreeMap<String, String> {
    let mut said = BTreeMap::new();
    for entry in fs::read_dir(folder()).unwrap() {
        let path = entry.unwrap().path();
        let about = fs::read_to_string(path.join("about.toml")).unwrap();
        let about: toml::Table = about.parse().unwrap();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let template = about.get("template").and_then(toml::Value::as_str);
        let template = template.unwrap_or_else(|| panic!("{name}: no template"));
        said.insert(name, template.to_owned());
    }
    said
}

/// Every case is read by the template its `about.toml` names, `none` included.
#[test]
fn every_case_is_claimed_or_deliberately_not() {
    let said = said();
    assert!(said.len() > 40);
    let read: BTreeMap<String, String> = said
        .keys()
        .map(|case| (case.clone(), read_by(case)))
        .collect();
    assert_eq!(read, said);
}

/// A template without a report that proves it is no template.
#[test]
fn every_template_reads_its_fixtures() {
    let said = said();
    for template in Templates::builtin().unwrap().list() {
        assert!(!template.fixtures.is_empty(), "{}", template.id);
        for fixture in &template.fixtures {
            let case = fixture.strip_suffix("/report.dcm");
            let case = case.unwrap_or_else(|| panic!("{fixture}: not CASE/report.dcm"));
            assert_eq!(said.get(case), Some(&template.id), "{fixture}");
            assert_eq!(read_by(case), template.id, "{fixture}");
        }
    }
}
