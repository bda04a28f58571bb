//! Results as HL7 v2 messages over MLLP.
//!
//! One connection a message: nothing is left over from the message before, so an acknowledgement
//! that names another message is never one that came late. MLLP has no ping; an echo only connects.

use super::{Carrier, unformed};
use crate::parcel::Parcel;
use crate::routes::destination::MllpWay;
use sheathline_model::forms::hl7;
use sheathline_net::connect::{Failure, Stage, Word};
use sheathline_net::connect::{Goal, Stream, connect};
use sheathline_net::hl7::Message;
use sheathline_net::hl7::ack::{Ack, Code, NoAck};
use sheathline_net::mllp::{Blocks, framed};
use std::io::{self, ErrorKind, Read, Write};
use std::time::Duration;

/// Longest acknowledgement that is read.
const ACK_MAX: usize = 64 * 1024;

/// Commit acknowledgement blocks of MLLP Release 2. Beside them the acknowledgement of the message
/// itself still comes: only that one counts.
const COMMITTED: &[u8] = &[0x06];
const NOT_COMMITTED: &[u8] = &[0x15];

/// Brings results to one receiver of HL7 v2.
#[derive(Debug)]
pub struct Mllp {
    way: MllpWay,
    timeout: Duration,
}

impl Mllp {
    /// A carrier of that way; no step waits longer than `timeout`.
    #[must_use]
    pub fn new(way: MllpWay, timeout: Duration) -> Self {
        Mllp { way, timeout }
    }

    fn connect(&self) -> Result<Stream, Failure> {
        connect(&Goal {
            host: &self.way.host,
            port: self.way.port,
            tls: self.way.tls.as_ref(),
            timeout: self.timeout,
        })
    }
}

impl Carrier for Mllp {
    fn deliver(&mut self, parcel: &Parcel) -> Result<(), Failure> {
        let message =
            hl7::oru_r01(&parcel.result, &parcel.context, &self.way.route).map_err(unformed)?;
        let control = control(&message)?;
        let mut stream = self.connect()?;
        stream.step();
        let answer = exchange(&mut stream, &message);
        let answer = answer.map_err(|error| match error {
            Lost::Line(error) => stream.failure(Stage::Answer, &error),
            Lost::Answer(failure) => failure,
        })?;
        stream.close();
        judge(&answer, &control)
    }

    fn echo(&mut self) -> Result<Vec<Stage>, Failure> {
        let stream = self.connect()?;
        let stages = stream.stages();
        stream.close();
        Ok(stages)
    }
}

/// MSH-10 of our own message.
fn control(message: &str) -> Result<String, Failure> {
    let header = Message::of(message.as_bytes()).map(|message| message.header().field(10).text());
    match header {
        Ok(Ok(control)) => Ok(control),
        _ => {
            let failure = Failure::new(Stage::Form, Word::Form, "the message has no control id");
            Err(failure.lasting(true))
        }
    }
}

/// Why no answer came.
enum Lost {
    Line(io::Error),
    Answer(Failure),
}

impl From<io::Error> for Lost {
    fn from(error: io::Error) -> Self {
        Lost::Line(error)
    }
}

/// Sends one message and waits for one.
fn exchange(stream: &mut (impl Read + Write), message: &str) -> Result<Vec<u8>, Lost> {
    stream.write_all(&framed(message.as_bytes()))?;
    stream.flush()?;
    let mut blocks = Blocks::new(ACK_MAX);
    let mut buffer = [0; 4096];
    loop {
        let read = match stream.read(&mut buffer) {
            Ok(0) => return Err(Lost::Line(ErrorKind::UnexpectedEof.into())),
            Ok(read) => read,
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(error) => return Err(Lost::Line(error)),
        };
        let mut bytes = buffer.get(..read).unwrap_or_default();
        while !bytes.is_empty() {
            match blocks.take(&mut bytes) {
                Ok(None) => {}
                Ok(Some(block)) if block == COMMITTED => {}
                Ok(Some(block)) if block == NOT_COMMITTED => {
                    let words = "the receiver answered with a negative commit acknowledgement";
                    return Err(Lost::Answer(Failure::answer(Word::AckNak, words)));
                }
                Ok(Some(block)) => return Ok(block),
                Err(error) => {
                    let words = format!("the answer is not MLLP: {error}");
                    return Err(Lost::Answer(Failure::answer(Word::AckMalformed, words)));
                }
            }
        }
    }
}

/// What the answer means for the delivery.
fn judge(answer: &[u8], control: &str) -> Result<(), Failure> {
    let ack = match Ack::read(answer, control) {
        Ok(ack) => ack,
        Err(error) => {
            let code = match error {
                NoAck::Malformed => Word::AckMalformed,
                NoAck::OfAnother => Word::AckOfAnother,
            };
            return Err(Failure::answer(code, error.to_string()));
        }
    };
    let code = match ack.code {
        Code::Taken => return Ok(()),
        Code::Error => Word::AckAe,
        Code::Reject => Word::AckAr,
        Code::CommitError => Word::AckCe,
        Code::CommitReject => Word::AckCr,
    };
    let words = match ack.words.as_str() {
        "" => "the receiver did not take the message and does not say why",
        said => said,
    };
    Err(Failure::answer(code, words).lasting(ack.lasts()))
}

#[cfg(test)]
mod tests;
