//! Fragments put together to messages: a pure state machine of one association.
//!
//! PS3.8 annex E: a message is a command, then perhaps a data set, each in fragments of which the
//! last says so, all in one presentation context. Nobody bounds their sum, so we do.

use super::dimse::{COMMAND_BYTES_MAX, Command, CommandError};

/// One fragment of a message (a presentation data value).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fragment<'a> {
    /// Presentation context id.
    pub context: u8,
    /// Part of the command, not of the data set.
    pub is_command: bool,
    /// The last of its command or data set.
    pub is_last: bool,
    /// The bytes.
    pub bytes: &'a [u8],
}

/// A whole message.
#[derive(Debug, PartialEq, Eq)]
pub struct Message {
    /// Presentation context id.
    pub context: u8,
    /// The command.
    pub command: Command,
    /// The command set it was read from, for what only answers hold.
    pub command_set: Vec<u8>,
    /// The data set, byte for byte; `None` when the command has none, or when its bytes were
    /// given up with [`Assembler::give_up_data`] or passed over with [`Assembler::pass_over_data`].
    pub data_set: Option<Vec<u8>>,
}

/// Why an association cannot go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// The command set is not one.
    #[error(transparent)]
    Command(#[from] CommandError),
    /// A data set larger than allowed.
    #[error("a data set is larger than the {limit} bytes allowed")]
    TooLarge {
        /// The limit.
        limit: u64,
    },
    /// A data fragment where a command was due.
    #[error("a data set came without a command")]
    DataWithoutCommand,
    /// A command fragment where the data set was due.
    #[error("a command came inside a data set")]
    CommandInsideData,
    /// Fragments of one message in two presentation contexts.
    #[error("a message changed its presentation context")]
    ContextChanged,
}

#[derive(Debug, Default)]
enum State {
    #[default]
    Between,
    InCommand {
        context: u8,
        bytes: Vec<u8>,
    },
    InData {
        context: u8,
        command: Command,
        command_set: Vec<u8>,
        data: Vec<u8>,
        received: u64,
        held: Held,
    },
}

/// What is done with the bytes of a data set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Held {
    /// They are kept, up to the limit.
    Kept,
    /// They are counted against the limit and thrown away.
    GivenUp,
    /// They are read to the end, however many there are.
    PassedOver,
}

/// Puts the fragments of one association together.
#[derive(Debug)]
pub struct Assembler {
    data_bytes_max: u64,
    state: State,
}

impl Assembler {
    /// For data sets of at most so many bytes.
    #[must_use]
    pub fn new(data_bytes_max: u64) -> Self {
        Assembler {
            data_bytes_max,
            state: State::Between,
        }
    }

    /// Whether no message has begun.
    #[must_use]
    pub fn is_between_messages(&self) -> bool {
        matches!(self.state, State::Between)
    }

    /// Bytes of the data set that are held.
    #[must_use]
    pub fn held_bytes(&self) -> usize {
        match &self.state {
            State::InData { data, .. } => data.len(),
            _ => 0,
        }
    }

    /// Throws away what there is of the data set and what will come of it, for want of memory. The
    /// message still ends, so that it can be answered.
    pub fn give_up_data(&mut self) {
        if let State::InData { data, held, .. } = &mut self.state {
            *data = Vec::new();
            if *held == Held::Kept {
                *held = Held::GivenUp;
            }
        }
    }

    /// Reads what will come of the data set and keeps nothing of it. The limit holds for what is kept
    /// alone, so the caller bounds the time.
    pub fn pass_over_data(&mut self) {
        if let State::InData { data, held, .. } = &mut self.state {
            *data = Vec::new();
            *held = Held::PassedOver;
        }
    }

    /// Takes one fragment; returns the message that it completes.
    ///
    /// # Errors
    /// The peer broke the rules; the association has to be aborted.
    pub fn feed(&mut self, fragment: Fragment<'_>) -> Result<Option<Message>, Fault> {
        match std::mem::take(&mut self.state) {
            State::Between => self.command(fragment, fragment.context, Vec::new()),
            State::InCommand { context, bytes } => self.command(fragment, context, bytes),
            State::InData {
                context,
                command,
                command_set,
                mut data,
                received,
                held,
            } => {
                if fragment.is_command {
                    return Err(Fault::CommandInsideData);
                }
                if fragment.context != context {
                    return Err(Fault::ContextChanged);
                }
                let received = received.saturating_add(fragment.bytes.len() as u64);
                if held != Held::PassedOver && received > self.data_bytes_max {
                    return Err(Fault::TooLarge {
                        limit: self.data_bytes_max,
                    });
                }
                if held == Held::Kept {
                    data.extend_from_slice(fragment.bytes);
                }
                if fragment.is_last {
                    let data_set = (held == Held::Kept).then_some(data);
                    return Ok(Some(Message {
                        context,
                        command,
                        command_set,
                        data_set,
                    }));
                }
                self.state = State::InData {
                    context,
                    command,
                    command_set,
                    data,
                    received,
                    held,
                };
                Ok(None)
            }
        }
    }

    fn command(
        &mut self,
        fragment: Fragment<'_>,
        context: u8,
        mut bytes: Vec<u8>,
    ) -> Result<Option<Message>, Fault> {
        if !fragment.is_command {
            return Err(Fault::DataWithoutCommand);
        }
        if fragment.context != context {
            return Err(Fault::ContextChanged);
        }
        if bytes.len() + fragment.bytes.len() > COMMAND_BYTES_MAX {
            return Err(CommandError::TooLarge.into());
        }
        bytes.extend_from_slice(fragment.bytes);
        if !fragment.is_last {
            self.state = State::InCommand { context, bytes };
            return Ok(None);
        }
        let command = Command::parse(&bytes)?;
        if !command.has_data_set {
            return Ok(Some(Message {
                context,
                command,
                command_set: bytes,
                data_set: None,
            }));
        }
        self.state = State::InData {
            context,
            command,
            command_set: bytes,
            data: Vec::new(),
            received: 0,
            held: Held::Kept,
        };
        Ok(None)
    }
}

#[cfg(test)]
mod tests;
