//! A draft: one row for each code, label and word, merged over roles and senders.

use super::claims::Claims;
use super::facts::{Facts, Seen, Sender};
use super::lexicon::{lexicon, tokens};
use super::propose::{Proposal, propose};
use crate::domain::CodeRole;
use crate::template::names::Names;
use crate::template::vocabulary::{LONGEST_WORD, folded};
use crate::template::words::Side;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

/// Examples shown of one row.
const EXAMPLES: usize = 6;

/// What a row would become in a dictionary.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A `[[term]]`.
    Term {
        /// Code Value.
        code: String,
        /// Coding Scheme Designator.
        scheme: String,
    },
    /// A `[[label]]`.
    Label {
        /// Its text.
        text: String,
    },
    /// A `[[word]]`.
    Word {
        /// Its text.
        text: String,
    },
    /// Numbers without a concept name, or a code without a scheme: no dictionary can explain them.
    Nameless,
}

/// One row of a draft.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// What it would become.
    pub kind: Kind,
    /// What it stands for in reports.
    pub seen_as: BTreeSet<CodeRole>,
    /// Reports that hold it.
    pub reports: usize,
    /// Places that it was met at.
    pub times: usize,
    /// Senders by name, with their reports.
    pub senders: BTreeMap<String, usize>,
    /// Code Meanings as sent, or the texts of a label.
    pub meanings: Vec<String>,
    /// Its first places.
    pub examples: Vec<Seen>,
    /// What it is proposed to say, side apart.
    pub claims: Claims,
    /// The side it is proposed to say.
    pub side: Option<Side>,
    /// Why nothing or no side is proposed, and what else a person should know.
    pub notes: Vec<String>,
}

impl Row {
    /// Whether nothing is proposed.
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.claims.is_empty() && self.side.is_none()
    }

    /// All that is proposed, as keys and words of `says`.
    #[must_use]
    pub fn proposed(&self) -> Claims {
        let mut all = self.claims.clone();
        all.extend(self.side.map(|side| ("eye", word_of(side))));
        all
    }
}

/// The word of a side in a dictionary.
pub(super) fn word_of(side: Side) -> &'static str {
    match side {
        Side::Right => "right",
        Side::Left => "left",
        Side::Bilateral => "bilateral",
        Side::Unilateral => "unilateral",
    }
}

/// A draft of a dictionary.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Draft {
    /// Rows in the order in which a person is asked.
    pub rows: Vec<Row>,
    /// Senders that it is made from.
    pub senders: Vec<Sender>,
    /// Codes that were left out because there were too many.
    pub left_out: usize,
}

/// Makes a draft. `names` are those of the vocabulary in force.
#[must_use]
pub fn draft(facts: &Facts, names: &Names) -> Draft {
    let mut rows: BTreeMap<Kind, Merged> = BTreeMap::new();
    for (sender, of_sender) in facts.senders() {
        let mut own: BTreeMap<Kind, Vec<(CodeRole, Proposal)>> = BTreeMap::new();
        for (what, proposal) in propose(of_sender, lexicon(), names) {
            let Some(fact) = of_sender.get(&what) else {
                continue;
            };
            let kind = match what.role {
                CodeRole::Label => Kind::Label {
                    text: what.code.clone(),
                },
                _ if what.code.is_empty() || what.scheme.is_empty() => Kind::Nameless,
                _ => Kind::Term {
                    code: what.code.clone(),
                    scheme: what.scheme.clone(),
                },
            };
            let merged = rows.entry(kind.clone()).or_default();
            merged.seen_as.insert(what.role);
            merged.times += fact.times;
            let reports = merged.senders.entry(sender.name()).or_default();
            *reports = fact.reports.max(*reports);
            for meaning in &fact.meanings {
                if !merged.meanings.contains(meaning) {
                    merged.meanings.push(meaning.clone());
                }
            }
            let room = EXAMPLES.saturating_sub(merged.examples.len());
            merged
                .examples
                .extend(fact.examples.iter().take(room).cloned());
            own.entry(kind).or_default().push((what.role, proposal));
        }
        for (kind, proposals) in own {
            let texts = texts_of(of_sender, &kind);
            if let Some(merged) = rows.get_mut(&kind) {
                merged.by_sender.push((over_roles(proposals), texts));
            }
        }
    }
    let mut draft = Draft {
        rows: Vec::new(),
        senders: facts.senders().keys().cloned().collect(),
        left_out: facts.left_out,
    };
    let mut words: BTreeMap<String, Vec<Row>> = BTreeMap::new();
    for (kind, merged) in rows {
        let (row, own_words) = merged.row(kind);
        draft.rows.extend(row);
        for word in own_words {
            if let Kind::Word { text } = &word.kind {
                words.entry(folded(text)).or_default().push(word);
            }
        }
    }
    // Of one text that would say two sides none is proposed.
    draft
        .rows
        .extend(words.into_values().filter_map(|mut rows| {
            let first = rows.pop()?;
            rows.iter()
                .all(|other| other.side == first.side)
                .then_some(first)
        }));
    tell_of_neighbours(&mut draft.rows);
    draft.rows.sort_by_key(|row| {
        let role = row.seen_as.first().copied();
        let kind = matches!(row.kind, Kind::Word { .. });
        (kind, role, Reverse(row.times), row.kind.clone())
    });
    draft
}

const NEIGHBOURS: &str = "another label stands in the same container: if each number there has its own, \
                          write [labels] with stand = \"before\" or \"after\" into the dictionary";

/// Labels side by side in one container: no number is given one by order unless somebody says so.
fn tell_of_neighbours(rows: &mut [Row]) {
    let container = |seen: &Seen| {
        let (around, _) = seen.place.rsplit_once('.')?;
        Some((seen.report.clone(), around.to_owned()))
    };
    let mut labels: BTreeMap<(String, String), BTreeSet<usize>> = BTreeMap::new();
    for (at, row) in rows.iter().enumerate() {
        if row.seen_as.contains(&CodeRole::Label) {
            for place in row.examples.iter().filter_map(container) {
                labels.entry(place).or_default().insert(at);
            }
        }
    }
    let shared = labels.into_values().filter(|rows| rows.len() > 1);
    let told: BTreeSet<usize> = shared.flatten().collect();
    for at in told {
        if let Some(row) = rows.get_mut(at) {
            row.notes.push(NEIGHBOURS.to_owned());
        }
    }
}

fn texts_of(
    facts: &BTreeMap<super::facts::What, super::facts::Fact>,
    kind: &Kind,
) -> BTreeSet<Vec<String>> {
    let Kind::Term { code, scheme } = kind else {
        return BTreeSet::new();
    };
    let own = facts
        .iter()
        .filter(|(what, _)| what.code == *code && what.scheme == *scheme);
    own.flat_map(|(_, fact)| &fact.meanings)
        .map(|text| {
            let mut words = tokens(text);
            words.sort();
            words
        })
        .collect()
}

/// One code of one sender that stands for several things.
fn over_roles(proposals: Vec<(CodeRole, Proposal)>) -> Proposal {
    let mut all = proposals.into_iter().map(|(_, proposal)| proposal);
    let mut together = all.next().unwrap_or_default();
    for other in all {
        let clashes = other
            .claims
            .iter()
            .any(|(key, word)| together.claims.get(key).is_some_and(|own| own != word));
        let mut claims = together.claims.clone();
        claims.extend(other.claims);
        let is_item_too = claims.contains_key("role") && claims.len() > 1;
        if clashes || is_item_too {
            together = Proposal::default();
            let note = "nothing is proposed: it stands for things that do not go together";
            together.notes.push(note.to_owned());
            return together;
        }
        together.claims = claims;
        if together.side != other.side || together.words != other.words {
            together.side = None;
            together.words.clear();
        }
        for note in other.notes {
            if !together.notes.contains(&note) {
                together.notes.push(note);
            }
        }
    }
    together
}

/// A row that is still gathered.
#[derive(Default)]
struct Merged {
    seen_as: BTreeSet<CodeRole>,
    times: usize,
    senders: BTreeMap<String, usize>,
    meanings: Vec<String>,
    examples: Vec<Seen>,
    /// What each sender's texts propose, and the texts.
    by_sender: Vec<(Proposal, BTreeSet<Vec<String>>)>,
}

const DIFFERENTLY: &str = "senders call it differently: draft each alone with --sender NAME and name \
                           each dictionary for its sender";

impl Merged {
    /// The row, and those of its words.
    fn row(self, kind: Kind) -> (Option<Row>, Vec<Row>) {
        let mut all = self.by_sender.into_iter();
        let (mut proposal, texts) = all.next().unwrap_or_default();
        for (other, other_texts) in all {
            let is_apart = texts.is_disjoint(&other_texts) && texts != other_texts;
            if other.claims == proposal.claims
                && other.side == proposal.side
                && other.words == proposal.words
                && !(is_apart && proposal.claims.is_empty())
            {
                continue;
            }
            if other.claims != proposal.claims {
                proposal.claims.clear();
            }
            proposal.side = None;
            proposal.words.clear();
            if !proposal.notes.iter().any(|note| note == DIFFERENTLY) {
                proposal.notes.push(DIFFERENTLY.to_owned());
            }
        }
        let mut row = Row {
            kind,
            seen_as: self.seen_as,
            reports: self.senders.values().sum(),
            times: self.times,
            senders: self.senders,
            meanings: self.meanings,
            examples: self.examples,
            claims: proposal.claims,
            side: proposal.side,
            notes: proposal.notes,
        };
        let words = proposal.words.into_iter().filter_map(|(text, side)| {
            (text.trim().len() <= LONGEST_WORD).then(|| Row {
                kind: Kind::Word { text: text.clone() },
                claims: Claims::new(),
                side: Some(side),
                notes: Vec::new(),
                meanings: vec![text],
                ..row.clone()
            })
        });
        let words: Vec<Row> = words.collect();
        if let (Kind::Label { .. }, Some(text)) = (&row.kind, row.meanings.first()) {
            // A text that says a side alone is a word; as it was sent, not folded.
            row.kind = match (row.claims.contains_key("quantity"), row.side) {
                (false, Some(_)) if text.trim().len() <= LONGEST_WORD => {
                    Kind::Word { text: text.clone() }
                }
                _ => Kind::Label { text: text.clone() },
            };
            if !row.claims.contains_key("quantity") {
                row.claims.clear();
            }
        }
        (Some(row), words)
    }
}
