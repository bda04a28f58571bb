//! What a text is proposed to say, side apart: keys and words of a dictionary's `says`.

use super::lexicon::{Idea, Understood};
use crate::domain::CodeRole;
use crate::template::words::Unit;
use std::collections::{BTreeMap, BTreeSet};

/// Keys of `says` with their words.
pub type Claims = BTreeMap<&'static str, &'static str>;

/// Abbreviations of sides that mean nothing else beside a quantity but the outer diameter: what is
/// measured stays clear without them.
const PLAIN: [&str; 6] = ["od", "os", "ou", "og", "oi", "oe"];

const PLANES: [(Idea, &str); 3] = [
    (Idea::Transverse, "transverse"),
    (Idea::Sagittal, "sagittal"),
    (Idea::Oblique, "oblique"),
];

const DERIVATIONS: [(Idea, &str); 6] = [
    (Idea::Single, "single"),
    (Idea::Mean, "mean"),
    (Idea::Median, "median"),
    (Idea::Minimum, "minimum"),
    (Idea::Maximum, "maximum"),
    (Idea::Statistic, "statistic"),
];

const BORDERS: [(Idea, &str); 2] = [(Idea::Outer, "outer"), (Idea::Inner, "inner")];

const CONCEPTS: [(Idea, &str); 7] = [
    (Idea::Diameter, "diameter"),
    (Idea::Width, "width"),
    (Idea::Thickness, "thickness"),
    (Idea::Distance, "distance"),
    (Idea::Length, "length"),
    (Idea::Height, "height"),
    (Idea::Depth, "depth"),
];

const ITEMS: [(Idea, &str); 7] = [
    (Idea::LateralityItem, "laterality"),
    (Idea::FindingSiteItem, "finding_site"),
    (Idea::PartItem, "topographical_modifier"),
    (Idea::OrientationItem, "orientation"),
    (Idea::DerivationItem, "derivation"),
    (Idea::MethodItem, "method"),
    (Idea::DefinitionItem, "definition"),
];

/// Why a text proposes nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Open {
    /// It has no text.
    Empty,
    /// A word that is in no list, or can turn the sense.
    Word(String),
    /// A caliper, a border or an angle.
    NoEye,
    /// The nerve or its sheath.
    NerveOrSheath,
    /// It names things that do not go together, or nothing that counts here.
    Unclear,
}

impl Open {
    /// In a sentence.
    pub(super) fn words(&self) -> String {
        match self {
            Open::Empty => "it has no meaning that could be read".to_owned(),
            Open::Word(word) => format!("nothing is proposed: {word:?} may turn the sense"),
            Open::NoEye => {
                "nothing is proposed: it names a caliper, border, angle or the like".to_owned()
            }
            Open::NerveOrSheath => {
                "nothing is proposed: it leaves open whether nerve or sheath is meant".to_owned()
            }
            Open::Unclear => "nothing is proposed: it does not clearly say what it is".to_owned(),
        }
    }
}

/// What a text says at its place, without a side.
pub(super) fn claims(role: CodeRole, text: &Understood) -> Result<Claims, Open> {
    if let Some(word) = &text.unknown {
        return Err(Open::Word(word.clone()));
    }
    if let Some(word) = text
        .weak
        .iter()
        .find(|word| !PLAIN.contains(&word.as_str()))
    {
        return Err(Open::Word(word.clone()));
    }
    if text.has(Idea::NoEye) {
        return Err(Open::NoEye);
    }
    match role {
        CodeRole::Unit => unit(text),
        CodeRole::Item => item(text),
        _ => {
            if text.units.contains(&None) {
                return Err(Open::Unclear);
            }
            let ideas = senses(text).ok_or(Open::Unclear)?;
            if matches!(role, CodeRole::Number | CodeRole::Label) {
                number(role, ideas)
            } else {
                region(role, ideas)
            }
        }
    }
}

/// A unit of length, alone.
fn unit(text: &Understood) -> Result<Claims, Open> {
    let is_bare = text.sides.is_empty() && senses(text).is_some_and(|ideas| ideas.is_empty());
    match text.units.as_slice() {
        [Some(unit)] if is_bare => Ok(Claims::from([("unit", ucum(*unit))])),
        _ => Err(Open::Unclear),
    }
}

fn ucum(unit: Unit) -> &'static str {
    let mut all = Unit::ALL.iter();
    all.find(|(one, _)| *one == unit)
        .map_or("mm", |(_, code)| code)
}

/// What an item is for. A name with a side in it is none.
fn item(text: &Understood) -> Result<Claims, Open> {
    let mut roles = BTreeSet::new();
    for ideas in &text.ideas {
        let mut here = ITEMS.iter().filter(|(idea, _)| ideas.contains(idea));
        match (here.next(), here.next()) {
            (Some((_, role)), None) => {
                roles.insert(*role);
            }
            (None, _) if ideas.contains(&Idea::Filler) => {}
            _ => return Err(Open::Unclear),
        }
    }
    let mut roles = roles.into_iter();
    match (roles.next(), roles.next()) {
        (Some(role), None) if text.sides.is_empty() && text.units.is_empty() => {
            Ok(Claims::from([("role", role)]))
        }
        _ => Err(Open::Unclear),
    }
}

/// One sense of each phrase, words that change nothing left out; `None` where one has two.
fn senses(text: &Understood) -> Option<BTreeSet<Idea>> {
    let mut senses = BTreeSet::new();
    for ideas in &text.ideas {
        let is_item = |idea: &Idea| ITEMS.iter().any(|(item, _)| item == idea);
        let mut counted = ideas
            .iter()
            .filter(|idea| **idea != Idea::Filler && !is_item(idea));
        match (counted.next(), counted.next()) {
            (_, Some(_)) => return None,
            (Some(one), None) => {
                senses.insert(*one);
            }
            (None, None) => {}
        }
    }
    Some(senses)
}

/// Takes what is one of `words` out of the ideas.
fn one_of(
    ideas: &mut BTreeSet<Idea>,
    words: &[(Idea, &'static str)],
) -> Result<Option<&'static str>, Open> {
    let mut found = None;
    for (idea, word) in words {
        if ideas.remove(idea) && found.replace(*word).is_some() {
            return Err(Open::Unclear);
        }
    }
    Ok(found)
}

/// Plane, derivation and borders, which may stand beside everything.
fn beside(ideas: &mut BTreeSet<Idea>) -> Result<Claims, Open> {
    let mut claims = Claims::new();
    for (key, words) in [
        ("plane", PLANES.as_slice()),
        ("derivation", DERIVATIONS.as_slice()),
        ("definition", BORDERS.as_slice()),
    ] {
        if let Some(word) = one_of(ideas, words)? {
            claims.insert(key, word);
        }
    }
    Ok(claims)
}

/// What a name of a number, or the label of one, says.
fn number(role: CodeRole, mut ideas: BTreeSet<Idea>) -> Result<Claims, Open> {
    let mut claims = beside(&mut ideas)?;
    let is_sheath = ideas.remove(&Idea::SheathWidth) | ideas.remove(&Idea::Sheath);
    let is_nerve = ideas.remove(&Idea::Nerve);
    let only = |allowed: &[Idea]| ideas.iter().all(|idea| allowed.contains(idea));
    let is_width = ideas.contains(&Idea::Diameter) || ideas.contains(&Idea::Width);
    if is_sheath {
        if !only(&[Idea::Diameter, Idea::Width, Idea::Eye]) {
            return Err(Open::Unclear);
        }
        claims.insert("quantity", "sheath_diameter");
    } else if is_nerve {
        return Err(Open::NerveOrSheath);
    } else if ideas.contains(&Idea::Disc) {
        let height = [Idea::Disc, Idea::Elevation, Idea::Height, Idea::Eye];
        let is_high = ideas.contains(&Idea::Elevation) || ideas.contains(&Idea::Height);
        if !is_high || !only(&height) {
            return Err(Open::Unclear);
        }
        claims.insert("quantity", "disc_elevation");
    } else if ideas.contains(&Idea::Eyeball) {
        let is_across = claims.get("plane") == Some(&"transverse");
        if !is_width || !is_across || !only(&[Idea::Eyeball, Idea::Diameter, Idea::Width]) {
            return Err(Open::Unclear);
        }
        claims.insert("quantity", "eyeball_transverse_diameter");
    } else if role == CodeRole::Number {
        if let Some(concept) = one_of(&mut ideas, &CONCEPTS)? {
            claims.insert("concept", concept);
        } else {
            ideas.remove(&Idea::Eye);
        }
        if !ideas.is_empty() {
            return Err(Open::Unclear);
        }
    } else {
        ideas.remove(&Idea::Eye);
        if !ideas.is_empty() || !claims.is_empty() {
            return Err(Open::Unclear);
        }
    }
    Ok(claims)
}

/// What a container, a site, a part or another coded value says.
fn region(role: CodeRole, mut ideas: BTreeSet<Idea>) -> Result<Claims, Open> {
    let mut claims = beside(&mut ideas)?;
    let is_sheath = ideas.remove(&Idea::SheathWidth) | ideas.remove(&Idea::Sheath);
    let is_nerve = ideas.remove(&Idea::Nerve);
    if is_sheath {
        ideas.remove(&Idea::Diameter);
        ideas.remove(&Idea::Width);
        ideas.remove(&Idea::Eye);
        claims.extend([("site", "optic_nerve"), ("structure", "sheath")]);
    } else if is_nerve {
        if role == CodeRole::Part {
            return Err(Open::NerveOrSheath);
        }
        ideas.remove(&Idea::Eye);
        claims.insert("site", "optic_nerve");
    } else if ideas.remove(&Idea::Disc) {
        claims.extend([("site", "optic_disc"), ("structure", "disc")]);
    } else if ideas.remove(&Idea::Eyeball) {
        claims.extend([("site", "eye"), ("structure", "eyeball")]);
    } else if ideas.remove(&Idea::Orbit) {
        claims.insert("site", "orbit");
    } else if ideas.remove(&Idea::Eye) && role != CodeRole::Side {
        claims.insert("site", "eye");
    }
    if ideas.is_empty() {
        Ok(claims)
    } else {
        Err(Open::Unclear)
    }
}
