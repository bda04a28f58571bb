//! What the choice of a template looks at.

use super::level::{Levels, SideSaid};
use crate::sr::tree::{Tree, Value};
use crate::template::words::{Role, Side};
use crate::template::{Shape, Vocabulary};

/// The shape of a document.
pub(super) fn of(tree: &Tree, levels: &Levels, vocabulary: &Vocabulary) -> Shape {
    let root = tree.item(tree.root());
    let mut shape = Shape {
        root: root.concept.iter().flat_map(|code| code.keys()).collect(),
        root_template: root.template_id.clone(),
        ..Shape::default()
    };
    for id in tree.ids().filter(|&id| id != tree.root()) {
        let item = tree.item(id);
        let Some(concept) = &item.concept else {
            continue;
        };
        if item.value == Value::Container {
            shape.containers.extend(concept.keys());
        } else if !shape.finding_site {
            shape.finding_site = vocabulary.explain(concept).says.role == Some(Role::FindingSite);
        }
    }
    let is_side = |said: SideSaid| {
        matches!(
            said,
            SideSaid::Known(Side::Right | Side::Left)
                | SideSaid::Contradicted {
                    code: Side::Right | Side::Left,
                    ..
                }
        )
    };
    shape.section_per_side = levels.iter().any(|(id, level)| {
        id != tree.root()
            && tree.item(id).value == Value::Container
            && level.sides.iter().any(|said| is_side(said.says))
    });
    shape
}
