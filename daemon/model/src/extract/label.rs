//! Numbers with a general name that a label tells: whole texts that the site's dictionary lists. Never by
//! likeness, and never against another label or a code.

use super::beside::{Beside, Heard, Label};
use super::context::{Chain, Step};
use super::facts::unexplained;
use super::level::{Level, Said, SideSaid, Spot};
use super::recognise::Recognised;
use super::standing::texts;
use crate::domain::{Quantity, Remark, RemarkCode};
use crate::numbers::unit;
use crate::sr::ItemId;
use crate::sr::tree::{Tree, Value};
use crate::template::label::Row;
use crate::template::measure::When;
use crate::template::words::{Concept, Named, Site, Structure};
use crate::template::{Explained, Measure, Says, Vocabulary};
use std::collections::{BTreeMap, BTreeSet};

/// What labels say of one number.
pub(super) struct Told {
    /// The label's row as a rule, and what it takes the number for.
    quantity: Named,
    rule: Measure,
    /// What it says beside.
    level: Level,
    text: String,
    at: ItemId,
    /// It stands at this number alone.
    is_own: bool,
}

impl Told {
    /// The context of the number with what the label says as the nearest.
    pub(super) fn beside<'a>(&'a self, mut chain: Chain<'a>) -> Chain<'a> {
        let step = Step {
            level: &self.level,
            own: true,
            parent_number: false,
        };
        chain.steps.insert(0, step);
        chain
    }

    /// The remark on a value that only the label tells.
    pub(super) fn remark(&self, tree: &Tree) -> Remark {
        Remark::of(
            RemarkCode::ReadByLabel,
            format!(
                "Only the label {:?} tells what was measured; no code does (technical: {}, {}).",
                self.text,
                tree.place(self.at),
                self.rule.row
            ),
        )
        .act("Have the sender code what was measured.")
    }
}

/// What labels make of a number.
pub(super) enum Labelled {
    /// No label speaks of it.
    No,
    /// One does, or several that agree.
    Told(Box<Told>),
    /// They contradict each other or the codes.
    Conflict(Remark),
    /// Whose they are cannot be told.
    Unclear(Remark),
}

/// The labels of a document.
pub(super) struct Labels<'t> {
    tree: &'t Tree,
    vocabulary: &'t Vocabulary,
    containers: BTreeMap<ItemId, Beside<'t>>,
    /// Containers of which a doubt was told.
    doubted: BTreeSet<ItemId>,
}

impl<'t> Labels<'t> {
    /// None looked at yet.
    pub(super) fn new(tree: &'t Tree, vocabulary: &'t Vocabulary) -> Self {
        Labels {
            tree,
            vocabulary,
            containers: BTreeMap::new(),
            doubted: BTreeSet::new(),
        }
    }

    /// Whether a doubt of labels is the first at its container; more would only repeat it.
    pub(super) fn is_news(&mut self, number: ItemId, doubt: &Remark) -> bool {
        let of_labels = [RemarkCode::LabelConflict, RemarkCode::LabelUnclear];
        let container = self.tree.parent(number).unwrap_or(number);
        !of_labels.contains(&doubt.code) || self.doubted.insert(container)
    }

    /// What labels say of a number.
    pub(super) fn of(&mut self, number: ItemId, own: &Explained, chain: &Chain<'_>) -> Labelled {
        if self.vocabulary.labels().is_empty() || !self.may_have(number, own) {
            return Labelled::No;
        }
        let (tree, vocabulary) = (self.tree, self.vocabulary);
        let mut own_place = Heard::default();
        let mut parents = Heard::default();
        let mut container = None;
        for at in tree.upwards(number) {
            match &tree.item(at).value {
                Value::Container => {
                    container = Some(at);
                    break;
                }
                Value::Num { .. } => {
                    let place = if at == number {
                        &mut own_place
                    } else {
                        &mut parents
                    };
                    for text in texts(tree, vocabulary, at) {
                        place.text(&text, vocabulary);
                    }
                }
                _ => {}
            }
        }
        if let Some(name) = &tree.item(number).concept {
            own_place.name(number, &name.meaning, vocabulary);
        }
        let top = tree
            .upwards(number)
            .find(|&at| tree.parent(at) == container)
            .unwrap_or(number);
        let beside = container.map(|container| {
            let read = || Beside::read(tree, vocabulary, container);
            &*self.containers.entry(container).or_insert_with(read)
        });
        let mut places = vec![(own_place, true), (parents, true)];
        let mut unclear = None;
        if let Some(beside) = beside {
            let here = beside.of(top, vocabulary);
            let is_one = beside.is_of_one || here.labels.len() > beside.of_all.labels.len();
            let shared = [(here, is_one), (beside.title.clone(), false)];
            for (heard, is_one) in shared {
                if beside.is_mixed && !is_one && !heard.labels.is_empty() {
                    unclear = unclear.or(heard.labels.first().copied());
                    places.push((
                        Heard {
                            labels: vec![],
                            ..heard
                        },
                        is_one,
                    ));
                } else {
                    places.push((heard, is_one));
                }
            }
            unclear = unclear.or(beside.loose);
        }
        self.judge(own, chain, &places, unclear)
    }

    /// All that is heard together: nearer texts that no list explains keep farther labels from being
    /// believed.
    fn judge(
        &self,
        own: &Explained,
        chain: &Chain<'_>,
        places: &[(Heard<'t>, bool)],
        unclear: Option<Label<'t>>,
    ) -> Labelled {
        let tree = self.tree;
        let all: Vec<(&Label<'t>, bool)> = places
            .iter()
            .flat_map(|(heard, is_one)| heard.labels.iter().map(|label| (label, *is_one)))
            .collect();
        let Some(&(first, is_own)) = all.first() else {
            return match unclear {
                Some(label) => Labelled::Unclear(of_several(tree, &label)),
                None => Labelled::No,
            };
        };
        let mut says = Says::default();
        for (label, _) in &all {
            if says.contradicts(&label.row.says) {
                return Labelled::Conflict(
                    Remark::of(
                        RemarkCode::LabelConflict,
                        format!(
                            "The labels {:?} ({}) and {:?} ({}) contradict each other.",
                            first.text,
                            tree.place(first.at),
                            label.text,
                            tree.place(label.at)
                        ),
                    )
                    .act("Correct the report at its source; nothing was picked."),
                );
            }
            says.fill_from(&label.row.says);
        }
        let nearer = places
            .iter()
            .take_while(|(heard, _)| heard.labels.is_empty());
        let other = nearer.filter_map(|(heard, _)| heard.other).next();
        if let Some(other) = other {
            return Labelled::Unclear(
                Remark::of(
                    RemarkCode::LabelUnclear,
                    format!(
                        "A nearer text ({}) than the label {:?} ({}) is in no list, so nobody can tell \
                         what the number is.",
                        tree.place(other),
                        first.text,
                        tree.place(first.at)
                    ),
                )
                .act("List that text as a [[label]] in the site dictionary too."),
            );
        }
        let Some(quantity) = says.quantity else {
            return Labelled::No;
        };
        let is_of_another = own.says.quantity.is_some_and(|own| own != quantity);
        let against = || against(&says, quantity, own, chain);
        if let Some(what) = (!is_of_another).then(against).flatten() {
            let (place, text) = (tree.place(first.at), first.text);
            return Labelled::Conflict(
                Remark::of(
                    RemarkCode::LabelConflict,
                    format!("The label {text:?} ({place}) is against {what} of the number."),
                )
                .act("Correct the report at its source, or the [[label]]; nothing was picked."),
            );
        }
        Labelled::Told(Box::new(Told {
            quantity,
            rule: rule(first.row, quantity),
            level: level(&says, first),
            text: first.text.to_owned(),
            at: first.at,
            is_own,
        }))
    }

    /// Whether labels are heard of a number: it has a general name or one of our quantities, and what it
    /// counts may be a length.
    fn may_have(&self, number: ItemId, own: &Explained) -> bool {
        let ours = matches!(own.says.quantity, Some(Named::Ours(_)));
        let general = own.says.quantity.is_none() && own.says.concept.is_some();
        if !(ours || general) || super::is_role(own.says.role) {
            return false;
        }
        let Value::Num {
            measured: Some(measured),
            ..
        } = &self.tree.item(number).value
        else {
            return true;
        };
        measured.unit.as_ref().is_none_or(|code| {
            unit::length(code, self.vocabulary).is_some() || unexplained(code, self.vocabulary)
        })
    }
}

fn of_several(tree: &Tree, label: &Label<'_>) -> Remark {
    Remark::of(
        RemarkCode::LabelUnclear,
        format!(
            "The label {:?} ({}) stands beside several numbers, and nobody can tell which it is of.",
            label.text,
            tree.place(label.at)
        ),
    )
    .act("Say by `[labels] stand` in the site dictionary where labels stand, if each number has one.")
}

fn rule(row: &Row, quantity: Named) -> Measure {
    Measure {
        row: row.row.clone(),
        quantity: match quantity {
            Named::Ours(quantity) => quantity,
            // Never used: what is not ours is not read.
            Named::NotOurs => Quantity::SheathDiameter,
        },
        when: When::Named,
    }
}

/// What a label says beside the quantity, as if the number's own level said it.
fn level(says: &Says, label: &Label<'_>) -> Level {
    fn put<T>(list: &mut Vec<Said<T>>, says: Option<T>, label: &Label<'_>) {
        list.extend(says.map(|says| Said {
            says,
            at: label.at,
            code: format!("by the label {:?}", label.text),
            spot: Spot::Word,
        }));
    }
    let mut level = Level::default();
    put(&mut level.sides, says.side.map(SideSaid::Known), label);
    put(&mut level.planes, says.plane.map(Some), label);
    put(&mut level.definitions, says.definition, label);
    put(&mut level.made, says.derivation, label);
    put(&mut level.modalities, says.modality, label);
    level.quoted = says.quoted.then_some(label.at);
    level
}

/// Where a quantity can be measured.
fn is_measured_at(quantity: Quantity, site: Site) -> bool {
    match quantity {
        Quantity::SheathDiameter | Quantity::NerveDiameter => site != Site::OpticDisc,
        Quantity::EyeballTransverseDiameter => matches!(site, Site::Eye | Site::Orbit),
        Quantity::DiscElevation => true,
    }
}

/// Whether a number of this general name can be the quantity.
fn is_named_for(quantity: Quantity, word: Concept) -> bool {
    match word {
        Concept::Depth | Concept::LongAxis | Concept::MajorAxis => false,
        Concept::Height => quantity == Quantity::DiscElevation,
        _ => true,
    }
}

/// What of a number's codes is against its label.
fn against(
    says: &Says,
    quantity: Named,
    own: &Explained,
    chain: &Chain<'_>,
) -> Option<&'static str> {
    let Named::Ours(quantity) = quantity else {
        return None;
    };
    let general = own.says.quantity.is_none();
    if general
        && own
            .says
            .concept
            .is_some_and(|word| !is_named_for(quantity, word))
    {
        return Some("the name");
    }
    let part = Structure::of(quantity);
    let own_part = says.structure.is_some_and(|said| said != part);
    if own_part || chain.structures().iter().any(|&said| said != part) {
        return Some("the part");
    }
    let mut levels = chain.steps.iter().map(|step| step.level);
    let sites = levels.find(|level| !level.sites.is_empty());
    let sites = sites.map_or(&[][..], |level| &level.sites);
    let fits = |site: Option<Site>| site.is_some_and(|site| is_measured_at(quantity, site));
    let said = says.site.map(Some).into_iter();
    if said
        .chain(sites.iter().map(|said| said.says))
        .any(|site| !fits(site))
    {
        return Some("the site");
    }
    fn differs<T: PartialEq>(label: Option<T>, codes: &[Said<T>]) -> bool {
        label.is_some_and(|label| codes.iter().any(|said| said.says != label))
    }
    if differs(says.plane.map(Some), chain.nearest(|level| &level.planes)) {
        return Some("the plane");
    }
    if differs(says.definition, chain.nearest(|level| &level.definitions)) {
        return Some("the borders");
    }
    if differs(
        says.derivation,
        chain.nearest_but_parents(|level| &level.made),
    ) {
        return Some("the derivation");
    }
    let modalities = chain.nearest(|level| &level.modalities);
    differs(says.modality, modalities).then_some("the kind of imaging")
}

/// What a number is, by its codes and its labels together, and the label if it counts.
pub(super) fn settle<'r>(
    by_codes: Recognised<'r>,
    labelled: &'r Labelled,
    own: &Explained,
) -> (Recognised<'r>, Option<&'r Told>) {
    // A name that itself says one of our quantities is not overruled by what is said of several.
    let is_named = own.says.quantity.is_some();
    match (by_codes, labelled) {
        (Recognised::NotOurs, _) => (Recognised::NotOurs, None),
        (by_codes, Labelled::No) => (by_codes, None),
        (Recognised::Ours(rule), Labelled::Told(told)) => {
            if told.quantity == Named::Ours(rule.quantity) {
                (Recognised::Ours(rule), Some(told))
            } else if is_named && !told.is_own {
                (Recognised::Ours(rule), None)
            } else {
                (Recognised::Doubt(against_codes(told)), None)
            }
        }
        (Recognised::Ours(rule), Labelled::Unclear(_)) => (Recognised::Ours(rule), None),
        (Recognised::Doubt(remark), Labelled::Unclear(_)) => (Recognised::Doubt(remark), None),
        (Recognised::Doubt(remark), _) if remark.code == RemarkCode::QuantityUnclear => {
            (Recognised::Doubt(remark), None)
        }
        (_, Labelled::Told(told)) => match told.quantity {
            Named::NotOurs => (Recognised::NotOurs, None),
            Named::Ours(_) => (Recognised::Ours(&told.rule), Some(told)),
        },
        (_, Labelled::Conflict(remark) | Labelled::Unclear(remark)) => {
            (Recognised::Doubt(remark.clone()), None)
        }
    }
}

fn against_codes(told: &Told) -> Remark {
    let text = format!(
        "The label {:?} says another quantity than the codes of the number.",
        told.text
    );
    Remark::of(RemarkCode::LabelConflict, text)
        .act("Correct the report at its source, or the [[label]]; nothing was picked.")
}

/// Whether only a label tells what a number is.
pub(super) fn is_by_label(rule: &Measure, told: &Told) -> bool {
    std::ptr::eq(rule, &told.rule)
}
