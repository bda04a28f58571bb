//! A file of templates or a dictionary tried on reports: each is read without and with it, and what is
//! gained, lost or changed is counted. Nothing of it is in force.

mod files;
pub(crate) mod unexplained;
mod words;

pub(crate) use files::{files, toml_files};
pub(crate) use words::Details;

use sheathline_model::domain::{Device, Mistake, ObjectReading, Source};
use sheathline_model::reading::trial::{Change, Compared, Tally};
use sheathline_model::reading::{Assumed, Rules, read_object};
use sheathline_model::template::{Conditions, Files, Proposals, SenderFiles, Templates};
use sheathline_store::objects::{self, ObjectId, Unread};
use sheathline_store::{Store, StoreError};
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;

/// Values told one by one that are lost or changed, and that are gained.
const GRAVE_TOLD: usize = 200;
const GAINED_TOLD: usize = 50;

/// Senders told apart; those beyond count together.
const SENDERS: usize = 50;

/// Objects of the store looked at in one go.
const PAGE: u32 = 100;

/// Whether a file is a dictionary: it has terms, words and rules; whatever else stands in a file, a
/// template has.
pub(crate) fn is_dictionary(text: &str) -> bool {
    const OF_DICTIONARIES: [&str; 6] = ["term", "word", "name", "label", "labels", "measure"];
    text.parse::<toml::Table>().is_ok_and(|table| {
        let mut keys = table.keys();
        !table.is_empty() && keys.all(|key| OF_DICTIONARIES.contains(&key.as_str()))
    })
}

/// The configured files with one more; a file of the same name is replaced.
pub(crate) struct More {
    files: Files,
    /// How many proposals count as confirmed.
    pub(crate) proposals: usize,
    /// The configured files that it replaces.
    pub(crate) replaced: Vec<String>,
}

impl More {
    /// Puts a file, by name and text, beside those that are configured.
    pub(crate) fn of(mut files: Files, named: (String, String), source: Option<&Source>) -> More {
        let proposals = proposals(&named.1);
        let mut replaced = Vec::new();
        put(&mut files, named, source, &mut replaced);
        files.proposals = Proposals::AsConfirmed;
        More {
            files,
            proposals,
            replaced,
        }
    }

    /// Templates and vocabulary of all of them.
    ///
    /// # Errors
    /// Every mistake.
    pub(crate) fn templates(&self) -> Result<Templates, Vec<Mistake>> {
        Templates::of_files(&self.files)
    }
}

/// Puts a file beside those that are configured: in the place of those of its name, else for the
/// reports of a sender, else for everybody.
fn put(
    files: &mut Files,
    named: (String, String),
    source: Option<&Source>,
    replaced: &mut Vec<String>,
) {
    let own = |name: &str| Path::new(name).file_name().map(ToOwned::to_owned);
    let mut replace = |these: &mut Vec<(String, String)>| {
        let mut is_there = false;
        for one in these.iter_mut().filter(|one| own(&one.0) == own(&named.0)) {
            if !replaced.contains(&one.0) {
                replaced.push(one.0.clone());
            }
            *one = named.clone();
            is_there = true;
        }
        is_there
    };
    if !is_dictionary(&named.1) {
        if !replace(&mut files.extra) {
            files.extra.push(named);
        }
        return;
    }
    let mut is_there = replace(&mut files.dictionaries);
    for row in &mut files.senders {
        is_there |= replace(&mut row.dictionaries);
    }
    let Some(title) = source.and_then(Source::ae_title) else {
        if !is_there {
            files.dictionaries.push(named);
        }
        return;
    };
    let conditions = Conditions {
        ae_titles: vec![title.to_owned()],
        ..Conditions::default()
    };
    let mut rows = files.senders.iter_mut();
    match rows.find(|row| row.conditions == conditions) {
        _ if is_there => {}
        // Beside what that sender has, so that a mistake tells where they disagree.
        Some(row) => row.dictionaries.push(named),
        None => files.senders.push(SenderFiles {
            conditions,
            dictionaries: vec![named],
        }),
    }
}

/// How many entries of a draft propose something.
fn proposals(text: &str) -> usize {
    let table: toml::Table = text.parse().unwrap_or_default();
    let lists = table.values().filter_map(toml::Value::as_array);
    let rows = lists.flatten().filter_map(|row| row.get("proposed"));
    let is_left_open = |row: &&toml::Value| row.as_table().is_some_and(toml::Table::is_empty);
    rows.filter(|row| !is_left_open(row)).count()
}

/// Without and with the file.
pub(crate) struct Both<'r> {
    pub(crate) before: &'r Rules,
    pub(crate) after: &'r Rules,
}

impl Both<'_> {
    pub(crate) fn read(
        &self,
        bytes: &[u8],
        syntax: Option<&str>,
        assumed: Assumed<'_>,
    ) -> [ObjectReading; 2] {
        [self.before, self.after].map(|rules| read_object(bytes, syntax, assumed, rules))
    }

    /// Reads stored reports both ways, from the first that was received on, until `take` has enough. Of
    /// what concerns nobody (other reports, pictures) nothing is taken. `unread` is told what cannot be read.
    ///
    /// # Errors
    /// The store cannot be read.
    pub(crate) fn stored(
        &self,
        store: &Store,
        only: Option<&Source>,
        mut take: impl FnMut(&Source, &[ObjectReading; 2]) -> ControlFlow<()>,
        mut unread: impl FnMut(ObjectId, StoreError),
    ) -> Result<(), StoreError> {
        let mut last: Option<ObjectId> = None;
        loop {
            let page = store.read(|view| objects::with_bytes(view, last, PAGE))?;
            let Some(end) = page.last() else {
                return Ok(());
            };
            last = Some(end.id);
            let ours = |object: &&Unread| only.is_none_or(|only| *only == object.source);
            for object in page.iter().filter(ours) {
                match store.read(|view| objects::body(view, object.id)) {
                    Ok(bytes) => {
                        let read = self.of_object(object, &bytes);
                        if concerns_us(&read) && take(&object.source, &read).is_break() {
                            return Ok(());
                        }
                    }
                    Err(why) => unread(object.id, why),
                }
            }
        }
    }

    fn of_object(&self, object: &Unread, bytes: &[u8]) -> [ObjectReading; 2] {
        let assumed = Assumed {
            default_issuer: &object.default_issuer,
            fallback_charset: self.before.charsets.of(&object.source),
            ae_title: object.source.ae_title(),
        };
        self.read(bytes, object.transfer_syntax.as_deref(), assumed)
    }
}

/// Whether somebody would expect of a file that it changes the reading of an object.
fn concerns_us([before, after]: &[ObjectReading; 2]) -> bool {
    let may_say_more = |one: &ObjectReading| {
        one.image.is_none() && !(one.measurements.is_empty() && one.unexplained.is_empty())
    };
    may_say_more(before) || may_say_more(after) || before.disposition != after.disposition
}

/// What came of a trial so far.
pub(crate) struct Outcome {
    /// By sender and device.
    pub(crate) tallies: BTreeMap<(String, String), Tally>,
    /// Values lost or changed.
    pub(crate) grave: Details,
    /// Values gained, or otherwise different.
    pub(crate) gained: Details,
}

impl Default for Outcome {
    fn default() -> Outcome {
        Outcome {
            tallies: BTreeMap::new(),
            grave: Details::new(GRAVE_TOLD),
            gained: Details::new(GAINED_TOLD),
        }
    }
}

impl Outcome {
    /// Takes in one report, read without and with the file; `name` is what it is told by.
    pub(crate) fn take(
        &mut self,
        name: &str,
        source: &Source,
        [before, after]: &[ObjectReading; 2],
        compared: &Compared,
    ) {
        for value in &compared.values {
            let is_grave = value.how.iter().any(|how| how.is_grave());
            let details = if is_grave {
                &mut self.grave
            } else {
                &mut self.gained
            };
            details.add(|| words::told(name, value));
        }
        let device = before.exam.as_ref().map(|exam| device(&exam.device));
        let mut key = (source.to_string(), device.unwrap_or_default());
        if self.tallies.len() >= SENDERS && !self.tallies.contains_key(&key) {
            key = ("others".to_owned(), String::new());
        }
        let tally = self.tallies.entry(key).or_default();
        tally.add(before, after, compared);
    }

    /// Reports taken in.
    pub(crate) fn reports(&self) -> usize {
        self.tallies.values().map(|tally| tally.reports).sum()
    }

    /// Why it is no success.
    pub(crate) fn complaints(&self) -> Vec<String> {
        let sum = |count: &dyn Fn(&Tally) -> usize| self.tallies.values().map(count).sum::<usize>();
        let of = |how| sum(&|tally: &Tally| tally.count(how));
        let counts = [
            (of(Change::Lost), "values are lost"),
            (of(Change::Side), "values are of another side"),
            (of(Change::Width), "values are of another width"),
            (of(Change::Quantity), "values are another quantity"),
            (
                sum(&|tally: &Tally| tally.after.without),
                "of the reports gave no usable value",
            ),
        ];
        let some = counts.into_iter().filter(|(count, _)| *count > 0);
        some.map(|(count, what)| format!("{count} {what}"))
            .collect()
    }
}

/// A device as `devices` of the configuration asks for it; empty where the report names none.
fn device(device: &Device) -> String {
    if *device == Device::default() {
        return String::new();
    }
    let parts = [&device.manufacturer, &device.model, &device.serial];
    parts
        .map(|part| part.as_deref().unwrap_or_default())
        .join("|")
}
