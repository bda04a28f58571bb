//! The content tree: items in an arena, parents and children by index.

use super::Code;

/// Index of an item in its [`Tree`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ItemId(pub(crate) usize);

/// How an item relates to its parent (PS3.3 C.17.3.2.4).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Relationship {
    /// CONTAINS.
    Contains,
    /// HAS OBS CONTEXT.
    HasObsContext,
    /// HAS ACQ CONTEXT.
    HasAcqContext,
    /// HAS CONCEPT MOD.
    HasConceptMod,
    /// HAS PROPERTIES.
    HasProperties,
    /// INFERRED FROM.
    InferredFrom,
    /// SELECTED FROM.
    SelectedFrom,
    /// Anything else, or none; only the root may have none.
    Other,
}

/// The measured value of a NUM, as sent.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Measured {
    /// Numeric Value (DS), outer blanks removed.
    pub decimal: Option<String>,
    /// Floating Point Value (FD).
    pub float: Option<f64>,
    /// Rational Numerator Value and Rational Denominator Value (SL, UL).
    pub rational: Option<(i32, u32)>,
    /// Measurement Units Code Sequence.
    pub unit: Option<Code>,
}

/// What an item holds.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// CONTAINER.
    Container,
    /// TEXT.
    Text(String),
    /// CODE.
    Code(Code),
    /// NUM: the value, unless the Measured Value Sequence is empty, and its qualifier.
    Num {
        /// `None` when the Measured Value Sequence is empty: no value.
        measured: Option<Measured>,
        /// Numeric Value Qualifier: why the value is missing or odd.
        qualifier: Option<Code>,
    },
    /// DATETIME, DATE or TIME, as sent.
    Time(String),
    /// UIDREF.
    Uid(String),
    /// PNAME, decoded, outer blanks removed.
    PersonName(String),
    /// IMAGE, COMPOSITE or WAVEFORM: class and instance UID.
    Instance {
        /// Referenced SOP Class UID.
        class: String,
        /// Referenced SOP Instance UID.
        instance: String,
        /// Referenced Frame Number, from 1; empty for all frames.
        frames: Vec<u32>,
    },
    /// SCOORD: graphic type and column, row pairs.
    Coordinates {
        /// Graphic Type.
        graphic: String,
        /// Graphic Data, in order.
        points: Vec<f64>,
    },
    /// By-reference item: ordinals from the root, as sent.
    Reference(Vec<u32>),
    /// A value type this project has no use for; its name.
    Other(String),
}

/// One content item.
#[derive(Debug, Clone, PartialEq)]
pub struct ContentItem {
    /// Relationship to the parent.
    pub relationship: Relationship,
    /// Concept Name Code Sequence.
    pub concept: Option<Code>,
    /// What it holds.
    pub value: Value,
    /// Observation DateTime, as sent.
    pub observed_at: Option<String>,
    /// Observation UID.
    pub observation_uid: Option<String>,
    /// Template Identifier of a CONTAINER.
    pub template_id: Option<String>,
    parent: Option<ItemId>,
    children: Vec<ItemId>,
    /// Position among the parent's children, from 1.
    ordinal: u32,
}

impl ContentItem {
    /// An item without place; [`Tree::add`] gives it one.
    #[must_use]
    pub fn new(relationship: Relationship, concept: Option<Code>, value: Value) -> Self {
        ContentItem {
            relationship,
            concept,
            value,
            observed_at: None,
            observation_uid: None,
            template_id: None,
            parent: None,
            children: Vec::new(),
            ordinal: 1,
        }
    }
}

/// The content tree of one document. The root always exists.
#[derive(Debug, Clone, PartialEq)]
pub struct Tree {
    items: Vec<ContentItem>,
}

impl Tree {
    /// A tree of the root alone.
    #[must_use]
    pub fn new(root: ContentItem) -> Self {
        Tree { items: vec![root] }
    }

    /// The root's id.
    #[must_use]
    pub fn root(&self) -> ItemId {
        ItemId(0)
    }

    /// Adds an item as the last child of `parent`.
    #[expect(
        clippy::indexing_slicing,
        reason = "ids come from this tree and never leave it"
    )]
    pub fn add(&mut self, parent: ItemId, mut item: ContentItem) -> ItemId {
        let id = ItemId(self.items.len());
        item.parent = Some(parent);
        self.items[parent.0].children.push(id);
        item.ordinal = u32::try_from(self.items[parent.0].children.len()).unwrap_or(u32::MAX);
        self.items.push(item);
        id
    }

    /// The item of an id of this tree.
    #[must_use]
    #[expect(
        clippy::indexing_slicing,
        reason = "ids come from this tree and never leave it"
    )]
    pub fn item(&self, id: ItemId) -> &ContentItem {
        &self.items[id.0]
    }

    /// Children in document order.
    #[must_use]
    pub fn children(&self, id: ItemId) -> &[ItemId] {
        &self.item(id).children
    }

    /// The item above, `None` for the root.
    #[must_use]
    pub fn parent(&self, id: ItemId) -> Option<ItemId> {
        self.item(id).parent
    }

    /// The item itself, then each one above it up to the root.
    pub fn upwards(&self, id: ItemId) -> impl Iterator<Item = ItemId> + '_ {
        std::iter::successors(Some(id), |&at| self.parent(at))
    }

    /// Every id; an item comes after its parent and siblings keep their order.
    pub fn ids(&self) -> impl Iterator<Item = ItemId> + '_ {
        let mut stack = vec![self.root()];
        std::iter::from_fn(move || {
            let id = stack.pop()?;
            stack.extend(self.children(id).iter().rev());
            Some(id)
        })
    }

    /// Ordinals from the root, as Referenced Content Item Identifier counts them: `1.3.2`.
    #[must_use]
    pub fn place(&self, id: ItemId) -> String {
        let mut ordinals: Vec<String> = self
            .upwards(id)
            .map(|at| self.item(at).ordinal.to_string())
            .collect();
        ordinals.reverse();
        ordinals.join(".")
    }

    /// The item at ordinals from the root, as a by-reference item names it; `None` when the path
    /// leads nowhere.
    #[must_use]
    pub fn at_path(&self, ordinals: &[u32]) -> Option<ItemId> {
        let (&first, below) = ordinals.split_first()?;
        below
            .iter()
            .try_fold((first == 1).then(|| self.root())?, |at, &ordinal| {
                let index = usize::try_from(ordinal).ok()?.checked_sub(1)?;
                self.children(at).get(index).copied()
            })
    }

    /// Number of items.
    #[must_use]
    pub fn len(&self) -> usize {
        self.items.len()
    }

    /// Never true: the root always exists.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.items.is_empty()
    }
}
