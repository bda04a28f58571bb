//! The result as a Comprehensive SR by TID 1500 (PS3.16), in the study of the exam.
//!
//! One measurement group (TID 1501) for each eye and one for both together: the value, below it
//! the readings it was made from, quoted from their reports (TID 1000), and what it is compared with.
//! What has no number stands under "Qualitative Evaluations". The item named
//! `result-status` marks the document as ours: see [`crate::reading::own`].

use super::codes::{self, Coded};
use super::dicom::item::Item;
use super::dicom::{self, Object, element};
use super::facts::{self, Fact, Said, Topic};
use super::ids::{Of, uid};
use super::values::{self, Row, Which};
use super::{Context, FormError};
use crate::assess::Comparison;
use crate::domain::{Border, Eye};
use crate::history::ExamMeasurement;
use crate::render::text;
use crate::results::{Content, Envelope, cautions};
use crate::sr::Origin;
use dicom_core::{DataElement, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use std::collections::BTreeMap;

const OBJECT: Object = Object {
    class: uids::COMPREHENSIVE_SR_STORAGE,
    modality: "SR",
    series_number: "9701",
    series_description: "Optic nerve sheath, own baseline",
    purpose: "sr",
};

/// The document as a DICOM file.
///
/// # Errors
///
/// When context and result do not belong together, or an identifier cannot be written in DICOM.
pub fn comprehensive_sr(result: &Envelope, context: &Context) -> Result<Vec<u8>, FormError> {
    context.check(result)?;
    let mut object = root(result, context).into_root();
    dicom::head(&mut object, result, context, &OBJECT)?;
    object.put(our_scheme());
    let flags = [
        (tags::COMPLETION_FLAG, completion(&result.content)),
        (tags::VERIFICATION_FLAG, "UNVERIFIED"),
    ];
    for (tag, flag) in flags {
        object.put(element::text(tag, VR::CS, flag));
    }
    for tag in [
        tags::REFERENCED_PERFORMED_PROCEDURE_STEP_SEQUENCE,
        tags::PERFORMED_PROCEDURE_CODE_SEQUENCE,
    ] {
        object.put(element::sequence(tag, Vec::new()));
    }
    let study = &result.content.exam.study_instance_uid;
    let (here, elsewhere): (Vec<_>, Vec<_>) = context
        .sources
        .iter()
        .filter_map(Address::of)
        .partition(|one| one.study == study);
    let before = context.previous.iter().map(|previous| {
        let series = dicom::series_uid(previous, &OBJECT);
        (series, dicom::instance_uid(previous, &OBJECT))
    });
    let before: Vec<(String, String)> = before.collect();
    let predecessors = before.iter().map(|(series, instance)| Address {
        study,
        series,
        class: OBJECT.class,
        instance,
    });
    for (tag, addresses) in [
        (tags::CURRENT_REQUESTED_PROCEDURE_EVIDENCE_SEQUENCE, here),
        (tags::PERTINENT_OTHER_EVIDENCE_SEQUENCE, elsewhere),
        (tags::PREDECESSOR_DOCUMENTS_SEQUENCE, predecessors.collect()),
    ] {
        if !addresses.is_empty() {
            object.put(element::sequence(tag, hierarchy(&addresses)));
        }
    }
    dicom::part10(object)
}

/// Whoever meets one of our codes can find out whose it is (PS3.3 C.12.1).
pub(super) fn our_scheme() -> DataElement<InMemDicomObject> {
    element::sequence(
        tags::CODING_SCHEME_IDENTIFICATION_SEQUENCE,
        vec![InMemDicomObject::from_element_iter([
            element::text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, codes::SCHEME),
            element::text(tags::CODING_SCHEME_NAME, VR::ST, "Sheathline codes"),
            element::text(
                tags::CODING_SCHEME_RESPONSIBLE_ORGANIZATION,
                VR::ST,
                dicom::MANUFACTURER,
            ),
        ])],
    )
}

/// PARTIAL when a report that counts calls itself unfinished.
fn completion(content: &Content) -> &'static str {
    if content.is_preliminary() {
        "PARTIAL"
    } else {
        "COMPLETE"
    }
}

/// Where an object is to be found.
pub(super) struct Address<'a> {
    pub(super) study: &'a str,
    pub(super) series: &'a str,
    pub(super) class: &'a str,
    pub(super) instance: &'a str,
}

impl<'a> Address<'a> {
    fn of(origin: &'a Origin) -> Option<Address<'a>> {
        Some(Address {
            study: origin.study_instance_uid.as_deref()?,
            series: origin.series_instance_uid.as_deref()?,
            class: origin.sop_class_uid.as_deref()?,
            instance: origin.sop_instance_uid.as_deref()?,
        })
    }
}

/// Hierarchical SOP Instance Reference Macro (PS3.3 C.17.2.1): a study item for each study, in it
/// a series item for each series.
pub(super) fn hierarchy(addresses: &[Address<'_>]) -> Vec<InMemDicomObject> {
    let mut studies: BTreeMap<&str, BTreeMap<&str, BTreeMap<&str, &str>>> = BTreeMap::new();
    for one in addresses {
        let series = studies.entry(one.study).or_default();
        series
            .entry(one.series)
            .or_default()
            .insert(one.instance, one.class);
    }
    let item = InMemDicomObject::from_element_iter;
    let uid = |tag, value: &str| element::text(tag, VR::UI, value);
    let instances = |instances: BTreeMap<&str, &str>| {
        let instances = instances.into_iter();
        let instances = instances.map(|(instance, class)| dicom::reference(class, instance));
        instances.collect()
    };
    let series = |series: BTreeMap<&str, BTreeMap<&str, &str>>| {
        let series = series.into_iter().map(|(series, inside)| {
            item(vec![
                element::sequence(tags::REFERENCED_SOP_SEQUENCE, instances(inside)),
                uid(tags::SERIES_INSTANCE_UID, series),
            ])
        });
        series.collect()
    };
    let studies = studies.into_iter().map(|(study, inside)| {
        item(vec![
            element::sequence(tags::REFERENCED_SERIES_SEQUENCE, series(inside)),
            uid(tags::STUDY_INSTANCE_UID, study),
        ])
    });
    studies.collect()
}

fn root(result: &Envelope, context: &Context) -> Item {
    let content = &result.content;
    let exam = &content.exam;
    let mut root = Item::template(codes::MEASUREMENT_REPORT, "1500").with([
        Item::code(codes::LANGUAGE, codes::ENGLISH).modifier(),
        Item::code(codes::OBSERVER_TYPE, codes::DEVICE).context(),
        Item::uid(
            codes::DEVICE_UID,
            uid(&Of::Software(&result.software), "device"),
        )
        .context(),
        Item::text(codes::DEVICE_NAME, result.software.as_str()).context(),
        Item::text(codes::DEVICE_MANUFACTURER, dicom::MANUFACTURER).context(),
        Item::text(codes::DEVICE_MODEL, dicom::MANUFACTURER).context(),
        Item::uid(codes::STUDY_UID, exam.study_instance_uid.as_str()).context(),
    ]);
    if let Some(accession) = &exam.accession {
        root = root.with([Item::text(codes::ACCESSION, accession.as_str()).context()]);
    }
    let rows = values::rows(content);
    let rows = rows.iter().map(|row| group(row, result, context));
    let beside = facts::beside(content);
    let beside = beside.iter().map(|topic| beside_group(topic, result));
    let groups: Vec<Item> = rows.chain(beside).collect();
    if !groups.is_empty() {
        root = root.with([Item::container(codes::MEASUREMENTS).with(groups)]);
    }
    root.with([evaluations(result)])
}

/// TID 1501 of an eye, or of both.
fn group(row: &Row<'_>, result: &Envelope, context: &Context) -> Item {
    let content = &result.content;
    let which = row.which;
    // The same sheath at every exam of the patient (PS3.16 TID 1501 row 3).
    let tracking = uid(&Of::Patient(result), &format!("tracking {}", which.word()));
    let mut group = Item::template(codes::GROUP, "1501").with([
        Item::text(codes::TRACKING_ID, which.title()).context(),
        Item::uid(codes::TRACKING_UID, tracking).context(),
        site(which),
    ]);
    let (how, from) = row.derivation(content);
    let (behind, beside): (Vec<_>, Vec<_>) = row
        .readings
        .iter()
        .enumerate()
        .partition(|(at, _)| row.answer.is_some() && from.contains(at));
    let item = |(_, one): (usize, &&ExamMeasurement)| reading(one, content, context);
    if let Some(answer) = row.answer {
        // One value of an eye stands in its group; what it was made from stands below it (TID 300
        // row 9), by value, since common readers know no references.
        let value = millimetres(codes::DIAMETER, answer.measured_mm)
            .with([Item::code(codes::DERIVATION, how).modifier()])
            .with(behind.into_iter().map(item).map(Item::inferred))
            .with(match which {
                Which::Both => eyes(content),
                _ => Vec::new(),
            });
        group = group.with([value]);
    }
    group = group.with(beside.into_iter().map(item));
    match row.comparison() {
        Some(comparison) => group.with(compared(&comparison, content)),
        None => group,
    }
}

/// TID 1501 of facts that are no width of their own: a change since the last exam, the time since an
/// event, earlier flags.
fn beside_group(topic: &Topic, result: &Envelope) -> Item {
    let (lead, _) = topic.lead;
    let tracking = uid(&Of::Patient(result), &format!("tracking {}", topic.name));
    let group = Item::template(codes::GROUP, "1501").with([
        Item::text(codes::TRACKING_ID, lead.meaning).context(),
        Item::uid(codes::TRACKING_UID, tracking).context(),
        site(topic.which.unwrap_or(Which::Both)),
    ]);
    let facts = std::iter::once(&topic.lead).chain(&topic.facts);
    group.with(facts.copied().map(fact))
}

fn fact((concept, said): Fact) -> Item {
    match said {
        Said::Code(code) => Item::code(concept, code),
        Said::Number(value, unit) => Item::number(concept, values::decimal(value), unit),
        Said::At(day, None) => Item::text(concept, day.to_string()),
        Said::At(day, Some(time)) => {
            let at = day.and_time(time).format("%Y-%m-%d %H:%M");
            Item::text(concept, at.to_string())
        }
    }
}

pub(super) fn site(which: Which) -> Item {
    let site = Item::code(codes::FINDING_SITE, codes::OPTIC_NERVE).modifier();
    site.with([
        Item::code(codes::LATERALITY, which.laterality()).modifier(),
        Item::code(codes::TOPOGRAPHY, codes::SHEATH).modifier(),
    ])
}

/// The values of the two eyes behind their mean.
fn eyes(content: &Content) -> Vec<Item> {
    let eyes = Eye::BOTH.into_iter().filter_map(|eye| {
        let answer = content.assessment.rows.of(eye)?;
        let value = millimetres(codes::DIAMETER, answer.measured_mm);
        Some(value.with([site(Which::of(eye))]).inferred())
    });
    eyes.collect()
}

fn millimetres(concept: Coded, mm: f64) -> Item {
    Item::number(concept, values::decimal(mm), codes::MILLIMETRE)
}

/// One value as its report has it, quoted.
fn reading(one: &ExamMeasurement, content: &Content, context: &Context) -> Item {
    let m = &one.value;
    let mm = m.value_mm.map_or(f64::NAN, |length| length.mm());
    let mut item = millimetres(codes::DIAMETER, mm).at(m.observed_at.map(dicom::date_time));
    let modifiers = [
        values::plane(m).map(|plane| Item::code(codes::ORIENTATION, plane)),
        values::derivation(m.derivation).map(|how| Item::code(codes::DERIVATION, how)),
        m.definition.map(|border| {
            Item::code(
                codes::BORDER,
                match border {
                    Border::Outer => codes::OUTER_BORDER,
                    Border::Inner => codes::INNER_BORDER,
                },
            )
        }),
    ];
    item = item.with(modifiers.into_iter().flatten().map(Item::modifier));
    // Where and how the caliper lay, as far as it is known: as stated, else as drawn.
    let drawn = m.geometry.unwrap_or_default();
    let depth = m.depth_mm.or(drawn.depth_mm);
    let depth = depth.map(|depth| millimetres(codes::DEPTH, depth.mm()));
    let angle = drawn.angle_deg.map(values::decimal);
    let angle = angle.map(|angle| Item::number(codes::ANGLE, angle, codes::DEGREE));
    item = item.with(depth.into_iter().chain(angle).map(Item::acquisition));
    let source = context
        .sources
        .iter()
        .find(|origin| origin.sop_instance_uid.as_ref() == Some(&one.object));
    let Some(class) = source.and_then(|origin| origin.sop_class_uid.as_deref()) else {
        return item;
    };
    item = item.with([
        Item::code(codes::QUOTATION_MODE, codes::DOCUMENT).context(),
        Item::composite(codes::QUOTED_SOURCE, class, &one.object).context(),
    ]);
    let operator = dicom::or_empty(content.exam.operator.as_ref(), 324);
    if operator.is_empty() {
        return item;
    }
    item.with([
        Item::code(codes::OBSERVER_TYPE, codes::PERSON).context(),
        Item::name(codes::PERSON_NAME, operator).context(),
    ])
}

/// What the value is compared with, and how it differs.
fn compared(c: &Comparison, content: &Content) -> Vec<Item> {
    let figures = values::figures(c).map(|(concept, value, unit)| {
        let method = Item::code(codes::METHOD, codes::OWN_BASELINE).modifier();
        let figure = Item::number(concept, values::decimal(value), unit).with([method]);
        if concept != codes::EXPECTED {
            return figure;
        }
        let baseline = text::baseline(content).join("\n");
        figure.with([Item::text(codes::TABLE_OF_VALUES, baseline).inferred()])
    });
    let status = Item::code(codes::RESULT_STATUS, values::status(c.status));
    figures.into_iter().chain([status]).collect()
}

/// Status and flag as codes; everything a person reads as text, the cautions always among it.
fn evaluations(result: &Envelope) -> Item {
    let content = &result.content;
    // What is counted here is a code or a text (TID 1500 row 12).
    let exam = facts::exam(result);
    let facts = std::iter::once(exam.lead).chain(exam.facts);
    let mut items: Vec<Item> = facts
        .filter(|(_, said)| matches!(said, Said::Code(_)))
        .map(fact)
        .collect();
    items.push(Item::text(codes::FINDING, text::summary_of(result)));
    if let Some(reason) = content.assessment.reason {
        items.push(Item::text(codes::REASON, reason.sentence()));
    }
    items.extend(
        values::comments(content)
            .into_iter()
            .map(|line| Item::text(codes::COMMENT, line)),
    );
    let said = content.cautions.iter().map(|caution| caution.text.as_str());
    items.extend(
        said.chain([cautions::NOT_A_DEVICE])
            .map(|line| Item::text(codes::CAUTION, line)),
    );
    items.push(Item::text(codes::VERSION, values::version(result)));
    Item::container(codes::EVALUATIONS).with(items)
}
