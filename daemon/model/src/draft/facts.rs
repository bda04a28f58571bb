//! What stands in the way of values, gathered over readings and told apart by sender.

use super::gist::Gist;
use crate::domain::{CodeRole, Device, Eye, ObjectReading, Source, Unexplained};
use crate::template::vocabulary::folded;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// Different meanings kept of one code at one sender.
const MEANINGS: usize = 16;

/// Codes kept of all senders; a store of hostile reports may hold any number.
const CODES: usize = 5_000;

/// Who sent reports: an AE title, an archive or an address, and the machine that measured.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Sender {
    /// The calling AE title, or what stands for it; empty for files.
    pub peer: String,
    /// The same with the way it came by, as the store has it.
    source: String,
    /// Maker and model; empty where the report does not say.
    pub device: String,
}

impl Sender {
    /// The sender of a reading.
    #[must_use]
    pub fn of(source: &Source, reading: &ObjectReading) -> Sender {
        let device = reading.exam.as_ref().map(|exam| &exam.device);
        Sender::named(source, device.map(made_by).unwrap_or_default())
    }

    /// The sender from there with this device.
    pub(super) fn named(source: &Source, device: String) -> Sender {
        let peer = match source {
            Source::File => "",
            Source::Folder => "folder",
            source => source.peer().unwrap_or_default(),
        };
        Sender {
            peer: peer.to_owned(),
            source: source.to_string(),
            device,
        }
    }

    /// As people are told of it.
    #[must_use]
    pub fn name(&self) -> String {
        match (self.peer.as_str(), self.device.as_str()) {
            ("", "") => "a sender without a name".to_owned(),
            (one, "") | ("", one) => one.to_owned(),
            (peer, device) => format!("{peer} ({device})"),
        }
    }

    /// Whether a person who writes `name` means it, whatever its case: the AE title, what the store has,
    /// or the device.
    #[must_use]
    pub fn is_called(&self, name: &str) -> bool {
        let name = folded(name);
        [&self.peer, &self.source, &self.device, &self.name()]
            .into_iter()
            .any(|own| !own.is_empty() && folded(own) == name)
    }
}

fn made_by(device: &Device) -> String {
    let parts = [&device.manufacturer, &device.model];
    let parts: Vec<&str> = parts.into_iter().flatten().map(String::as_str).collect();
    folded_blanks(&parts.join(" "))
}

fn folded_blanks(text: &str) -> String {
    text.split_whitespace().collect::<Vec<&str>>().join(" ")
}

/// What stands in the way: a code as one thing, or a label.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct What {
    /// As what.
    pub role: CodeRole,
    /// Code Value; the folded text of a label.
    pub code: String,
    /// Coding Scheme Designator; empty for a label.
    pub scheme: String,
}

/// What is known of it at one sender.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Fact {
    /// Reports that hold it.
    pub reports: usize,
    /// Places that it was met at.
    pub times: usize,
    /// Code Meanings as sent, or the text of a label.
    pub meanings: Vec<String>,
    /// Whether it has more meanings than are kept.
    pub has_more_meanings: bool,
    /// Eyes that codes say around it.
    pub sides: BTreeSet<Eye>,
    /// Its first places.
    pub examples: Vec<Seen>,
    seen_in: usize,
}

/// One place.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Seen {
    /// SOP Instance UID of the report.
    pub report: String,
    /// Ordinals of the item, as in `read`.
    pub place: String,
    /// Value and unit as sent, of a number that it names or stands at.
    pub value: Option<String>,
    /// Name of the item that it is the value of.
    pub given_as: Option<String>,
    /// The code of the item or container that it stands in.
    pub within: Option<String>,
}

/// All facts, by sender.
#[derive(Debug, Default)]
pub struct Facts {
    senders: BTreeMap<Sender, BTreeMap<What, Fact>>,
    count: usize,
    /// Codes left out because there were too many.
    pub left_out: usize,
}

impl Facts {
    /// Reports that examples of one code are taken from.
    pub const EXAMPLES: usize = 3;

    /// Adds the codes of one report.
    pub fn add(&mut self, source: &Source, reading: &ObjectReading) {
        if let Some(gist) = Gist::of(source, reading) {
            self.add_alike(&gist, 1);
            self.add_examples(&gist.sender(), reading);
        }
    }

    /// Adds the codes of so many reports that are alike, without places and values.
    pub fn add_alike(&mut self, gist: &Gist, reports: usize) {
        if gist.codes.is_empty() || reports == 0 {
            return;
        }
        let of_sender = self.senders.entry(gist.sender()).or_default();
        // A report is counted once for each code, however often it is listed.
        let mut met = BTreeSet::new();
        for one in &gist.codes {
            let what = What::of(one);
            if !of_sender.contains_key(&what) {
                if self.count >= CODES {
                    self.left_out += reports;
                    continue;
                }
                self.count += 1;
            }
            let fact = of_sender.entry(what.clone()).or_default();
            if met.insert(what) {
                fact.reports += reports;
            }
            fact.tell(one, reports);
        }
    }

    /// Whether places of these reports may still be shown: of each code only the first few are.
    #[must_use]
    pub fn wants_examples(&self, gist: &Gist) -> bool {
        let Some(of_sender) = self.senders.get(&gist.sender()) else {
            return false;
        };
        let mut facts = gist
            .codes
            .iter()
            .filter_map(|one| of_sender.get(&What::of(one)));
        facts.any(|fact| fact.seen_in < Facts::EXAMPLES)
    }

    /// Adds places and values of one report, whose codes were added; reports come in the order in which
    /// they arrived.
    pub fn add_examples(&mut self, sender: &Sender, reading: &ObjectReading) {
        let Some(of_sender) = self.senders.get_mut(sender) else {
            return;
        };
        for one in &reading.unexplained {
            if let Some(fact) = of_sender.get_mut(&What::of(one)) {
                fact.see(reading.uid(), one);
            }
        }
    }

    /// Keeps what senders of this name sent.
    pub fn keep(&mut self, name: &str) {
        self.senders.retain(|sender, _| sender.is_called(name));
    }

    /// Every sender with what stands in its way.
    #[must_use]
    pub fn senders(&self) -> &BTreeMap<Sender, BTreeMap<What, Fact>> {
        &self.senders
    }

    /// Whether nothing stands in the way.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.senders.values().all(BTreeMap::is_empty)
    }
}

impl What {
    fn of(one: &Unexplained) -> What {
        What {
            role: one.role,
            code: if one.role == CodeRole::Label {
                folded(&one.meaning)
            } else {
                one.code.clone()
            },
            scheme: one.scheme.clone(),
        }
    }
}

impl Fact {
    /// What so many reports say of it alike.
    fn tell(&mut self, one: &Unexplained, reports: usize) {
        self.times = self.times.saturating_add(one.times.saturating_mul(reports));
        self.sides.extend(&one.sides);
        for at in &one.examples {
            self.sides.extend(&at.sides);
        }
        let others = one.examples.iter().filter_map(|at| at.meaning.as_ref());
        // There may be more than a reading keeps.
        self.has_more_meanings |= one.called.len() >= Unexplained::CALLED;
        let all = std::iter::once(&one.meaning).chain(others);
        for meaning in all.chain(&one.called) {
            if meaning.trim().is_empty() || self.meanings.contains(meaning) {
                continue;
            }
            if self.meanings.len() < MEANINGS {
                self.meanings.push(meaning.clone());
            } else {
                self.has_more_meanings = true;
            }
        }
    }

    /// Its places in one report.
    fn see(&mut self, uid: &str, one: &Unexplained) {
        if self.seen_in < Facts::EXAMPLES {
            self.seen_in += 1;
            self.examples.extend(one.examples.iter().map(|at| Seen {
                report: uid.to_owned(),
                place: at.place.clone(),
                value: at.value.clone(),
                given_as: at.given_as.clone(),
                within: at.within.clone(),
            }));
        }
    }
}
