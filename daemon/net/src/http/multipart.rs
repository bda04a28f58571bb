//! Parts of a multipart body as it arrives (RFC 2046 5.1): pure, and bounded however it is cut.

use std::collections::VecDeque;

/// Longest boundary (RFC 2046 5.1.1).
const BOUNDARY_MAX: usize = 70;

/// Bytes of the header fields of one part.
const FIELDS_MAX: usize = 8 << 10;

/// Bytes before the first part and after the last.
const AROUND_MAX: usize = 8 << 10;

/// Bytes that are looked at together.
const PIECE: usize = 16 << 10;

/// Why a body is no multipart body.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Broken {
    /// The boundary is not one.
    #[error("the boundary must have 1 to 70 characters")]
    Boundary,
    /// A part is larger than allowed.
    #[error("a part is larger than the {0} bytes allowed")]
    TooLarge(usize),
    /// It has more parts than allowed.
    #[error("the body has more than the {0} parts allowed")]
    TooMany(usize),
    /// Header fields without end.
    #[error("the header fields of a part do not end")]
    Fields,
    /// Something stands where a delimiter is due.
    #[error("after a boundary comes neither a line end nor the end")]
    Delimiter,
    /// Much stands around the parts.
    #[error("what stands before the first part or after the last does not end")]
    Around,
    /// It ended before its last boundary.
    #[error("the body ends before its last boundary")]
    Cut,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Preamble,
    AfterBoundary,
    Fields,
    Body,
    Epilogue,
}

/// Takes a body in pieces.
#[derive(Debug)]
pub struct Parts {
    /// Line end, two dashes, boundary.
    delimiter: Vec<u8>,
    part_max: usize,
    /// How many parts may come yet, of how many.
    left: usize,
    parts_max: usize,
    state: State,
    held: Vec<u8>,
    /// Up to here there is no delimiter in what is held.
    searched: usize,
    after: usize,
    whole: VecDeque<Vec<u8>>,
}

impl Parts {
    /// For at most `parts_max` parts of at most `part_max` bytes each.
    ///
    /// # Errors
    /// The boundary is not one.
    pub fn new(boundary: &str, part_max: usize, parts_max: usize) -> Result<Self, Broken> {
        if boundary.is_empty() || boundary.len() > BOUNDARY_MAX {
            return Err(Broken::Boundary);
        }
        Ok(Parts {
            delimiter: format!("\r\n--{boundary}").into_bytes(),
            part_max,
            left: parts_max,
            parts_max,
            state: State::Preamble,
            // The first boundary may begin the body.
            held: b"\r\n".to_vec(),
            searched: 0,
            after: 0,
            whole: VecDeque::new(),
        })
    }

    /// Bytes that are held.
    #[must_use]
    pub fn held_bytes(&self) -> usize {
        self.held.len() + self.whole.iter().map(Vec::len).sum::<usize>()
    }

    /// Takes some more of the body; whole parts then come from [`Parts::whole`].
    ///
    /// # Errors
    /// It is no multipart body.
    pub fn take(&mut self, bytes: &[u8]) -> Result<(), Broken> {
        // A part costs what is held behind it, so never much is.
        for piece in bytes.chunks(PIECE) {
            self.held.extend_from_slice(piece);
            while self.step()? {}
        }
        Ok(())
    }

    /// A part that is whole, without its header fields.
    pub fn whole(&mut self) -> Option<Vec<u8>> {
        self.whole.pop_front()
    }

    /// Whether the last boundary came.
    ///
    /// # Errors
    /// It did not.
    pub fn end(&self) -> Result<(), Broken> {
        match self.state {
            State::Epilogue => Ok(()),
            _ => Err(Broken::Cut),
        }
    }

    /// Goes on as far as one thing; `false` when more bytes are needed.
    fn step(&mut self) -> Result<bool, Broken> {
        match self.state {
            State::Preamble => match self.find_delimiter() {
                Some(at) if at > AROUND_MAX => Err(Broken::Around),
                Some(at) => {
                    self.drop_front(at + self.delimiter.len());
                    self.state = State::AfterBoundary;
                    Ok(true)
                }
                None if self.held.len() > AROUND_MAX + self.delimiter.len() => Err(Broken::Around),
                None => Ok(false),
            },
            State::AfterBoundary => {
                // Blanks may follow a boundary (RFC 2046 5.1.1).
                let blank = |byte: &&u8| matches!(**byte, b' ' | b'\t');
                let blanks = self.held.iter().take_while(blank).count();
                match self.held.get(blanks..blanks + 2) {
                    _ if blanks > BOUNDARY_MAX => Err(Broken::Delimiter),
                    Some(b"--") if blanks == 0 => {
                        self.state = State::Epilogue;
                        Ok(true)
                    }
                    Some(b"\r\n") => {
                        // The line end stays: fields may be none, and then it ends them.
                        self.drop_front(blanks);
                        self.state = State::Fields;
                        Ok(true)
                    }
                    Some(_) => Err(Broken::Delimiter),
                    None => Ok(false),
                }
            }
            State::Fields => match find(&self.held, b"\r\n\r\n", self.searched) {
                Some(at) if at > FIELDS_MAX => Err(Broken::Fields),
                Some(at) => {
                    self.drop_front(at + 4);
                    self.state = State::Body;
                    Ok(true)
                }
                None if self.held.len() > FIELDS_MAX + 4 => Err(Broken::Fields),
                None => {
                    self.searched = self.held.len().saturating_sub(3);
                    Ok(false)
                }
            },
            State::Body => match self.find_delimiter() {
                Some(at) if at > self.part_max => Err(Broken::TooLarge(self.part_max)),
                Some(_) if self.left == 0 => Err(Broken::TooMany(self.parts_max)),
                Some(at) => {
                    self.left -= 1;
                    let rest = self.held.split_off(at);
                    let part = std::mem::replace(&mut self.held, rest);
                    self.whole.push_back(part);
                    self.drop_front(self.delimiter.len());
                    self.state = State::AfterBoundary;
                    Ok(true)
                }
                None if self.held.len() > self.part_max + self.delimiter.len() => {
                    Err(Broken::TooLarge(self.part_max))
                }
                None => Ok(false),
            },
            State::Epilogue => {
                self.after += self.held.len();
                self.drop_front(self.held.len());
                if self.after > AROUND_MAX {
                    Err(Broken::Around)
                } else {
                    Ok(false)
                }
            }
        }
    }

    fn find_delimiter(&mut self) -> Option<usize> {
        let found = find(&self.held, &self.delimiter, self.searched);
        if found.is_none() {
            let tail = self.delimiter.len() - 1;
            self.searched = self.held.len().saturating_sub(tail);
        }
        found
    }

    fn drop_front(&mut self, bytes: usize) {
        self.held.drain(..bytes.min(self.held.len()));
        self.searched = 0;
    }
}

fn find(held: &[u8], wanted: &[u8], from: usize) -> Option<usize> {
    let held = held.get(from..)?;
    let first = *wanted.first()?;
    let mut at = 0;
    while let Some(next) = held.get(at..)?.iter().position(|byte| *byte == first) {
        if held.get(at + next..)?.starts_with(wanted) {
            return Some(from + at + next);
        }
        at += next + 1;
    }
    None
}

/// A parameter of a media type, as `boundary` (RFC 9110 5.6.6 and 8.3.1); quoted or not.
#[must_use]
pub fn parameter(media_type: &str, name: &str) -> Option<String> {
    let mut rest = media_type.split_once(';')?.1;
    loop {
        let (key, after) = rest.trim_start().split_once('=')?;
        let (value, after) = match after.strip_prefix('"') {
            Some(quoted) => {
                let (value, after) = quoted.split_once('"')?;
                (value, after.trim_start().strip_prefix(';').unwrap_or(""))
            }
            None => after.split_once(';').unwrap_or((after, "")),
        };
        if key.trim().eq_ignore_ascii_case(name) {
            return Some(value.trim().to_owned());
        }
        rest = after;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of RFC 2046 5.1.1: its preamble, a part without and one with header fields, and
    /// what follows the last boundary.
    const RFC_2046: &str = "This is the preamble.  It is to be ignored, though it\r\n\
        is a handy place for composition agents to include an\r\n\
        explanatory note to non-MIME conformant readers.\r\n\r\n\
        --simple boundary\r\n\r\n\
        This is implicitly typed plain US-ASCII text.\r\n\
        It does NOT end with a linebreak.\r\n\
        --simple boundary\r\n\
        Content-type: text/plain; charset=us-ascii\r\n\r\n\
        This is explicitly typed plain US-ASCII text.\r\n\
        It DOES end with a linebreak.\r\n\r\n\
        --simple boundary--\r\n\r\n\
        This is the epilogue.  It is also to be ignored.\r\n";

    fn parts(body: &[u8], size: usize, part_max: usize) -> Result<Vec<Vec<u8>>, Broken> {
        let mut parts = Parts::new("simple boundary", part_max, 2)?;
        let mut found = Vec::new();
        for piece in body.chunks(size) {
            parts.take(piece)?;
            found.extend(std::iter::from_fn(|| parts.whole()));
        }
        parts.end()?;
        Ok(found)
    }

    #[test]
    fn the_example_of_the_standard_in_pieces_of_every_size() {
        for size in 1..RFC_2046.len() {
            let found = parts(RFC_2046.as_bytes(), size, 1000).unwrap();
            let text = |at: usize| std::str::from_utf8(&found[at]).unwrap();
            assert_eq!(found.len(), 2, "{size}");
            assert!(text(0).starts_with("This is implicitly"), "{size}");
            assert!(text(0).ends_with("NOT end with a linebreak."), "{size}");
            assert!(
                text(1).ends_with("DOES end with a linebreak.\r\n"),
                "{size}"
            );
        }
    }

    #[test]
    fn a_body_that_begins_with_its_boundary_and_holds_almost_boundaries() {
        let body =
            b"--simple boundary\r\nA: b\r\n\r\nx\r\n--simple boundarx\r\n\r\n--simple boundary--";
        for size in 1..body.len() {
            let found = parts(body, size, 100).unwrap();
            assert_eq!(found, [b"x\r\n--simple boundarx\r\n".to_vec()], "{size}");
        }
    }

    #[test]
    fn what_is_broken_says_how() {
        let long = vec![b'x'; 20_000];
        let with = |before: &str| [before.as_bytes(), &long].concat();
        for (body, broken) in [
            (b"--simple boundary\r\n\r\nx".to_vec(), Broken::Cut),
            (b"--simple boundary".to_vec(), Broken::Cut),
            (b"--simple boundary!\r\n".to_vec(), Broken::Delimiter),
            (long.clone(), Broken::Around),
            (with("--simple boundary\r\n"), Broken::Fields),
            (with("--simple boundary\r\n\r\n"), Broken::TooLarge(9000)),
            (with("--simple boundary--"), Broken::Around),
            (
                b"--simple boundary\r\n\r\n\r\n".repeat(4),
                Broken::TooMany(2),
            ),
            // However it is cut, the end of what is too long does not make up for it.
            (
                [&long, &b"\r\n--simple boundary--"[..]].concat(),
                Broken::Around,
            ),
            (
                [
                    &with("--simple boundary\r\n"),
                    &b"\r\n\r\nx\r\n--simple boundary--"[..],
                ]
                .concat(),
                Broken::Fields,
            ),
        ] {
            for size in [1, 7, 4096, 50_000] {
                assert_eq!(parts(&body, size, 9000), Err(broken), "{size}");
            }
        }
        assert_eq!(Parts::new("", 1, 1).err(), Some(Broken::Boundary));
        assert_eq!(
            Parts::new(&"b".repeat(71), 1, 1).err(),
            Some(Broken::Boundary)
        );
    }

    #[test]
    fn parameters_of_a_media_type() {
        let of = |text: &str, name| parameter(text, name);
        let said = "multipart/related; type=\"application/dicom\"; boundary=a;b=c";
        assert_eq!(of(said, "type").as_deref(), Some("application/dicom"));
        assert_eq!(of(said, "Boundary").as_deref(), Some("a"));
        assert_eq!(of(said, "b").as_deref(), Some("c"));
        assert_eq!(of(said, "start"), None);
        let odd = "multipart/related;boundary=\"x; type=y\" ;type=application/dicom";
        assert_eq!(of(odd, "boundary").as_deref(), Some("x; type=y"));
        assert_eq!(of(odd, "type").as_deref(), Some("application/dicom"));
        for broken in ["", "multipart/related", "a;b", "a;b=\"c"] {
            assert_eq!(of(broken, "b"), None, "{broken}");
        }
    }
}
