//! Every report below `fixtures/sr`, and every template, against each other.

use super::*;
use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

fn folder() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../fixtures/sr"))
}

/// A case, read with its own dictionary.
fn read(case: &str) -> ObjectReading {
    let folder = folder().join(case);
    let dictionary = fs::read_to_string(folder.join("dictionary.toml"));
    let dictionaries: Vec<_> = dictionary
        .into_iter()
        .map(|text| ("dictionary.toml".to_owned(), text))
        .collect();
    let rules = Rules::new(Templates::load(&[], &dictionaries).unwrap());
    let bytes = fs::read(folder.join("report.dcm")).unwrap_or_else(|e| panic!("{case}: {e}"));
    read_object(&bytes, None, "", &rules)
}

/// Id of the template that reads a case, `none` when none does.
fn read_by(case: &str) -> String {
    let label = read(case).template;
    let id = label.and_then(|label| Some(label.split_once('@')?.0.to_owned()));
    id.unwrap_or_else(|| "none".to_owned())
}

/// Each case's `about.toml`.
fn abouts() -> BTreeMap<String, toml::Table> {
    let mut abouts = BTreeMap::new();
    for entry in fs::read_dir(folder()).unwrap() {
        let path = entry.unwrap().path();
        let about = fs::read_to_string(path.join("about.toml")).unwrap();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        abouts.insert(name, about.parse().unwrap());
    }
    abouts
}

/// What each case's `about.toml` says of its template.
fn said() -> BTreeMap<String, String> {
    let template = |(name, about): (String, toml::Table)| {
        let template = about.get("template").and_then(toml::Value::as_str);
        let template = template.unwrap_or_else(|| panic!("{name}: no template"));
        (name, template.to_owned())
    };
    abouts().into_iter().map(template).collect()
}

/// Every value that `about.toml` names is read as it says, and no other.
#[test]
fn every_case_is_read_as_meant() {
    for (case, about) in abouts() {
        let reading = serde_json::to_value(read(&case)).unwrap();
        let list = |key: &str| {
            let entries = about.get(key).and_then(toml::Value::as_array);
            entries.cloned().unwrap_or_default()
        };
        let text = |value: &serde_json::Value| value.as_str().unwrap_or_default().to_owned();
        let dispositions = list("disposition");
        let disposition = toml::Value::String(text(&reading["disposition"]));
        assert!(dispositions.contains(&disposition), "{case}: {disposition}");
        let measurements = reading["measurements"].as_array().unwrap();
        let mut places: Vec<String> = measurements.iter().map(|m| text(&m["place"])).collect();
        for must in list("must_read") {
            let place = must["place"].as_str().unwrap();
            let read = measurements.iter().find(|m| m["place"] == place);
            let read = read.unwrap_or_else(|| panic!("{case}: {place} is not read"));
            places.retain(|other| other != place);
            for key in ["quantity", "eye", "derivation"] {
                assert_eq!(read[key].as_str(), must[key].as_str(), "{case}: {place}");
            }
            if let Some(modality) = must.get("modality") {
                assert_eq!(
                    read["modality"].as_str(),
                    modality.as_str(),
                    "{case}: {place}"
                );
            }
            if let Some(usable) = must.get("usable") {
                assert_eq!(
                    read["usable"].as_bool(),
                    usable.as_bool(),
                    "{case}: {place}"
                );
            }
            let mm = must
                .get("value_mm")
                .map(|mm| mm.as_str().unwrap().parse().unwrap());
            assert_eq!(read["value_mm"].as_f64(), mm, "{case}: {place}");
        }
        for may in list("may_read") {
            places.retain(|place| Some(place.as_str()) != may["place"].as_str());
        }
        assert_eq!(places, [""; 0], "{case}: read and not meant");
        if let Some(code) = about.get("remark") {
            let told = reading.to_string();
            let code = format!("\"code\":{code}");
            assert!(told.contains(&code), "{case}: no {code}");
        }
    }
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
