//! Trees for tests, written as they nest.

use crate::sr::tree::{Measured, Relationship, Tree, Value};
use crate::sr::{Code, ContentItem, ItemId};

pub(crate) const REPORT: &str = "126000 DCM";
pub(crate) const GROUP: &str = "125007 DCM";
pub(crate) const FINDINGS: &str = "59776-5 LN";
pub(crate) const DIAMETER: &str = "81827009 SCT";
pub(crate) const SITE: &str = "363698007 SCT";
pub(crate) const LATERALITY: &str = "272741003 SCT";
pub(crate) const PART: &str = "106233006 SCT";
pub(crate) const NERVE: &str = "18234004 SCT";
pub(crate) const SHEATH: &str = "sheath 99SHEATHLINE";
pub(crate) const RIGHT: &str = "24028007 SCT";
pub(crate) const LEFT: &str = "7771000 SCT";
pub(crate) const DERIVATION: &str = "121401 DCM";
pub(crate) const MEAN: &str = "373098007 SCT";

#[derive(Debug, Clone)]
pub(crate) struct Node {
    pub(crate) item: ContentItem,
    pub(crate) children: Vec<Node>,
}

/// `value scheme` as a code; its meaning is deliberately misleading, save for sides and units,
/// which a meaning may not contradict.
pub(crate) fn code(text: &str) -> Code {
    let (value, scheme) = text.rsplit_once(' ').unwrap();
    Code {
        value: value.to_owned(),
        scheme: scheme.to_owned(),
        meaning: "Eyeball diameter, mean of 3".to_owned(),
        equivalents: Vec::new(),
    }
}

fn node(relationship: Relationship, concept: &str, value: Value, children: Vec<Node>) -> Node {
    Node {
        item: ContentItem::new(relationship, Some(code(concept)), value),
        children,
    }
}

pub(crate) fn container(concept: &str, children: Vec<Node>) -> Node {
    node(Relationship::Contains, concept, Value::Container, children)
}

pub(crate) fn modifier(concept: &str, value: &str, children: Vec<Node>) -> Node {
    let value = Value::Code(code(value));
    node(Relationship::HasConceptMod, concept, value, children)
}

pub(crate) fn text(concept: &str, value: Value) -> Node {
    node(Relationship::HasObsContext, concept, value, Vec::new())
}

pub(crate) fn number(concept: &str, value: &str, unit: &str, children: Vec<Node>) -> Node {
    let measured = Some(Measured {
        decimal: Some(value.to_owned()),
        float: None,
        rational: None,
        unit: Some(code(unit)),
    });
    let value = Value::Num {
        measured,
        qualifier: None,
    };
    node(Relationship::Contains, concept, value, children)
}

pub(crate) fn mm(value: &str, children: Vec<Node>) -> Node {
    number(DIAMETER, value, "mm UCUM", children)
}

/// Finding Site optic nerve with the sheath as part, and a side unless it is empty.
pub(crate) fn site(side: &str) -> Node {
    let mut below = vec![modifier(PART, SHEATH, vec![])];
    if !side.is_empty() {
        below.push(modifier(LATERALITY, side, vec![]));
    }
    modifier(SITE, NERVE, below)
}

impl Node {
    pub(crate) fn by(mut self, relationship: Relationship) -> Node {
        self.item.relationship = relationship;
        self
    }

    pub(crate) fn uid(mut self, uid: &str) -> Node {
        self.item.observation_uid = Some(uid.to_owned());
        self
    }

    pub(crate) fn observed(mut self, at: &str) -> Node {
        self.item.observed_at = Some(at.to_owned());
        self
    }

    pub(crate) fn plant(self) -> Tree {
        let mut tree = Tree::new(self.item);
        let root = tree.root();
        add(&mut tree, root, self.children);
        tree
    }
}

fn add(tree: &mut Tree, parent: ItemId, children: Vec<Node>) {
    for child in children {
        let id = tree.add(parent, child.item);
        add(tree, id, child.children);
    }
}

/// A TID 1500 report of these groups' children.
pub(crate) fn report(groups: Vec<Vec<Node>>) -> Tree {
    let groups = groups
        .into_iter()
        .map(|children| container(GROUP, children))
        .collect();
    container(REPORT, vec![container("126010 DCM", groups)]).plant()
}
