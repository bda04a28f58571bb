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
use super::standing::{described, is_local, texts};
use crate::domain::{CodeRole, Millimetres};
use crate::numbers;
use crate::sr::tree::{Measured, Tree, Value};
use crate::sr::{Code, ItemId};
use crate::template::words::{Concept, Subject};
use crate::template::{Explained, Vocabulary};
use std::collections::{BTreeMap, BTreeSet};

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
pub(super) struct Lefts<'t> {
    tree: &'t Tree,
    vocabulary: &'t Vocabulary,
    all: Vec<Noted>,
    /// Standard sites, none of ours, that sheath values of this report stand under.
    sites: BTreeSet<String>,
    /// Whether a sheath value of this report was taken by its label.
    by_label: bool,
    /// What is known of containers: every one is looked at once.
    groups: BTreeMap<ItemId, Group>,
}

struct Noted {
    left: Left,
    /// A standard site, none of ours, that it stands under.
    site: Option<String>,
    /// It counts only where labels tell what numbers of this report are.
    if_by_label: bool,
}

/// A container.
#[derive(Clone, Copy)]
struct Group {
    /// A code that nobody explains says which site or part it is of.
    local: bool,
    /// A text in it that no list has.
    text: bool,
    /// It has one number.
    single: bool,
}

/// Whether what a number is hangs on something that nobody explains.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Hangs {
    Yes,
    IfByLabel,
    No,
}

impl<'t> Lefts<'t> {
    /// None yet.
    pub(super) fn new(tree: &'t Tree, vocabulary: &'t Vocabulary) -> Self {
        Lefts {
            tree,
            vocabulary,
            all: Vec::new(),
            sites: BTreeSet::new(),
            by_label: false,
            groups: BTreeMap::new(),
        }
    }

    /// A sheath value of the report: the site it stands under is no other region of the body.
    pub(super) fn sheath(&mut self, chain: &Chain<'_>, by_label: bool) {
        self.by_label |= by_label;
        if let Place::Elsewhere(site) = place(self.tree, chain) {
            self.sites.insert(site.to_owned());
        }
    }

    /// A number that is not taken for one of ours. `is_doubt`: our own rules say that it may be one.
    pub(super) fn note(&mut self, id: ItemId, own: &Explained, chain: &Chain<'_>, is_doubt: bool) {
        if self.all.len() >= MOST {
            return;
        }
        let Value::Num { measured, .. } = &self.tree.item(id).value else {
            return;
        };
        let length = match measured.as_ref().map(|one| of_unit(one, self.vocabulary)) {
            Some(Unit::Length(length)) => Some(length),
            Some(Unit::Unexplained) => None,
            Some(Unit::Other) | None => return,
        };
        let hangs = if is_doubt {
            Hangs::Yes
        } else {
            self.hangs(id, own)
        };
        if hangs == Hangs::No || is_of_something_else(chain) {
            return;
        }
        let (of, site) = match place(self.tree, chain) {
            Place::Eye => (Region::Eye, None),
            // Without a unit that anybody explains it may be anything.
            _ if length.is_none() => return,
            Place::Unsaid => (Region::Open, None),
            Place::Elsewhere(site) => (Region::Open, Some(site.to_owned())),
        };
        let left = Left {
            place: self.tree.place(id),
            length,
            of,
            stated: chain.steps.iter().find_map(|step| step.level.stated),
        };
        self.all.push(Noted {
            left,
            site,
            if_by_label: hangs == Hangs::IfByLabel,
        });
    }

    /// Those that are not of another region of the body.
    pub(super) fn told(self) -> Vec<Left> {
        let here = |one: &Noted| {
            let site = one.site.as_ref();
            site.is_none_or(|site| self.sites.contains(site))
        };
        let all = self.all.into_iter();
        all.filter(|one| here(one) && (self.by_label || !one.if_by_label))
            .map(|one| one.left)
            .collect()
    }

    /// Whether what the number is hangs on something that nobody explains: its own name; for a general
    /// name a code of its site or part, or a text beside it. A name of a standard scheme that is none of
    /// ours is something else.
    fn hangs(&mut self, id: ItemId, own: &Explained) -> Hangs {
        let Some(name) = &self.tree.item(id).concept else {
            return Hangs::Yes;
        };
        match own.says.concept {
            Some(Concept::Height | Concept::Depth) => return Hangs::No,
            Some(_) => {}
            None if !own.known && is_local(name) => return Hangs::Yes,
            None => return Hangs::No,
        }
        let at_number = self.look(id);
        let mut around = self.tree.upwards(id).skip(1);
        let root = self.tree.root();
        if at_number.local || around.any(|at| at != root && self.group(at).local) {
            return Hangs::Yes;
        }
        let group = self.tree.parent(id).map(|at| self.group(at));
        if at_number.text || group.is_some_and(|group| group.text && group.single) {
            return Hangs::Yes;
        }
        // Tracking Identifiers, texts beside several numbers, what a general code is called here.
        Hangs::IfByLabel
    }

    fn group(&mut self, at: ItemId) -> Group {
        if let Some(known) = self.groups.get(&at) {
            return *known;
        }
        let group = self.look(at);
        self.groups.insert(at, group);
        group
    }

    fn look(&self, at: ItemId) -> Group {
        let (tree, vocabulary) = (self.tree, self.vocabulary);
        let item = tree.item(at);
        let mut local = false;
        if let (Value::Container, Some(title)) = (&item.value, &item.concept) {
            local = is_local(title) && !vocabulary.explain(title).known;
        }
        described(tree, vocabulary, at, &mut |_, role, code| {
            local |=
                matches!(role, CodeRole::Site | CodeRole::Part | CodeRole::Item) && is_local(code);
        });
        let is_number = |&&id: &&ItemId| matches!(tree.item(id).value, Value::Num { .. });
        let mut untold = texts(tree, vocabulary, at);
        Group {
            local,
            text: untold.any(|text| !text.tracks && !text.is_told(vocabulary)),
            single: tree.children(at).iter().filter(is_number).take(2).count() == 1,
        }
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
    let unknown = |unit: &Code| is_local(unit) && !vocabulary.explain(unit).known;
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
fn place<'a>(tree: &Tree, chain: &Chain<'a>) -> Place<'a> {
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
    let is_standard = |at: ItemId| match &tree.item(at).value {
        Value::Code(code) => !is_local(code),
        _ => !tree.item(at).concept.as_ref().is_some_and(is_local),
    };
    match level.sites.iter().find(|said| is_standard(said.at)) {
        Some(site) => Place::Elsewhere(&site.code),
        None => Place::Unsaid,
    }
}
