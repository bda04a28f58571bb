//! Which template reads a document: the most specific one that fits, and never a pick of two.

use super::{Template, Templates};
use crate::sr::code::CodeKey;
use std::collections::BTreeSet;

/// Conditions on a document. Those that are given must all hold.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Fits {
    /// The root's template id is one of these.
    pub root_template: Vec<String>,
    /// The root's concept name is one of these.
    pub root: Vec<CodeKey>,
    /// Below the root stands at least one container of each of these names.
    pub containers: Vec<CodeKey>,
    /// Some container below the root speaks of a side.
    pub section_per_side: bool,
    /// Some item has a Finding Site.
    pub finding_site: bool,
}

/// What the choice looks at.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Shape {
    /// Concept name of the root, with its equivalents.
    pub root: Vec<CodeKey>,
    /// Template id of the root.
    pub root_template: Option<String>,
    /// Concept names of the containers below the root.
    pub containers: BTreeSet<CodeKey>,
    /// Whether a container below the root speaks of a side.
    pub section_per_side: bool,
    /// Whether any item has a Finding Site.
    pub finding_site: bool,
}

impl Fits {
    /// Whether every given condition holds.
    #[must_use]
    pub fn holds(&self, shape: &Shape) -> bool {
        // A condition that is not given asks for nothing; without any, a template fits everything.
        let template = shape.root_template.as_ref();
        (self.root_template.is_empty()
            || template.is_some_and(|id| self.root_template.contains(id)))
            && (self.root.is_empty() || shape.root.iter().any(|key| self.root.contains(key)))
            && self
                .containers
                .iter()
                .all(|key| shape.containers.contains(key))
            && (!self.section_per_side || shape.section_per_side)
            && (!self.finding_site || shape.finding_site)
    }

    /// How narrow the conditions are. Each kind outweighs all kinds after it, so that two templates
    /// weigh the same only when they ask the same kinds of question.
    #[must_use]
    pub fn weight(&self) -> u32 {
        [
            !self.root_template.is_empty(),
            !self.root.is_empty(),
            !self.containers.is_empty(),
            self.section_per_side,
            self.finding_site,
        ]
        .into_iter()
        .fold(0, |sum, given| sum * 2 + u32::from(given))
    }
}

/// The outcome of the choice.
#[derive(Debug, Clone, PartialEq)]
pub enum Choice<'a> {
    /// Exactly one template is the most specific that fits.
    One(&'a Template),
    /// Several are equally specific: none is picked.
    Tie(Vec<&'a Template>),
    /// None fits.
    None,
}

impl Templates {
    /// The template for a document of this shape.
    #[must_use]
    pub fn choose(&self, shape: &Shape) -> Choice<'_> {
        let fitting: Vec<&Template> = self
            .list()
            .iter()
            .filter(|template| template.fits.holds(shape))
            .collect();
        // Order in the folder must decide nothing, so the most specific one counts, and a tie is told.
        let most = fitting.iter().map(|template| template.fits.weight()).max();
        let best: Vec<&Template> = fitting
            .into_iter()
            .filter(|template| Some(template.fits.weight()) == most)
            .collect();
        match best.as_slice() {
            [] => Choice::None,
            [one] => Choice::One(one),
            _ => Choice::Tie(best),
        }
    }
}
