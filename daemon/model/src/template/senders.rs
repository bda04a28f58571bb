//! Dictionaries by sender: equal codes of two scanners may differ in meaning.

use super::dictionary::Dictionary;
use super::names;
use super::origins::{codes, texts};
use super::pile::{File, Pile};
use super::vocabulary::folded;
use super::{Measure, Templates};
use crate::sr::code::CodeKey;
use crate::sr::{ItemId, Tree};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};

/// Most sets of dictionaries that are kept ready; further ones are put together for each report.
const SETS: usize = 1024;

/// Whose report it is, as far as dictionaries by sender ask.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Sender<'a> {
    /// Calling AE title; `None` of what came without one: folder, HTTP, archive.
    pub ae_title: Option<&'a str>,
    /// Issuer of the patient's id, the one assumed where the report names none; may be empty.
    pub issuer: &'a str,
    /// Maker, model and serial number by the report's header; empty where it does not say.
    pub device: [&'a str; 3],
}

/// A device as a configuration asks for it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Device {
    /// Maker, model, serial number; an empty part asks for none.
    parts: [String; 3],
}

impl Device {
    /// Reads `MAKER|MODEL|SERIAL`. `None` unless it has three parts of which one says something.
    #[must_use]
    pub fn parse(text: &str) -> Option<Device> {
        let parts: Vec<String> = text.split('|').map(|one| one.trim().to_owned()).collect();
        let parts = <[String; 3]>::try_from(parts).ok()?;
        let says = parts.iter().any(|part| !part.is_empty());
        says.then_some(Device { parts })
    }

    fn holds(&self, device: [&str; 3]) -> bool {
        let mut parts = self.parts.iter().zip(device);
        parts.all(|(asked, is)| asked.is_empty() || asked == is.trim())
    }

    /// What both ask for; `None` if no device is both.
    fn both(&self, other: &Device) -> Option<Device> {
        let mut parts = self.parts.clone();
        for (part, other) in parts.iter_mut().zip(&other.parts) {
            if part.is_empty() {
                part.clone_from(other);
            } else if !other.is_empty() && part != other {
                return None;
            }
        }
        Some(Device { parts })
    }
}

/// Of whose reports something holds: all that is given must, and of each list any one entry.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Conditions {
    /// Calling AE titles; empty asks for none.
    pub ae_titles: Vec<String>,
    /// Devices by the report's own header; empty asks for none.
    pub devices: Vec<Device>,
    /// Issuers of patient ids; empty asks for none.
    pub issuers: Vec<String>,
}

impl Conditions {
    /// Whether they hold for the reports of a sender.
    #[must_use]
    pub fn hold(&self, sender: &Sender<'_>) -> bool {
        let is = |listed: &[String], one: &str| listed.iter().any(|listed| listed == one);
        (self.ae_titles.is_empty() || sender.ae_title.is_some_and(|one| is(&self.ae_titles, one)))
            && (self.issuers.is_empty() || is(&self.issuers, sender.issuer))
            && (self.devices.is_empty() || self.devices.iter().any(|one| one.holds(sender.device)))
    }

    /// What is asked where both hold; `None` if no sender fulfils both.
    fn both(&self, other: &Conditions) -> Option<Conditions> {
        let devices = match (self.devices.as_slice(), other.devices.as_slice()) {
            ([], one) | (one, []) => one.to_vec(),
            (some, others) => {
                let pairs = some
                    .iter()
                    .flat_map(|one| others.iter().map(move |it| (one, it)));
                let mut both: Vec<Device> = pairs.filter_map(|(one, it)| one.both(it)).collect();
                both.sort();
                both.dedup();
                both
            }
        };
        let none_left = !self.devices.is_empty() && devices.is_empty();
        let ae_titles = common(&self.ae_titles, &other.ae_titles)?;
        let issuers = common(&self.issuers, &other.issuers)?;
        (!none_left).then_some(Conditions {
            ae_titles,
            devices,
            issuers,
        })
    }
}

/// The entries of both lists, an empty one being all; `None` if none is.
fn common(one: &[String], other: &[String]) -> Option<Vec<String>> {
    if one.is_empty() {
        return Some(other.to_vec());
    }
    let both = one
        .iter()
        .filter(|it| other.is_empty() || other.contains(it));
    let both: Vec<String> = both.cloned().collect();
    (!both.is_empty()).then_some(both)
}

/// Dictionaries of some senders.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SenderFiles {
    /// Whose reports they are for.
    pub conditions: Conditions,
    /// File name and text of each.
    pub dictionaries: Vec<(String, String)>,
}

/// Whose reports which dictionaries are for.
#[derive(Debug, Clone, Default)]
pub(super) struct Senders {
    /// Conditions, and the dictionaries by their number among `files`.
    rows: Vec<(Conditions, Vec<usize>)>,
    files: Arc<[File]>,
    /// By numbers, ascending: all sets that may be in force for a report, each made when it first is.
    sets: BTreeMap<Vec<usize>, OnceLock<Box<Templates>>>,
}

impl Senders {
    pub(super) fn new(rows: Vec<(Conditions, Vec<usize>)>, files: Vec<File>) -> Senders {
        let mut together: Vec<(Conditions, Vec<usize>)> = Vec::new();
        for (conditions, files) in &rows {
            let mut more = vec![(conditions.clone(), files.clone())];
            for (other, others) in &together {
                if together.len() + more.len() > SETS {
                    break;
                }
                if let Some(both) = conditions.both(other) {
                    more.push((both, [files.as_slice(), others].concat()));
                }
            }
            together.append(&mut more);
        }
        let sets = together.into_iter();
        Senders {
            sets: sets
                .map(|(_, files)| (sorted(files), OnceLock::new()))
                .collect(),
            rows,
            files: files.into(),
        }
    }
}

fn sorted(mut numbers: Vec<usize>) -> Vec<usize> {
    numbers.sort_unstable();
    numbers.dedup();
    numbers
}

/// What two dictionaries by sender, in force for the same report, say differently.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Dispute {
    said: Said,
    one: String,
    other: String,
}

impl Dispute {
    fn told(&self) -> String {
        format!(
            "The dictionaries {} and {} are both in force for this report and say different things of {}.",
            self.one,
            self.other,
            self.said.told()
        )
    }
}

/// What a dictionary says something of.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Said {
    Code(CodeKey),
    /// As [`folded`] writes it.
    Word(String),
    /// As [`folded`] writes it.
    Label(String),
    /// Which of several labels is a number's.
    Stand,
    /// Of meanings and names: what is wrong, told.
    Else(String),
    /// As [`names::plain`] writes it, and whether it is the whole text.
    Name(String, bool),
}

impl Said {
    fn told(&self) -> String {
        match self {
            Said::Code(key) => format!("the code {} {}", key.value, key.scheme),
            Said::Word(text) | Said::Label(text) | Said::Name(text, _) => format!("\"{text}\""),
            Said::Stand => "where labels stand".to_owned(),
            Said::Else(what) => what.clone(),
        }
    }

    /// Whether a text is one that it says something of.
    fn is_of(&self, text: &str) -> bool {
        match self {
            Said::Word(word) | Said::Label(word) => folded(text) == *word,
            Said::Name(name, true) => names::plain(text) == *name,
            Said::Name(name, false) => names::holds(text, name),
            Said::Code(_) => false,
            Said::Stand | Said::Else(_) => true,
        }
    }
}

/// All that a dictionary says, in a form in which equal texts say the same.
fn all_said(dictionary: &Dictionary) -> BTreeMap<Said, String> {
    let terms = dictionary.terms.iter();
    let terms = terms.map(|(key, (says, _))| (Said::Code(key.clone()), format!("{says:?}")));
    let words = dictionary.words.iter();
    let words = words.map(|(word, (side, _))| (Said::Word(word.clone()), format!("{side:?}")));
    let names = dictionary.names.iter();
    let names = names.map(|name| {
        let (text, alone, means) = name.parts();
        (Said::Name(names::plain(text), alone), format!("{means:?}"))
    });
    let labels = dictionary.labels.iter();
    let labels = labels.map(|listed| {
        let text = folded(listed.text.get_ref());
        (Said::Label(text), format!("{:?}", listed.says))
    });
    // A label with a side says of its text what a word would.
    let sides = dictionary.labels.iter().filter_map(|listed| {
        let text = folded(listed.text.get_ref());
        Some((Said::Word(text), format!("{:?}", listed.says.side?)))
    });
    let stand = dictionary.stand.iter();
    let stand = stand.map(|(stand, _)| (Said::Stand, format!("{stand:?}")));
    let texts = sides.chain(words).chain(names).chain(labels);
    terms.chain(texts).chain(stand).collect()
}

/// What files say differently.
fn disputes(files: &[&File]) -> Vec<Dispute> {
    let mut disputes = Vec::new();
    let mut told: BTreeMap<Said, (String, &str)> = BTreeMap::new();
    for file in files {
        for (said, says) in all_said(&file.dictionary) {
            match told.get(&said) {
                Some((other, first)) if *other != says => disputes.push(Dispute {
                    said,
                    one: (*first).to_owned(),
                    other: file.label.clone(),
                }),
                _ => {
                    told.insert(said, (says, &file.label));
                }
            }
        }
    }
    disputes
}

/// Two rows that may hold for one report, and explain something differently.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Overlap {
    /// Which of the rows, from 0, in the order of [`Files::senders`](super::Files::senders).
    pub rows: [usize; 2],
    /// What they say differently, a sentence.
    pub what: String,
}

impl Templates {
    /// Rows of dictionaries by sender of which a report may fulfil both, and which disagree: it would go
    /// to quarantine. The first of each pair.
    #[must_use]
    pub fn overlaps(&self) -> Vec<Overlap> {
        let rows = &self.senders.rows;
        let mut overlaps = Vec::new();
        for (second, (conditions, numbers)) in rows.iter().enumerate() {
            for (first, (others, other_numbers)) in rows.iter().enumerate().take(second) {
                if conditions.both(others).is_none() {
                    continue;
                }
                let together = sorted([other_numbers.as_slice(), numbers].concat());
                let files = together.iter();
                let files = files.filter_map(|&at| self.senders.files.get(at));
                if let Some(dispute) = disputes(&files.collect::<Vec<_>>()).first() {
                    overlaps.push(Overlap {
                        rows: [first, second],
                        what: dispute.told(),
                    });
                }
            }
        }
        overlaps
    }

    /// What is in force for the reports of a sender. Dictionaries by sender go before those for
    /// everybody. Cheap: nothing is copied but for the first report of its kind.
    #[must_use]
    pub fn of(&self, sender: &Sender<'_>) -> Cow<'_, Templates> {
        let senders = &self.senders;
        let rows = senders.rows.iter();
        let holding = rows.filter(|(conditions, _)| conditions.hold(sender));
        let numbers = sorted(holding.flat_map(|(_, files)| files).copied().collect());
        if numbers.is_empty() {
            return Cow::Borrowed(self);
        }
        match senders.sets.get(&numbers) {
            Some(set) => Cow::Borrowed(set.get_or_init(|| Box::new(self.with(&numbers)))),
            None => Cow::Owned(self.with(&numbers)),
        }
    }

    /// With the dictionaries of these numbers over those for everybody.
    fn with(&self, numbers: &[usize]) -> Templates {
        let files = numbers.iter().filter_map(|&at| self.senders.files.get(at));
        let files: Vec<&File> = files.collect();
        let [_, of_all] = &self.site_measures;
        let mut pile = Pile::over(self.vocabulary.clone(), self.origins.clone());
        for file in &files {
            pile.lay(file);
        }
        let mut disputes = disputes(&files);
        let labels: Vec<&str> = files.iter().map(|file| file.label.as_str()).collect();
        disputes.extend(pile.against().into_iter().map(|what| Dispute {
            said: Said::Else(what),
            one: labels.first().copied().unwrap_or_default().to_owned(),
            other: labels.get(1..).unwrap_or_default().join(" and "),
        }));
        let (vocabulary, origins, measures): (_, _, Vec<Measure>) = pile.into_parts();
        Templates {
            vocabulary,
            site_measures: [measures, of_all.clone()],
            templates: Arc::clone(&self.templates),
            fingerprint: self.fingerprint.clone(),
            origins,
            senders: Senders::default(),
            disputes,
        }
    }

    /// Where in a document something stands of which dictionaries in force for it say different
    /// things, with what it is and which they are. Nobody can tell which of them is right.
    #[must_use]
    pub fn disputed(&self, tree: &Tree) -> Option<(ItemId, String)> {
        if self.disputes.is_empty() {
            return None;
        }
        tree.ids().find_map(|id| {
            let item = tree.item(id);
            let said = |dispute: &&Dispute| match &dispute.said {
                Said::Code(key) => codes(item).any(|code| code.key() == *key),
                Said::Stand | Said::Else(_) => true,
                said => texts(item).any(|text| said.is_of(text)),
            };
            Some((id, self.disputes.iter().find(said)?.told()))
        })
    }

    /// The same of texts alone, as those of a presentation state are.
    #[must_use]
    pub fn disputed_texts<'a>(
        &self,
        texts: impl Iterator<Item = &'a str> + Clone,
    ) -> Option<String> {
        let said = |dispute: &&Dispute| texts.clone().any(|text| dispute.said.is_of(text));
        Some(self.disputes.iter().find(said)?.told())
    }
}
