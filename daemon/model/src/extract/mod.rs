//! Finds the values: tree and templates in, values as sent with their places out.
//!
//! Every NUM is looked at. Context comes from the number's own modifiers, then from each enclosing
//! item's, to any depth. Nothing is matched by display text and nothing is guessed: what is unclear
//! becomes a remark.

mod beside;
mod context;
mod drawn;
mod example;
mod facts;
mod found;
mod imaging;
mod label;
mod left;
mod level;
mod observer;
mod picture;
pub mod presentation;
mod recognise;
mod reference;
mod shape;
mod side;
mod standing;
mod subject;
mod unread;

#[cfg(test)]
pub(crate) mod build;
#[cfg(test)]
mod tests;

pub use found::{Extraction, Found, Given, Other, Stands};
pub use imaging::Outside;
pub use left::{Left, Region};
pub use level::ProcedureSaid;
pub use standing::is_local_scheme;
pub use subject::Stated;

use crate::domain::{Quantity, Remark, RemarkCode};
use crate::sr::tree::{Relationship, Tree, Value};
use crate::sr::{ContentItem, ItemId};
use crate::template::words::{Role, Side};
use crate::template::{Choice, Template, Templates};
use context::Chain;
use label::Labels;
use left::Lefts;
use level::Levels;
use recognise::Recognised;
use unread::Unread;

/// Finds every value of our quantities in one document.
#[must_use]
pub fn extract(tree: &Tree, templates: &Templates) -> Extraction {
    extract_beside(&[], Outside::default(), tree, templates)
}

/// The same, with what attributes outside the tree give. Sides, each with the name of its attribute,
/// are the farthest sources.
#[must_use]
pub fn extract_beside(
    attributes: &[(&str, Side)],
    outside: Outside<'_>,
    tree: &Tree,
    templates: &Templates,
) -> Extraction {
    let mut levels = Levels::read(tree, templates.vocabulary());
    levels.header = attributes
        .iter()
        .map(|&(name, side)| level::attribute(name, side, tree.root()))
        .collect();
    levels.imaging.outside(outside, templates.vocabulary());
    let levels = levels;
    let shape = shape::of(tree, &levels, templates.vocabulary());
    match templates.choose(&shape) {
        Choice::One(template) => read_by(template, tree, &levels, templates),
        Choice::None => Extraction {
            remarks: vec![
                Remark::of(RemarkCode::TemplateNone, "No template reads this document.")
                    .act("Add a template for this kind of report."),
            ],
            ..Extraction::default()
        },
        Choice::Tie(several) => {
            let names: Vec<&str> = several.iter().map(|one| one.id.as_str()).collect();
            Extraction {
                remarks: vec![
                    Remark::of(
                        RemarkCode::TemplateTie,
                        format!(
                            "The templates {} fit this document equally well, so none was picked.",
                            names.join(" and ")
                        ),
                    )
                    .at(tree.place(tree.root()))
                    .act("Give one of them a further condition under [fits]."),
                ],
                ..Extraction::default()
            }
        }
    }
}

/// Lengths kept that no rule takes; the first few tell as much as all.
const OTHERS: usize = 256;

/// How a NUM is reached from the root.
#[derive(PartialEq, Eq)]
enum Reach {
    /// By CONTAINS and INFERRED FROM alone: it can be a value.
    Value,
    /// Somewhere by a relationship that makes it a property or context of something else.
    Property,
    /// Somewhere by a relationship that no number can stand in.
    Strange,
}

fn reach(tree: &Tree, number: ItemId) -> Reach {
    let mut reach = Reach::Value;
    for id in tree.upwards(number).filter(|&id| id != tree.root()) {
        match tree.item(id).relationship {
            Relationship::Contains | Relationship::InferredFrom => {}
            Relationship::HasProperties
            | Relationship::HasConceptMod
            | Relationship::HasObsContext
            | Relationship::HasAcqContext => return Reach::Property,
            Relationship::SelectedFrom | Relationship::Other => reach = Reach::Strange,
        }
    }
    reach
}

fn read_by(template: &Template, tree: &Tree, levels: &Levels, templates: &Templates) -> Extraction {
    let vocabulary = templates.vocabulary();
    let mut found = Vec::new();
    let mut remarks = levels.references.remarks.clone();
    let mut unread = Unread::new(tree, levels, vocabulary);
    let mut others = Vec::new();
    let mut lefts = Lefts::new(tree, vocabulary);
    let mut labels = Labels::new(tree, vocabulary);
    for id in tree.ids() {
        let item = tree.item(id);
        let Value::Num { .. } = &item.value else {
            continue;
        };
        let reach = reach(tree, id);
        if reach == Reach::Property {
            continue;
        }
        let chain = Chain::of(tree, id, levels);
        let own = vocabulary.explain_some(item.concept.as_ref());
        let mut note_other = || {
            let believed = &template.laterality;
            let other = found::other(tree, id, &own, &chain, believed, vocabulary);
            others.extend(other.filter(|_| others.len() < OTHERS));
        };
        let by_codes = recognise::recognise(&own, &chain, template, templates.site_measures());
        let labelled = labels.of(id, &own, &chain);
        let (recognised, label) = label::settle(by_codes, &labelled, &own);
        match recognised {
            Recognised::Ours(rule) if reach == Reach::Strange => {
                remarks.push(
                    Remark::of(
                        RemarkCode::RelationshipNotUnderstood,
                        "A sheath value hangs in the tree by a relationship no number can have, so \
                         nobody can tell whether it is one.",
                    )
                    .at(tree.place(id))
                    .act("Correct the report at its source."),
                );
                if rule.quantity == Quantity::SheathDiameter {
                    lefts.note(id, &own, &chain, true);
                }
            }
            Recognised::Ours(rule) => {
                if rule.quantity == Quantity::SheathDiameter {
                    let by_label = label.is_some_and(|label| label::is_by_label(rule, label));
                    lefts.sheath(&chain, by_label);
                }
                let chain = match label {
                    Some(label) => label.beside(chain),
                    None => chain,
                };
                let one = found::found(
                    tree,
                    id,
                    rule,
                    &own,
                    &chain,
                    template,
                    vocabulary,
                    &mut remarks,
                );
                if let Some(one) = &one {
                    unread.found(id, one, &own);
                }
                found.extend(one.map(|mut one| {
                    let (modality, remark) = levels.imaging.of(&chain);
                    one.modality = modality;
                    let by_label = label.filter(|label| label::is_by_label(rule, label));
                    let by_label = by_label.map(|label| label.remark(tree));
                    let remarks = remark.into_iter().chain(by_label);
                    let place = one.place.clone();
                    one.remarks.extend(remarks.map(|remark| remark.at(&place)));
                    one
                }));
            }
            Recognised::Doubt(remark) => {
                if labels.is_news(id, &remark) {
                    remarks.push(remark.at(tree.place(id)));
                }
                note_other();
                lefts.note(id, &own, &chain, true);
                unread.doubtful(id, &own);
            }
            Recognised::NotOurs => {}
            Recognised::Unknown if is_role(own.says.role) => {}
            Recognised::Unknown => {
                note_other();
                lefts.note(id, &own, &chain, false);
                unread.unknown(id, &chain, &own);
            }
        }
    }
    let (told, unexplained) = unread.told();
    remarks.extend(told);
    Extraction {
        template: Some(template.label()),
        found,
        stated: levels.stated.clone(),
        unread: others,
        left: lefts.told(),
        unexplained,
        remarks,
    }
}

/// An angle beside the values, rather than below one, belongs to none of them; a depth belongs to all.
fn is_role(role: Option<Role>) -> bool {
    matches!(role, Some(Role::Angle | Role::Depth))
}

/// Whether an item may modify its parent, and by CONTAINS only for want of something better.
fn modifies(item: &ContentItem, role: Role) -> Option<bool> {
    match item.relationship {
        Relationship::HasConceptMod | Relationship::HasObsContext | Relationship::HasAcqContext => {
            Some(false)
        }
        _ if matches!(role, Role::NerveAxis | Role::GlobePoint | Role::Modality) => Some(false),
        // However it is tied: somebody else's id is never passed over.
        _ if subject::tells_of(role) => Some(false),
        // Nor is what speaks against a side or of another exam.
        _ if matches!(
            role,
            Role::TrackingIdentifier | Role::ProcedureStudy | Role::ProcedureDate
        ) =>
        {
            Some(false)
        }
        Relationship::HasProperties => {
            matches!(role, Role::Depth | Role::Angle | Role::SelectionStatus).then_some(false)
        }
        // A container has no properties: a depth or angle told once for its values stands among
        // them.
        Relationship::Contains if matches!(role, Role::Depth | Role::Angle | Role::Finding) => {
            Some(false)
        }
        Relationship::Contains => {
            matches!(role, Role::FindingSite | Role::Laterality).then_some(true)
        }
        Relationship::InferredFrom | Relationship::SelectedFrom | Relationship::Other => None,
    }
}
