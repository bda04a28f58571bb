//! An association as its requestor (PS3.8), over a connection whose waits are bounded.

use crate::connect::Stream;
use crate::connect::{Failure, Stage, Word};
use crate::dicom::message::{Assembler, Fault, Fragment, Message};
use crate::dicom::request::{self, Outcome};
use crate::dicom::{
    APPLICATION_CONTEXT, IMPLEMENTATION_CLASS_UID, IMPLEMENTATION_VERSION, PDU_BYTES_MAX,
};
use dicom_dictionary_std::uids;
use dicom_ul::pdu::{
    AbortRQSource, AssociationAC, AssociationRJ, AssociationRJResult,
    AssociationRJServiceProviderASCEReason as AcseReason,
    AssociationRJServiceProviderPresentationReason as PresentationReason,
    AssociationRJServiceUserReason as UserReason, AssociationRJSource, AssociationRQ, PDataValue,
    PDataValueType, Pdu, PresentationContextProposed, PresentationContextResultReason,
    RequestorRoles, UserVariableItem, read_pdu, write_pdu,
};
use std::collections::{BTreeSet, VecDeque};
use std::io::{Read, Write};

/// Bytes of a PDV at most, whatever more a peer takes; and its header, of six.
const FRAGMENT: usize = 32 << 10;
const PDV_HEADER: usize = 6;

/// A presentation context to ask for.
#[derive(Debug, Clone, Copy)]
pub struct Proposed {
    /// SOP class.
    pub class: &'static str,
    /// Transfer syntaxes, of which the peer picks one.
    pub syntaxes: &'static [&'static str],
    /// Whether the peer is to send us objects of the class, as in C-GET (PS3.7 D.3.3.4).
    pub serves_us: bool,
}

/// What every peer can: PS3.5 10.1.
const LITTLE_ENDIAN: &[&str] = &[
    uids::EXPLICIT_VR_LITTLE_ENDIAN,
    uids::IMPLICIT_VR_LITTLE_ENDIAN,
];

impl Proposed {
    /// A class of which we are the user.
    pub fn using(class: &'static str) -> Self {
        Proposed {
            class,
            syntaxes: LITTLE_ENDIAN,
            serves_us: false,
        }
    }
}

/// A presentation context that the peer accepted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Accepted {
    /// Its number in this association.
    pub id: u8,
    /// SOP class.
    pub class: &'static str,
    /// The transfer syntax that the peer picked.
    pub syntax: &'static str,
}

/// An association that stands.
pub struct Association {
    stream: Stream,
    contexts: Vec<Accepted>,
    /// Classes that were not accepted, with the peer's reason.
    refused: Vec<(&'static str, &'static str)>,
    fragment: usize,
    messages: u16,
    /// Messages that are whole and were not handed out.
    waiting: VecDeque<Message>,
}

impl Association {
    /// Asks for an association with these presentation contexts.
    pub fn request(
        mut stream: Stream,
        calling: &str,
        called: &str,
        contexts: &[Proposed],
    ) -> Result<Self, Failure> {
        // Odd numbers from 1 (PS3.8 9.3.2.2).
        let proposed: Vec<(u8, Proposed)> =
            (1..).step_by(2).zip(contexts.iter().copied()).collect();
        let serving = proposed.iter().filter(|(_, one)| one.serves_us);
        let roles: BTreeSet<&str> = serving.map(|(_, one)| one.class).collect();
        let roles = roles.into_iter().map(|class| {
            let roles = RequestorRoles {
                scu: false,
                scp: true,
            };
            UserVariableItem::ScuScpRoleSelectionSubItem(class.to_owned(), roles)
        });
        let request = Pdu::AssociationRQ(AssociationRQ {
            protocol_version: 1,
            calling_ae_title: calling.to_owned(),
            called_ae_title: called.to_owned(),
            application_context_name: APPLICATION_CONTEXT.to_owned(),
            presentation_contexts: proposed
                .iter()
                .map(|(id, one)| PresentationContextProposed {
                    id: *id,
                    abstract_syntax: one.class.to_owned(),
                    transfer_syntaxes: one.syntaxes.iter().map(|&uid| uid.to_owned()).collect(),
                })
                .collect(),
            user_variables: vec![
                UserVariableItem::MaxLength(PDU_BYTES_MAX),
                UserVariableItem::ImplementationClassUID(IMPLEMENTATION_CLASS_UID.to_owned()),
                UserVariableItem::ImplementationVersionName(IMPLEMENTATION_VERSION.to_owned()),
            ]
            .into_iter()
            .chain(roles)
            .collect(),
        });
        send(&mut stream, &request, Stage::Association)?;
        match receive(&mut stream, Stage::Association)? {
            Pdu::AssociationAC(answer) => Ok(Self::accepted(stream, &proposed, answer)),
            Pdu::AssociationRJ(answer) => Err(rejected(&answer)),
            Pdu::AbortRQ { source } => Err(aborted(&source, Stage::Association)),
            other => Err(unexpected(&other, Stage::Association)),
        }
    }

    fn accepted(stream: Stream, proposed: &[(u8, Proposed)], answer: AssociationAC) -> Association {
        let (mut contexts, mut refused) = (Vec::new(), Vec::new());
        for (
            id,
            Proposed {
                class, syntaxes, ..
            },
        ) in proposed
        {
            let mut results = answer.presentation_contexts.iter();
            let found = results.find(|result| result.id == *id);
            let why = match found {
                Some(one) if one.reason == PresentationContextResultReason::Acceptance => {
                    let syntax = one.transfer_syntax.trim_end_matches(['\0', ' ']);
                    if let Some(syntax) = syntaxes.iter().find(|known| **known == syntax) {
                        let (id, class) = (*id, *class);
                        contexts.push(Accepted { id, class, syntax });
                        continue;
                    }
                    "it picked a transfer syntax that was not offered"
                }
                // PS3.8 table 9-18.
                Some(one) => match one.reason {
                    PresentationContextResultReason::AbstractSyntaxNotSupported => {
                        "it does not take this class"
                    }
                    PresentationContextResultReason::TransferSyntaxesNotSupported => {
                        "it takes none of the transfer syntaxes offered"
                    }
                    PresentationContextResultReason::UserRejection => "rejected by its user",
                    _ => "it gives no reason",
                },
                None => "it does not answer to this",
            };
            refused.push((*class, why));
        }
        let limit = answer.user_variables.iter().find_map(|item| match item {
            UserVariableItem::MaxLength(limit) => usize::try_from(*limit).ok(),
            _ => None,
        });
        Association {
            stream,
            contexts,
            refused,
            fragment: fragment(limit.unwrap_or(0)),
            messages: 0,
            waiting: VecDeque::new(),
        }
    }

    /// The accepted context of that number.
    pub fn context_of(&self, id: u8) -> Option<&Accepted> {
        self.contexts.iter().find(|one| one.id == id)
    }

    /// The first accepted context of a class that was asked for.
    pub fn context(&self, class: &str) -> Result<Accepted, Failure> {
        let found = self.contexts.iter().find(|one| one.class == class);
        found.cloned().ok_or_else(|| {
            let why = self.refused.iter().find(|(other, _)| *other == class);
            let why = why.map_or("", |(_, why)| why);
            Failure::new(
                Stage::Association,
                Word::ContextRefused,
                format!("the archive does not accept {}: {why}", name(class)),
            )
        })
    }

    /// C-STORE of a data set that is encoded as its context says.
    pub fn store(
        &mut self,
        context: u8,
        class: &str,
        instance: &str,
        data: &[u8],
    ) -> Result<Outcome, Failure> {
        let message = self.next_message();
        let command = request::store_request(message, class, instance);
        self.send_value(context, PDataValueType::Command, command, true)?;
        self.send_data(context, data)?;
        let command = self.command(context)?;
        request::outcome(&command, request::STORE_ANSWER, message)
    }

    /// N-EVENT-REPORT of an event with a data set that is encoded as its context says.
    pub fn event(
        &mut self,
        context: u8,
        class: &str,
        instance: &str,
        event: u16,
        data: &[u8],
    ) -> Result<Outcome, Failure> {
        let message = self.next_message();
        let command = request::event_request(message, class, instance, event);
        self.send_value(context, PDataValueType::Command, command, true)?;
        self.send_data(context, data)?;
        let command = self.command(context)?;
        request::outcome(&command, request::EVENT_ANSWER, message)
    }

    /// Sends a request that a data set belongs to.
    pub fn ask(&mut self, context: u8, command: Vec<u8>, data: &[u8]) -> Result<(), Failure> {
        self.send_value(context, PDataValueType::Command, command, true)?;
        self.send_data(context, data)
    }

    /// Sends an answer, which has no data set.
    pub fn answer(&mut self, context: u8, command: Vec<u8>) -> Result<(), Failure> {
        self.send_value(context, PDataValueType::Command, command, true)
    }

    /// The next message of the peer. One without end is given up.
    pub fn next(&mut self, assembler: &mut Assembler) -> Result<Message, Failure> {
        loop {
            if let Some(message) = self.waiting.pop_front() {
                return Ok(message);
            }
            let values = match receive(&mut self.stream, Stage::Answer)? {
                Pdu::PData { data } => data,
                Pdu::AbortRQ { source } => return Err(aborted(&source, Stage::Answer)),
                other => return Err(unexpected(&other, Stage::Answer)),
            };
            for value in &values {
                let whole = assembler.feed(Fragment {
                    context: value.presentation_context_id,
                    is_command: value.value_type == PDataValueType::Command,
                    is_last: value.is_last,
                    bytes: &value.data,
                });
                let broken = |fault: Fault| {
                    Failure::new(Stage::Answer, Word::DimseMalformed, fault.to_string())
                };
                self.waiting.extend(whole.map_err(broken)?);
            }
        }
    }

    fn send_data(&mut self, context: u8, data: &[u8]) -> Result<(), Failure> {
        let mut pieces = data.chunks(self.fragment).peekable();
        while let Some(piece) = pieces.next() {
            let last = pieces.peek().is_none();
            self.send_value(context, PDataValueType::Data, piece.to_vec(), last)?;
        }
        Ok(())
    }

    /// C-ECHO.
    pub fn echo(&mut self) -> Result<(), Failure> {
        let context = self.context(uids::VERIFICATION)?.id;
        let message = self.next_message();
        let command = request::echo_request(message);
        self.send_value(context, PDataValueType::Command, command, true)?;
        let command = self.command(context)?;
        match request::outcome(&command, request::ECHO_ANSWER, message)? {
            Outcome::Done | Outcome::Taken(_) => Ok(()),
            Outcome::Refused(failure) => Err(failure),
        }
    }

    /// The Message ID of the next request.
    pub fn next_message(&mut self) -> u16 {
        self.messages = self.messages.wrapping_add(1);
        self.messages
    }

    fn send_value(
        &mut self,
        presentation_context_id: u8,
        value_type: PDataValueType,
        data: Vec<u8>,
        is_last: bool,
    ) -> Result<(), Failure> {
        let pdu = Pdu::PData {
            data: vec![PDataValue {
                presentation_context_id,
                value_type,
                is_last,
                data,
            }],
        };
        send(&mut self.stream, &pdu, Stage::Answer)
    }

    /// The command set of an answer, however it is cut into PDVs.
    fn command(&mut self, context: u8) -> Result<Vec<u8>, Failure> {
        let mut command = Vec::new();
        loop {
            let values = match receive(&mut self.stream, Stage::Answer)? {
                Pdu::PData { data } => data,
                Pdu::AbortRQ { source } => return Err(aborted(&source, Stage::Answer)),
                other => return Err(unexpected(&other, Stage::Answer)),
            };
            for value in values {
                let of_it = value.value_type == PDataValueType::Command
                    && value.presentation_context_id == context;
                command.extend_from_slice(&value.data);
                if !of_it || command.len() > crate::dicom::dimse::COMMAND_BYTES_MAX {
                    let words = "the archive answered with something other than a command";
                    return Err(Failure::new(
                        Stage::Answer,
                        Word::DimseMalformed,
                        words.to_owned(),
                    ));
                }
                if value.is_last {
                    return Ok(command);
                }
            }
        }
    }

    /// Ends it in order. What was to be known is known, so how this ends does not matter.
    pub fn release(mut self) {
        if send(&mut self.stream, &Pdu::ReleaseRQ, Stage::Answer).is_ok() {
            let _ = receive(&mut self.stream, Stage::Answer);
        }
        self.stream.close();
    }

    /// Ends it at once.
    pub fn abort(mut self) {
        let abort = Pdu::AbortRQ {
            source: AbortRQSource::ServiceUser,
        };
        let _ = send(&mut self.stream, &abort, Stage::Answer);
        self.stream.close();
    }
}

/// How much of a data set goes into a PDU of which the peer takes `limit` bytes, 0 for any number
/// (PS3.8 D.1). An even number, as PDVs have (PS3.8 annex E).
fn fragment(limit: usize) -> usize {
    let room = match limit {
        0 => FRAGMENT,
        limit => limit.saturating_sub(PDV_HEADER).min(FRAGMENT),
    };
    (room & !1).max(2)
}

/// A class in words.
fn name(class: &str) -> &str {
    match class {
        uids::COMPREHENSIVE_SR_STORAGE => "Comprehensive SR Storage",
        uids::ENCAPSULATED_PDF_STORAGE => "Encapsulated PDF Storage",
        uids::VERIFICATION => "Verification",
        uids::STORAGE_COMMITMENT_PUSH_MODEL => "reports of Storage Commitment",
        uids::STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_FIND => "queries (C-FIND, study root)",
        uids::STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_GET => "C-GET (study root)",
        uids::STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_MOVE => "C-MOVE (study root)",
        other => other,
    }
}

fn send(stream: &mut Stream, pdu: &Pdu, stage: Stage) -> Result<(), Failure> {
    let mut bytes = Vec::new();
    write_pdu(&mut bytes, pdu)
        .map_err(|error| Failure::new(stage, Word::PduUnwritable, error.to_string()))?;
    stream.step();
    let sent = stream.write_all(&bytes).and_then(|()| stream.flush());
    sent.map_err(|error| stream.failure(stage, &error))
}

/// The next PDU, complete within one step. Its length is looked at before it is read, so no byte
/// beyond the limit is buffered.
fn receive(stream: &mut Stream, stage: Stage) -> Result<Pdu, Failure> {
    stream.step();
    let mut bytes = vec![0; 6];
    let read = stream.read_exact(&mut bytes);
    read.map_err(|error| stream.failure(stage, &error))?;
    let malformed = |what: String| Failure::new(stage, Word::PduMalformed, what);
    let length = match bytes.as_slice() {
        [0x01..=0x07, _, length @ ..] => length.try_into().map(u32::from_be_bytes),
        _ => {
            let words = "what answers there does not speak DICOM; is it another port?";
            return Err(Failure::new(stage, Word::NotDicom, words.to_owned()));
        }
    };
    let length = length.unwrap_or(u32::MAX);
    if length > PDU_BYTES_MAX {
        return Err(malformed(format!("a PDU announces {length} bytes")));
    }
    let wanted = u64::from(length);
    let read = stream.take(wanted).read_to_end(&mut bytes);
    if read.map_err(|error| stream.failure(stage, &error))? as u64 != wanted {
        let cut = std::io::ErrorKind::UnexpectedEof.into();
        return Err(stream.failure(stage, &cut));
    }
    match read_pdu(bytes.as_slice(), PDU_BYTES_MAX, true) {
        Ok(Some(pdu)) => Ok(pdu),
        Ok(None) => Err(malformed("a PDU is cut off".to_owned())),
        Err(error) => Err(malformed(error.to_string())),
    }
}

/// PS3.8 table 9-21. None of the reasons speaks of the result, so none lasts: also a title that is
/// "permanently" not recognised is a setting, here or there.
fn rejected(answer: &AssociationRJ) -> Failure {
    let (code, words) = match &answer.source {
        AssociationRJSource::ServiceUser(reason) => match reason {
            UserReason::ApplicationContextNameNotSupported => (
                Word::RejectApplicationContext,
                "the archive does not know the application context of DICOM",
            ),
            UserReason::CallingAETitleNotRecognized => (
                Word::RejectCallingAe,
                "the archive does not know us; our AE title (calling) is to be entered there",
            ),
            UserReason::CalledAETitleNotRecognized => (
                Word::RejectCalledAe,
                "the archive does not have the AE title called; is it spelt as there?",
            ),
            _ => (Word::RejectNoReason, "the archive gives no reason"),
        },
        AssociationRJSource::ServiceProviderASCE(AcseReason::ProtocolVersionNotSupported) => (
            Word::RejectProtocolVersion,
            "the archive does not know this version of the protocol",
        ),
        AssociationRJSource::ServiceProviderASCE(_) => {
            (Word::RejectNoReason, "the archive gives no reason")
        }
        AssociationRJSource::ServiceProviderPresentation(reason) => match reason {
            PresentationReason::TemporaryCongestion => {
                (Word::RejectCongestion, "the archive is congested")
            }
            PresentationReason::LocalLimitExceeded => (
                Word::RejectLimit,
                "the archive has as many associations as it allows",
            ),
            _ => (Word::RejectNoReason, "the archive gives no reason"),
        },
    };
    let how = match answer.result {
        AssociationRJResult::Permanent => "rejected permanently",
        AssociationRJResult::Transient => "rejected for now",
    };
    Failure::new(Stage::Association, code, format!("{how}: {words}"))
}

/// PS3.8 table 9-26.
fn aborted(source: &AbortRQSource, stage: Stage) -> Failure {
    let words = match source {
        AbortRQSource::ServiceUser => "the archive aborted the association".to_owned(),
        AbortRQSource::ServiceProvider(reason) => {
            format!("the archive's network layer aborted the association: {reason:?}")
        }
        AbortRQSource::Reserved => "the association was aborted".to_owned(),
    };
    Failure::new(stage, Word::AssociationAborted, words)
}

fn unexpected(pdu: &Pdu, stage: Stage) -> Failure {
    let what = match pdu {
        Pdu::ReleaseRQ => "the archive released the association before it answered",
        _ => "the archive sent a PDU that has no place here",
    };
    Failure::new(stage, Word::PduUnexpected, what.to_owned())
}

#[cfg(test)]
mod tests;
