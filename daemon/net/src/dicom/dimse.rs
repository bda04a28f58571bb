//! DIMSE messages: the command of a request read, the command of an answer made (PS3.7).
//!
//! A command set is a flat run of elements of group 0000 in Implicit VR Little Endian, whatever
//! the presentation context says (PS3.7 6.3.1). It comes from a stranger: every length is compared
//! with the bytes that are left, and the whole is capped before it is looked at.

/// A command set larger than this is refused unread. A C-STORE request with both UIDs at their
/// 64 bytes and a move originator takes under 300.
pub const COMMAND_BYTES_MAX: usize = 16 << 10;

/// (0000,0800) value that says no data set follows (PS3.7 E.1).
pub const NO_DATA_SET: u16 = 0x0101;

/// The operation of a command (PS3.7 E.1, Command Field).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Operation {
    /// Store an object.
    Store,
    /// Say that you are there.
    Echo,
    /// Do something with an instance (N-ACTION).
    Action,
    /// Stop an operation; it has no answer.
    Cancel,
    /// Any other request.
    Other(u16),
    /// An answer, which nobody asked for.
    Response(u16),
}

impl Operation {
    fn from_field(field: u16) -> Self {
        match field {
            0x0001 => Operation::Store,
            0x0030 => Operation::Echo,
            0x0130 => Operation::Action,
            0x0FFF => Operation::Cancel,
            answer if answer & 0x8000 != 0 => Operation::Response(answer),
            other => Operation::Other(other),
        }
    }

    /// The number on the wire.
    #[must_use]
    pub fn field(self) -> u16 {
        match self {
            Operation::Store => 0x0001,
            Operation::Echo => 0x0030,
            Operation::Action => 0x0130,
            Operation::Cancel => 0x0FFF,
            Operation::Other(field) | Operation::Response(field) => field,
        }
    }
}

/// What we need of a request's command set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Command {
    /// (0000,0100) Command Field.
    pub operation: Operation,
    /// (0000,0110) Message ID; 0 when absent in a cancel.
    pub message_id: u16,
    /// (0000,0800) Command Data Set Type: whether a data set follows.
    pub has_data_set: bool,
    /// (0000,0002) Affected, or (0000,0003) Requested, SOP Class UID, if it is one.
    pub sop_class_uid: Option<String>,
    /// (0000,1000) Affected, or (0000,1001) Requested, SOP Instance UID, if it is one.
    pub sop_instance_uid: Option<String>,
    /// (0000,1008) Action Type ID, of N-ACTION.
    pub action_type: Option<u16>,
}

/// A command set that cannot be answered, since it does not say to what.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CommandError {
    /// Larger than [`COMMAND_BYTES_MAX`].
    #[error("the command set is larger than {COMMAND_BYTES_MAX} bytes")]
    TooLarge,
    /// Ends inside an element.
    #[error("the command set ends inside the element at byte {0}")]
    Truncated(usize),
    /// An element of another group.
    #[error("the command set has an element outside of group 0000 at byte {0}")]
    OutsideGroup(usize),
    /// A number of the wrong length.
    #[error("element (0000,{0:04X}) of the command set is not a number of two bytes")]
    BadValue(u16),
    /// An element that every request has is not there.
    #[error("element (0000,{0:04X}) of the command set is missing")]
    Missing(u16),
}

impl Command {
    /// Reads a command set.
    ///
    /// # Errors
    /// It is not one, or lacks what an answer needs.
    pub fn parse(bytes: &[u8]) -> Result<Command, CommandError> {
        if bytes.len() > COMMAND_BYTES_MAX {
            return Err(CommandError::TooLarge);
        }
        let (mut field, mut message_id, mut data_set) = (None, None, None);
        let (mut sop_class_uid, mut sop_instance_uid) = (None, None);
        let mut action_type = None;
        let mut rest = bytes;
        while !rest.is_empty() {
            let at = bytes.len() - rest.len();
            let (element, value, after) = element(rest, at)?;
            rest = after;
            match element {
                0x0002 | 0x0003 => sop_class_uid = uid(value),
                0x0100 => field = Some(number(element, value)?),
                0x0110 => message_id = Some(number(element, value)?),
                0x0800 => data_set = Some(number(element, value)?),
                0x1000 | 0x1001 => sop_instance_uid = uid(value),
                0x1008 => action_type = Some(number(element, value)?),
                _ => {}
            }
        }
        let operation = Operation::from_field(field.ok_or(CommandError::Missing(0x0100))?);
        let message_id = match operation {
            Operation::Cancel | Operation::Response(_) => message_id.unwrap_or(0),
            _ => message_id.ok_or(CommandError::Missing(0x0110))?,
        };
        Ok(Command {
            operation,
            message_id,
            has_data_set: data_set.ok_or(CommandError::Missing(0x0800))? != NO_DATA_SET,
            sop_class_uid,
            sop_instance_uid,
            action_type,
        })
    }

    /// The command set that answers this request.
    #[must_use]
    pub fn answer(&self, status: Status) -> Vec<u8> {
        let mut body = Vec::with_capacity(256);
        if let Some(uid) = &self.sop_class_uid {
            put_text(&mut body, 0x0002, uid, 0);
        }
        put(
            &mut body,
            0x0100,
            &(self.operation.field() | 0x8000).to_le_bytes(),
        );
        put(&mut body, 0x0120, &self.message_id.to_le_bytes());
        put(&mut body, 0x0800, &NO_DATA_SET.to_le_bytes());
        put(&mut body, 0x0900, &status.code().to_le_bytes());
        if let Some(comment) = status.comment() {
            put_text(&mut body, 0x0902, comment, b' ');
        }
        if let Some(uid) = &self.sop_instance_uid {
            put_text(&mut body, 0x1000, uid, 0);
        }
        let mut set = Vec::with_capacity(body.len() + 12);
        let length = u32::try_from(body.len()).unwrap_or(u32::MAX);
        put(&mut set, 0x0000, &length.to_le_bytes());
        set.extend(body);
        set
    }
}

macro_rules! statuses {
    ($($name:ident: $code:literal, $comment:literal;)*) => {
        /// The status of an answer (PS3.7 annex C, PS3.4 table B.2-1).
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Status {
            /// Done, and for an object: on stable storage.
            Success,
            $(#[doc = $comment] $name,)*
        }

        impl Status {
            /// Every failure.
            pub const FAILURES: &[Status] = &[$(Status::$name,)*];

            /// The number on the wire.
            #[must_use]
            pub fn code(self) -> u16 {
                match self {
                    Status::Success => 0x0000,
                    $(Status::$name => $code,)*
                }
            }

            /// The number as PS3.7 writes it, for logs and counts.
            #[must_use]
            pub fn hex(self) -> String {
                format!("{:04X}H", self.code())
            }

            /// The Error Comment (0000,0902) that goes along: what the person at the sender can
            /// do. At most 64 characters (LO) and always the same, so it holds nothing of a patient.
            #[must_use]
            pub fn comment(self) -> Option<&'static str> {
                match self {
                    Status::Success => None,
                    $(Status::$name => Some($comment),)*
                }
            }
        }
    };
}

statuses! {
    // Out of resources: the sender keeps its copy and tries again.
    NoSpace: 0xA700, "no space left; keep the object and send it again";
    StoreBusy: 0xA700, "the store is busy; keep the object and send it again";
    StoreInDoubt: 0xA700, "the store is in doubt; keep the object, see the receiver's log";
    TooManyLarge: 0xA700, "too many large objects; send it again later";
    // What is in the object, for senders that want to be told.
    NotOfItsClass: 0xA900, "class or instance in the data set is not that of the request";
    NotUnderstood: 0xC000, "the data set is malformed; see the receiver's log";
    // As STOW-RS alone can meet them; with C-STORE they are negotiated.
    NotOfItsStudy: 0xA900, "the object is of another study than the request names";
    SyntaxNotSupported: 0xC122, "this transfer syntax is not taken here";
    // The request.
    NotStored: 0x0110, "not stored by a fault of the receiver; keep the object";
    NoDataSet: 0x0110, "the request carries no data set";
    InvalidInstance: 0x0117, "the request names no valid SOP Instance UID";
    ClassNotSupported: 0x0122, "SOP class is not that of the presentation context";
    // Storage Commitment (PS3.7 10.1.4.1.10).
    NotAsked: 0x0110, "the request is not kept by a fault of the receiver; ask again";
    NoSuchInstance: 0x0112, "no such instance; the one that exists is 1.2.840.10008.1.20.1.1";
    InvalidRequest: 0x0115, "the request is malformed, or its Transaction UID is in use";
    NoSuchAction: 0x0123, "the one action of this class is 1, Request Storage Commitment";
    TooManyReferences: 0x0213, "too many objects in one request, or too many requests open";
    UnrecognisedOperation: 0x0211, "only C-STORE, C-ECHO and Storage Commitment are answered here";
}

/// The first element of `rest`: its number, its value, and what follows.
pub fn element(rest: &[u8], at: usize) -> Result<(u16, &[u8], &[u8]), CommandError> {
    let Some(([g0, g1, e0, e1, l0, l1, l2, l3], after)) = rest.split_first_chunk::<8>() else {
        return Err(CommandError::Truncated(at));
    };
    if (*g0, *g1) != (0, 0) {
        return Err(CommandError::OutsideGroup(at));
    }
    let length = u32::from_le_bytes([*l0, *l1, *l2, *l3]);
    let (value, after) = usize::try_from(length)
        .ok()
        .and_then(|length| after.split_at_checked(length))
        .ok_or(CommandError::Truncated(at))?;
    Ok((u16::from_le_bytes([*e0, *e1]), value, after))
}

/// A number of a command (US).
///
/// # Errors
/// The value has not two bytes.
pub fn number(element: u16, value: &[u8]) -> Result<u16, CommandError> {
    let bytes = value
        .try_into()
        .map_err(|_| CommandError::BadValue(element))?;
    Ok(u16::from_le_bytes(bytes))
}

/// A UID (PS3.5 9.1): up to 64 digits and points, padded with one NUL. Anything else counts as
/// absent, since it would be echoed in the answer.
pub fn uid(value: &[u8]) -> Option<String> {
    let padding = |byte: &u8| *byte == 0 || *byte == b' ';
    let end = value.iter().rposition(|byte| !padding(byte))? + 1;
    let text = value.get(..end)?;
    let plain = text
        .iter()
        .all(|byte| byte.is_ascii_digit() || *byte == b'.');
    (plain && text.len() <= 64).then(|| String::from_utf8_lossy(text).into_owned())
}

/// Adds an element of the command group, in Implicit VR Little Endian.
pub fn put(set: &mut Vec<u8>, element: u16, value: &[u8]) {
    set.extend([0, 0]);
    set.extend(element.to_le_bytes());
    set.extend(u32::try_from(value.len()).unwrap_or(u32::MAX).to_le_bytes());
    set.extend(value);
}

/// The same with a text, padded to an even length.
pub fn put_text(set: &mut Vec<u8>, element: u16, text: &str, padding: u8) {
    let mut value = text.as_bytes().to_vec();
    if value.len() % 2 == 1 {
        value.push(padding);
    }
    put(set, element, &value);
}

#[cfg(test)]
mod tests;
