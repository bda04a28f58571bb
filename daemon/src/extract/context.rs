//! The context of one number: what its own level says, then each enclosing one.

use super::level::{Level, Levels, Said, SideSaid, Spot};
use crate::sr::ItemId;
use crate::sr::tree::{Relationship, Tree, Value};
use crate::template::words::{Site, Stand, Structure};

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
        }
    }
}

/// All steps that say something, nearest first.
#[derive(Debug)]
pub(super) struct Chain<'a> {
    pub(super) steps: Vec<Step<'a>>,
    /// Sides of the pictures that the number was read from.
    pub(super) pictures: Vec<&'a Said<SideSaid>>,
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
        Chain {
            steps,
            pictures: pictures(tree, number, levels),
        }
    }

    /// The sites that count: those of the nearest level that names any.
    pub(super) fn sites(&self) -> Vec<Site> {
        self.steps
            .iter()
            .find(|step| !step.level.sites.is_empty())
            .map(|step| {
                step.level
                    .sites
                    .iter()
                    .filter_map(|said| said.says)
                    .collect()
            })
            .unwrap_or_default()
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
        Vec::new()
    }

    /// Whether any level speaks of the eye or what belongs to it.
    pub(super) fn speaks_of_the_eye(&self) -> bool {
        self.steps.iter().any(|step| {
            step.level.sites.iter().any(|said| said.says.is_some())
                || !step.level.structures.is_empty()
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

fn pictures<'a>(tree: &Tree, number: ItemId, levels: &'a Levels) -> Vec<&'a Said<SideSaid>> {
    let mut sides: Vec<&Said<SideSaid>> = Vec::new();
    let mut add = |id: ItemId| {
        if let Value::Instance { instance, .. } = &tree.item(id).value {
            for said in levels.picture(instance) {
                if !sides.iter().any(|old| old.says == said.says) {
                    sides.push(said);
                }
            }
        }
    };
    for &child in tree.children(number) {
        if tree.item(child).relationship != Relationship::InferredFrom {
            continue;
        }
        add(child);
        if let Value::Coordinates { .. } = tree.item(child).value {
            tree.children(child).iter().copied().for_each(&mut add);
        }
    }
    sides
}
