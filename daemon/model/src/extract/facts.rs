//! Facts of what stands in the way of a value: every code and label that nobody explains, with what
//! whoever knows the scanner needs to explain it.
//!
//! Gathered only for numbers that were not read, or read and not usable. Each item is looked at once
//! however many numbers stand at it.

use super::example::{place_of, value_of};
use super::level::{Levels, SideSaid};
use super::standing::{Text, described, is_local, is_title_told, texts};
use crate::domain::{CodeExample, CodeRole, Eye, Unexplained};
use crate::numbers::unit;
use crate::sr::tree::{Tree, Value};
use crate::sr::{Code, ItemId};
use crate::template::vocabulary::{folded, is_private_scheme};
use crate::template::{Explained, Vocabulary};
use std::collections::{BTreeMap, BTreeSet};

/// Names of numbers that a reading keeps.
const NUMBERS: usize = 50;

/// Labels that a reading keeps.
const LABELS: usize = 20;

/// Other codes that a reading keeps.
const OTHERS: usize = 30;

/// What makes two places the same fact.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Key<'t> {
    role: CodeRole,
    code: &'t str,
    scheme: &'t str,
    /// The text of a label, case and blanks folded.
    text: String,
}

/// One place, not yet written out.
#[derive(Debug)]
struct Seen<'t> {
    at: ItemId,
    number: Option<ItemId>,
    meaning: &'t str,
    given_as: Option<&'t Code>,
    within: Option<&'t Code>,
    eyes: Eyes,
}

/// All places of one code.
#[derive(Debug)]
struct Met<'t> {
    first: ItemId,
    times: usize,
    meaning: &'t str,
    called: Vec<&'t str>,
    eyes: Eyes,
    seen: Vec<Seen<'t>>,
}

/// Eyes that codes say.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Eyes {
    right: bool,
    left: bool,
}

impl Eyes {
    fn add(&mut self, eye: Eye) {
        match eye {
            Eye::Right => self.right = true,
            Eye::Left => self.left = true,
        }
    }

    fn join(self, other: Eyes) -> Eyes {
        Eyes {
            right: self.right || other.right,
            left: self.left || other.left,
        }
    }

    fn list(self) -> Vec<Eye> {
        let said = |eye: &Eye| match eye {
            Eye::Right => self.right,
            Eye::Left => self.left,
        };
        Eye::BOTH.into_iter().filter(said).collect()
    }
}

/// What is around an item, itself included.
#[derive(Debug, Clone, Copy, Default)]
struct Around {
    eyes: Eyes,
    /// A code of a local scheme that nobody explains.
    local: bool,
}

/// What texts stand in a container beside its numbers.
#[derive(Debug, Clone, Copy)]
struct Group {
    /// Its number, where it has one alone.
    only: Option<ItemId>,
    has_texts: bool,
    is_noted: bool,
}

/// Which labels of a number can explain what it lacks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Wanted {
    /// Those that may tell what it is: texts, and what its general name is called.
    All,
    /// Texts: they may tell its side.
    Texts,
    /// None.
    None,
}

/// What was met so far.
pub(super) struct Facts<'t> {
    tree: &'t Tree,
    levels: &'t Levels,
    vocabulary: &'t Vocabulary,
    met: BTreeMap<Key<'t>, Met<'t>>,
    around: BTreeMap<ItemId, Around>,
    /// Items whose codes were noted.
    noted: BTreeSet<ItemId>,
    /// Texts of containers.
    groups: BTreeMap<ItemId, Group>,
}

impl<'t> Facts<'t> {
    /// None yet.
    pub(super) fn new(tree: &'t Tree, levels: &'t Levels, vocabulary: &'t Vocabulary) -> Self {
        Facts {
            tree,
            levels,
            vocabulary,
            met: BTreeMap::new(),
            around: BTreeMap::new(),
            noted: BTreeSet::new(),
            groups: BTreeMap::new(),
        }
    }

    /// Whether a code of a local scheme on the way from a number to the root is unexplained.
    pub(super) fn has_local(&mut self, number: ItemId, own: &Explained) -> bool {
        let item = self.tree.item(number);
        let is_unknown = |code: &Code| is_local(code) && !self.vocabulary.explain(code).known;
        let own = !own.known && item.concept.as_ref().is_some_and(is_local);
        own || unit_of(&item.value).is_some_and(is_unknown) || self.around(number).local
    }

    /// Eyes and local codes around an item. Every item on the way is looked at once.
    fn around(&mut self, id: ItemId) -> Around {
        let mut way = Vec::new();
        let mut above = Around::default();
        for at in self.tree.upwards(id) {
            if let Some(known) = self.around.get(&at) {
                above = *known;
                break;
            }
            way.push(at);
        }
        for at in way.into_iter().rev() {
            let mut here = above;
            for said in self.levels.get(at).map_or(&[][..], |level| &level.sides) {
                if let SideSaid::Known(side) = said.says
                    && let Some(eye) = side.eye()
                {
                    here.eyes.add(eye);
                }
            }
            let title = self.title(at);
            here.local |= title.is_some_and(is_local);
            described(self.tree, self.vocabulary, at, &mut |_, _, code| {
                here.local |= is_local(code);
            });
            self.around.insert(at, here);
            above = here;
        }
        above
    }

    /// The title of a container that nobody explains and that may say something of what is in it.
    fn title(&self, at: ItemId) -> Option<&'t Code> {
        let item = self.tree.item(at);
        let title = item.concept.as_ref().filter(|_| at != self.tree.root())?;
        let tells = matches!(item.value, Value::Container) && is_title_told(title);
        (tells && !self.vocabulary.explain(title).known).then_some(title)
    }

    /// Notes all unexplained codes on the way of a number that is not read or not usable, and labels.
    pub(super) fn note(&mut self, number: ItemId, own: &Explained, labels: Wanted) {
        let tree = self.tree;
        let item = tree.item(number);
        let around = self.around(number);
        let around = Around {
            eyes: around.eyes.join(self.outside(number)),
            ..around
        };
        if !own.known {
            match &item.concept {
                Some(name) => self.code(CodeRole::Number, name, number, Some(number), around),
                None => self.nameless(number, around),
            }
        }
        if let Some(code) = unit_of(&item.value).filter(|code| unexplained(code, self.vocabulary)) {
            self.code(CodeRole::Unit, code, number, Some(number), around);
        }
        for at in tree.upwards(number) {
            if !self.noted.insert(at) {
                break;
            }
            let around = self.around(at);
            if let Some(title) = self.title(at) {
                self.code(CodeRole::Section, title, at, None, around);
            }
            let mut below = Vec::new();
            described(tree, self.vocabulary, at, &mut |item, role, code| {
                below.push((item, role, code));
            });
            for (item, role, code) in below {
                self.code(role, code, item, None, around);
            }
        }
        if labels != Wanted::None {
            self.labels(number, own, labels, around);
        }
    }

    /// Eyes that the document's attributes and the number's pictures give.
    fn outside(&self, number: ItemId) -> Eyes {
        let mut eyes = Eyes::default();
        let pictures = self.levels.pictures_of(self.tree, number);
        let pictures = pictures.iter().flat_map(|one| self.levels.picture(one));
        for said in self.levels.header.iter().chain(pictures) {
            if let SideSaid::Known(side) = said.says
                && let Some(eye) = side.eye()
            {
                eyes.add(eye);
            }
        }
        eyes
    }

    /// Notes the texts that may tell what a number is, where its own name does not.
    fn labels(&mut self, number: ItemId, own: &Explained, wanted: Wanted, around: Around) {
        let is_general = own.says.concept.is_some();
        if own.known && !is_general && wanted == Wanted::All {
            return;
        }
        let tree = self.tree;
        let mut has_texts = false;
        for text in texts(tree, self.vocabulary, number) {
            has_texts = true;
            self.label(&text, Some(number), around);
        }
        if let Some(group) = tree.parent(number) {
            has_texts |= self.beside(group, is_general);
        }
        if is_general && !has_texts && wanted == Wanted::All {
            self.called(number, around);
        }
    }

    /// Notes the texts of a container once; whether it has any. Beside several numbers under names of
    /// their own texts are remarks on them.
    fn beside(&mut self, container: ItemId, is_general: bool) -> bool {
        let (tree, vocabulary) = (self.tree, self.vocabulary);
        let known = self.groups.entry(container).or_insert_with(|| {
            let is_number = |&&id: &&ItemId| matches!(tree.item(id).value, Value::Num { .. });
            let mut numbers = tree.children(container).iter().filter(is_number);
            let only = numbers.next().filter(|_| numbers.next().is_none());
            Group {
                only: only.copied(),
                has_texts: texts(tree, vocabulary, container).next().is_some(),
                is_noted: false,
            }
        });
        let Group {
            only, has_texts, ..
        } = *known;
        if !known.is_noted && has_texts && (only.is_some() || is_general) {
            known.is_noted = true;
            let around = self.around(container);
            for text in texts(tree, vocabulary, container) {
                self.label(&text, only, around);
            }
        }
        has_texts
    }

    /// Notes what the general name of a number is called here, where that is another text than the
    /// vocabulary has for any.
    fn called(&mut self, number: ItemId, around: Around) {
        let Some(name) = &self.tree.item(number).concept else {
            return;
        };
        let text = Text {
            at: number,
            name: None,
            text: name.meaning.trim(),
            tracks: false,
        };
        if !text.text.is_empty() && !self.vocabulary.is_own_name(text.text) {
            self.label(&text, Some(number), around);
        }
    }

    fn label(&mut self, text: &Text<'t>, number: Option<ItemId>, around: Around) {
        if text.is_told(self.vocabulary) {
            return;
        }
        let key = Key {
            role: CodeRole::Label,
            code: "",
            scheme: "",
            text: folded(text.text),
        };
        self.put(
            key,
            Seen {
                at: text.at,
                number,
                meaning: text.text,
                given_as: text.name,
                within: self.container(text.at),
                eyes: around.eyes,
            },
        );
    }

    fn nameless(&mut self, number: ItemId, around: Around) {
        let key = Key {
            role: CodeRole::Number,
            code: "",
            scheme: "",
            text: String::new(),
        };
        self.put(
            key,
            Seen {
                at: number,
                number: Some(number),
                meaning: "",
                given_as: None,
                within: self.container(number),
                eyes: around.eyes,
            },
        );
    }

    fn code(
        &mut self,
        role: CodeRole,
        code: &'t Code,
        at: ItemId,
        number: Option<ItemId>,
        around: Around,
    ) {
        let item = self.tree.item(at);
        let is_value = matches!(&item.value, Value::Code(value) if std::ptr::eq(value, code));
        let name = item.concept.as_ref().filter(|_| is_value);
        let key = Key {
            role,
            code: &code.value,
            scheme: &code.scheme,
            text: String::new(),
        };
        self.put(
            key,
            Seen {
                at,
                number,
                meaning: code.meaning.trim(),
                given_as: name,
                within: name.or_else(|| self.container(at)),
                eyes: around.eyes,
            },
        );
    }

    /// The name of the container that an item stands in, unless that is the root.
    fn container(&self, at: ItemId) -> Option<&'t Code> {
        let above = self.tree.parent(at)?;
        let mut above = self.tree.upwards(above);
        let group = above.find(|&id| matches!(self.tree.item(id).value, Value::Container))?;
        let name = self.tree.item(group).concept.as_ref();
        name.filter(|_| group != self.tree.root())
    }

    fn put(&mut self, key: Key<'t>, seen: Seen<'t>) {
        let met = self.met.entry(key).or_insert_with(|| Met {
            first: seen.at,
            times: 0,
            meaning: "",
            called: Vec::new(),
            eyes: Eyes::default(),
            seen: Vec::new(),
        });
        met.times += 1;
        met.eyes = met.eyes.join(seen.eyes);
        if met.meaning.is_empty() {
            met.meaning = seen.meaning;
        }
        let is_other = !seen.meaning.is_empty() && seen.meaning != met.meaning;
        let is_new = is_other && !met.called.contains(&seen.meaning);
        if is_new && met.called.len() < Unexplained::CALLED {
            met.called.push(seen.meaning);
        }
        if met.seen.len() < Unexplained::EXAMPLES {
            met.seen.push(seen);
        } else if is_new && met.called.len() == 1 {
            // Another meaning tells more than a second place of the first.
            met.seen.pop();
            met.seen.push(seen);
        }
    }

    /// The list, and how many were left out of it. Labels come last, names of numbers first.
    pub(super) fn told(self) -> (Vec<Unexplained>, usize) {
        let mut kept = [NUMBERS, LABELS, OTHERS];
        let mut left = 0;
        let mut list = Vec::new();
        for (key, met) in &self.met {
            let [numbers, labels, others] = &mut kept;
            let room = match key.role {
                CodeRole::Number => numbers,
                CodeRole::Label => labels,
                _ => others,
            };
            if *room == 0 {
                left += 1;
                continue;
            }
            *room -= 1;
            list.push(self.written(key, met));
        }
        (list, left)
    }

    fn written(&self, key: &Key<'t>, met: &Met<'t>) -> Unexplained {
        let examples = met.seen.iter().map(|seen| {
            let is_other = !seen.meaning.is_empty() && seen.meaning != met.meaning;
            CodeExample {
                value: seen.number.and_then(|id| value_of(self.tree, id)),
                given_as: seen.given_as.map(|name| name.meaning.trim().to_owned()),
                meaning: is_other.then(|| seen.meaning.to_owned()),
                within: seen.within.map(Code::to_string),
                sides: seen.eyes.list(),
                ..place_of(self.tree, seen.at)
            }
        });
        Unexplained {
            code: key.code.to_owned(),
            scheme: key.scheme.to_owned(),
            meaning: met.meaning.to_owned(),
            role: key.role,
            times: met.times,
            called: met.called.iter().map(|&text| text.to_owned()).collect(),
            sides: met.eyes.list(),
            examples: examples.collect(),
        }
    }

    /// The codes of private schemes, each once, with the first place and how often it was met.
    pub(super) fn private(&self) -> BTreeMap<(&'t str, &'t str), (ItemId, usize)> {
        let mut codes: BTreeMap<(&str, &str), (ItemId, usize)> = BTreeMap::new();
        for (key, met) in &self.met {
            if is_private_scheme(key.scheme) {
                let code = codes
                    .entry((key.code, key.scheme))
                    .or_insert((met.first, 0));
                code.0 = code.0.min(met.first);
                code.1 += met.times;
            }
        }
        codes
    }

    /// The first text that is a label nobody explains, and how many different ones were met.
    pub(super) fn first_label(&self) -> Option<(ItemId, usize)> {
        let is_text = |at: ItemId| matches!(self.tree.item(at).value, Value::Text(_));
        let labels = self
            .met
            .iter()
            .filter(|(key, _)| key.role == CodeRole::Label);
        let places = labels.map(|(_, met)| met.first).filter(|&at| is_text(at));
        let places: Vec<ItemId> = places.collect();
        Some((*places.iter().min()?, places.len()))
    }
}

fn unit_of(value: &Value) -> Option<&Code> {
    match value {
        Value::Num {
            measured: Some(measured),
            ..
        } => measured.unit.as_ref(),
        _ => None,
    }
}

/// Whether nobody explains a unit. UCUM explains its own; the name of a length there is a slip, and a
/// site may write `1` for "no unit".
pub(super) fn unexplained(code: &Code, vocabulary: &Vocabulary) -> bool {
    if unit::length(code, vocabulary).is_some() || vocabulary.explain(code).known {
        return false;
    }
    let value = code.value.trim();
    let slip = || value == "1" || vocabulary.names().is_length(value);
    !value.is_empty() && (code.scheme.trim() != "UCUM" || slip())
}
