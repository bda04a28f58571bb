//! DICOM Query/Retrieve as its user: C-FIND, then C-GET or C-MOVE, study root (PS3.4 annex C).

use super::archive::{Answers, Came, Keep, Series, Source, Trouble, settled};
use super::pages::nameless_answers;
use super::window::Window;
use crate::observe::audit::Question;
use crate::routes::archive::{Archive, DicomWay, Retrieve};
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_encoding::TransferSyntaxIndex;
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::TransferSyntaxRegistry;
use sheathline_model::sr;
use sheathline_net::connect::{Code, Failure, Stage, Word};
use sheathline_net::connect::{Goal, connect};
use sheathline_net::dicom::dimse::{Operation, Status};
use sheathline_net::dicom::message::{Assembler, Message};
use sheathline_net::dicom::request::{Answer, query_request};
use sheathline_net::dicom::requestor::{Association, Proposed};
use std::collections::BTreeSet;
use std::time::Duration;

pub(crate) const FIND: &str = uids::STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_FIND;
pub(crate) const GET: &str = uids::STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_GET;
pub(crate) const MOVE: &str = uids::STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_MOVE;

/// Level of a question for studies.
const STUDY: &str = "STUDY";

const IMPLICIT: &str = uids::IMPLICIT_VR_LITTLE_ENDIAN;

/// Command Fields (PS3.7 E.1); an answer has the highest bit as well.
const C_GET: u16 = 0x0010;
const C_FIND: u16 = 0x0020;
const C_MOVE: u16 = 0x0021;
const ANSWER: u16 = 0x8000;

/// The structured reports that are asked for. Key object selections hold no measurements.
pub(crate) const REPORTS: [&str; 5] = [
    uids::BASIC_TEXT_SR_STORAGE,
    uids::ENHANCED_SR_STORAGE,
    uids::COMPREHENSIVE_SR_STORAGE,
    uids::COMPREHENSIVE3_DSR_STORAGE,
    uids::EXTENSIBLE_SR_STORAGE,
];

/// Transfer syntaxes of a report, each list a context of its own: what an archive holds deflated or
/// in big endian comes as it is.
const SYNTAXES: [&[&str]; 3] = [
    &[
        uids::EXPLICIT_VR_LITTLE_ENDIAN,
        uids::IMPLICIT_VR_LITTLE_ENDIAN,
    ],
    &[uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN],
    &["1.2.840.10008.1.2.2"],
];

/// Answers to one question, beyond which an archive is taken to have lost its way.
const ANSWERS_MAX: usize = 200_000;

/// Bytes of one answer to a question, which has the keys asked for and little else; and its elements.
const ANSWER_BYTES_MAX: u64 = 1 << 20;
const ANSWER_LIMITS: sr::Limits = sr::Limits {
    depth: 16,
    elements: 10_000,
    inflated_bytes: 1 << 20,
};

/// A Query/Retrieve provider.
pub(super) struct Dicom {
    way: DicomWay,
    timeout: Duration,
    answers_max: usize,
    object_bytes_max: u64,
    open: Option<Association>,
}

/// A key of a query: what to match, or empty for what to tell.
type Key<'a> = (Tag, VR, &'a str);

impl Dicom {
    pub(super) fn new(way: DicomWay, archive: &Archive) -> Self {
        Dicom {
            way,
            timeout: archive.timeout,
            answers_max: archive.answers_max,
            object_bytes_max: archive.object_bytes_max,
            open: None,
        }
    }

    fn associate(&self) -> Result<Association, Failure> {
        let DicomWay { node, retrieve } = &self.way;
        let stream = connect(&Goal::of(node, self.timeout))?;
        let mut contexts = vec![Proposed::using(FIND)];
        match retrieve {
            Retrieve::Move(_) => contexts.push(Proposed::using(MOVE)),
            Retrieve::Get => {
                contexts.push(Proposed::using(GET));
                for syntaxes in SYNTAXES {
                    contexts.extend(REPORTS.map(|class| Proposed {
                        class,
                        syntaxes,
                        serves_us: true,
                    }));
                }
            }
        }
        Association::request(stream, &node.calling, &node.called, &contexts)
    }

    /// Runs `talk` over the association that stands, or a new one. One that was lost is given up.
    fn talk<T>(
        &mut self,
        talk: impl FnOnce(&mut Association) -> Result<T, Trouble>,
    ) -> Result<T, Trouble> {
        let mut association = match self.open.take() {
            Some(association) => association,
            None => self.associate().map_err(Trouble::Lost)?,
        };
        let done = talk(&mut association);
        match done {
            Ok(_) | Err(Trouble::Refused(_)) => self.open = Some(association),
            Err(Trouble::Lost(_) | Trouble::NotKept(_)) => association.abort(),
        }
        done
    }

    /// C-FIND: what each match says under `wanted`, checked by `fits`.
    fn find(
        &mut self,
        level: &str,
        keys: &[Key<'_>],
        wanted: Tag,
        fits: impl Fn(&InMemDicomObject) -> bool,
    ) -> Result<Answers, Trouble> {
        let answers_max = self.answers_max;
        self.talk(|association| {
            let context = association.context(FIND).map_err(Trouble::Refused)?;
            let number = association.next_message();
            let command = query_request(C_FIND, number, FIND, None);
            let asked = identifier(level, keys, context.syntax).map_err(Trouble::Refused)?;
            association
                .ask(context.id, command, &asked)
                .map_err(Trouble::Lost)?;
            let mut assembler = Assembler::new(ANSWER_BYTES_MAX);
            let mut answers = Answers::default();
            let mut seen = BTreeSet::new();
            let (mut matches, mut nameless) = (0, 0);
            loop {
                let message = association.next(&mut assembler).map_err(Trouble::Lost)?;
                let answer = answer_to(&message, C_FIND, number)?;
                match (answer.status, &message.data_set) {
                    (0xFF00 | 0xFF01, Some(bytes)) => {
                        matches += 1;
                        if matches > ANSWERS_MAX {
                            let words = "the archive answers without end".to_owned();
                            return Err(Trouble::Lost(Failure::answer(
                                Word::AnswersEndless,
                                words,
                            )));
                        }
                        let found = sr::attributes(bytes, context.syntax, &ANSWER_LIMITS)
                            .map_err(|error| malformed(&error))?;
                        let uid = text(&found, wanted);
                        if uid.is_empty() {
                            nameless += 1;
                        } else if fits(&found) && seen.insert(uid.clone()) {
                            answers.found.push(uid);
                        }
                    }
                    (0x0000, _) => break,
                    // Out of resources, or a warning that no one lists: there may be more.
                    (0xA700..=0xA7FF | 0xB000..=0xBFFF | 0x0107, _) => {
                        answers.cut_off = Some(said(&answer));
                        break;
                    }
                    _ => return Err(Trouble::Refused(refusal(&answer))),
                }
            }
            if answers.cut_off.is_none() && answers_max > 0 && matches >= answers_max {
                answers.cut_off = Some(format!("it gave as many answers as it gives, {matches}"));
            }
            if answers.cut_off.is_none() && nameless > 0 {
                answers.cut_off = Some(nameless_answers(nameless));
            }
            Ok(answers)
        })
    }
}

impl Source for Dicom {
    fn question(&self, window: &Window) -> Question {
        let (dates, times) = (window.dates(), window.times().unwrap_or_default());
        let written = identifier(STUDY, &of_studies(&dates, &times), IMPLICIT);
        Question::Find(written.unwrap_or_default())
    }

    fn studies(&mut self, window: &Window) -> Result<Answers, Trouble> {
        let (dates, times) = (window.dates(), window.times().unwrap_or_default());
        let keys = of_studies(&dates, &times);
        // An archive that does not match by it tells it, or leaves it out.
        let may_hold = |found: &InMemDicomObject| {
            let modalities = text(found, tags::MODALITIES_IN_STUDY);
            modalities.is_empty() || modalities.split('\\').any(|one| one.trim() == "SR")
        };
        self.find(STUDY, &keys, tags::STUDY_INSTANCE_UID, may_hold)
    }

    fn series(&mut self, study: &str) -> Result<Answers, Trouble> {
        let keys = [
            (tags::STUDY_INSTANCE_UID, VR::UI, study),
            (tags::MODALITY, VR::CS, "SR"),
            (tags::SERIES_INSTANCE_UID, VR::UI, ""),
        ];
        let of_reports =
            |found: &InMemDicomObject| matches!(text(found, tags::MODALITY).as_str(), "SR" | "");
        self.find("SERIES", &keys, tags::SERIES_INSTANCE_UID, of_reports)
    }

    fn instances(&mut self, series: &Series<'_>) -> Result<Answers, Trouble> {
        let keys = [
            (tags::STUDY_INSTANCE_UID, VR::UI, series.study),
            (tags::SERIES_INSTANCE_UID, VR::UI, series.series),
            (tags::SOP_INSTANCE_UID, VR::UI, ""),
            (tags::SOP_CLASS_UID, VR::UI, ""),
        ];
        let is_report = |found: &InMemDicomObject| {
            let class = text(found, tags::SOP_CLASS_UID);
            class.is_empty() || REPORTS.contains(&class.as_str())
        };
        self.find("IMAGE", &keys, tags::SOP_INSTANCE_UID, is_report)
    }

    fn fetch(
        &mut self,
        series: &Series<'_>,
        instances: &[String],
        keep: Keep<'_>,
    ) -> Result<Option<Failure>, Trouble> {
        let (class, field, to) = match self.way.retrieve.clone() {
            Retrieve::Get => (GET, C_GET, None),
            Retrieve::Move(to) => (MOVE, C_MOVE, Some(to)),
        };
        let list = instances.join("\\");
        let keys = [
            (tags::STUDY_INSTANCE_UID, VR::UI, series.study),
            (tags::SERIES_INSTANCE_UID, VR::UI, series.series),
            (tags::SOP_INSTANCE_UID, VR::UI, list.as_str()),
        ];
        let mut assembler = Assembler::new(self.object_bytes_max);
        self.talk(|association| {
            let context = association.context(class).map_err(Trouble::Refused)?;
            let number = association.next_message();
            let command = query_request(field, number, class, to.as_deref());
            let asked = identifier("IMAGE", &keys, context.syntax).map_err(Trouble::Refused)?;
            association
                .ask(context.id, command, &asked)
                .map_err(Trouble::Lost)?;
            let mut refused = None;
            loop {
                let message = association.next(&mut assembler).map_err(Trouble::Lost)?;
                if message.command.operation == Operation::Store {
                    match take(association, message, keep) {
                        // The others still come.
                        Err(Trouble::Refused(why)) => refused = Some(why),
                        taken => taken?,
                    }
                    continue;
                }
                let answer = answer_to(&message, field, number)?;
                match answer.status {
                    0xFF00 | 0xFF01 => {}
                    0x0000 => return Ok(refused),
                    _ => {
                        let mut why = refusal(&answer);
                        if let Some(to) = &to {
                            why.words.push_str(&sent_to(to));
                        }
                        return Ok(Some(refused.unwrap_or(why)));
                    }
                }
            }
        })
    }

    /// C-ECHO where the archive accepts Verification, beside the classes by which it is asked.
    fn echo(&mut self) -> Result<Vec<Stage>, Failure> {
        let DicomWay { node, retrieve } = &self.way;
        let needed = match retrieve {
            Retrieve::Get => [FIND, GET],
            Retrieve::Move(_) => [FIND, MOVE],
        };
        let stream = connect(&Goal::of(node, self.timeout))?;
        let mut stages = stream.stages();
        stages.push(Stage::Association);
        let asked = needed.into_iter().chain([uids::VERIFICATION]);
        let asked: Vec<Proposed> = asked.map(Proposed::using).collect();
        let mut association = Association::request(stream, &node.calling, &node.called, &asked)?;
        let refused = needed
            .iter()
            .find_map(|class| association.context(class).err());
        if refused.is_none() && association.context(uids::VERIFICATION).is_ok() {
            association.echo()?;
            stages.push(Stage::Answer);
        }
        association.release();
        refused.map_or(Ok(stages), Err)
    }

    fn rest(&mut self) {
        if let Some(association) = self.open.take() {
            association.release();
        }
    }
}

/// Where a C-MOVE was to send: most often it is there that it fails, and the archive does not say so.
fn sent_to(title: &str) -> String {
    format!(
        "; it was to send to {title}, our own listener: the archive must know {title} by our address and \
         port, and `serve` must run and let it in (association-rejected in its log)"
    )
}

/// Keys of the question for studies.
fn of_studies<'a>(dates: &'a str, times: &'a str) -> [Key<'a>; 4] {
    [
        (tags::STUDY_DATE, VR::DA, dates),
        (tags::STUDY_TIME, VR::TM, times),
        (tags::MODALITIES_IN_STUDY, VR::CS, "SR"),
        (tags::STUDY_INSTANCE_UID, VR::UI, ""),
    ]
}

impl Drop for Dicom {
    fn drop(&mut self) {
        self.rest();
    }
}

/// Takes one object of a C-GET and answers. `Success` means that it is on stable storage.
fn take(association: &mut Association, message: Message, keep: Keep<'_>) -> Result<(), Trouble> {
    let context = association.context_of(message.context);
    let syntax = context
        .filter(|context| message.command.sop_class_uid.as_deref() == Some(context.class))
        .map(|context| context.syntax);
    let command = message.command;
    let (status, stored) = match (syntax, &command.sop_instance_uid, message.data_set) {
        (None, _, _) => (Status::ClassNotSupported, Ok(())),
        (_, None, _) => (Status::InvalidInstance, Ok(())),
        (_, _, None) => (Status::NoDataSet, Ok(())),
        (Some(syntax), Some(instance), Some(bytes)) => {
            let kept = keep(Came {
                instance: instance.clone(),
                syntax: Some(syntax),
                bytes,
            });
            (kept.status(), settled(kept))
        }
    };
    let answered = association.answer(message.context, command.answer(status));
    // What is not stored weighs more than whom we could not tell.
    stored?;
    answered.map_err(Trouble::Lost)
}

/// The identifier of a query.
fn identifier(level: &str, keys: &[Key<'_>], syntax: &str) -> Result<Vec<u8>, Failure> {
    let level = (tags::QUERY_RETRIEVE_LEVEL, VR::CS, level);
    let elements = keys.iter().chain([&level]).map(|(tag, vr, value)| {
        let value = match *value {
            "" => PrimitiveValue::Empty,
            value => PrimitiveValue::from(value),
        };
        DataElement::new(*tag, *vr, value)
    });
    let object = InMemDicomObject::from_element_iter(elements);
    let unwritable = |what: String| Failure::answer(Word::IdentifierUnwritable, what);
    let known = TransferSyntaxRegistry.get(syntax);
    let known = known.ok_or_else(|| unwritable(format!("no transfer syntax {syntax}")))?;
    let mut bytes = Vec::new();
    let written = object.write_dataset_with_ts(&mut bytes, known);
    written.map_err(|error| unwritable(error.to_string()))?;
    Ok(bytes)
}

/// A value of an identifier as text, without padding; empty when it is absent.
fn text(object: &InMemDicomObject, tag: Tag) -> String {
    let element = object.get(tag);
    let value = element.and_then(|element| element.value().to_str().ok());
    let value = value.unwrap_or_default();
    value.trim_end_matches(['\0', ' ']).trim_start().to_owned()
}

/// What the archive answers, if it answers what was asked.
fn answer_to(message: &Message, field: u16, number: u16) -> Result<Answer, Trouble> {
    let answer = Answer::parse(&message.command_set).map_err(|error| malformed(&error))?;
    if (answer.field, answer.to) == (field | ANSWER, number) {
        Ok(answer)
    } else {
        Err(malformed(&format!(
            "command {:04X} to message {} where an answer to message {number} was due",
            answer.field, answer.to
        )))
    }
}

fn malformed(what: &dyn std::fmt::Display) -> Trouble {
    let words = format!("the archive's answer is malformed: {what}");
    Trouble::Lost(Failure::answer(Word::DimseMalformed, words))
}

fn refusal(answer: &Answer) -> Failure {
    Failure::answer(Code::Status(answer.status), said(answer))
}

/// A status in words, with what the archive says of it.
fn said(answer: &Answer) -> String {
    let mut words = format!("{:04X}H, {}", answer.status, meaning(answer.status));
    if !answer.comment.is_empty() {
        words.push_str(&format!("; it says: {}", answer.comment));
    }
    words
}

fn meaning(status: u16) -> &'static str {
    let mut known = STATUSES.iter();
    let known = known.find(|(from, to, _)| (*from..=*to).contains(&status));
    known.map_or(
        "a status that the standard does not list for this",
        |(_, _, words)| words,
    )
}

/// First and last status, and what it means. PS3.4 tables C.4-1, C.4-2 and C.4-3, PS3.7 annex C; the
/// first that fits counts.
pub(crate) const STATUSES: &[(u16, u16, &str)] = &[
    (0x0000, 0x0000, "it says that all was sent"),
    (
        0xA701,
        0xA701,
        "out of resources: cannot calculate the number of matches",
    ),
    (0xA702, 0xA702, "out of resources: cannot send the objects"),
    (0xA700, 0xA7FF, "out of resources"),
    (
        0xA801,
        0xA801,
        "it does not know the AE title of move_to; it is to be entered there",
    ),
    (0xA900, 0xA9FF, "it does not take what was asked for"),
    (0xB000, 0xBFFF, "some of the objects could not be sent"),
    (0xC000, 0xCFFF, "it cannot process this; see its log"),
    (0xFE00, 0xFE00, "it ended the operation"),
    (0x0122, 0x0122, "it does not support this class"),
    (
        0x0124,
        0x0124,
        "not authorised; does the archive allow us to query and retrieve?",
    ),
    (0x0211, 0x0211, "it does not know this operation"),
];
