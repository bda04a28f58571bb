//! What stands at an item: codes that nobody explains and short texts, as far as they can say something
//! of the numbers below. Never what is said of a subject, an observer, a device or a procedure.

use super::subject;
use crate::domain::CodeRole;
use crate::sr::bounds::exceeds;
use crate::sr::tree::{Relationship, Tree, Value};
use crate::sr::{Code, ContentItem, ItemId};
use crate::template::Vocabulary;
use crate::template::words::Role;

/// Schemes that are no site's or maker's own (PS3.16 table 8-1, those that measurements are coded in).
/// Everything else is local, whether or not it begins with `99` as PS3.16 8.2 asks.
const STANDARD: [&str; 20] = [
    "DCM",
    "SCT",
    "SRT",
    "SNM3",
    "99SDM",
    "LN",
    "UCUM",
    "UMLS",
    "NCIt",
    "FMA",
    "RADLEX",
    "MDC",
    "ICD10",
    "ICD11",
    "I10",
    "I11",
    "C4",
    "ISO3166_1",
    "RFC5646",
    "IBSI",
];

/// Whether a Coding Scheme Designator is a site's or maker's own.
#[must_use]
pub fn is_local_scheme(scheme: &str) -> bool {
    !STANDARD.contains(&scheme.trim())
}

/// Whether a code is of such a scheme.
pub(super) fn is_local(code: &Code) -> bool {
    is_local_scheme(&code.scheme)
}

/// Letters of a text that may be a label; a longer one is a sentence.
pub(super) const LABEL: usize = 64;

/// Schemes whose titles are headings: they say nothing of site or side that the vocabulary does not know.
const HEADINGS: [&str; 2] = ["DCM", "LN"];

fn is_heading(code: &Code) -> bool {
    HEADINGS.contains(&code.scheme.trim())
}

/// Whether a container's title can say something of what is in it.
pub(super) fn is_title_told(title: &Code) -> bool {
    !is_heading(title)
}

/// Whether items of a role speak of somebody or something else than the values.
fn is_of_others(role: Role) -> bool {
    subject::tells_of(role)
        || matches!(
            role,
            Role::SubjectClass
                | Role::IdIssuer
                | Role::ObserverName
                | Role::DeviceManufacturer
                | Role::DeviceModel
                | Role::DeviceSerial
                | Role::Procedure
                | Role::ProcedureStudy
                | Role::ProcedureDate
                | Role::TimePoint
                | Role::Quotation
        )
}

/// What a value under an item of this role stands for; `None` when it needs no explanation.
fn stands_for(role: Role) -> Option<CodeRole> {
    Some(match role {
        Role::FindingSite => CodeRole::Site,
        Role::Laterality | Role::ImageLaterality => CodeRole::Side,
        Role::TopographicalModifier => CodeRole::Part,
        Role::Orientation => CodeRole::Plane,
        Role::Derivation | Role::SelectionStatus => CodeRole::Derivation,
        Role::Method => CodeRole::Method,
        Role::Definition => CodeRole::Definition,
        Role::Finding | Role::Modality => CodeRole::Context,
        _ => return None,
    })
}

/// Items below items that are looked at: a Finding Site has modifiers, these may have some.
const DEEP: usize = 2;

/// Every unexplained code that stands at an item and is said of it, with the item that holds it.
pub(super) fn described<'t>(
    tree: &'t Tree,
    vocabulary: &Vocabulary,
    owner: ItemId,
    each: &mut dyn FnMut(ItemId, CodeRole, &'t Code),
) {
    below(tree, vocabulary, owner, DEEP, each);
}

fn below<'t>(
    tree: &'t Tree,
    vocabulary: &Vocabulary,
    owner: ItemId,
    deep: usize,
    each: &mut dyn FnMut(ItemId, CodeRole, &'t Code),
) {
    for &child in tree.children(owner) {
        let item = tree.item(child);
        let Value::Code(value) = &item.value else {
            continue;
        };
        let Some(name) = item.concept.as_ref().filter(|_| is_said_of_parent(item)) else {
            continue;
        };
        let explained = vocabulary.explain(name);
        let is_unknown = || !vocabulary.explain(value).known;
        match explained.says.role {
            Some(role) if is_of_others(role) => continue,
            Some(role) => {
                // How it was measured and what was found stand in no value's way by a standard code.
                let loose = |role| matches!(role, CodeRole::Method | CodeRole::Context);
                let role = stands_for(role).filter(|&role| is_local(value) || !loose(role));
                if let Some(role) = role.filter(|_| is_unknown()) {
                    each(child, role, value);
                }
            }
            None if explained.known => {}
            None => {
                let is_outer = item.relationship == Relationship::HasObsContext
                    || item.relationship == Relationship::Contains
                    || owner == tree.root();
                // Language, country, observer type: standard names that say nothing of a value.
                if !is_local(name) && (is_outer || is_heading(name)) {
                    continue;
                }
                each(child, CodeRole::Item, name);
                if is_unknown() {
                    each(child, CodeRole::Value, value);
                }
            }
        }
        if deep > 0 {
            below(tree, vocabulary, child, deep - 1, each);
        }
    }
}

fn is_said_of_parent(item: &ContentItem) -> bool {
    matches!(
        item.relationship,
        Relationship::Contains
            | Relationship::HasObsContext
            | Relationship::HasAcqContext
            | Relationship::HasConceptMod
            | Relationship::HasProperties
    )
}

/// A short text that stands at an item.
#[derive(Debug, Clone, Copy)]
pub(super) struct Text<'t> {
    pub(super) at: ItemId,
    /// What the item is called.
    pub(super) name: Option<&'t Code>,
    pub(super) text: &'t str,
    /// It is a Tracking Identifier.
    pub(super) tracks: bool,
}

impl Text<'_> {
    /// Whether a list explains it, or there is nothing to explain: no letters, only a count.
    pub(super) fn is_told(&self, vocabulary: &Vocabulary) -> bool {
        vocabulary.label(self.text).is_some()
            || vocabulary.word(self.text).is_some()
            || !self.text.chars().any(char::is_alphabetic)
    }
}

/// The short texts at a number or in a container, blanks around them taken off. Of what is observation
/// context of a container only a Tracking Identifier: other text there tells who and where.
pub(super) fn texts<'t>(
    tree: &'t Tree,
    vocabulary: &'t Vocabulary,
    owner: ItemId,
) -> impl Iterator<Item = Text<'t>> + 't {
    let in_container = matches!(tree.item(owner).value, Value::Container);
    tree.children(owner).iter().filter_map(move |&at| {
        let item = tree.item(at);
        let Value::Text(text) = &item.value else {
            return None;
        };
        let text = text.trim();
        if text.is_empty() || exceeds(text, LABEL) || !is_said_of_parent(item) {
            return None;
        }
        let name = item.concept.as_ref();
        let role = vocabulary.explain_some(name).says.role;
        let is_observed = item.relationship == Relationship::HasObsContext;
        let tells = match role {
            Some(Role::TrackingIdentifier) => true,
            Some(role) if is_of_others(role) => false,
            _ => !is_observed || (!in_container && !name.is_some_and(is_heading)),
        };
        let tracks = role == Some(Role::TrackingIdentifier);
        tells.then_some(Text {
            at,
            name,
            text,
            tracks,
        })
    })
}
