//! Right or left: every source is heard, any two that disagree leave it unresolved.

use super::context::Chain;
use super::level::SideSaid;
use crate::domain::{Eye, Laterality, Remark, RemarkCode};
use crate::sr::ItemId;
use crate::sr::tree::Tree;
use crate::template::words::{Side, Stand};

/// One source on its way from the number to the root.
struct Source<'a> {
    /// Steps away from the number.
    far: usize,
    stand: Stand,
    says: SideSaid,
    at: ItemId,
    code: &'a str,
}

impl Source<'_> {
    fn eye(&self) -> Option<Eye> {
        match self.says {
            SideSaid::Known(side) => side.eye(),
            SideSaid::Unknown | SideSaid::Contradicted { .. } | SideSaid::Named(_) => None,
        }
    }

    /// The eye that a text names.
    fn named(&self) -> Option<Eye> {
        match self.says {
            SideSaid::Named(side) => side.eye(),
            _ => None,
        }
    }

    fn is(&self, side: Side) -> bool {
        self.says == SideSaid::Known(side)
    }

    fn tell(&self, tree: &Tree) -> String {
        let word = match self.says {
            SideSaid::Known(side) => word(side).to_owned(),
            SideSaid::Named(side) => {
                let (at, side, what) = (tree.place(self.at), word(side), &self.code);
                return format!("{at} speaks of {side} in {what}, where no side is read");
            }
            SideSaid::Unknown => "something that nobody explains".to_owned(),
            SideSaid::Contradicted { code, meaning } => {
                let (code, meaning) = (word(code), word(meaning));
                format!("{code} by its code and {meaning} by its own meaning")
            }
        };
        format!("{} says {word} ({})", tree.place(self.at), self.code)
    }
}

fn word(side: Side) -> &'static str {
    match side {
        Side::Right => "right",
        Side::Left => "left",
        Side::Bilateral => "both sides",
        Side::Unilateral => "one side, not which",
    }
}

/// The side of a number, with the blocking remark when it has none.
pub(super) fn resolve(
    tree: &Tree,
    number: ItemId,
    chain: &Chain<'_>,
    believed: &[Stand],
) -> (Laterality, Option<Remark>) {
    let mut sources: Vec<Source<'_>> = Vec::new();
    for (far, step) in chain.steps.iter().enumerate() {
        let mut here: Vec<Source<'_>> = step
            .level
            .sides
            .iter()
            .map(|said| Source {
                far,
                stand: step.stand(said.spot),
                says: said.says,
                at: said.at,
                code: &said.code,
            })
            .collect();
        here.sort_by_key(|source| source.stand);
        sources.extend(here);
    }
    let referred = chain.referred.iter().flat_map(|level| &level.sides);
    let referred = referred.map(|said| (Stand::Referred, said));
    let pictures = chain.pictures.iter().map(|&said| (Stand::Image, said));
    let header = chain.header.iter().map(|said| (Stand::Header, said));
    for (stand, said) in referred.chain(pictures).chain(header) {
        sources.push(Source {
            far: usize::MAX,
            stand,
            says: said.says,
            at: said.at,
            code: &said.code,
        });
    }
    match judge(tree, &sources, believed) {
        Ok(eye) => (
            Laterality::from(eye),
            by_word_alone(&sources).map(|remark| remark.at(tree.place(number))),
        ),
        Err(remark) => (Laterality::Unresolved, Some(remark.at(tree.place(number)))),
    }
}

/// The remark on a side that only words tell.
fn by_word_alone(sources: &[Source<'_>]) -> Option<Remark> {
    let mut known = sources.iter().filter(|one| one.eye().is_some());
    let alone = known.all(|one| one.stand == Stand::Word);
    alone.then(|| {
        Remark::of(
            RemarkCode::SideByWord,
            "Only a word that the site dictionary lists tells the side; no code does.",
        )
        .act("Have the sender add a coded laterality.")
    })
}

/// What a report says of a side, and something else beside it.
fn both(one: Side, other: Side) -> String {
    let are = |side: Side| one == side || other == side;
    if are(Side::Right) && are(Side::Left) {
        "both right and left".to_owned()
    } else {
        format!("{} and also {}", word(one), word(other))
    }
}

fn conflict(said: &str, technical: &str) -> Remark {
    Remark::of(
        RemarkCode::LateralityConflict,
        format!("The report says {said} for this value (technical: {technical})."),
    )
    .act("Correct the report at its source; no side was picked.")
}

fn judge(tree: &Tree, sources: &[Source<'_>], believed: &[Stand]) -> Result<Eye, Remark> {
    let split = sources.iter().find_map(|one| match one.says {
        SideSaid::Contradicted { code, meaning } => Some((one, both(code, meaning))),
        _ => None,
    });
    if let Some((split, said)) = split {
        return Err(conflict(&said, &split.tell(tree)));
    }
    if let Some(unknown) = sources.iter().find(|one| one.says == SideSaid::Unknown) {
        return Err(Remark::of(
            RemarkCode::LateralityUnclear,
            format!(
                "The side is given in a code nobody explains: {}.",
                unknown.tell(tree)
            ),
        )
        .act("Add a [[term]] for the code to the site dictionary."));
    }
    let Some((first, eye)) = sources.iter().find_map(|one| Some((one, one.eye()?))) else {
        let said: Vec<String> = sources.iter().map(|one| one.tell(tree)).collect();
        let why = if said.is_empty() {
            "Nothing says which eye.".to_owned()
        } else {
            format!("Nothing says which eye: {}.", said.join("; "))
        };
        return Err(Remark::of(RemarkCode::LateralityMissing, why).act(
            "Have the report say right or left, or explain its codes in the site dictionary.",
        ));
    };
    // A statement of both sides further out is narrowed by the nearer one; as near or nearer, it
    // contradicts it.
    let contradicts = |other: &&Source<'_>| match other.eye() {
        Some(other) => other != eye,
        None => other.is(Side::Bilateral) && other.far <= first.far,
    };
    let names_other = |other: &&Source<'_>| other.named().is_some_and(|named| named != eye);
    let against = sources.iter().find(contradicts);
    let against = against.or_else(|| sources.iter().find(names_other));
    if let Some(other) = against {
        let side = match other.says {
            SideSaid::Known(side) | SideSaid::Named(side) => side,
            SideSaid::Unknown | SideSaid::Contradicted { .. } => Side::Bilateral,
        };
        let own = match eye {
            Eye::Right => Side::Right,
            Eye::Left => Side::Left,
        };
        let technical = format!("{}, but {}", first.tell(tree), other.tell(tree));
        return Err(conflict(&both(own, side), &technical));
    }
    let believable = |one: &Source<'_>| one.eye().is_some() && believed.contains(&one.stand);
    if sources.iter().any(believable) {
        return Ok(eye);
    }
    Err(Remark::of(
        RemarkCode::LateralityMissing,
        format!(
            "{}, which is not where the template looks for the side.",
            first.tell(tree)
        ),
    )
    .act("Add the place to `laterality` under [where] of the template if it can be trusted."))
}

#[cfg(test)]
mod tests;
