//! Every scanner below `fixtures/scanners`: what its reports leave unexplained is what a person has to
//! know, no less and no more; and once that is in a dictionary all of its values are read.

use super::*;
use crate::domain::{CodeRole, Unexplained};
use serde_json::Value as Json;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

/// One scanner: its folder, and what `about.json` says, which was written from intent.
fn scanners() -> Vec<(PathBuf, Json)> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../fixtures/scanners");
    let mut all: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_dir())
        .collect();
    all.sort();
    let about = |path: PathBuf| {
        let about = fs::read_to_string(path.join("about.json")).unwrap();
        (path, serde_json::from_str(&about).unwrap())
    };
    all.into_iter().map(about).collect()
}

fn read(report: &Path, dictionary: &str) -> ObjectReading {
    let files = [("scanner.toml".to_owned(), dictionary.to_owned())];
    let templates = Templates::load(&[], &files);
    let templates = templates.unwrap_or_else(|wrong| panic!("{wrong:?}\n{dictionary}"));
    read_object(&fs::read(report).unwrap(), None, "", &Rules::new(templates))
}

fn reports(about: &Json) -> impl Iterator<Item = (&String, &Vec<Json>)> {
    let values = about["values"].as_object().unwrap().iter();
    values.map(|(name, values)| (name, values.as_array().unwrap()))
}

/// What nobody explains in any report of a scanner.
fn facts(folder: &Path, about: &Json) -> Vec<Unexplained> {
    let each = reports(about).map(|(name, _)| read(&folder.join(name), "").unexplained);
    each.flatten().collect()
}

/// As `knows` writes a fact: a label in quotes, a code with its scheme.
fn key(one: &Unexplained) -> String {
    match one.role {
        CodeRole::Label => format!("{:?}", one.meaning),
        _ => format!("{} {}", one.code, one.scheme),
    }
}

#[test]
fn what_is_unexplained_is_what_a_person_has_to_know() {
    let all = scanners();
    assert!(all.len() >= 16, "{}", all.len());
    for (folder, about) in all {
        let facts = facts(&folder, &about);
        let told: BTreeSet<String> = facts.iter().map(key).collect();
        let mut called = BTreeSet::new();
        for one in &facts {
            let all = std::iter::once(&one.meaning).chain(&one.called);
            called.extend(all.map(|text| format!("{text:?}")));
        }
        let knows: BTreeSet<String> = about["knows"]
            .as_object()
            .unwrap()
            .keys()
            .cloned()
            .collect();
        // A side told by a meaning alone is a [[word]]: its text is among the meanings of its code.
        let missing: Vec<&String> = knows
            .iter()
            .filter(|key| !told.contains(*key) && !called.contains(*key))
            .collect();
        assert_eq!(missing, Vec::<&String>::new(), "{}", folder.display());
        let more: Vec<&String> = told.difference(&knows).collect();
        assert_eq!(more, Vec::<&String>::new(), "{}", folder.display());
    }
}

/// `says` of one fact in the words of `knows`.
fn says(word: &str, role: Option<CodeRole>) -> String {
    let mut says = Vec::new();
    for word in word.split(' ') {
        says.push(match word {
            "n" => "quantity = \"not_ours\"".to_owned(),
            "sheath" if matches!(role, Some(CodeRole::Number | CodeRole::Label)) => {
                "quantity = \"sheath_diameter\"".to_owned()
            }
            "sheath" => "structure = \"sheath\"".to_owned(),
            "right" | "left" => format!("eye = {word:?}"),
            "diameter" | "distance" => format!("concept = {word:?}"),
            "optic_nerve" => format!("site = {word:?}"),
            "transverse" => format!("plane = {word:?}"),
            "mm" | "cm" => format!("unit = {word:?}"),
            role => format!("role = {role:?}"),
        });
    }
    says.join(", ")
}

#[test]
fn what_is_explained_is_read() {
    for (folder, about) in scanners() {
        let facts = facts(&folder, &about);
        let roles: BTreeMap<String, CodeRole> =
            facts.iter().map(|one| (key(one), one.role)).collect();
        let mut dictionary = String::new();
        for (known, word) in about["knows"].as_object().unwrap() {
            let (word, role) = (word.as_str().unwrap(), roles.get(known).copied());
            let says = says(word, role);
            let text = known.starts_with('"');
            let row = match (text, role) {
                (true, None) => format!("[[word]]\ntext = {known}\n{says}\n"),
                (true, Some(_)) => format!("[[label]]\ntext = {known}\nsays = {{ {says} }}\n"),
                (false, _) => {
                    let (code, scheme) = known.rsplit_once(' ').unwrap();
                    format!("[[term]]\ncode = {code:?}\nscheme = {scheme:?}\nsays = {{ {says} }}\n")
                }
            };
            writeln!(dictionary, "{row}").unwrap();
        }
        if dictionary.contains("structure = ") {
            // What a part in codes makes of a width, as `template draft` writes it.
            dictionary += "[[measure]]\nquantity = \"sheath_diameter\"\n\
                concept = [\"diameter\"]\nstructure = [\"sheath\"]\n";
        }
        for (name, values) in reports(&about) {
            let reading = read(&folder.join(name), &dictionary);
            let what = format!("{}/{name}", folder.display());
            let read: BTreeSet<[String; 3]> = reading
                .measurements
                .iter()
                .filter(|one| one.usable && is_sheath(one))
                .map(|one| {
                    let eye = one.eye.eye().map_or("", |eye| eye.word());
                    let mm = one.value_mm.map(|value| value.to_string());
                    [one.place.clone(), eye.to_owned(), mm.unwrap_or_default()]
                })
                .collect();
            let meant: BTreeSet<[String; 3]> = values
                .iter()
                .map(|value| {
                    let of = |key: &str| value[key].as_str().unwrap().to_owned();
                    let mm: f64 = of("mm").parse().unwrap();
                    let mm = Millimetres::from_mm(mm).unwrap();
                    [of("place"), of("eye"), mm.to_string()]
                })
                .collect();
            // A meaning that names the other side than the code is held against it: never the wrong eye.
            if about["hostile"] == true {
                assert!(read.is_subset(&meant), "{what}: {read:?}");
                continue;
            }
            assert_eq!(read, meant, "{what}: {:?}", reading.remarks);
            assert_eq!(reading.unexplained, [], "{what}");
        }
    }
}
