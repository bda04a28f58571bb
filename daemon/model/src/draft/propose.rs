//! Proposals: what each code and label of one sender clearly says.

use super::claims::{Claims, Open, claims};
use super::facts::{Fact, What};
use super::letters;
use super::lexicon::{Lexicon, tokens};
use super::side::{Heard, Named, Texts};
use crate::domain::{CodeRole, Eye};
use crate::template::names::Names;
use crate::template::words::Side;
use std::collections::{BTreeMap, BTreeSet};

/// What is proposed of one code, label or word.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Proposal {
    /// What it says, side apart.
    pub(super) claims: Claims,
    /// The side it names.
    pub(super) side: Option<Side>,
    /// Texts that name a side each, where one code has several.
    pub(super) words: BTreeMap<String, Side>,
    /// What a person should know: why nothing, or no side, is proposed.
    pub(super) notes: Vec<String>,
}

impl Proposal {
    /// Takes the side away.
    fn withhold(&mut self, why: impl Into<String>) {
        if self.side.take().is_some() {
            self.notes
                .push(format!("no side is proposed: {}", why.into()));
        }
    }

    /// Takes the words away.
    fn withhold_words(&mut self, why: &str) {
        if !self.words.is_empty() {
            self.words.clear();
            self.notes.push(format!("no side is proposed: {why}"));
        }
    }
}

/// Proposals for what stands in the way at one sender.
pub(super) fn propose(
    facts: &BTreeMap<What, Fact>,
    lexicon: &Lexicon,
    names: &Names,
) -> BTreeMap<What, Proposal> {
    let mut texts = Texts::default();
    for fact in facts.values() {
        texts
            .all
            .extend(fact.meanings.iter().map(|text| tokens(text)));
    }
    let all: Vec<Vec<String>> = texts.all.iter().cloned().collect();
    let mut heard: BTreeMap<&What, Vec<Heard>> = BTreeMap::new();
    let mut proposals: BTreeMap<What, Proposal> = BTreeMap::new();
    for (what, fact) in facts {
        let own: Vec<Heard> = fact
            .meanings
            .iter()
            .map(|text| texts.hear(&tokens(text), lexicon, names))
            .collect();
        let role = place_of(what, fact, lexicon, names);
        proposals.insert(what.clone(), of_one(role, fact, &own));
        heard.insert(what, own);
    }
    against_surroundings(facts, &mut proposals);
    for (what, fact) in facts {
        if let Some(proposal) = proposals.get_mut(what) {
            against_itself(what, fact, proposal, &all, lexicon, names);
        }
    }
    against_each_other(&heard, &mut proposals, &all, lexicon, names);
    proposals
}

/// A code in a section of the sender's own whose proposal is the other side: neither is believed.
fn against_surroundings(facts: &BTreeMap<What, Fact>, proposals: &mut BTreeMap<What, Proposal>) {
    let side_of = |proposals: &BTreeMap<What, Proposal>, within: &str| {
        let mut all = proposals.iter();
        all.find_map(|(what, proposal)| {
            let is_it = format!("{} {}", what.code, what.scheme) == within;
            proposal
                .side
                .filter(|_| is_it)
                .map(|side| (what.clone(), side))
        })
    };
    let mut apart: BTreeSet<What> = BTreeSet::new();
    for (what, fact) in facts {
        let Some(proposal) = proposals.get(what) else {
            continue;
        };
        let sides: BTreeSet<Side> = proposal
            .side
            .into_iter()
            .chain(proposal.words.values().copied())
            .collect();
        for within in fact.examples.iter().filter_map(|seen| seen.within.as_ref()) {
            if let Some((around, side)) = side_of(proposals, within)
                && sides.iter().any(|own| *own != side)
            {
                apart.extend([what.clone(), around]);
            }
        }
    }
    for what in apart {
        if let Some(proposal) = proposals.get_mut(&what) {
            let why = "a code around or below it names another one";
            proposal.withhold(why);
            proposal.withhold_words(why);
        }
    }
}

/// A value below an item of the sender's own is what the item's name says.
fn place_of(what: &What, fact: &Fact, lexicon: &Lexicon, names: &Names) -> CodeRole {
    if what.role != CodeRole::Value {
        return what.role;
    }
    let mut roles = BTreeSet::new();
    for seen in &fact.examples {
        let name = tokens(seen.given_as.as_deref().unwrap_or_default());
        let text = lexicon.understand(&name, &BTreeMap::new(), names);
        let role = match claims(CodeRole::Item, &text) {
            Ok(claims) => claims.get("role").copied(),
            Err(_) => None,
        };
        roles.insert(match role {
            Some("laterality") => CodeRole::Side,
            Some("topographical_modifier") => CodeRole::Part,
            _ => CodeRole::Value,
        });
    }
    let mut roles = roles.into_iter();
    match (roles.next(), roles.next()) {
        (Some(role), None) => role,
        _ => CodeRole::Value,
    }
}

/// What the texts of one code say together.
fn of_one(role: CodeRole, fact: &Fact, heard: &[Heard]) -> Proposal {
    let mut proposal = Proposal::default();
    if fact.has_more_meanings {
        let note = "nothing is proposed: it has too many meanings";
        proposal.notes.push(note.to_owned());
        return proposal;
    }
    let mut said = heard.iter().map(|one| {
        if one.words.is_empty() {
            Err(Open::Empty)
        } else {
            claims(role, &one.understood)
        }
    });
    match said.next().unwrap_or(Err(Open::Empty)) {
        Err(open) => proposal.notes.push(open.words()),
        Ok(first) => match said.find(|other| other.as_ref() != Ok(&first)) {
            None => proposal.claims = first,
            Some(Err(open)) => proposal.notes.push(open.words()),
            Some(Ok(_)) => {
                let note = "nothing is proposed: its meanings say different things";
                proposal.notes.push(note.to_owned());
            }
        },
    }
    if !proposal.notes.is_empty() {
        return proposal;
    }
    if matches!(role, CodeRole::Unit | CodeRole::Item) {
        return proposal;
    }
    let sides: BTreeSet<Option<Side>> = heard
        .iter()
        .map(|one| match one.named {
            Named::One(side) => Some(side),
            Named::None | Named::Withheld(_) => None,
        })
        .collect();
    let why = heard.iter().find_map(|one| match &one.named {
        Named::Withheld(why) => Some(why),
        _ => None,
    });
    if let Some(why) = why {
        proposal.notes.push(format!("no side is proposed: {why}"));
    } else if sides.len() == 1 {
        proposal.side = sides.into_iter().next().flatten();
    } else {
        let named = fact.meanings.iter().zip(heard);
        proposal.words = named
            .filter_map(|(text, one)| match one.named {
                Named::One(side) => Some((text.clone(), side)),
                _ => None,
            })
            .collect();
        proposal.notes.push(
            "its meanings name different sides, so each of them is proposed as a word below"
                .to_owned(),
        );
    }
    proposal
}

fn eye_of(side: Side) -> Option<Eye> {
    side.eye()
}

/// Whether codes around it say something else than this side.
fn is_surrounded_by_another(fact: &Fact, side: Side) -> bool {
    !fact.sides.is_empty() && fact.sides.iter().any(|eye| eye_of(side) != Some(*eye))
}

/// The code's own letters and the codes around it.
fn against_itself(
    what: &What,
    fact: &Fact,
    proposal: &mut Proposal,
    own: &[Vec<String>],
    lexicon: &Lexicon,
    names: &Names,
) {
    let letters = match what.role {
        CodeRole::Label => BTreeSet::new(),
        _ => letters::sides(&what.code, own, lexicon, names),
    };
    let against_letters =
        |side: Side| !letters.is_empty() && letters.iter().any(|one| *one != side);
    let sides: Vec<Side> = proposal
        .side
        .into_iter()
        .chain(proposal.words.values().copied())
        .collect();
    if proposal.side.is_some() && sides.iter().any(|side| against_letters(*side)) {
        proposal.withhold("the letters of the code may say another one than its meaning");
    }
    if !proposal.words.is_empty() && !letters.is_empty() {
        proposal.withhold_words("the letters of the code may say a side of their own");
    }
    if sides
        .iter()
        .any(|side| is_surrounded_by_another(fact, *side))
    {
        proposal.withhold("codes around it say another one");
        proposal.withhold_words("codes around it say another one");
    }
}

/// Codes that would say the same, and mirror codes that name one side.
fn against_each_other(
    heard: &BTreeMap<&What, Vec<Heard>>,
    proposals: &mut BTreeMap<What, Proposal>,
    own: &[Vec<String>],
    lexicon: &Lexicon,
    names: &Names,
) {
    // What two codes of one sender must not share.
    let mut shared: BTreeMap<String, BTreeSet<(String, String)>> = BTreeMap::new();
    let keys = |what: &What, proposal: &Proposal| -> Vec<(String, &'static str)> {
        let mut keys = Vec::new();
        for one in heard.get(what).into_iter().flatten() {
            let mut words = one.words.clone();
            words.sort();
            let text = words.join(" ");
            keys.push((
                format!("text {text}"),
                "another code of this sender is called the same",
            ));
        }
        if let Some(side) = proposal.side {
            keys.push((
                format!("says {side:?} {:?}", proposal.claims),
                "another code of this sender would say exactly the same",
            ));
            if let Some(rest) = letters::without(&what.code, own, lexicon, names) {
                keys.push((
                    format!("code {side:?} {} {rest}", what.scheme),
                    "its mirror code names the same side",
                ));
            }
        }
        keys
    };
    let codes: Vec<What> = proposals
        .keys()
        .filter(|what| what.role != CodeRole::Label)
        .cloned()
        .collect();
    for what in &codes {
        let Some(proposal) = proposals.get(what) else {
            continue;
        };
        for (key, _) in keys(what, proposal) {
            let code = (what.code.clone(), what.scheme.clone());
            shared.entry(key).or_default().insert(code);
        }
    }
    for what in &codes {
        let Some(proposal) = proposals.get(what) else {
            continue;
        };
        let why = keys(what, proposal).into_iter().find_map(|(key, why)| {
            let others = shared.get(&key)?;
            (others.len() > 1).then_some(why)
        });
        if let Some(why) = why
            && let Some(proposal) = proposals.get_mut(what)
        {
            let had_sides = proposal.side.is_some() || !proposal.words.is_empty();
            proposal.withhold(why);
            proposal.withhold_words(why);
            if !had_sides {
                proposal.notes.push(why.to_owned());
            }
        }
    }
}
