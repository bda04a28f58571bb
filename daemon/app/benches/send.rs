//! Sends files over any number of associations and says how long every answer took.
//!
//! `send ADDRESS CALLED ASSOCIATIONS EACH FILE…`: shares the files out over so many associations at
//! once; with EACH 0 an association carries its whole share, else so many files, then another
//! follows. Prints one JSON object. `peers.py` beside it uses it against one receiver after another.
//!
//! Every message goes out in one write and without Nagle's delay, so that the sender is not what is
//! measured.
#![allow(missing_docs)]
#![allow(clippy::print_stdout, reason = "a benchmark prints")]

use dicom_core::{DataElement, VR, dicom_value};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{InMemDicomObject, open_file};
use dicom_transfer_syntax_registry::entries::{
    EXPLICIT_VR_LITTLE_ENDIAN, IMPLICIT_VR_LITTLE_ENDIAN,
};
use dicom_ul::pdu::{
    AssociationRQ, PDataValue, PDataValueType, Pdu, PresentationContextProposed,
    PresentationContextResultReason, UserVariableItem, read_pdu, write_pdu,
};
use std::error::Error;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Barrier;
use std::thread;
use std::time::{Duration, Instant};

type Fallible<T> = Result<T, Box<dyn Error + Send + Sync>>;

/// Presentation context of everything sent.
const CONTEXT: u8 = 1;
/// What we take from a receiver, and the most we send in one PDU.
const PDU_BYTES: u32 = 128 << 10;

/// One C-STORE request, encoded.
struct Message {
    class: String,
    command: Vec<u8>,
    data_set: Vec<u8>,
}

struct Association {
    stream: TcpStream,
    /// The most the receiver takes in one PDU, without its header.
    pdu_bytes: usize,
}

fn main() -> Fallible<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [address, called, associations, each, files @ ..] = arguments.as_slice() else {
        // So that `cargo bench` over everything passes by.
        println!("send ADDRESS CALLED ASSOCIATIONS EACH FILE…");
        return Ok(());
    };
    let (associations, each): (usize, usize) = (associations.parse()?, each.parse()?);
    let messages = files.iter().map(message).collect::<Fallible<Vec<_>>>()?;
    let shares: Vec<&[Message]> = messages
        .chunks(messages.len().div_ceil(associations).max(1))
        .collect();
    let ready = Barrier::new(shares.len() + 1);
    let (seconds, mut answers) = thread::scope(|scope| -> Fallible<_> {
        let sending: Vec<_> = shares
            .iter()
            .map(|share| {
                scope.spawn(|| {
                    ready.wait();
                    send(address, called, each, share)
                })
            })
            .collect();
        ready.wait();
        let start = Instant::now();
        let mut answers = Vec::new();
        for one in sending {
            answers.extend(one.join().map_err(|_| "a sender panicked")??);
        }
        Ok((start.elapsed().as_secs_f64(), answers))
    })?;
    answers.sort();
    let millis = |part: usize| {
        let at = (answers.len() * part / 100).min(answers.len().saturating_sub(1));
        answers
            .get(at)
            .map_or(0.0, |time| time.as_secs_f64() * 1000.0)
    };
    println!(
        "{{\"objects\": {}, \"seconds\": {seconds:.4}, \"p50_ms\": {:.3}, \"p99_ms\": {:.3}}}",
        answers.len(),
        millis(50),
        millis(99)
    );
    Ok(())
}

/// Reads a file and encodes its request (PS3.7 9.3.1.1).
fn message(file: &String) -> Fallible<Message> {
    let object = open_file(file)?;
    let class = object.meta().media_storage_sop_class_uid().to_owned();
    let instance = object.meta().media_storage_sop_instance_uid().to_owned();
    let mut data_set = Vec::new();
    object.write_dataset_with_ts(&mut data_set, &EXPLICIT_VR_LITTLE_ENDIAN.erased())?;
    let number = |tag, value: u16| DataElement::new(tag, VR::US, dicom_value!(U16, [value]));
    let rest = InMemDicomObject::command_from_element_iter([
        DataElement::new(
            tags::AFFECTED_SOP_CLASS_UID,
            VR::UI,
            dicom_value!(Str, class.as_str()),
        ),
        number(tags::COMMAND_FIELD, 1),
        number(tags::MESSAGE_ID, 1),
        number(tags::PRIORITY, 0),
        number(tags::COMMAND_DATA_SET_TYPE, 0),
        DataElement::new(
            tags::AFFECTED_SOP_INSTANCE_UID,
            VR::UI,
            dicom_value!(Str, instance.as_str()),
        ),
    ]);
    let mut command = Vec::new();
    rest.write_dataset_with_ts(&mut command, &IMPLICIT_VR_LITTLE_ENDIAN.erased())?;
    Ok(Message {
        class,
        command,
        data_set,
    })
}

/// Sends a share and returns how long each answer took, the association counted in where every
/// file has its own.
fn send(address: &str, called: &str, each: usize, share: &[Message]) -> Fallible<Vec<Duration>> {
    let mut answers = Vec::with_capacity(share.len());
    let each = if each == 0 { share.len() } else { each };
    for files in share.chunks(each.max(1)) {
        let Some(Message { class, .. }) = files.first() else {
            break;
        };
        let mut start = Instant::now();
        let mut association = Association::open(address, called, class)?;
        for (number, one) in files.iter().enumerate() {
            if number > 0 {
                start = Instant::now();
            }
            association.store(one)?;
            answers.push(start.elapsed());
        }
        association.release()?;
    }
    Ok(answers)
}

impl Association {
    fn open(address: &str, called: &str, class: &str) -> Fallible<Self> {
        let stream = TcpStream::connect(address)?;
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(Duration::from_secs(60)))?;
        let mut one = Association {
            stream,
            pdu_bytes: 0,
        };
        one.write(&[Pdu::AssociationRQ(AssociationRQ {
            protocol_version: 1,
            calling_ae_title: "BENCH".to_owned(),
            called_ae_title: called.to_owned(),
            application_context_name: "1.2.840.10008.3.1.1.1".to_owned(),
            presentation_contexts: vec![PresentationContextProposed {
                id: CONTEXT,
                abstract_syntax: class.to_owned(),
                transfer_syntaxes: vec![uids::EXPLICIT_VR_LITTLE_ENDIAN.to_owned()],
            }],
            user_variables: vec![
                UserVariableItem::MaxLength(PDU_BYTES),
                UserVariableItem::ImplementationClassUID("2.25.1".to_owned()),
            ],
        })])?;
        let Pdu::AssociationAC(accepted) = one.read()? else {
            return Err("the association was refused".into());
        };
        let mut contexts = accepted.presentation_contexts.iter();
        if !contexts.any(|it| it.reason == PresentationContextResultReason::Acceptance) {
            return Err("the presentation context was refused".into());
        }
        let limit = accepted.user_variables.iter().find_map(|item| match item {
            UserVariableItem::MaxLength(bytes) => Some(*bytes),
            _ => None,
        });
        let limit = limit.filter(|bytes| *bytes > 0).unwrap_or(PDU_BYTES);
        one.pdu_bytes = limit.min(PDU_BYTES) as usize;
        Ok(one)
    }

    fn store(&mut self, message: &Message) -> Fallible<()> {
        let piece = |value_type, is_last, data: &[u8]| Pdu::PData {
            data: vec![PDataValue {
                presentation_context_id: CONTEXT,
                value_type,
                is_last,
                data: data.to_vec(),
            }],
        };
        let mut pdus = vec![piece(PDataValueType::Command, true, &message.command)];
        // A value has a header of six bytes.
        let mut pieces = message.data_set.chunks(self.pdu_bytes - 6).peekable();
        while let Some(data) = pieces.next() {
            pdus.push(piece(PDataValueType::Data, pieces.peek().is_none(), data));
        }
        self.write(&pdus)?;
        let Pdu::PData { data } = self.read()? else {
            return Err("something else than an answer".into());
        };
        let [answer] = data.as_slice() else {
            return Err("an answer in several pieces".into());
        };
        let answer = InMemDicomObject::read_dataset_with_ts(
            answer.data.as_slice(),
            &IMPLICIT_VR_LITTLE_ENDIAN.erased(),
        )?;
        match answer.element(tags::STATUS)?.to_int::<u16>()? {
            0 => Ok(()),
            status => Err(format!("answered with status {status:04X}H").into()),
        }
    }

    fn release(mut self) -> Fallible<()> {
        self.write(&[Pdu::ReleaseRQ])?;
        match self.read()? {
            Pdu::ReleaseRP => Ok(()),
            _ => Err("the release was not answered".into()),
        }
    }

    fn write(&mut self, pdus: &[Pdu]) -> Fallible<()> {
        let mut bytes = Vec::new();
        for pdu in pdus {
            write_pdu(&mut bytes, pdu)?;
        }
        Ok(self.stream.write_all(&bytes)?)
    }

    fn read(&mut self) -> Fallible<Pdu> {
        let mut header = [0; 6];
        self.stream.read_exact(&mut header)?;
        let [_, _, a, b, c, d] = header;
        let length = u32::from_be_bytes([a, b, c, d]);
        if length > PDU_BYTES {
            return Err(format!("a PDU of {length} bytes").into());
        }
        let mut body = vec![0; length as usize];
        self.stream.read_exact(&mut body)?;
        let whole = [header.as_slice(), &body].concat();
        Ok(read_pdu(whole.as_slice(), PDU_BYTES, true)?.ok_or("half a PDU")?)
    }
}
