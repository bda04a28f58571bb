//! The words in which a person answers a question of a draft.

use crate::domain::CodeRole;
use std::collections::{BTreeMap, BTreeSet};

/// Keys of `says` with their words.
pub(super) type Says = BTreeMap<String, String>;

const SIDES: [(&str, &str); 6] = [
    ("r", "right"),
    ("right", "right"),
    ("l", "left"),
    ("left", "left"),
    ("b", "bilateral"),
    ("bilateral", "bilateral"),
];

/// Of a number or label: what was measured.
const QUANTITIES: [(&str, &str); 9] = [
    ("sheath", "sheath_diameter"),
    ("nerve", "nerve_diameter"),
    ("eyeball", "eyeball_transverse_diameter"),
    ("disc", "disc_elevation"),
    ("sheath_diameter", "sheath_diameter"),
    ("nerve_diameter", "nerve_diameter"),
    ("eyeball_transverse_diameter", "eyeball_transverse_diameter"),
    ("disc_elevation", "disc_elevation"),
    ("not_ours", "not_ours"),
];

/// Of everything else: the site, and the part of it.
const PARTS: [(&str, &str); 4] = [
    ("sheath", "optic_nerve"),
    ("nerve", "optic_nerve"),
    ("eyeball", "eye"),
    ("disc", "optic_disc"),
];

const SITES: [&str; 4] = ["optic_nerve", "optic_disc", "eye", "orbit"];

const CONCEPTS: [&str; 14] = [
    "diameter",
    "width",
    "thickness",
    "short_axis",
    "minor_axis",
    "perpendicular_axis",
    "distance",
    "length",
    "long_axis",
    "major_axis",
    "path_length",
    "line_length",
    "height",
    "depth",
];

const PLANES: [&str; 4] = ["transverse", "sagittal", "oblique", "unspecified"];

const DERIVATIONS: [&str; 8] = [
    "single",
    "mean",
    "median",
    "minimum",
    "maximum",
    "selected",
    "unclear",
    "statistic",
];

const BORDERS: [&str; 2] = ["outer", "inner"];

const UNITS: [(&str, &str); 8] = [
    ("mm", "mm"),
    ("cm", "cm"),
    ("um", "um"),
    ("nm", "nm"),
    ("dm", "dm"),
    ("m", "m"),
    ("inch", "[in_i]"),
    ("foot", "[ft_i]"),
];

const ROLES: [&str; 13] = [
    "laterality",
    "image_laterality",
    "finding_site",
    "topographical_modifier",
    "orientation",
    "derivation",
    "selection_status",
    "method",
    "definition",
    "depth",
    "angle",
    "tracking_identifier",
    "finding",
];

/// The words in which can be answered.
pub const HELP: &str = "\
y  as proposed, where no side is      r, l, b  as proposed, of the right eye, the left, both
n  none of ours                       empty  left open
or its meaning in words: sheath, nerve, eyeball, disc, right, left, bilateral; diameter, distance,
width, length, height; transverse, sagittal, oblique; single, mean, median, minimum, maximum; outer,
inner; mm, cm, um; optic_nerve, optic_disc, eye, orbit; of an item laterality, finding_site,
topographical_modifier, orientation, derivation, method, definition. Several: sheath left";

/// One question's facts that decide what a word means.
pub(super) struct Asked<'a> {
    /// What it stands for.
    pub(super) seen_as: &'a BTreeSet<CodeRole>,
    /// A `[[label]]`.
    pub(super) is_label: bool,
    /// A `[[word]]`.
    pub(super) is_word: bool,
    /// What is proposed, side apart.
    pub(super) proposed: &'a Says,
    /// The side that is proposed.
    pub(super) eye: Option<&'a str>,
}

/// What an answer says; `None` leaves the code open.
///
/// # Errors
/// Why it has to be asked again, in a sentence.
pub(super) fn answer(asked: &Asked<'_>, text: &str) -> Result<Option<Says>, String> {
    let words: Vec<String> = text.split_whitespace().map(str::to_lowercase).collect();
    match words.as_slice() {
        [] => return Ok(None),
        [one] if one == "y" || one == "yes" => return as_proposed(asked).map(Some),
        [one] if one == "n" && asked.is_word => return Ok(None),
        [one] if one == "n" || one == "no" => return Ok(Some(one_key("quantity", "not_ours"))),
        [one] => {
            if let Some(side) = side(one) {
                return of_side(asked, side).map(Some);
            }
        }
        _ => {}
    }
    let mut says = Says::new();
    for word in &words {
        for (key, value) in word_means(asked, word)? {
            if says.get(key).is_some_and(|other| *other != value) {
                return Err(format!("`{text}` says two things of `{key}`"));
            }
            says.insert(key.to_owned(), value);
        }
    }
    whole(asked, says).map(Some)
}

fn one_key(key: &str, word: &str) -> Says {
    Says::from([(key.to_owned(), word.to_owned())])
}

fn side(word: &str) -> Option<&'static str> {
    let mut sides = SIDES.iter();
    sides.find(|(name, _)| *name == word).map(|(_, side)| *side)
}

/// `y`: never for a side, so that a blind one takes none.
fn as_proposed(asked: &Asked<'_>) -> Result<Says, String> {
    match asked.eye {
        Some(eye) => {
            let letter = eye.get(..1).unwrap_or("r");
            Err(format!(
                "a side is proposed: compare it with the scanner's screen and write its letter ({letter} \
                 for {eye})"
            ))
        }
        None if asked.proposed.is_empty() => {
            Err("nothing is proposed: write what it means, or ? for the words".to_owned())
        }
        None => Ok(asked.proposed.clone()),
    }
}

/// A letter alone: what is proposed, of that side.
fn of_side(asked: &Asked<'_>, side: &str) -> Result<Says, String> {
    if asked.proposed.contains_key("role") || asked.proposed.contains_key("unit") {
        return Err("an item or a unit is of no side: write y, or what it means".to_owned());
    }
    let is_number = asked.seen_as.contains(&CodeRole::Number) || asked.is_label;
    if is_number && asked.proposed.is_empty() && asked.eye.is_none() && !asked.is_word {
        return Err(format!(
            "nothing is proposed of what was measured: write it with the side, as `sheath {side}`"
        ));
    }
    let mut says = asked.proposed.clone();
    says.insert("eye".to_owned(), side.to_owned());
    Ok(says)
}

fn word_means(asked: &Asked<'_>, word: &str) -> Result<Vec<(&'static str, String)>, String> {
    if let Some(side) = side(word) {
        return Ok(vec![("eye", side.to_owned())]);
    }
    let is_number = asked.is_label || asked.seen_as.contains(&CodeRole::Number);
    let is_item = asked.seen_as.contains(&CodeRole::Item);
    let find = |pairs: &[(&'static str, &'static str)]| {
        let mut pairs = pairs.iter();
        pairs
            .find(|(name, _)| *name == word)
            .map(|(_, value)| *value)
    };
    let is_in = |words: &[&str]| words.contains(&word);
    let own = |key: &'static str| Ok(vec![(key, word.to_owned())]);
    if is_item && is_in(&ROLES) {
        return own("role");
    }
    if is_number && let Some(quantity) = find(&QUANTITIES) {
        return Ok(vec![("quantity", quantity.to_owned())]);
    }
    if let Some(site) = find(&PARTS) {
        let part = ("structure", word.to_owned());
        return Ok(vec![("site", site.to_owned()), part]);
    }
    if let Some(unit) = find(&UNITS) {
        return Ok(vec![("unit", unit.to_owned())]);
    }
    match () {
        () if is_in(&CONCEPTS) => own("concept"),
        () if is_in(&SITES) => own("site"),
        () if is_in(&PLANES) => own("plane"),
        () if is_in(&DERIVATIONS) => own("derivation"),
        () if is_in(&BORDERS) => own("definition"),
        () if is_in(&ROLES) => own("role"),
        () if word == "not_ours" => own("quantity"),
        () => Err(format!(
            "`{word}` is no word that counts here; ? shows the words"
        )),
    }
}

/// Own words replace what is proposed, and must be whole.
fn whole(asked: &Asked<'_>, says: Says) -> Result<Says, String> {
    if asked.is_word && (says.len() != 1 || !says.contains_key("eye")) {
        return Err("a word says a side alone: r, l or b".to_owned());
    }
    if asked.is_label && !says.contains_key("quantity") {
        return Err(
            "a label says what was measured: write it too, as `sheath left`, or n".to_owned(),
        );
    }
    Ok(says)
}
