use super::*;

/// A line that gives these pieces, one a read, and keeps what was sent.
struct Line {
    pieces: Vec<Vec<u8>>,
    sent: Vec<u8>,
}

impl Line {
    fn giving(pieces: &[&[u8]]) -> Line {
        Line {
            pieces: pieces.iter().rev().map(|piece| piece.to_vec()).collect(),
            sent: Vec::new(),
        }
    }
}

impl Read for Line {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match self.pieces.pop() {
            Some(piece) => {
                into[..piece.len()].copy_from_slice(&piece);
                Ok(piece.len())
            }
            None => Ok(0),
        }
    }
}

impl Write for Line {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.sent.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn told(pieces: &[&[u8]]) -> Result<(), Failure> {
    let mut line = Line::giving(pieces);
    let message = "MSH|^~\\&|||||||ORU^R01|4711|P|2.5.1\r";
    let answer = exchange(&mut line, message);
    assert_eq!(line.sent, framed(message.as_bytes()));
    match answer {
        Ok(answer) => judge(&answer, &control(message)?),
        Err(Lost::Answer(failure)) => Err(failure),
        Err(Lost::Line(error)) => Err(Failure::answer(Word::AnswerFailed, error.to_string())),
    }
}

fn ack(code: &str, control: &str) -> Vec<u8> {
    framed(format!("MSH|^~\\&|||||||ACK|1|P|2.5.1\rMSA|{code}|{control}\r").as_bytes())
}

#[test]
fn only_the_acknowledgement_of_this_message_says_that_it_was_taken() {
    let taken = ack("AA", "4711");
    assert_eq!(told(&[&taken]), Ok(()));
    for at in 0..taken.len() {
        let (first, rest) = taken.split_at(at.max(1));
        assert_eq!(told(&[first, rest]), Ok(()), "{at}");
    }
    assert_eq!(told(&[&ack("CA", "4711")]), Ok(()));
    let code = |pieces: &[&[u8]]| {
        let failure = told(pieces).unwrap_err();
        (failure.code.to_string(), failure.lasts)
    };
    assert_eq!(code(&[&ack("AE", "4711")]), ("ack-ae".into(), true));
    assert_eq!(code(&[&ack("AR", "4711")]), ("ack-ar".into(), false));
    assert_eq!(
        code(&[&ack("AA", "4710")]),
        ("ack-of-another".into(), false)
    );
    assert_eq!(code(&[b"HTTP/1.1 400"]), ("ack-malformed".into(), false));
    assert_eq!(code(&[&framed(b"hello")]), ("ack-malformed".into(), false));
    assert_eq!(
        code(&[&taken[..taken.len() - 2]]),
        ("answer-failed".into(), false)
    );
    assert_eq!(code(&[]), ("answer-failed".into(), false));
}

/// HL7 "Transport Specification: MLLP, Release 2", 1.2.2.2.
#[test]
fn a_commit_block_is_no_acknowledgement_of_the_message() {
    let (committed, not) = (framed(COMMITTED), framed(NOT_COMMITTED));
    assert_eq!(told(&[&committed, &ack("AA", "4711")]), Ok(()));
    assert_eq!(told(&[&committed]).unwrap_err().code, "answer-failed");
    assert_eq!(told(&[&not]).unwrap_err().code, "ack-nak");
}
