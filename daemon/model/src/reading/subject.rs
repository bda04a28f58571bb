//! Whether the content speaks of the patient that the attributes of the object name.
//!
//! An id decides; without one the name does, as far as it can be compared. Nothing here finds a
//! patient: it can only keep values from use. No remark repeats a name or an id.

use crate::domain::{Remark, RemarkCode};
use crate::extract::{Extraction, Stated};
use crate::sr::Header;

/// Remarks of one document; a hostile one could cause a hundred thousand.
const MOST: usize = 20;

/// What is wrong about a statement.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Verdict {
    /// It speaks of the patient, as far as anybody can tell.
    Patient,
    /// Something does not fit, and the id does.
    Doubt(Remark),
    /// It speaks of somebody else, or may; the values below it are not used.
    Other(Remark),
}

/// Judges one statement.
pub(super) fn judge(stated: &Stated, header: &Header, default_issuer: &str) -> Verdict {
    let id = stated.ids.iter().map(|(id, issuer)| {
        let issuer = issuer.as_deref();
        compare_id(id, issuer, header, default_issuer)
    });
    // Another id of the same person may stand beside the one that is known.
    let id = id.min().unwrap_or(Id::Unsaid);
    let of_header = header.identity.name.as_deref().unwrap_or_default();
    let mut names = stated.names.iter().map(|name| same_name(name, of_header));
    let name_differs = !stated.names.is_empty() && names.all(|same| same == Some(false));
    let other = |what: &str| {
        Verdict::Other(
            Remark::of(
                RemarkCode::OtherSubject,
                format!(
                    "The report gives {what} that is not this patient's; the values below it are not \
                     used (technical: {}).",
                    stated.place
                ),
            )
            .act("Find out whose exam it is, correct the report at its source and send it again."),
        )
    };
    let doubt = |what: &str| {
        Verdict::Doubt(
            Remark::of(
                RemarkCode::SubjectDiffers,
                format!(
                    "The report gives {what} than this patient's (technical: {}).",
                    stated.place
                ),
            )
            .at(stated.place.clone())
            .act("Find out whether the report is this patient's."),
        )
    };
    match (id, name_differs) {
        (Id::Other, _) => return other("a Subject ID"),
        (Id::OtherIssuer, _) => return other("a Subject ID of an issuer"),
        (Id::Unsaid, true) => return other("a Subject Name"),
        (Id::Same, true) => return doubt("another Subject Name, beside the right ID,"),
        (Id::DoubtfulIssuer, _) => return doubt("another issuer of the Subject ID"),
        (Id::Same | Id::Unsaid, false) => {}
    }
    let digits = |text: &str| -> String { text.chars().filter(char::is_ascii_digit).collect() };
    let born = header
        .birth_date
        .map(|day| day.format("%Y%m%d").to_string());
    let differs = |said: &[String], known: Option<&str>, read: &dyn Fn(&str) -> String| {
        known.is_some_and(|known| {
            let said: Vec<String> = said.iter().map(|one| read(one)).collect();
            !said.is_empty() && said.iter().all(|one| one != known)
        })
    };
    if differs(&stated.birth_dates, born.as_deref(), &digits) {
        return doubt("another birth date");
    }
    // CID 7455 has further codes; of them nothing can be said.
    let sexes = stated
        .sexes
        .iter()
        .filter(|sex| matches!(sex.as_str(), "M" | "F"));
    let sexes: Vec<String> = sexes.cloned().collect();
    let sex = header.sex.map(|sex| format!("{sex:?}"));
    let sex = sex.filter(|sex| sex != "O");
    if differs(&sexes, sex.as_deref(), &str::to_owned) {
        doubt("another sex")
    } else {
        Verdict::Patient
    }
}

/// Remarks of the document: details that do not fit, and somebody else in a part without values.
pub(super) fn of_the_document(verdicts: &[Verdict], found: &Extraction) -> Vec<Remark> {
    let judged = verdicts.iter().zip(&found.stated).enumerate();
    let remarks = judged.filter_map(|(index, (verdict, stated))| match verdict {
        Verdict::Patient => None,
        Verdict::Doubt(remark) => Some(remark.clone()),
        Verdict::Other(_) if found.found.iter().any(|one| one.stated == Some(index)) => None,
        Verdict::Other(_) => Some(
            Remark::of(
                RemarkCode::SubjectDiffers,
                "A part of the report without values of ours names another subject than the patient.",
            )
            .at(stated.place.clone())
            .act("Find out whether the report is this patient's."),
        ),
    });
    remarks.take(MOST).collect()
}

/// How a Subject ID stands to the Patient ID, the best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Id {
    Same,
    /// The same id; the issuer beside it is not the one that the configuration assumes.
    DoubtfulIssuer,
    /// The same id of another issuer: another person.
    OtherIssuer,
    Other,
    Unsaid,
}

/// Blanks outside do not count (PS3.5 table 6.2-1, LO); case and leading noughts do.
fn compare_id(id: &str, issuer: Option<&str>, header: &Header, default_issuer: &str) -> Id {
    let identity = &header.identity;
    let own = [&header.patient_id, &identity.id_text];
    let own: Vec<&str> = own.into_iter().flatten().map(String::as_str).collect();
    if own.is_empty() {
        return Id::Unsaid;
    }
    // HL7 v2 writes id and issuer in one field (CX).
    let mut parts = id.split('^').map(str::trim);
    let first = parts.next().unwrap_or_default();
    let authority = parts.nth(2).unwrap_or_default();
    let (id, issuers) = if own.contains(&id) || authority.is_empty() {
        (id, issuer.into_iter().collect())
    } else {
        (first, authority.split('&').take(2).collect::<Vec<&str>>())
    };
    if !own.contains(&id) {
        // Other Patient IDs are the patient's, and of whatever issuer.
        let known = identity.other_ids.iter().any(|other| other == id);
        return if known { Id::Same } else { Id::Other };
    }
    let alike = |one: &str, other: &str| one.trim().to_lowercase() == other.trim().to_lowercase();
    let issuers: Vec<&str> = issuers.into_iter().filter(|one| !one.is_empty()).collect();
    let named = [&header.patient_issuer, &identity.issuer_universal];
    let named: Vec<&str> = named.into_iter().flatten().map(String::as_str).collect();
    let agrees = |known: &[&str]| {
        let mut all = issuers.iter();
        all.any(|one| known.iter().any(|known| alike(one, known)))
    };
    if issuers.is_empty() || agrees(&named) {
        return Id::Same;
    }
    match (named.is_empty(), default_issuer) {
        (false, _) => Id::OtherIssuer,
        (true, "") => Id::Same,
        (true, assumed) if agrees(&[assumed]) => Id::Same,
        (true, _) => Id::DoubtfulIssuer,
    }
}

/// Whether two Person Names can be one person's; `None` when they cannot be compared.
///
/// Groups (alphabetic, ideographic, phonetic) are compared with their like, and one that agrees is
/// enough. Case, accents, padding, prefixes, suffixes and empty components do not count; an initial
/// stands for any name that begins with it.
pub(super) fn same_name(one: &str, other: &str) -> Option<bool> {
    // Bytes that no character set explains are shown as octal numbers.
    if one.contains('\\') || other.contains('\\') {
        return None;
    }
    let pairs = one.split('=').zip(other.split('='));
    let pairs = pairs.filter_map(|(one, other)| Some((Group::of(one)?, Group::of(other)?)));
    let agree: Vec<bool> = pairs.map(|(one, other)| one.agrees(&other)).collect();
    (!agree.is_empty()).then(|| agree.contains(&true))
}

/// One component group of a Person Name.
struct Group {
    family: String,
    given: String,
}

/// Two ways to write a letter with a mark: without it, and spelled out.
const WAYS: [bool; 2] = [false, true];

impl Group {
    fn of(group: &str) -> Option<Group> {
        let mut parts = group.split('^');
        let family = parts.next().unwrap_or_default().to_owned();
        let given: Vec<&str> = parts.take(2).collect();
        let given = given.join(" ");
        let empty = words(&family, false).is_empty() && words(&given, false).is_empty();
        (!empty).then_some(Group { family, given })
    }

    fn agrees(&self, other: &Group) -> bool {
        WAYS.iter().any(|&spelled| {
            let read =
                |group: &Group| (words(&group.family, spelled), words(&group.given, spelled));
            let ((family, given), (other_family, other_given)) = (read(self), read(other));
            let all = [family.clone(), given.clone()].concat();
            let other_all = [other_family.clone(), other_given.clone()].concat();
            // Written into one component, or with family and given name exchanged.
            let in_one = given.is_empty() || other_given.is_empty();
            let exchanged = within(&all, &other_all) && within(&other_all, &all);
            let family =
                family.concat() == other_family.concat() || overlaps(&family, &other_family);
            let given = given.concat() == other_given.concat()
                || overlaps(&given, &other_given)
                || initial(&given, &other_given);
            exchanged || in_one && overlaps(&all, &other_all) || family && given
        })
    }
}

fn within(few: &[String], many: &[String]) -> bool {
    few.iter().all(|word| many.contains(word))
}

/// The shorter is part of the longer; an empty one says nothing against it.
fn overlaps(one: &[String], other: &[String]) -> bool {
    if one.len() <= other.len() {
        within(one, other)
    } else {
        within(other, one)
    }
}

fn initial(one: &[String], other: &[String]) -> bool {
    let Some((one, other)) = one.first().zip(other.first()) else {
        return true;
    };
    let short = |word: &str| word.chars().count() == 1;
    short(one) && other.starts_with(one.as_str()) || short(other) && one.starts_with(other.as_str())
}

/// The words of a name, small, without marks on letters or, where `spelled`, with them spelled out.
fn words(text: &str, spelled: bool) -> Vec<String> {
    let bare = |letter: char| -> String {
        let (without, with) = match letter {
            'ä' => ("a", "ae"),
            'ö' | 'ø' => ("o", "oe"),
            'ü' => ("u", "ue"),
            'å' => ("a", "aa"),
            'æ' => ("ae", "ae"),
            'œ' => ("oe", "oe"),
            'ß' => ("ss", "ss"),
            'à' | 'á' | 'â' | 'ã' | 'ā' | 'ă' | 'ą' => ("a", "a"),
            'ç' | 'ć' | 'č' | 'ĉ' | 'ċ' => ("c", "c"),
            'ď' | 'đ' | 'ð' => ("d", "d"),
            'è' | 'é' | 'ê' | 'ë' | 'ē' | 'ė' | 'ę' | 'ě' => ("e", "e"),
            'ğ' | 'ģ' | 'ĝ' => ("g", "g"),
            'ì' | 'í' | 'î' | 'ï' | 'ī' | 'į' | 'ı' => ("i", "i"),
            'ķ' => ("k", "k"),
            'ł' | 'ļ' | 'ľ' | 'ĺ' => ("l", "l"),
            'ñ' | 'ń' | 'ň' | 'ņ' => ("n", "n"),
            'ò' | 'ó' | 'ô' | 'õ' | 'ō' | 'ő' => ("o", "o"),
            'ŕ' | 'ř' => ("r", "r"),
            'ś' | 'š' | 'ş' | 'ș' => ("s", "s"),
            'ť' | 'ţ' | 'ț' => ("t", "t"),
            'ù' | 'ú' | 'û' | 'ū' | 'ů' | 'ű' | 'ų' => ("u", "u"),
            'ý' | 'ÿ' => ("y", "y"),
            'ź' | 'ż' | 'ž' => ("z", "z"),
            // Marks that stand behind their letter.
            '\u{300}'..='\u{36F}' => ("", ""),
            other => return other.to_string(),
        };
        if spelled { with } else { without }.to_owned()
    };
    let small = text.to_lowercase();
    let separates =
        |letter: char| !letter.is_alphanumeric() && !('\u{300}'..='\u{36F}').contains(&letter);
    small
        .split(separates)
        .filter(|word| !word.is_empty())
        .map(|word| word.chars().map(bare).collect())
        .collect()
}

#[cfg(test)]
mod tests;
