//! `template try`: reports read without and with a file, side by side.

mod words;

use super::args::TryArgs;
use super::template::is_dictionary;
use super::{Code, Failure, context, offline, print};
use crate::config::Config;
use serde::Serialize;
use sheathline_model::domain::{Device, ObjectReading, Source};
use sheathline_model::reading::trial::{Change, Changed, Tally, compare};
use sheathline_model::reading::{Assumed, Rules, read_object};
use sheathline_model::template::{Conditions, Files, Proposals, SenderFiles, Templates};
use sheathline_store::objects::{self, ObjectId, Unread};
use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::path::Path;
use words::{Details, show, told};

/// Values told one by one that are lost or changed, and that are gained.
const GRAVE_TOLD: usize = 200;
const GAINED_TOLD: usize = 50;

/// Senders told apart; those beyond count together.
const SENDERS: usize = 50;

/// Objects of the store looked at in one go.
const PAGE: u32 = 100;

/// Tries a file. Exit 1 when a value is lost or becomes another, or a report gives none.
pub(super) fn try_on(args: &TryArgs) -> Result<(), Failure> {
    let config = match &args.config.config {
        Some(path) => context::config(path)?,
        None if args.paths.is_empty() => {
            return Err(Failure::usage(
                "name reports, or with --config a configuration whose store holds some",
            ));
        }
        None => Config::default(),
    };
    let source = args.sender.source();
    let both = two_rules(&args.file, &config, source.as_ref())?;
    let mut trial = Trial::new(&both, args.json);
    let mut not_read = Vec::new();
    if args.paths.is_empty() {
        of_store(&config, source.as_ref(), &mut trial)?;
    } else {
        offline::note_of_nobody(&config, source.as_ref());
        let source = source.unwrap_or(Source::File);
        let assumed = offline::assumed(&config, &both.before, &source);
        for path in context::files(&args.paths)? {
            match context::bytes_of(&path, config.folder.max_object_bytes) {
                Ok(bytes) => {
                    let read = both.read(&bytes, None, assumed);
                    let name = path.display().to_string();
                    trial.take(Some(&name), &source, &read)?;
                }
                Err(why) => not_read.push(format!("not read: {why}")),
            }
        }
    }
    trial.tell(&args.file)?;
    not_read.extend(trial.complaints());
    if not_read.is_empty() {
        Ok(())
    } else {
        Err(Failure::new(Code::CheckFailed, not_read.join("\n")))
    }
}

/// Without and with the file.
struct Both {
    before: Rules,
    after: Rules,
    /// How many proposals count as confirmed.
    proposals: usize,
    /// The configured files that it replaces.
    replaced: Vec<String>,
}

/// The rules of a configuration, and the same with a file more.
fn two_rules(file: &Path, config: &Config, source: Option<&Source>) -> Result<Both, Failure> {
    let before = context::rules(config)?;
    let text = context::text_of(file)?;
    let proposals = proposals(&text);
    let (mut files, _) = context::template_files(config, &[])?;
    let mut replaced = Vec::new();
    let named = (file.display().to_string(), text);
    put(&mut files, named, source, &mut replaced);
    files.proposals = Proposals::AsConfirmed;
    let templates = Templates::of_files(&files).map_err(|mistakes| context::all(&mistakes))?;
    Ok(Both {
        before,
        after: context::rules_with(config, templates)?,
        proposals,
        replaced,
    })
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

/// Tries every report of the store, or those of a source.
fn of_store(config: &Config, only: Option<&Source>, trial: &mut Trial<'_>) -> Result<(), Failure> {
    let store = context::guest(config)?;
    let mut last: Option<ObjectId> = None;
    loop {
        let page = store.read(|view| objects::with_bytes(view, last, PAGE))?;
        let Some(end) = page.last() else { break };
        last = Some(end.id);
        for object in page
            .iter()
            .filter(|object| only.is_none_or(|only| *only == object.source))
        {
            match store.read(|view| objects::body(view, object.id)) {
                Ok(bytes) => of_object(object, &bytes, trial)?,
                Err(why) => print::note(format_args!("object {} is not read: {why}", object.id)),
            }
        }
    }
    let missing = store.read(objects::count_missing)?;
    if missing > 0 {
        print::note(format_args!(
            "{missing} objects have no bytes any more: they are not in this"
        ));
    }
    Ok(())
}

fn of_object(object: &Unread, bytes: &[u8], trial: &mut Trial<'_>) -> Result<(), Failure> {
    let assumed = Assumed {
        default_issuer: &object.default_issuer,
        fallback_charset: trial.both.before.charsets.of(&object.source),
        ae_title: object.source.ae_title(),
    };
    let syntax = object.transfer_syntax.as_deref();
    let read = trial.both.read(bytes, syntax, assumed);
    // A store also holds what is none of our business, and pictures.
    if concerns_us(&read) {
        trial.take(None, &object.source, &read)?;
    }
    Ok(())
}

/// Whether somebody would expect of a file that it changes the reading of an object.
fn concerns_us([before, after]: &[ObjectReading; 2]) -> bool {
    let may_say_more = |one: &ObjectReading| {
        one.image.is_none() && !(one.measurements.is_empty() && one.unexplained.is_empty())
    };
    may_say_more(before) || may_say_more(after) || before.disposition != after.disposition
}

impl Both {
    fn read(&self, bytes: &[u8], syntax: Option<&str>, assumed: Assumed<'_>) -> [ObjectReading; 2] {
        [&self.before, &self.after].map(|rules| read_object(bytes, syntax, assumed, rules))
    }
}

/// One line of `template try --json`: the reading with the file, that without it, and what differs.
#[derive(Serialize)]
struct Line<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    path: Option<&'a str>,
    sender: &'a str,
    #[serde(flatten)]
    reading: &'a ObjectReading,
    before: &'a ObjectReading,
    changes: &'a [Changed],
    remarks_new: &'a BTreeMap<String, usize>,
    remarks_gone: &'a BTreeMap<String, usize>,
}

/// The last lines: one for the reports of each sender and device.
#[derive(Serialize)]
struct Sum<'a> {
    sender: &'a str,
    by_device: &'a str,
    tally: &'a Tally,
}

/// A trial under way.
struct Trial<'b> {
    both: &'b Both,
    json: bool,
    /// By sender and device.
    tallies: BTreeMap<(String, String), Tally>,
    grave: Details,
    gained: Details,
}

impl Trial<'_> {
    fn new(both: &Both, json: bool) -> Trial<'_> {
        Trial {
            both,
            json,
            tallies: BTreeMap::new(),
            grave: Details::new(GRAVE_TOLD),
            gained: Details::new(GAINED_TOLD),
        }
    }

    /// Takes in one report, read without and with the file.
    fn take(
        &mut self,
        path: Option<&str>,
        source: &Source,
        [before, after]: &[ObjectReading; 2],
    ) -> Result<(), Failure> {
        let compared = compare(before, after);
        let sender = source.to_string();
        if self.json {
            print::json(&Line {
                path,
                sender: &sender,
                reading: after,
                before,
                changes: &compared.values,
                remarks_new: &compared.remarks_new,
                remarks_gone: &compared.remarks_gone,
            })?;
        }
        let name = path.unwrap_or(after.uid());
        for value in &compared.values {
            let is_grave = value.how.iter().any(|how| how.is_grave());
            let details = if is_grave {
                &mut self.grave
            } else {
                &mut self.gained
            };
            details.add(|| told(name, value));
        }
        let device = before.exam.as_ref().map(|exam| device(&exam.device));
        let mut key = (sender, device.unwrap_or_default());
        if self.tallies.len() >= SENDERS && !self.tallies.contains_key(&key) {
            key = ("others".to_owned(), String::new());
        }
        let tally = self.tallies.entry(key).or_default();
        tally.add(before, after, &compared);
        Ok(())
    }

    /// Prints what came of it.
    fn tell(&self, file: &Path) -> Result<(), Failure> {
        let mut rows: Vec<_> = self.tallies.iter().collect();
        rows.sort_by_key(|(_, tally)| Reverse(tally.reports));
        if self.json {
            return rows.iter().try_for_each(|((sender, by_device), tally)| {
                print::json(&Sum {
                    sender,
                    by_device,
                    tally,
                })
            });
        }
        let reports: usize = rows.iter().map(|(_, tally)| tally.reports).sum();
        print::line(format_args!(
            "{}: tried on {reports} reports; nothing of it is in force",
            file.display()
        ));
        if self.both.proposals > 0 {
            print::line(format_args!(
                "{} proposals that nobody has confirmed count as if confirmed",
                self.both.proposals
            ));
        }
        for one in &self.both.replaced {
            print::line(format_args!("in place of {one}"));
        }
        for ((sender, device), tally) in rows {
            show(sender, device, tally);
        }
        self.grave.tell("lost or changed");
        self.gained.tell("gained, or otherwise different");
        Ok(())
    }

    /// Why it is no success.
    fn complaints(&self) -> Vec<String> {
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
