//! `unmapped`: codes that look like ours and that nobody explains, with what a person needs to
//! explain them. It drafts no meaning: a draft that is wrong for one code reads left eyes as right.

use super::args::UnmappedArgs;
use super::{Failure, context, print};
use serde::Serialize;
use sheathline_model::domain::{CodeRole, ObjectReading, Remark, RemarkCode, Unexplained};
use sheathline_store::{objects, readings};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

/// Reports that examples of one code are taken from.
const REPORTS: usize = 3;

/// Different meanings told of one code; two already need a person.
const MEANINGS: usize = 4;

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
    /// What it stands for.
    roles: Vec<CodeRole>,
    /// Code Meanings as sent, or the text of a label, for people: they are never used to read a value.
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

impl Unmapped {
    /// The code as remarks tell of it.
    fn told(&self) -> String {
        format!("{} {}", self.value, self.scheme)
    }
}

/// How often a code was met, and where.
#[derive(Default)]
struct Count {
    reports: usize,
    times: usize,
    roles: Vec<CodeRole>,
    meanings: Vec<String>,
    examples: Vec<Seen>,
    /// Reports that the examples are of.
    seen_in: usize,
}

/// `unmapped`, over the whole store, commonest first.
pub(super) fn unmapped(args: &UnmappedArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let store = context::guest(&config)?;
    let mut counts: BTreeMap<Name, Count> = BTreeMap::new();
    let (mut before, mut unread) = (0, 0);
    store.read(|view| {
        readings::each(view, |reading| {
            before += usize::from(is_from_before(reading));
            unread += usize::from(reading.leaves_values_unread());
            count(reading, &mut counts);
        })
    })?;
    let mut codes: Vec<Unmapped> = counts
        .into_iter()
        .map(|(name, count)| row(name, count))
        .collect();
    // Of codes met as often, by what they are called.
    codes.sort_by_cached_key(|row| (Reverse((row.reports, row.times)), row.told()));
    if !args.json && !codes.is_empty() {
        print::lines(HEAD);
    }
    for row in &codes {
        if args.json {
            print::json(row)?;
        } else {
            print::lines(draft(row));
        }
    }
    let missing = store.read(objects::count_missing)?;
    if missing > 0 {
        print::note(format_args!(
            "{missing} objects have no bytes any more: a new dictionary does not reach them"
        ));
    }
    if before > 0 {
        print::note(format_args!(
            "{before} reports hold codes that nobody explains and were read before these were listed: \
             read them again to see which (any change of dictionaries or templates has all read again)"
        ));
    }
    if codes.is_empty() && before == 0 && unread > 0 {
        print::note(format_args!(
            "{unread} reports have values that were left unread though each code is explained: `read` \
             tells of each why"
        ));
    }
    if codes.is_empty() && before == 0 && unread == 0 && !args.json {
        print::line("every code that looks like a sheath measurement is mapped");
    }
    Ok(())
}

/// Whether a reading was stored before there was a list of such codes, and has some.
fn is_from_before(reading: &ObjectReading) -> bool {
    let tells = |remark: &Remark| {
        matches!(
            remark.code,
            RemarkCode::ValueNotRecognised | RemarkCode::LocalCodeUnknown
        )
    };
    reading.unexplained.is_empty() && reading.remarks.iter().any(tells)
}

/// What makes two facts of several reports the same row.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord)]
struct Name {
    code: String,
    scheme: String,
    /// The text, where it is a label.
    label: Option<String>,
}

impl Name {
    fn of(one: &Unexplained) -> Name {
        Name {
            code: one.code.clone(),
            scheme: one.scheme.clone(),
            label: (one.role == CodeRole::Label).then(|| one.meaning.clone()),
        }
    }
}

/// Adds the codes of one report. One that stands for several things is one row.
fn count(reading: &ObjectReading, counts: &mut BTreeMap<Name, Count>) {
    let mut met = BTreeSet::new();
    for one in &reading.unexplained {
        let name = Name::of(one);
        let count = counts.entry(name.clone()).or_default();
        let is_first = met.insert(name);
        count.reports += usize::from(is_first);
        count.times += one.times;
        if !count.roles.contains(&one.role) {
            count.roles.push(one.role);
        }
        if let Some(uid) = &reading.sop_instance_uid
            && (count.seen_in < REPORTS || !is_first)
        {
            count.seen_in += usize::from(is_first);
            count.see(uid, one);
        }
    }
}

impl Count {
    /// Takes the examples out of one report.
    fn see(&mut self, uid: &str, one: &Unexplained) {
        let others = one.examples.iter().filter_map(|at| at.meaning.as_ref());
        let all = std::iter::once(&one.meaning).chain(others);
        for meaning in all.chain(&one.called) {
            let is_known = meaning.is_empty() || self.meanings.contains(meaning);
            if !is_known && self.meanings.len() < MEANINGS {
                self.meanings.push(meaning.clone());
            }
        }
        self.examples.extend(one.examples.iter().map(|at| Seen {
            report: uid.to_owned(),
            place: at.place.clone(),
            value: at.value.clone(),
            given_as: at.given_as.clone(),
        }));
    }
}

fn row(name: Name, count: Count) -> Unmapped {
    let is_nameless = name.code.is_empty() && name.scheme.is_empty() && name.label.is_none();
    Unmapped {
        value: if is_nameless {
            NO_NAME.to_owned()
        } else {
            name.label.unwrap_or(name.code)
        },
        scheme: name.scheme,
        reports: count.reports,
        times: count.times,
        roles: count.roles,
        meanings: count.meanings,
        examples: count.examples,
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
    if row.roles.contains(&CodeRole::Label) {
        return draft
            + &format!(
                "\n[[label]]\ntext = {}\n# says = {{ }}\n",
                quoted(&row.value)
            );
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
            roles: vec![CodeRole::Number],
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
        let drafted = draft(&row(Name::default(), Count::default()));
        assert!(!drafted.contains("[[term]]"), "{drafted}");
    }
}
