//! One value as sent, with all that its context says.

use super::context::Chain;
use super::drawn;
use super::level::{Level, ProcedureSaid, Said};
use super::side;
use super::subject::Stated;
use crate::domain::{
    Border, Caliper, Derivation, Device, Laterality, Millimetres, Modality, Plane, Quantity,
    Remark, RemarkCode, Unexplained,
};
use crate::numbers;
use crate::sr::tree::{Measured, Tree, Value};
use crate::sr::{Code, ItemId};
use crate::template::words::{Made, Stand, Subject};
use crate::template::{Explained, Measure, Template, Vocabulary};

/// All that was found in one document.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Extraction {
    /// Name and hash of the template that read it.
    pub template: Option<String>,
    /// Values, in tree order.
    pub found: Vec<Found>,
    /// Everything said of who was measured.
    pub stated: Vec<Stated>,
    /// Lengths that no rule takes and that may be the other eye's.
    pub unread: Vec<Other>,
    /// Numbers that are not read and may be a sheath as far as anybody has explained.
    pub left: Vec<super::Left>,
    /// Codes that look like ours and that nobody explains.
    pub unexplained: Vec<Unexplained>,
    /// What a reader must know about the document.
    pub remarks: Vec<Remark>,
}

/// Where and how a number stands: what two eyes of one report have in common.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stands {
    /// Levels below the root.
    pub depth: usize,
    /// Its unit, `value scheme`.
    pub unit: String,
}

/// A length under a code that nobody explains.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Other {
    /// Its place.
    pub place: String,
    /// Whose eye, as far as codes tell.
    pub eye: Laterality,
    /// Its length.
    pub length: Millimetres,
    /// Where and how it stands.
    pub stands: Stands,
}

/// A name that the context gives.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Given {
    /// It gives none.
    Nothing,
    /// It gives one.
    One(String),
    /// It gives several at the same level.
    Several,
}

/// One value as sent.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// What was measured.
    pub quantity: Quantity,
    /// The `[[measure]]` that says so, `tid1500.toml:31`.
    pub rule: String,
    /// Whose eye.
    pub eye: Laterality,
    /// The value as sent; `None` when the report holds none.
    pub measured: Option<Measured>,
    /// Why the value is missing or odd.
    pub qualifier: Option<Code>,
    /// Plane of the picture.
    pub plane: Plane,
    /// Reading or derived value.
    pub derivation: Derivation,
    /// Borders touched.
    pub definition: Option<Border>,
    /// Kind of imaging.
    pub modality: Modality,
    /// Depth behind the globe as sent; more than one contradict each other.
    pub depths: Vec<Option<Measured>>,
    /// Angle between the caliper and the line across the nerve as sent; likewise.
    pub angles: Vec<Option<Measured>>,
    /// Where its caliper was drawn.
    pub caliper: Option<Caliper>,
    /// Place of the number.
    pub place: String,
    /// Where and how it stands; `None` without a unit.
    pub stands: Option<Stands>,
    /// Concept name of the number, `value scheme`.
    pub concept: String,
    /// Observation DateTime of the number or the nearest enclosing item that has one, as sent.
    pub observed_at: Option<String>,
    /// Observation UID of the number.
    pub observation_uid: Option<String>,
    /// Time point it is filed under, where the document names any.
    pub time_point: Option<String>,
    /// The procedure that the nearest level with a word on it names.
    pub procedure: Vec<ProcedureSaid>,
    /// SOP Instance UIDs of the pictures it was read from.
    pub pictures: Vec<String>,
    /// Which of the statements on who was measured holds for it: the nearest.
    pub stated: Option<usize>,
    /// Who measured.
    pub operator: Given,
    /// With which machine, as far as the tree says.
    pub device: Device,
    /// Remarks so far; a blocking one keeps the value from use.
    pub remarks: Vec<Remark>,
}

fn distinct<T: PartialEq + Clone>(said: &[Said<T>]) -> Vec<T> {
    let mut distinct = Vec::new();
    for one in said {
        if !distinct.contains(&one.says) {
            distinct.push(one.says.clone());
        }
    }
    distinct
}

/// Gathers what is known of a number of a known quantity. `None` when it is a statistic.
#[expect(clippy::too_many_arguments, reason = "all that is known of one number")]
pub(super) fn found(
    tree: &Tree,
    id: ItemId,
    rule: &Measure,
    own: &Explained,
    chain: &Chain<'_>,
    template: &Template,
    vocabulary: &Vocabulary,
    document: &mut Vec<Remark>,
) -> Option<Found> {
    let item = tree.item(id);
    let place = tree.place(id);
    let Value::Num {
        measured,
        qualifier,
    } = &item.value
    else {
        return None;
    };
    let mut remarks = Vec::new();

    let derivation = match made(chain) {
        Made::Statistic => {
            document.push(
                Remark::of(
                    RemarkCode::StatisticNotAValue,
                    "A standard deviation or total of our quantity: no value of its own.",
                )
                .at(place),
            );
            return None;
        }
        made => made.derivation().unwrap_or_else(|| {
            remarks.push(
                Remark::of(
                    RemarkCode::DerivationUnclear,
                    "How the value was made cannot be told, or not compared with a reading.",
                )
                .at(place.clone())
                .act("Add a [[term]] for the derivation's code to the site dictionary."),
            );
            Derivation::Single
        }),
    };
    let (eye, remark) = side::resolve(tree, id, chain, &template.laterality);
    remarks.extend(remark);
    let plane = plane(tree, chain, &template.plane, &place, &mut remarks);
    let definition = match distinct(chain.nearest(|level| &level.definitions)).as_slice() {
        [] => None,
        [one] => Some(*one),
        _ => {
            remarks.push(
                Remark::of(
                    RemarkCode::DefinitionConflict,
                    "Outer and inner borders are both named.",
                )
                .at(place.clone()),
            );
            None
        }
    };
    circumstances(tree, chain, own, &place, &mut remarks);
    let caliper = drawn::caliper(tree, id, chain, vocabulary, &mut remarks);
    Some(Found {
        quantity: rule.quantity,
        rule: rule.row.clone(),
        eye,
        measured: measured.clone(),
        qualifier: qualifier.clone(),
        plane,
        derivation,
        definition,
        modality: Modality::Unspecified,
        depths: distinct(chain.nearest(|level| &level.depths)),
        angles: distinct(chain.nearest_but_parents(|level| &level.angles)),
        caliper,
        concept: item
            .concept
            .as_ref()
            .map(Code::to_string)
            .unwrap_or_default(),
        observed_at: tree
            .upwards(id)
            .find_map(|at| tree.item(at).observed_at.clone()),
        observation_uid: item.observation_uid.clone(),
        time_point: time_point(chain),
        procedure: distinct(chain.nearest(|level| &level.studies)),
        pictures: chain.pictures_seen.clone(),
        stated: chain.steps.iter().find_map(|step| step.level.stated),
        operator: given(chain.nearest(|level| &level.operators)),
        device: Device {
            manufacturer: single(chain, |level| &level.manufacturers),
            model: single(chain, |level| &level.models),
            serial: single(chain, |level| &level.serials),
        },
        stands: stands(tree, id),
        place,
        remarks,
    })
}

fn stands(tree: &Tree, id: ItemId) -> Option<Stands> {
    let Value::Num {
        measured: Some(measured),
        ..
    } = &tree.item(id).value
    else {
        return None;
    };
    Some(Stands {
        depth: tree.upwards(id).count(),
        unit: measured.unit.as_ref()?.to_string(),
    })
}

/// A number that no rule takes, when it is a length and nothing says that it is something else.
pub(super) fn other(
    tree: &Tree,
    id: ItemId,
    own: &Explained,
    chain: &Chain<'_>,
    believed: &[Stand],
    vocabulary: &Vocabulary,
) -> Option<Other> {
    let is_open = match own.says.concept {
        Some(word) => word.may_be_a_width(),
        None => !own.known,
    };
    let is_earlier = chain
        .steps
        .iter()
        .any(|step| step.level.earlier.is_some() || step.level.quoted.is_some());
    let Value::Num {
        measured: Some(measured),
        ..
    } = &tree.item(id).value
    else {
        return None;
    };
    if !is_open || is_earlier {
        return None;
    }
    Some(Other {
        place: tree.place(id),
        eye: side::resolve(tree, id, chain, believed).0,
        length: numbers::length_of(measured, vocabulary)?,
        stands: stands(tree, id)?,
    })
}

/// How the value was made. Its own level goes first, then containers; never the number it is a
/// reading behind.
fn made(chain: &Chain<'_>) -> Made {
    let made = distinct(chain.nearest_but_parents(|level| &level.made));
    let own = chain.steps.first().filter(|step| step.own);
    let selected = own
        .map(|step| distinct(&step.level.selected))
        .unwrap_or_default();
    match (made.as_slice(), selected.as_slice()) {
        ([] | [Made::Single], []) => Made::Single,
        ([] | [Made::Single], [one]) => *one,
        ([one], _) => *one,
        _ => Made::Unclear,
    }
}

fn plane(
    tree: &Tree,
    chain: &Chain<'_>,
    believed: &[Stand],
    place: &str,
    remarks: &mut Vec<Remark>,
) -> Plane {
    let nearest = chain.steps.iter().find_map(|step| {
        let said: Vec<&Said<Option<Plane>>> = step
            .level
            .planes
            .iter()
            .filter(|said| believed.contains(&step.stand(said.spot)))
            .collect();
        (!said.is_empty()).then_some(said)
    });
    let said = nearest.unwrap_or_default();
    if let Some(unknown) = said.iter().find(|one| one.says.is_none()) {
        remarks.push(
            Remark::of(
                RemarkCode::PlaneUnclear,
                format!("The plane's code {} is not explained.", unknown.code),
            )
            .at(tree.place(unknown.at))
            .act("Add a [[term]] for it to the site dictionary."),
        );
    }
    let mut planes: Vec<Plane> = said.iter().filter_map(|one| one.says).collect();
    planes.sort_unstable();
    planes.dedup();
    match planes.as_slice() {
        [] => Plane::Unspecified,
        [one] => *one,
        _ => {
            remarks.push(
                Remark::of(
                    RemarkCode::PlaneConflict,
                    "Two planes are named for one value.",
                )
                .at(place),
            );
            Plane::Unspecified
        }
    }
}

/// Letters of a meaning that are shown.
const MEANING_MOST: usize = 64;

/// Who or what was measured: by the code, where it is one of DICOM's classes of subjects (PS3.16 CID 271),
/// else by what the report itself calls it.
fn who(tree: &Tree, said: &Said<Subject>) -> String {
    match said.code.as_str() {
        "121026 DCM" => return "the fetus".to_owned(),
        "121027 DCM" => return "a specimen".to_owned(),
        "121192 DCM" => return "a device".to_owned(),
        _ => {}
    }
    let meaning = match &tree.item(said.at).value {
        Value::Code(code) => code.meaning.trim(),
        _ => "",
    };
    match meaning {
        "" => "something else".to_owned(),
        meaning => {
            let shown: String = meaning.chars().take(MEANING_MOST).collect();
            format!("\"{shown}\"")
        }
    }
}

/// Whose value it is, where it comes from, and what the sender did unusually.
fn circumstances(
    tree: &Tree,
    chain: &Chain<'_>,
    own: &Explained,
    place: &str,
    remarks: &mut Vec<Remark>,
) {
    let subjects = chain.nearest(|level| &level.subjects);
    if let Some(other) = subjects.iter().find(|one| one.says != Subject::Patient) {
        remarks.push(
            Remark::of(
                RemarkCode::SubjectNotPatient,
                format!(
                    "The report says that {} was measured, not the patient (technical: {}, {}).",
                    who(tree, other),
                    tree.place(other.at),
                    other.code
                ),
            )
            .at(place),
        );
    }
    let quoted = chain.steps.iter().find_map(|step| step.level.quoted);
    if quoted.is_some() || own.says.quoted {
        let at = quoted.map_or_else(|| place.to_owned(), |at| tree.place(at));
        remarks.push(
            Remark::of(
                RemarkCode::ValueQuoted,
                format!(
                    "The report says that this value is copied from an earlier exam or a document \
                     (technical: {at})."
                ),
            )
            .at(place),
        );
    }
    let earlier = chain.steps.iter().find_map(|step| step.level.earlier);
    if let Some(at) = earlier.filter(|_| quoted.is_none() && !own.says.quoted) {
        remarks.push(
            Remark::of(
                RemarkCode::EarlierFinding,
                format!(
                    "The report says that this value belongs to an earlier exam; it is kept apart \
                     (technical: {}).",
                    tree.place(at)
                ),
            )
            .at(place)
            .act(
                "If it is of this exam, list the words under [[name]] with `nothing = true` in the \
                 site dictionary.",
            ),
        );
    }
    if let Some(at) = chain.steps.iter().find_map(|step| step.level.contained) {
        remarks.push(
            Remark::of(
                RemarkCode::ModifierByContains,
                "Site or side is tied by CONTAINS where the standard has HAS CONCEPT MOD; it was \
                 read all the same.",
            )
            .at(tree.place(at)),
        );
    }
}

fn given(said: &[Said<String>]) -> Given {
    match distinct(said).as_slice() {
        [] => Given::Nothing,
        [one] => Given::One(one.clone()),
        _ => Given::Several,
    }
}

/// All names of the nearest time point together: several name the same one.
fn time_point(chain: &Chain<'_>) -> Option<String> {
    let mut names = distinct(chain.nearest(|level| &level.time_points));
    names.sort_unstable();
    (!names.is_empty()).then(|| names.join("\n"))
}

fn single<'a>(
    chain: &Chain<'a>,
    list: impl Fn(&'a Level) -> &'a Vec<Said<String>>,
) -> Option<String> {
    match given(chain.nearest(list)) {
        Given::One(name) => Some(name),
        Given::Nothing | Given::Several => None,
    }
}
