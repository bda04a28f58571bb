//! HL7's minimal lower layer protocol: messages as blocks in a stream of bytes.
//!
//! A block is 0x0B, the message, 0x1C 0x0D (HL7 "Transport Specification: MLLP", Release 1, the
//! framing of Release 2 as well). Neither byte can stand in a message, so a stream that has lost its
//! step shows it: nothing is skipped to find the next block, since what was skipped may have been one.

#[cfg(test)]
mod tests;

/// Begins a block.
pub const START: u8 = 0x0B;
/// Ends a block, together with the carriage return behind it.
pub const END: u8 = 0x1C;
const RETURN: u8 = b'\r';

/// A message as a block.
#[must_use]
pub fn framed(message: &[u8]) -> Vec<u8> {
    let mut block = Vec::with_capacity(message.len() + 3);
    block.push(START);
    block.extend_from_slice(message);
    block.extend_from_slice(&[END, RETURN]);
    block
}

/// What came is not a stream of blocks, or not one that may come here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// A byte between two blocks; line ends alone are passed over there.
    #[error("{0:#04x} stands where a block should begin with 0x0b")]
    Outside(u8),
    /// A block begins inside another: the rest of that one is missing.
    #[error("a block begins before the one before it has ended")]
    Nested,
    /// The end byte without its carriage return.
    #[error("{0:#04x} follows the end byte 0x1c instead of 0x0d")]
    End(u8),
    /// The message is longer than allowed.
    #[error("the message is longer than {0} bytes")]
    TooLong(usize),
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
enum At {
    #[default]
    Between,
    Inside,
    End,
}

/// Takes blocks out of a stream that comes in pieces of any size.
#[derive(Debug)]
pub struct Blocks {
    limit: usize,
    at: At,
    message: Vec<u8>,
}

impl Blocks {
    /// Messages of at most `limit` bytes; no more is ever held.
    #[must_use]
    pub fn new(limit: usize) -> Self {
        Blocks {
            limit,
            at: At::default(),
            message: Vec::new(),
        }
    }

    /// Takes bytes off the front of `bytes` up to the end of a message, which it returns, or all of
    /// them.
    ///
    /// # Errors
    /// The stream is broken; nothing after that can be trusted.
    pub fn take(&mut self, bytes: &mut &[u8]) -> Result<Option<Vec<u8>>, FrameError> {
        while let Some((&byte, rest)) = bytes.split_first() {
            *bytes = rest;
            match (self.at, byte) {
                (At::Between, START) => self.at = At::Inside,
                (At::Between, b'\r' | b'\n') => {}
                (At::Between, other) => return Err(FrameError::Outside(other)),
                (At::Inside, START) => return Err(FrameError::Nested),
                (At::Inside, END) => self.at = At::End,
                (At::Inside, _) if self.message.len() >= self.limit => {
                    return Err(FrameError::TooLong(self.limit));
                }
                (At::Inside, other) => self.message.push(other),
                (At::End, RETURN) => {
                    self.at = At::Between;
                    return Ok(Some(std::mem::take(&mut self.message)));
                }
                (At::End, other) => return Err(FrameError::End(other)),
            }
        }
        Ok(None)
    }

    /// Whether a block has begun and not ended.
    #[must_use]
    pub fn is_inside(&self) -> bool {
        self.at != At::Between
    }
}
