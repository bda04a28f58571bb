//! What may be a sheath at the eye and is not read.
//!
//! Told by codes and structure alone; what a code is called never counts. Whether a number is *left
//! unread at the eye* is decided in two steps. Here, number by number: it is no value of ours, and what it
//! is hangs on something that nobody explains. In [`reading::left_unread`], for the report: whether it can
//! be of the eye and be as wide as a sheath.
//!
//! [`reading::left_unread`]: crate::reading::left_unread

use super::context::Chain;
use super::level::Level;
use crate::domain::Millimetres;
use crate::numbers;
use crate::sr::tree::{Measured, Tree, Value};
use crate::sr::{Code, ItemId};
use crate::template::vocabulary::is_private;
use crate::template::words::{Concept, Subject};
use crate::template::{Explained, Vocabulary};
use std::collections::BTreeSet;

/// Numbers kept that may be left unread; more are only counted.
const MOST: usize = 256;

/// A number that is not read and that may be a sheath as far as anybody has explained.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Left {
    /// Its place.
    pub place: String,
    /// Its length; `None` where nobody explains its unit.
    pub length: Option<Millimetres>,
    /// Where it is of.
    pub of: Region,
    /// Which of the statements on who was measured holds for it: the nearest.
    pub stated: Option<usize>,
}

/// Where a number is of, as far as codes tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Region {
    /// The eye or what belongs to it.
    Eye,
    /// Nobody explains it, or nothing says it.
    Open,
}

/// Numbers that may be left unread, as they are met.
#[derive(Debug, Default)]
pub(super) struct Lefts {
    all: Vec<(Left, Option<String>)>,
    /// Standard sites, none of ours, that sheath values of this report stand under.
    sites: BTreeSet<String>,
}

impl Lefts {
    /// A sheath value of the report: the site it stands under is no other region of the body.
    pub(super) fn sheath(&mut self, chain: &Chain<'_>) {
        if let Place::Elsewhere(site) = place(chain) {
            self.sites.insert(site.to_owned());
        }
    }

    /// A number that is not taken for one of ours. `is_doubt`: our own rules say that it may be one.
    pub(super) fn note(
        &mut self,
        tree: &Tree,
        id: ItemId,
        own: &Explained,
        chain: &Chain<'_>,
        vocabulary: &Vocabulary,
        is_doubt: bool,
    ) {
        if self.all.len() >= MOST {
            return;
        }
        let item = tree.item(id);
        let Value::Num { measured, .. } = &item.value else {
            return;
        };
        let is_open = is_doubt || hangs_on_a_code(tree, id, own, chain);
        if !is_open || is_of_something_else(chain) {
            return;
        }
        let length = match measured.as_ref().map(|one| of_unit(one, vocabulary)) {
            Some(Unit::Length(length)) => Some(length),
            Some(Unit::Unexplained) => None,
            Some(Unit::Other) | None => return,
        };
        let (of, site) = match place(chain) {
            Place::Eye => (Region::Eye, None),
            // Without a unit that anybody explains it may be anything.
            _ if length.is_none() => return,
            Place::Unsaid => (Region::Open, None),
            Place::Elsewhere(site) => (Region::Open, Some(site.to_owned())),
        };
        let left = Left {
            place: tree.place(id),
            length,
            of,
            stated: chain.steps.iter().find_map(|step| step.level.stated),
        };
        self.all.push((left, site));
    }

    /// Those that are not of another region of the body.
    pub(super) fn told(self) -> Vec<Left> {
        let Lefts { all, sites } = self;
        let here = |site: &Option<String>| site.as_ref().is_none_or(|site| sites.contains(site));
        all.into_iter()
            .filter(|(_, site)| here(site))
            .map(|(left, _)| left)
            .collect()
    }
}

/// Whether what the number is hangs on something that nobody explains: its own name, or a code around a
/// name that alone says nothing. A name of a standard scheme that is none of ours is something else.
fn hangs_on_a_code(tree: &Tree, id: ItemId, own: &Explained, chain: &Chain<'_>) -> bool {
    let Some(name) = &tree.item(id).concept else {
        return true;
    };
    match own.says.concept {
        Some(Concept::Height | Concept::Depth) => false,
        Some(_) => chain
            .steps
            .iter()
            .any(|step| !step.level.private.is_empty()),
        None => !own.known && is_private(name),
    }
}

/// Of an earlier exam, copied, or of somebody who is not the patient.
fn is_of_something_else(chain: &Chain<'_>) -> bool {
    let apart = |level: &Level| level.earlier.is_some() || level.quoted.is_some();
    let subjects = chain.nearest(|level| &level.subjects);
    chain.steps.iter().any(|step| apart(step.level))
        || subjects.iter().any(|one| one.says != Subject::Patient)
}

enum Unit {
    Length(Millimetres),
    Unexplained,
    Other,
}

fn of_unit(measured: &Measured, vocabulary: &Vocabulary) -> Unit {
    if let Some(length) = numbers::length_of(measured, vocabulary) {
        return Unit::Length(length);
    }
    let unknown = |unit: &Code| is_private(unit) && !vocabulary.explain(unit).known;
    match &measured.unit {
        Some(unit) if unknown(unit) => Unit::Unexplained,
        _ => Unit::Other,
    }
}

enum Place<'a> {
    Eye,
    Unsaid,
    /// Its site is of a standard scheme and none of ours.
    Elsewhere(&'a str),
}

/// Where a number is of: by its nearest site, and by parts of the eye up to there.
fn place<'a>(chain: &Chain<'a>) -> Place<'a> {
    if !chain.structures().is_empty() {
        return Place::Eye;
    }
    let mut levels = chain.steps.iter().map(|step| step.level);
    let Some(level) = levels.find(|level| !level.sites.is_empty()) else {
        return if chain.sites().is_empty() {
            Place::Unsaid
        } else {
            Place::Eye
        };
    };
    if level.sites.iter().any(|said| said.says.is_some()) {
        return Place::Eye;
    }
    let is_private = |at: ItemId| level.private.iter().any(|code| code.at == at);
    let mut standard = level.sites.iter().filter(|said| !is_private(said.at));
    match standard.next() {
        Some(site) => Place::Elsewhere(&site.code),
        None => Place::Unsaid,
    }
}
