//! What one report leaves unexplained, without its values: reports that are alike in it share one gist,
//! so a store of any size is told by its few gists and how many reports have each.

use super::facts::Sender;
use crate::domain::{CodeExample, ObjectReading, Remark, RemarkCode, Source, Unexplained};
use serde::{Deserialize, Serialize};

/// What one report leaves unexplained.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gist {
    /// Where it came from, as the store has it.
    pub source: String,
    /// Maker and model of the machine; empty where the report does not say.
    pub device: String,
    /// It has such codes, and was read before they were listed.
    pub before: bool,
    /// A value of it was left unread.
    pub unread: bool,
    /// Codes and labels that nobody explains. Their examples tell only meanings and sides.
    pub codes: Vec<Unexplained>,
}

impl Gist {
    /// Of a report; `None` where it leaves nothing unexplained and no value unread.
    #[must_use]
    pub fn of(source: &Source, reading: &ObjectReading) -> Option<Gist> {
        let (before, unread) = (is_from_before(reading), reading.leaves_values_unread());
        if reading.unexplained.is_empty() && !before && !unread {
            return None;
        }
        let sender = Sender::of(source, reading);
        Some(Gist {
            source: source.to_string(),
            device: sender.device,
            before,
            unread,
            codes: reading.unexplained.iter().map(bare).collect(),
        })
    }

    /// Whose reports they are.
    #[must_use]
    pub fn sender(&self) -> Sender {
        Sender::named(&Source::from(self.source.as_str()), self.device.clone())
    }
}

/// A code without its values and places.
fn bare(one: &Unexplained) -> Unexplained {
    let told = |at: &&CodeExample| at.meaning.is_some() || !at.sides.is_empty();
    let examples = one.examples.iter().filter(told).map(|at| CodeExample {
        meaning: at.meaning.clone(),
        sides: at.sides.clone(),
        ..CodeExample::default()
    });
    Unexplained {
        examples: examples.collect(),
        ..one.clone()
    }
}

/// Whether a reading was stored before there was a list of such codes, and has some.
fn is_from_before(reading: &ObjectReading) -> bool {
    let tells = |remark: &Remark| {
        matches!(
            remark.code,
            RemarkCode::ValueNotRecognised | RemarkCode::LocalCodeUnknown
        )
    };
    reading.unexplained.is_empty() && reading.remarks.iter().any(tells)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{CodeRole, Disposition, Eye};
    use crate::draft::Facts;

    fn reading(number: usize) -> ObjectReading {
        let remark = Remark::of(RemarkCode::ValueNotRecognised, "x");
        let mut reading = ObjectReading::quarantined(remark);
        reading.disposition = Disposition::NoSheathMeasurement;
        reading.sop_instance_uid = Some(format!("2.25.{number}"));
        let code = |name: &str, meaning: &str| Unexplained {
            code: name.to_owned(),
            scheme: "99TARNHOLT".to_owned(),
            meaning: meaning.to_owned(),
            role: CodeRole::Number,
            times: 1 + number % 2,
            called: Vec::new(),
            sides: Vec::new(),
            examples: vec![CodeExample {
                place: format!("1.{number}"),
                value: Some(format!("5.{number} mm")),
                sides: if number.is_multiple_of(3) {
                    vec![Eye::Left]
                } else {
                    Vec::new()
                },
                ..CodeExample::default()
            }],
        };
        reading.unexplained = match number % 4 {
            0 => vec![code("A", "Sheath"), code("B", "Other")],
            1 => vec![code("A", "Hülle")],
            2 => Vec::new(),
            _ => vec![code("B", "Other"), code("A", "Sheath"), code("A", "sheath")],
        };
        reading
    }

    fn source(number: usize) -> Source {
        Source::Dicom(["SONO1", "SONO2"][number % 5 / 3].to_owned())
    }

    /// What is told of many reports by their gists is what is told of them one by one.
    #[test]
    fn gists_tell_what_the_reports_tell_one_by_one() {
        let mut one_by_one = Facts::default();
        let mut kinds: Vec<(Gist, Vec<usize>)> = Vec::new();
        for number in 0..60 {
            one_by_one.add(&source(number), &reading(number));
            let Some(gist) = Gist::of(&source(number), &reading(number)) else {
                continue;
            };
            match kinds.iter_mut().find(|(known, _)| *known == gist) {
                Some((_, reports)) => reports.push(number),
                None => kinds.push((gist, vec![number])),
            }
        }
        assert!(kinds.len() < 30 && kinds.len() > 5, "{}", kinds.len());
        let mut alike = Facts::default();
        let mut first = Vec::new();
        for (gist, reports) in &kinds {
            alike.add_alike(gist, reports.len());
            first.extend(
                reports
                    .iter()
                    .take(Facts::EXAMPLES)
                    .map(|&number| (number, gist)),
            );
        }
        first.sort_by_key(|(number, _)| *number);
        for (number, gist) in first {
            if alike.wants_examples(gist) {
                alike.add_examples(&gist.sender(), &reading(number));
            }
        }
        assert_eq!(alike.senders(), one_by_one.senders());
        assert_eq!(alike.senders().len(), 2);
    }

    #[test]
    fn a_gist_holds_no_value_and_no_place() {
        let gist = Gist::of(&source(0), &reading(0)).unwrap();
        let text = serde_json::to_string(&gist).unwrap();
        assert!(!text.contains("mm") && !text.contains("2.25."), "{text}");
        assert!(gist.unread && !gist.before);
        assert!(Gist::of(&source(2), &reading(2)).unwrap().before);
        let mut plain = reading(2);
        plain.remarks.clear();
        assert_eq!(Gist::of(&source(2), &plain), None);
    }
}
