//! `unmapped`: codes that look like ours and that nobody explains, with what a person needs to
//! explain them. It drafts no meaning: a draft that is wrong for one code reads left eyes as right.

use super::args::UnmappedArgs;
use super::{Failure, open, print};
use serde::Serialize;
use sheathline_model::domain::ObjectReading;
use sheathline_model::extract::{Example, examples, unexplained};
use sheathline_model::sr::{self, Limits};
use sheathline_store::readings::StoredDisposition;
use sheathline_store::{Store, objects, readings};
use std::collections::{BTreeMap, BTreeSet};

/// Reports that examples of one code are taken from, and examples out of each.
const REPORTS: usize = 3;
const PLACES: usize = 2;

/// Different meanings told of one code; two already need a person.
const MEANINGS: usize = 4;

/// Reports that are opened in all, those of the commonest codes first.
const OPENED: usize = 200;

/// What stands for the code of a number that has no concept name.
const NO_NAME: &str = "(no concept name)";

/// One code that nobody explains.
#[derive(Serialize)]
struct Unmapped {
    value: String,
    scheme: String,
    /// Reports that hold it.
    reports: usize,
    /// Times it was met.
    times: usize,
    /// Code Meanings as sent, for people: they are never used to read a value.
    meanings: Vec<String>,
    /// Where it stands and with which values.
    examples: Vec<Seen>,
}

/// One place of a code.
#[derive(Serialize)]
struct Seen {
    /// SOP Instance UID of the report.
    report: String,
    /// Ordinals of the item, as in `read`.
    place: String,
    /// Value and unit as sent, of a number of this name.
    value: Option<String>,
    /// Name of the coded item that it is the value of.
    given_as: Option<String>,
}

/// How often a code was met, and where to look for examples.
#[derive(Default)]
struct Count {
    reports: usize,
    times: usize,
    /// SOP Instance UID and the place that its remark names.
    seen_in: Vec<(String, String)>,
}

/// `unmapped`, over the whole store, commonest first.
pub(super) fn unmapped(args: &UnmappedArgs) -> Result<(), Failure> {
    let config = open::config(&args.config.config)?;
    let store = open::guest(&config)?;
    let mut counts: BTreeMap<String, Count> = BTreeMap::new();
    store.read(|conn| readings::each(conn, |reading| count(reading, &mut counts)))?;
    let mut codes: Vec<(String, Count)> = counts.into_iter().collect();
    codes.sort_by_key(|(_, count)| std::cmp::Reverse((count.reports, count.times)));
    let found = look_up(&store, &codes);
    if !args.json && !codes.is_empty() {
        print::lines(HEAD);
    }
    for (code, count) in &codes {
        let row = row(code, count, &found);
        if args.json {
            print::json(&row)?;
        } else {
            print::lines(draft(&row));
        }
    }
    let missing = store.read(objects::count_missing)?;
    if missing > 0 {
        print::note(format_args!(
            "{missing} objects have no bytes any more: a new dictionary does not reach them"
        ));
    }
    if codes.is_empty() && !args.json {
        print::line("every code that looks like ours is explained");
    }
    Ok(())
}

/// Adds the codes of one report. A number is told of once as a length and once as a local code.
fn count(reading: &ObjectReading, counts: &mut BTreeMap<String, Count>) {
    let mut here: BTreeMap<String, (usize, &str)> = BTreeMap::new();
    for remark in &reading.remarks {
        if let Some((code, times)) = unexplained(remark) {
            let place = remark.place.as_deref().unwrap_or_default();
            let most = here.entry(code).or_insert((0, place));
            most.0 = most.0.max(times);
        }
    }
    for (code, (times, place)) in here {
        let count = counts.entry(code).or_default();
        count.reports += 1;
        count.times += times;
        if let Some(uid) = &reading.sop_instance_uid
            && count.seen_in.len() < REPORTS
        {
            count.seen_in.push((uid.clone(), place.to_owned()));
        }
    }
}

/// Examples out of the stored reports, by SOP Instance UID.
fn look_up(store: &Store, codes: &[(String, Count)]) -> BTreeMap<String, Vec<Example>> {
    let wanted: BTreeSet<String> = codes.iter().map(|(code, _)| code.clone()).collect();
    let mut found: BTreeMap<String, Vec<Example>> = BTreeMap::new();
    for (uid, _) in codes.iter().flat_map(|(_, count)| &count.seen_in) {
        if found.len() < OPENED && !found.contains_key(uid) {
            found.insert(uid.clone(), examples_in(store, uid, &wanted));
        }
    }
    found
}

/// Examples out of one report; none where its bytes are gone, which the caller tells of all.
fn examples_in(store: &Store, uid: &str, wanted: &BTreeSet<String>) -> Vec<Example> {
    let bytes = store.read(|conn| {
        let stored = readings::by_sop_instance(conn, uid)?;
        let used = stored
            .iter()
            .find(|one| one.disposition != StoredDisposition::Repeat && one.missing.is_none());
        let Some(used) = used else { return Ok(None) };
        let syntax = objects::transfer_syntax(conn, used.id)?;
        Ok(Some((objects::body(conn, used.id)?, syntax)))
    });
    let Ok(Some((bytes, syntax))) = bytes else {
        return Vec::new();
    };
    let document = sr::read(&bytes, syntax.as_deref(), &Limits::default());
    let tree = document.ok().and_then(|document| document.tree);
    tree.map_or_else(Vec::new, |tree| examples(&tree, wanted, PLACES))
}

fn row(code: &str, count: &Count, found: &BTreeMap<String, Vec<Example>>) -> Unmapped {
    let (value, scheme) = match code.rsplit_once(' ') {
        Some((value, scheme)) if code != NO_NAME => (value, scheme),
        _ => (code, ""),
    };
    let mut meanings = Vec::new();
    let mut seen = Vec::new();
    for (uid, place) in &count.seen_in {
        let of_report = found.get(uid).into_iter().flatten();
        let here: Vec<&Example> = of_report.filter(|one| one.code == code).collect();
        for one in &here {
            let known = one.meaning.is_empty() || meanings.contains(&one.meaning);
            if !known && meanings.len() < MEANINGS {
                meanings.push(one.meaning.clone());
            }
            seen.push(Seen {
                report: uid.clone(),
                place: one.place.clone(),
                value: one.value.clone(),
                given_as: one.given_as.clone(),
            });
        }
        if here.is_empty() {
            seen.push(Seen {
                report: uid.clone(),
                place: place.clone(),
                value: None,
                given_as: None,
            });
        }
    }
    Unmapped {
        value: value.to_owned(),
        scheme: scheme.to_owned(),
        reports: count.reports,
        times: count.times,
        meanings,
        examples: seen,
    }
}

const HEAD: &str = "\
# Codes that nobody explains. What a code means only somebody who knows the scanner can say: compare
# the values with its screen, right and left apart, then write it into `says` of each.
# The keys stand in the README of the templates; `template check` refuses a term that says nothing.
";

/// A `[[term]]` to paste into a site dictionary, what it means left open. What the sender wrote
/// stands in comments, escaped so that it ends no line.
fn draft(row: &Unmapped) -> String {
    let quoted = |text: &str| toml::Value::from(one_line(text)).to_string();
    let mut draft = format!("# {} times in {} reports", row.times, row.reports);
    if !row.meanings.is_empty() {
        let meanings: Vec<String> = row.meanings.iter().map(|one| format!("{one:?}")).collect();
        draft += &format!(", called {}", meanings.join(" and "));
    }
    for seen in &row.examples {
        let what = match (&seen.value, &seen.given_as) {
            (Some(value), _) => format!("{value:?} "),
            (None, Some(name)) => format!("as {name:?} "),
            (None, None) => String::new(),
        };
        draft += &format!("\n#   {what}at {} of {}", seen.place, seen.report);
    }
    if row.scheme.is_empty() {
        return draft + "\n# These numbers have no name, so no term can explain them.\n";
    }
    draft += &format!(
        "\n[[term]]\ncode = {}\nscheme = {}\n",
        quoted(&row.value),
        quoted(&row.scheme)
    );
    if let [meaning] = row.meanings.as_slice() {
        draft += &format!("meaning = {}\n", quoted(meaning));
    }
    draft + "# says = { }\n"
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<&str>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A meaning with a line end in it must not become a line of the dictionary.
    #[test]
    fn what_a_sender_wrote_ends_no_line() {
        let hostile = "x\"\nsays = { eye = \"right\" }\n";
        let row = Unmapped {
            value: hostile.to_owned(),
            scheme: "99TARNHOLT".to_owned(),
            reports: 1,
            times: 1,
            meanings: vec![hostile.to_owned()],
            examples: vec![Seen {
                report: "2.25.1".to_owned(),
                place: "1.2".to_owned(),
                value: Some(hostile.to_owned()),
                given_as: None,
            }],
        };
        let drafted = draft(&row);
        assert!(!drafted.lines().any(|line| line.starts_with("says")));
        let read: toml::Table = drafted.parse().expect("TOML");
        let term = &read["term"][0];
        assert_eq!(term.get("says"), None);
        assert_eq!(term["code"].as_str(), Some(one_line(hostile).as_str()));
    }

    #[test]
    fn a_number_without_a_name_has_no_draft() {
        let drafted = draft(&row(NO_NAME, &Count::default(), &BTreeMap::new()));
        assert!(!drafted.contains("[[term]]"), "{drafted}");
    }
}
