//! Lines of a presentation state as values that wait for their pictures: how long a line is, the
//! picture says.

use crate::domain::{Measurement, Remark, RemarkCode, Severity, Unexplained};
use crate::extract::Extraction;
use crate::extract::presentation::{Drawing, drawings, texts};
use crate::sr::Document;
use crate::template::Templates;

/// The values of a presentation state, and the rest of what was found in it; `None` for an object
/// that is none.
pub(super) fn read(
    document: &Document,
    templates: &Templates,
) -> Option<(Vec<Measurement>, Extraction)> {
    let presentation = document.presentation.as_ref()?;
    let texts = texts(presentation);
    if let Some(what) = templates.disputed_texts(texts.iter().map(String::as_str)) {
        let disputed = super::disputed("(0070,0001)".to_owned(), what);
        return Some((Vec::new(), disputed));
    }
    let header = &document.header;
    let sides = super::facts::sides(header);
    let found = drawings(presentation, &sides, templates.vocabulary());
    let values = found.drawings.into_iter().map(value).collect();
    let about_nobody = |one: &Unexplained| !names_patient(&one.meaning, document);
    let unexplained: Vec<_> = found.unexplained.into_iter().filter(about_nobody).collect();
    let mut remarks = found.doubts;
    if let Some(first) = unexplained.first() {
        let text = format!(
            "Texts beside lines that no [[label]] lists: {}.",
            unexplained.len()
        );
        let place = first.examples.first().map(|example| example.place.clone());
        let remark = Remark::of(RemarkCode::LabelUnknown, text);
        remarks.push(remark.at(place.unwrap_or_default()));
    }
    if found.left_out > 0 {
        let left = found.left_out;
        let text = format!("{left} further codes and labels that nobody explains are not listed.");
        remarks.push(Remark::of(RemarkCode::UnexplainedLeftOut, text));
    }
    Some((
        values,
        Extraction {
            unexplained,
            remarks,
            ..Extraction::default()
        },
    ))
}

/// Whether a text holds the id of the patient or a part of the name: it is no label.
fn names_patient(text: &str, document: &Document) -> bool {
    let header = &document.header;
    let text = text.to_lowercase();
    let name = header.identity.name.as_deref().unwrap_or_default();
    let parts = name.split(['^', '=', ' ', ',']);
    let mut told = parts.chain(header.patient_id.as_deref());
    told.any(|part| part.chars().count() > 2 && text.contains(&part.to_lowercase()))
}

fn value(drawing: Drawing) -> Measurement {
    let mut remarks = drawing.remarks;
    if let Some(caliper) = &drawing.caliper {
        remarks.push(missing(&caliper.image).at(drawing.place.clone()));
    }
    Measurement {
        quantity: drawing.quantity,
        eye: drawing.eye,
        value_mm: None,
        value_as_sent: None,
        step: None,
        unit_as_sent: None,
        plane: drawing.plane,
        depth_mm: None,
        derivation: drawing.derivation,
        definition: drawing.definition,
        modality: drawing.modality,
        usable: !remarks
            .iter()
            .any(|remark| remark.severity == Severity::Blocking),
        place: drawing.place,
        rule: None,
        concept: drawing.label,
        geometry: None,
        pictures: drawing
            .caliper
            .iter()
            .map(|caliper| caliper.image.clone())
            .collect(),
        caliper: drawing.caliper,
        observed_at: None,
        observed_day_only: false,
        time_point: None,
        observation_uid: None,
        remarks,
    }
}

fn missing(image: &str) -> Remark {
    Remark::of(
        RemarkCode::PresentationPictureMissing,
        format!(
            "The picture {image} that the line is drawn over has not been received under this patient, or \
             cannot be trusted; without it the line has no length."
        ),
    )
    .act("Have the picture sent, under the same patient id.")
}
