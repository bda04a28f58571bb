//! What is said at each item of the tree about the numbers below it, read in one pass.

use super::imaging::{self, Imaging};
use super::modifies;
use super::observer;
use super::picture::GroupPictures;
use super::reference::References;
use super::subject::{self, Stated};
use crate::domain::{Border, Millimetres, Modality, Plane};
use crate::numbers;
use crate::sr::bounds::{exceeds, shortened};
use crate::sr::tree::{Measured, Relationship, Tree, Value};
use crate::sr::{Code, ItemId};
use crate::template::vocabulary::is_private;
use crate::template::words::{Made, Named, Role, Side, Site, Structure, Subject};
use crate::template::{Explained, Vocabulary};
use sha2::{Digest as _, Sha256};
use std::collections::BTreeMap;

/// Where within a level something is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Spot {
    /// Below a Finding Site.
    Site,
    /// A modifier.
    Modifier,
    /// The item's concept name.
    Concept,
    /// A word that a site dictionary lists.
    Word,
}

/// One thing said, with where and by which code.
#[derive(Debug, Clone)]
pub(super) struct Said<T> {
    pub(super) says: T,
    pub(super) at: ItemId,
    pub(super) code: String,
    pub(super) spot: Spot,
}

/// A side as said; a code nobody explains may contradict any side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SideSaid {
    Known(Side),
    Unknown,
    /// The code says one side, its own meaning names another.
    Contradicted {
        code: Side,
        meaning: Side,
    },
    /// A text beside codes names a side: it finds none, and contradicts any other.
    Named(Side),
}

/// Which procedure the values below an item belong to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ProcedureSaid {
    /// Study Instance UID.
    Study(String),
    /// Study Date, as sent.
    Date(String),
}

/// What one item says. Each list holds one entry per distinct statement, so that a report that
/// repeats itself a hundred thousand times costs no more than one that does not.
#[derive(Debug, Clone, Default)]
pub(super) struct Level {
    pub(super) sides: Vec<Said<SideSaid>>,
    /// `None` is a site that is none of ours.
    pub(super) sites: Vec<Said<Option<Site>>>,
    pub(super) structures: Vec<Said<Structure>>,
    /// `None` is a plane that nobody explains.
    pub(super) planes: Vec<Said<Option<Plane>>>,
    pub(super) made: Vec<Said<Made>>,
    pub(super) selected: Vec<Said<Made>>,
    pub(super) definitions: Vec<Said<Border>>,
    pub(super) subjects: Vec<Said<Subject>>,
    /// Who was measured, as an index into `Levels::stated`.
    pub(super) stated: Option<usize>,
    pub(super) depths: Vec<Said<Option<Measured>>>,
    pub(super) angles: Vec<Said<Option<Measured>>>,
    pub(super) time_points: Vec<Said<String>>,
    pub(super) modalities: Vec<Said<Modality>>,
    /// Lines drawn as the nerve's own axis.
    pub(super) axes: Vec<Said<ItemId>>,
    /// Points drawn where the nerve leaves the globe.
    pub(super) globes: Vec<Said<ItemId>>,
    pub(super) operators: Vec<Said<String>>,
    pub(super) manufacturers: Vec<Said<String>>,
    pub(super) models: Vec<Said<String>>,
    pub(super) serials: Vec<Said<String>>,
    /// The item, or what stands at it, is copied from elsewhere.
    pub(super) quoted: Option<ItemId>,
    /// A text that speaks of an earlier exam.
    pub(super) earlier: Option<ItemId>,
    /// Studies that the values belong to: Study Instance UIDs, and dates as sent.
    pub(super) studies: Vec<Said<ProcedureSaid>>,
    /// Modifiers tied by CONTAINS.
    pub(super) contained: Option<ItemId>,
    /// Codes of private schemes that say nothing to us.
    pub(super) private: Vec<Said<Code>>,
}

/// Letters of a name in a TEXT: three component groups of a Person Name.
const NAME: usize = 3 * 64 + 2;

/// Letters of the name of a time point. It is copied to every value of it.
const TIME_POINT: usize = 64;

/// Names a time point whose own name is too long to be carried along.
fn digest_of(text: &str) -> String {
    let digits = Sha256::digest(text);
    digits.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Letters of a modifier's text that is a label; a longer one is a sentence.
const LABEL: usize = 64;

/// A depth without a word on what it is the depth of is behind the globe when a nerve can be seen so
/// far; the depth of a picture is 20 mm and more. Engineering choice.
const DEEPEST: Millimetres = Millimetres::from_um(10_000);

/// Most distinct texts kept per level: two already contradict each other.
const DISTINCT: usize = 4;

fn say<T: PartialEq>(list: &mut Vec<Said<T>>, said: Said<T>) {
    let again = |old: &Said<T>| old.says == said.says && old.spot == said.spot;
    if list.len() < 64 && !list.iter().any(again) {
        list.push(said);
    }
}

fn say_few<T: PartialEq>(list: &mut Vec<Said<T>>, said: Said<T>) {
    if list.len() < DISTINCT {
        say(list, said);
    }
}

/// Levels by item; an item that says nothing has none.
#[derive(Debug, Default)]
pub(super) struct Levels {
    pub(super) levels: BTreeMap<ItemId, Level>,
    /// What is said of who was measured, by the items that say it.
    pub(super) stated: Vec<Stated>,
    /// Sides of pictures, by SOP Instance UID.
    pictures: BTreeMap<String, Vec<Said<SideSaid>>>,
    groups: GroupPictures,
    /// Kinds of imaging of the document's pictures.
    pub(super) imaging: Imaging,
    /// Where by-reference items lead.
    pub(super) references: References,
    /// Sides that the document's attributes give.
    pub(super) header: Vec<Said<SideSaid>>,
}

impl Levels {
    /// What an item says.
    pub(super) fn get(&self, id: ItemId) -> Option<&Level> {
        self.levels.get(&id)
    }

    /// Every item that says something.
    pub(super) fn iter(&self) -> impl Iterator<Item = (ItemId, &Level)> {
        self.levels.iter().map(|(&id, level)| (id, level))
    }

    /// Sides of a picture.
    pub(super) fn picture(&self, instance: &str) -> &[Said<SideSaid>] {
        self.pictures.get(instance).map_or(&[], Vec::as_slice)
    }

    /// SOP Instance UIDs of the pictures that a number was read from.
    pub(super) fn pictures_of(&self, tree: &Tree, number: ItemId) -> Vec<String> {
        self.groups.of(tree, number, &self.references)
    }

    /// Reads the whole tree once.
    pub(super) fn read(tree: &Tree, vocabulary: &Vocabulary) -> Levels {
        let references = References::read(tree);
        let mut levels = Levels {
            groups: GroupPictures::read(tree, &references),
            references,
            ..Levels::default()
        };
        for id in tree.ids() {
            let item = tree.item(id);
            if let Value::Container | Value::Num { .. } = &item.value
                && let Some(concept) = &item.concept
            {
                let name = vocabulary.explain(concept);
                if name.known {
                    levels.named(id, concept, &name);
                }
                levels.worded(id, id, &concept.meaning, vocabulary);
                if name.sides.is_empty() {
                    levels.called(id, id, "its name", &concept.meaning, vocabulary);
                }
                levels.earlier(tree, id, id, &concept.meaning, vocabulary);
            }
            if let (Value::Text(text), Some(parent)) = (&item.value, tree.parent(id)) {
                levels.worded(parent, id, text, vocabulary);
            }
            let Some((parent, concept)) = tree.parent(id).zip(item.concept.as_ref()) else {
                continue;
            };
            levels.modified(tree, id, parent, vocabulary);
            let Some(role) = vocabulary.explain(concept).says.role else {
                continue;
            };
            levels.modifier(tree, id, parent, role, vocabulary);
        }
        levels.imaging = Imaging::read(tree, &levels, vocabulary);
        levels
    }

    fn named(&mut self, id: ItemId, concept: &Code, name: &Explained) {
        let level = self.levels.entry(id).or_default();
        level.take(id, concept, name, Spot::Concept);
        if let Some(Named::Ours(quantity)) = name.says.quantity {
            let part = Structure::of(quantity);
            say(
                &mut level.structures,
                said(part, id, concept, Spot::Concept),
            );
        }
        if name.says.quoted {
            level.quoted = level.quoted.or(Some(id));
        }
    }

    /// A side said by a word that the site lists: a code's meaning, or a title.
    fn worded(&mut self, owner: ItemId, at: ItemId, text: &str, vocabulary: &Vocabulary) {
        if let Some(side) = vocabulary.word(text) {
            let said = Said {
                says: SideSaid::Known(side),
                at,
                code: format!("by the word {:?}", text.trim()),
                spot: Spot::Word,
            };
            say(&mut self.levels.entry(owner).or_default().sides, said);
        }
    }

    /// A side that a text names where no code of its own says one.
    fn called(&mut self, owner: ItemId, at: ItemId, what: &str, text: &str, words: &Vocabulary) {
        let eye = words.names().side(text).filter(|side| side.eye().is_some());
        if let Some(side) = eye
            && words.word(text).is_none()
        {
            let said = Said {
                says: SideSaid::Named(side),
                at,
                code: what.to_owned(),
                spot: Spot::Word,
            };
            say(&mut self.levels.entry(owner).or_default().sides, said);
        }
    }

    /// Notes a text that speaks of an earlier exam. What the document itself is called says nothing of
    /// its parts: it may compare with one.
    fn earlier(&mut self, tree: &Tree, owner: ItemId, at: ItemId, text: &str, words: &Vocabulary) {
        if owner != tree.root() && words.names().is_earlier(text) {
            let level = self.levels.entry(owner).or_default();
            level.earlier = level.earlier.or(Some(at));
        }
    }

    /// What a modifier is called, whatever its own name: an earlier exam.
    fn modified(&mut self, tree: &Tree, id: ItemId, parent: ItemId, words: &Vocabulary) {
        let item = tree.item(id);
        let role = role_of(item.concept.as_ref(), words);
        let tells = match (item.relationship, &item.value) {
            // An observer's organisation may be called anything.
            (Relationship::HasObsContext, Value::Text(_)) => role == Some(Role::TimePoint),
            (
                Relationship::HasConceptMod
                | Relationship::HasObsContext
                | Relationship::HasAcqContext,
                _,
            ) => role != Some(Role::Procedure),
            _ => false,
        };
        if !tells {
            return;
        }
        // What modifies a site or a modifier is said of the item around them.
        let mut around = tree.upwards(parent);
        let owner =
            around.find(|&at| matches!(tree.item(at).value, Value::Container | Value::Num { .. }));
        let (Some(owner), text) = (
            owner,
            match &item.value {
                Value::Code(code) => &code.meaning,
                Value::Text(text) if !exceeds(text.trim(), LABEL) => text,
                _ => return,
            },
        ) else {
            return;
        };
        self.earlier(tree, owner, id, text, words);
    }

    fn procedure(&mut self, owner: ItemId, at: ItemId, says: ProcedureSaid) {
        let level = self.levels.entry(owner).or_default();
        let said = Said {
            says,
            at,
            code: String::new(),
            spot: Spot::Modifier,
        };
        say_few(&mut level.studies, said);
    }

    fn modifier(
        &mut self,
        tree: &Tree,
        id: ItemId,
        parent: ItemId,
        role: Role,
        vocabulary: &Vocabulary,
    ) {
        let item = tree.item(id);
        let Some(contained) = modifies(item, role) else {
            return;
        };
        let above = tree.item(parent);
        // What stands below a Finding Site is said of the item that the site is of.
        let below_site = matches!(above.value, Value::Code(_))
            && role_of(above.concept.as_ref(), vocabulary) == Some(Role::FindingSite);
        let (owner, spot) = match tree.parent(parent) {
            Some(owner) if below_site => (owner, Spot::Site),
            _ => (parent, Spot::Modifier),
        };
        if let Value::Instance { instance, .. } = &above.value {
            if let (Role::ImageLaterality | Role::Laterality, Value::Code(code)) =
                (role, &item.value)
            {
                let sides = self.pictures.entry(instance.clone()).or_default();
                sides_of(sides, id, code, &vocabulary.explain(code), spot);
            }
            return;
        }
        match &item.value {
            Value::Text(text) if role == Role::TrackingIdentifier => {
                self.called(owner, id, "its text", text, vocabulary);
                self.earlier(tree, owner, id, text, vocabulary);
                return;
            }
            // A code should stand here. A side in words finds none, and contradicts.
            Value::Text(text) if may_name_a_side(role) && !exceeds(text.trim(), LABEL) => {
                self.called(owner, id, "its text", text, vocabulary);
                self.earlier(tree, owner, id, text, vocabulary);
                return;
            }
            Value::Code(code)
                if may_name_a_side(role) && vocabulary.explain(code).sides.is_empty() =>
            {
                self.called(owner, id, "its meaning", &code.meaning, vocabulary);
                self.earlier(tree, owner, id, &code.meaning, vocabulary);
            }
            Value::Uid(text) | Value::Text(text) if role == Role::ProcedureStudy => {
                self.procedure(owner, id, ProcedureSaid::Study(shortened(text.trim(), 64)));
                return;
            }
            Value::Time(text) if role == Role::ProcedureDate => {
                self.procedure(owner, id, ProcedureSaid::Date(shortened(text.trim(), 64)));
                return;
            }
            _ if subject::tells_of(role) => {
                self.subject(tree, id, parent, role, vocabulary);
                return;
            }
            _ => {}
        }
        let level = self.levels.entry(owner).or_default();
        if contained {
            level.contained = level.contained.or(Some(id));
        }
        match &item.value {
            Value::Code(code) => level.coded(id, role, code, spot, vocabulary),
            Value::Num { .. }
                if role == Role::Depth && !is_depth_of_values(tree, id, vocabulary) => {}
            Value::Num { measured, .. } => {
                let number = Said {
                    says: measured.clone(),
                    at: id,
                    code: String::new(),
                    spot,
                };
                match role {
                    Role::Depth => say_few(&mut level.depths, number),
                    Role::Angle => say_few(&mut level.angles, number),
                    _ => {}
                }
            }
            Value::Coordinates { .. } => {
                let shape = Said {
                    says: id,
                    at: id,
                    code: String::new(),
                    spot,
                };
                match role {
                    Role::NerveAxis => say(&mut level.axes, shape),
                    Role::GlobePoint => say(&mut level.globes, shape),
                    _ => {}
                }
            }
            Value::PersonName(text) | Value::Text(text) if !text.trim().is_empty() => {
                let text = Said {
                    says: text.trim().to_owned(),
                    at: id,
                    code: String::new(),
                    spot,
                };
                // A TEXT is longer than the attribute of the header may be.
                let text = match role {
                    // Cut, it would be another's: unknown equals nothing.
                    Role::DeviceSerial if exceeds(&text.says, 64) => return,
                    Role::TimePoint if exceeds(&text.says, TIME_POINT) => Said {
                        says: digest_of(&text.says),
                        ..text
                    },
                    Role::TimePoint => text,
                    Role::DeviceManufacturer | Role::DeviceModel => Said {
                        says: shortened(&text.says, 64),
                        ..text
                    },
                    _ => Said {
                        says: shortened(&text.says, NAME),
                        ..text
                    },
                };
                match role {
                    Role::Modality => {
                        let code = imaging::word(&text.says);
                        level.coded(id, role, &code, spot, vocabulary);
                    }
                    Role::TimePoint => say_few(&mut level.time_points, text),
                    // Whoever only recorded did not measure.
                    Role::ObserverName
                        if level.operators.len() < DISTINCT
                            && !observer::only_recorded(tree, parent, id) =>
                    {
                        say(&mut level.operators, text);
                    }
                    Role::DeviceManufacturer => say_few(&mut level.manufacturers, text),
                    Role::DeviceModel => say_few(&mut level.models, text),
                    Role::DeviceSerial => say_few(&mut level.serials, text),
                    Role::Quotation => level.quoted = level.quoted.or(Some(id)),
                    _ => {}
                }
            }
            _ => {}
        }
    }
}

/// Whether a text where a code of this role should stand, or its meaning, can name a side.
fn may_name_a_side(role: Role) -> bool {
    matches!(
        role,
        Role::FindingSite
            | Role::Laterality
            | Role::ImageLaterality
            | Role::TopographicalModifier
            | Role::Finding
            | Role::TrackingIdentifier
    )
}

/// Whether a number with the role of a depth tells the depth of the values around it. One that has a
/// site of its own, or is deeper than a nerve is seen, is the depth of something else, unless its name
/// says that it is the depth behind the globe.
fn is_depth_of_values(tree: &Tree, id: ItemId, vocabulary: &Vocabulary) -> bool {
    let item = tree.item(id);
    let own = vocabulary.explain_some(item.concept.as_ref());
    if own.says.concept.is_none() {
        return true;
    }
    let below = tree.children(id).iter();
    let mut below = below.map(|&child| role_of(tree.item(child).concept.as_ref(), vocabulary));
    let length = match &item.value {
        Value::Num {
            measured: Some(measured),
            ..
        } => numbers::length_of(measured, vocabulary),
        _ => None,
    };
    !below.any(|role| role == Some(Role::FindingSite))
        && length.is_some_and(|length| length.um() >= 0 && length <= DEEPEST)
}

/// A side that an attribute outside the tree gives.
pub(super) fn attribute(name: &str, side: Side, root: ItemId) -> Said<SideSaid> {
    Said {
        says: SideSaid::Known(side),
        at: root,
        code: format!("attribute {name}"),
        spot: Spot::Modifier,
    }
}

fn role_of(concept: Option<&Code>, vocabulary: &Vocabulary) -> Option<Role> {
    vocabulary.explain_some(concept).says.role
}

fn said<T>(says: T, at: ItemId, code: &Code, spot: Spot) -> Said<T> {
    Said {
        says,
        at,
        code: code.to_string(),
        spot,
    }
}

/// Value, scheme and nothing else of a code: it is kept for every place that says it.
fn named(code: &Code) -> Code {
    Code {
        value: code.value.clone(),
        scheme: code.scheme.clone(),
        meaning: String::new(),
        equivalents: Vec::new(),
    }
}

fn sides_of(
    sides: &mut Vec<Said<SideSaid>>,
    id: ItemId,
    code: &Code,
    value: &Explained,
    spot: Spot,
) {
    for &side in &value.sides {
        say(sides, said(as_said(side, value), id, code, spot));
    }
    if value.sides.is_empty() {
        say(sides, said(SideSaid::Unknown, id, code, spot));
    }
}

/// A side of a code, unless its own meaning names another.
fn as_said(code: Side, value: &Explained) -> SideSaid {
    match value.named {
        Some(meaning) => SideSaid::Contradicted { code, meaning },
        None => SideSaid::Known(code),
    }
}

impl Level {
    /// Takes all that a code says, whatever the item's role: pre-coordinated codes say a lot.
    fn take(&mut self, id: ItemId, code: &Code, value: &Explained, spot: Spot) {
        for &side in &value.sides {
            say(&mut self.sides, said(as_said(side, value), id, code, spot));
        }
        let says = &value.says;
        if let Some(site) = says.site {
            say(&mut self.sites, said(Some(site), id, code, spot));
        }
        if let Some(part) = says.structure {
            say(&mut self.structures, said(part, id, code, spot));
        }
        if let Some(plane) = says.plane {
            say(&mut self.planes, said(Some(plane), id, code, spot));
        }
        if let Some(border) = says.definition {
            say(&mut self.definitions, said(border, id, code, spot));
        }
        if let Some(made) = says.derivation {
            say(&mut self.made, said(made, id, code, spot));
        }
        if let Some(modality) = says.modality {
            say(&mut self.modalities, said(modality, id, code, spot));
        }
    }

    fn coded(&mut self, id: ItemId, role: Role, code: &Code, spot: Spot, vocabulary: &Vocabulary) {
        let value = vocabulary.explain(code);
        // A local code of the procedure is usual and says nothing that is needed.
        if !value.known && is_private(code) && role != Role::Procedure {
            say_few(&mut self.private, said(named(code), id, code, spot));
        }
        match role {
            Role::Laterality | Role::ImageLaterality => {
                sides_of(&mut self.sides, id, code, &value, spot);
            }
            Role::FindingSite => {
                // A side pre-coordinated in the site itself.
                self.take(id, code, &value, Spot::Site);
                if value.says.site.is_none() {
                    say(&mut self.sites, said(None, id, code, spot));
                }
            }
            Role::TopographicalModifier | Role::Definition => self.take(id, code, &value, spot),
            Role::Orientation => {
                self.take(id, code, &value, spot);
                if value.says.plane.is_none() && value.sides.is_empty() {
                    say(&mut self.planes, said(None, id, code, spot));
                }
            }
            Role::Derivation | Role::SelectionStatus => {
                let made = value.says.derivation.unwrap_or(Made::Unclear);
                let list = match role {
                    Role::Derivation => &mut self.made,
                    _ => &mut self.selected,
                };
                say(list, said(made, id, code, spot));
            }
            Role::Method | Role::Procedure => self.take(id, code, &value, spot),
            Role::Modality => {
                let modality = imaging::stated(&value);
                say(&mut self.modalities, said(modality, id, code, spot));
            }
            Role::SubjectClass => {
                let subject = value.says.subject.unwrap_or(Subject::Other);
                say(&mut self.subjects, said(subject, id, code, spot));
            }
            Role::Quotation => self.quoted = self.quoted.or(Some(id)),
            Role::TimePoint => {
                say_few(
                    &mut self.time_points,
                    said(code.to_string(), id, code, spot),
                );
            }
            Role::Depth
            | Role::Angle
            | Role::Finding
            | Role::ProcedureStudy
            | Role::ProcedureDate
            | Role::TrackingIdentifier
            | Role::SubjectId
            | Role::SubjectName
            | Role::SubjectBirthDate
            | Role::SubjectSex
            | Role::IdIssuer
            | Role::NerveAxis
            | Role::GlobePoint
            | Role::ObserverName
            | Role::DeviceManufacturer
            | Role::DeviceModel
            | Role::DeviceSerial => {}
        }
    }
}
