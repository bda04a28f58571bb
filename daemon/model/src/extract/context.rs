//! The context of one number: what its own level says, then each enclosing one.

use super::level::{Level, Levels, Said, SideSaid, Spot};
use crate::sr::ItemId;
use crate::sr::tree::{Relationship, Tree, Value};
use crate::template::words::{Site, Stand, Structure};
use std::collections::BTreeSet;

/// One step of the way from a number to the root.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step<'a> {
    pub(super) level: &'a Level,
    /// The number itself.
    pub(super) own: bool,
    /// A number that this one is a reading behind: how it was made says nothing of the reading.
    pub(super) parent_number: bool,
}

impl Step<'_> {
    /// Where something said at this step stands, seen from the number.
    pub(super) fn stand(&self, spot: Spot) -> Stand {
        match (self.own, spot) {
            (true, Spot::Site) => Stand::OwnSite,
            (true, Spot::Modifier) => Stand::OwnModifier,
            (true, Spot::Concept) => Stand::OwnConcept,
            (false, Spot::Site) => Stand::EnclosingSite,
            (false, Spot::Modifier) => Stand::EnclosingModifier,
            (false, Spot::Concept) => Stand::EnclosingConcept,
            (_, Spot::Word) => Stand::Word,
        }
    }
}

/// All steps that say something, nearest first.
#[derive(Debug)]
pub(super) struct Chain<'a> {
    pub(super) steps: Vec<Step<'a>>,
    /// Steps of what the number names as inferred from by reference, and of what is around that.
    pub(super) referred: Vec<&'a Level>,
    /// SOP Instance UIDs of the pictures that the number was read from.
    pub(super) pictures_seen: Vec<String>,
    /// Their sides.
    pub(super) pictures: Vec<&'a Said<SideSaid>>,
    /// Sides that the document's attributes give.
    pub(super) header: &'a [Said<SideSaid>],
}

impl<'a> Chain<'a> {
    /// The context of a number.
    pub(super) fn of(tree: &Tree, number: ItemId, levels: &'a Levels) -> Chain<'a> {
        let steps = tree
            .upwards(number)
            .filter_map(|id| {
                let own = id == number;
                levels.get(id).map(|level| Step {
                    level,
                    own,
                    parent_number: !own && matches!(tree.item(id).value, Value::Num { .. }),
                })
            })
            .collect();
        let pictures_seen = levels.pictures_of(tree, number);
        Chain {
            steps,
            referred: referred(tree, number, levels),
            pictures: sides_of(&pictures_seen, levels),
            pictures_seen,
            header: &levels.header,
        }
    }

    /// The sites that count: those of the nearest level that names any, else of what the number
    /// refers to.
    pub(super) fn sites(&self) -> Vec<Site> {
        let nearest = self
            .steps
            .iter()
            .map(|step| step.level)
            .find(|level| !level.sites.is_empty());
        let known = |level: &Level| level.sites.iter().filter_map(|said| said.says).collect();
        match nearest {
            Some(level) => known(level),
            None => self
                .referred
                .iter()
                .flat_map(|level| -> Vec<Site> { known(level) })
                .collect(),
        }
    }

    /// The parts that count: those of the nearest level that names any, up to and with the nearest
    /// level that names a site. The group's sheath says nothing of a number whose own site is an
    /// artery.
    pub(super) fn structures(&self) -> Vec<Structure> {
        for step in &self.steps {
            if !step.level.structures.is_empty() {
                let mut parts: Vec<Structure> =
                    step.level.structures.iter().map(|said| said.says).collect();
                parts.sort_unstable();
                parts.dedup();
                return parts;
            }
            let sites = &step.level.sites;
            if !sites.is_empty() && sites.iter().all(|said| said.says.is_none()) {
                return Vec::new();
            }
        }
        let referred = self.referred.iter().flat_map(|level| &level.structures);
        let mut parts: Vec<Structure> = referred.map(|said| said.says).collect();
        parts.sort_unstable();
        parts.dedup();
        parts
    }

    /// Whether any level speaks of the eye or what belongs to it.
    pub(super) fn speaks_of_the_eye(&self) -> bool {
        let own = self.steps.iter().map(|step| step.level);
        own.chain(self.referred.iter().copied()).any(|level| {
            level.sites.iter().any(|said| said.says.is_some()) || !level.structures.is_empty()
        })
    }

    /// What the nearest level that says anything in `list` says.
    pub(super) fn nearest<T>(&self, list: impl Fn(&'a Level) -> &'a Vec<Said<T>>) -> &'a [Said<T>] {
        self.steps
            .iter()
            .map(|step| list(step.level).as_slice())
            .find(|said| !said.is_empty())
            .unwrap_or(&[])
    }

    /// The same, passing over numbers that this one is a reading behind.
    pub(super) fn nearest_but_parents<T>(
        &self,
        list: impl Fn(&'a Level) -> &'a Vec<Said<T>>,
    ) -> &'a [Said<T>] {
        self.steps
            .iter()
            .filter(|step| !step.parent_number)
            .map(|step| list(step.level).as_slice())
            .find(|said| !said.is_empty())
            .unwrap_or(&[])
    }
}

/// By-reference items of one number that are looked at; each brings up to the whole depth of the
/// tree with it.
const FOLLOWED: usize = 64;

fn referred<'a>(tree: &Tree, number: ItemId, levels: &'a Levels) -> Vec<&'a Level> {
    let targets = tree
        .children(number)
        .iter()
        .filter(|&&child| {
            let child = tree.item(child);
            child.relationship == Relationship::InferredFrom
                && matches!(child.value, Value::Reference(_))
        })
        .take(FOLLOWED)
        .filter_map(|&child| levels.references.follow(tree, child))
        .filter(|&at| matches!(tree.item(at).value, Value::Container | Value::Num { .. }));
    let mut seen = BTreeSet::new();
    let mut found = Vec::new();
    for target in targets {
        for at in tree.upwards(target) {
            if !seen.insert(at) {
                break;
            }
            found.extend(levels.get(at));
        }
    }
    found
}

fn sides_of<'a>(pictures: &[String], levels: &'a Levels) -> Vec<&'a Said<SideSaid>> {
    let mut sides: Vec<&Said<SideSaid>> = Vec::new();
    for instance in pictures {
        for said in levels.picture(instance) {
            if !sides.iter().any(|old| old.says == said.says) {
                sides.push(said);
            }
        }
    }
    sides
}
