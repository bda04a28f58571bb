//! Versions of results as a reader sees them: one after the other, and each within itself.

use super::{Told, without_way};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// What is wrong with them, a line each: a version whose page, the lines on versions aside, is that of
/// the version before it (a version is made where a reader sees a difference, and only there); an exam
/// that one page both rests on and sets aside.
pub(super) fn wrong(told: &Told) -> Vec<String> {
    let mut exams: BTreeMap<String, BTreeMap<u64, Value>> = BTreeMap::new();
    for result in told.site.all_results() {
        let id = result["exam"]["id"].as_str().expect("an id").to_owned();
        let version = result["version"].as_u64().expect("a number");
        exams.entry(id).or_default().insert(version, result);
    }
    let mut wrong = Vec::new();
    for (id, versions) in exams {
        let mut last = String::new();
        for (version, result) in versions {
            let page = without_way(&told.page(&result));
            if page == last {
                let why = &result["why"];
                wrong.push(format!("version {version} of {id} says nothing new: {why}"));
            }
            last = page;
            let named = |list: &str| -> BTreeSet<String> {
                let all = result[list].as_array().into_iter().flatten();
                all.map(|one| one["exam"].to_string()).collect()
            };
            if !named("baseline").is_disjoint(&named("not_compared")) {
                wrong.push(format!(
                    "version {version} of {id} rests on what it sets aside"
                ));
            }
        }
    }
    wrong
}
