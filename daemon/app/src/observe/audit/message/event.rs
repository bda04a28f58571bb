//! What the audit trail tells of: who sent, was refused, asked or was given what.

use sheathline_model::domain::{PatientKey, Source};
use std::net::IpAddr;
use std::path::PathBuf;

/// Who was given a result, or asked for reports.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Receiver {
    /// The application entity of this title.
    Title(String),
    /// Whoever answers at this URL.
    Place(String),
}

/// What an archive is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Question {
    /// By C-FIND, study root: the identifier, in Implicit VR Little Endian.
    Find(Vec<u8>),
    /// By QIDO-RS: path and query of the request.
    Search(String),
}

/// What is known of an object or a result; nothing is made up for what is not.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Facts {
    /// Whose.
    pub patient: Option<PatientKey>,
    /// Study Instance UID.
    pub study: Option<String>,
    /// SOP Instance UID.
    pub instance: Option<String>,
    /// Number in the store, or name of the result.
    pub number: Option<String>,
}

/// How it ended: the values of EventOutcomeIndicator.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// As it should.
    Success,
    /// Refused or put aside, as it should be.
    Minor(&'static str),
    /// It should not have happened.
    Serious(&'static str),
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// The program started (A.5.3.1).
    Started,
    /// The program stops (A.5.3.1).
    Stopped,
    /// A peer was given an association (A.5.3.11, Node Authentication).
    Association {
        /// Its address.
        address: IpAddr,
        /// Its calling AE title.
        calling: String,
    },
    /// A peer was refused, once or for the same reason several times (A.5.3.11, Node Authentication).
    Refused {
        /// Its address or network, or that they are several.
        peer: String,
        /// Its address, if it is one.
        address: Option<IpAddr>,
        /// Its calling AE title, as far as it said one.
        calling: String,
        /// Code of the reason.
        code: &'static str,
        /// Why, in words.
        why: String,
        /// How many are told of together; 0 for one that is told at once.
        repeats: u64,
    },
    /// An object arrived (A.5.3.7 from a peer, A.5.3.5 from files).
    Received {
        /// From where: from a peer, or from files.
        source: Source,
        /// Whether it was here already.
        is_repeat: bool,
        /// How it ended.
        outcome: Outcome,
        /// What is known of it.
        facts: Facts,
    },
    /// A result was written for others to take (A.5.3.4).
    Published {
        /// The outbox.
        folder: PathBuf,
        /// What is known of it.
        facts: Facts,
    },
    /// Tables of everything are about to become visible (A.5.3.4). Whose rows they hold is too much
    /// for one message: all of the store, up to now.
    Exported {
        /// The folder.
        folder: PathBuf,
        /// Who asked for it, as the system knows them.
        user: String,
        /// What is in it.
        what: String,
    },
    /// A result was delivered (A.5.3.7 to an application entity, A.5.3.4 to any other receiver).
    Delivered {
        /// To whom.
        to: Receiver,
        /// What is known of it.
        facts: Facts,
    },
    /// An archive is about to be asked for its history (A.5.3.10, from memory).
    Queried {
        /// Whom.
        archive: Receiver,
        /// Who wants to know, as the system knows them.
        user: String,
        /// What is asked.
        question: Question,
    },
    /// Somebody stated that two patient ids are one person's, or took it back (Patient Record of
    /// PS3.16 CID 400, as IHE ITI-8 audits an A40: the ids are objects, the control id is a detail).
    Identity {
        /// Who told us: `command`, `table`, or `hl7:` and the address.
        source: String,
        /// Control id of the message; empty for none.
        message: String,
        /// The id that goes, or comes back.
        from: PatientKey,
        /// The id that survives.
        into: PatientKey,
    },
    /// Somebody said something of a patient or an exam, mended it or took it back (Patient Record of
    /// PS3.16 CID 400). What was said stands in the store, under the number of the entry.
    Said {
        /// Who says it, as whoever typed it says.
        author: String,
        /// The user who typed it, as the system knows them.
        entered_by: String,
        /// Number of the entry, of its act, and of the entry that it mends or takes back.
        entry: i64,
        /// See `entry`.
        act: i64,
        /// See `entry`.
        corrects: Option<i64>,
        /// What it is about: `label`, `event`, `pressure`.
        kind: &'static str,
        /// Of whom.
        patient: PatientKey,
        /// Of which study, if it is about an exam.
        study: Option<String>,
    },
    /// Somebody signed in to the pages (A.5.3.12, Login).
    SignedIn {
        /// Their account.
        account: String,
        /// Where from.
        address: Option<IpAddr>,
    },
    /// Somebody signed out of the pages (A.5.3.12, Logout).
    SignedOut {
        /// Their account.
        account: String,
        /// Where from.
        address: Option<IpAddr>,
    },
    /// Somebody was refused at the pages (A.5.3.12, Login, with its outcome).
    SignInRefused {
        /// The name they gave.
        account: String,
        /// Where from.
        address: Option<IpAddr>,
        /// Why.
        why: String,
    },
    /// Somebody saw a patient's data in the pages (A.5.3.14, from memory: Patient Record, read).
    Viewed {
        /// Their account.
        account: String,
        /// Where from.
        address: Option<IpAddr>,
        /// Whose.
        patient: PatientKey,
    },
    /// Somebody without the role was let see a patient (A.5.3.11, Emergency Override Started of PS3.16
    /// CID 403).
    BrokeGlass {
        /// Their account.
        account: String,
        /// Where from.
        address: Option<IpAddr>,
        /// Whose.
        patient: PatientKey,
        /// Why, as they typed it.
        reason: String,
    },
    /// An account of the pages was made, changed or ended by a command (A.5.3.11, User Security
    /// Attributes Changed of PS3.16 CID 403).
    AccountChanged {
        /// The account.
        account: String,
        /// What became of it.
        change: String,
        /// The user who did it, as the system knows them.
        user: String,
    },
    /// Templates, technique or parameters are others than at the last start (A.5.3.11, Software
    /// Configuration).
    Reconfigured {
        /// What follows from it.
        change: String,
    },
}
