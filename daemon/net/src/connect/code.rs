//! Why a delivery, an echo or a question to an archive does not come further: the one table.

use crate::codes;
use serde::{Serialize, Serializer};
use std::fmt;

codes! {
    /// A failure with a word of its own; the order is that of the way.
    pub enum Word {
        Form: "form",
            "The form for this destination cannot be made of the result.",
            "Report it with the words of the failure. It is not tried again by itself.";
        NotTaken: "not-taken",
            "By its configuration the destination does not take what waits for it.",
            "Name it in `objects`, then `outbox retry`; or take it out with `outbox drop`.";
        BytesGone: "bytes-gone",
            "The bytes of a typed report are not kept any more, or are damaged in the store.",
            "Look at `keep_bodies_days` and at the disk; its values stay in the store.";
        Panicked: "panicked",
            "A fault of the program in this delivery.",
            "Report it with the lines around it. It is tried again.";
        StoreDamaged: "store-damaged",
            "What the form needs beside the result is damaged in the store.",
            "Look at the disk and run `sheathline verify`.";
        ResultDamaged: "result-damaged",
            "The stored result is damaged and was not sent.",
            "Nothing for this delivery: another version is made and sent. Look at the disk.";
        FileMissing: "file-missing",
            "A file of the destination is not there, or the system has no certificate authorities.",
            "Put the file there that the words name; of the system: install ca-certificates, or name `ca`.";
        FileUnreadable: "file-unreadable",
            "A file cannot be read.",
            "Give the account of the service the right to read the file that the words name.";
        FileContent: "file-content",
            "A file does not hold what it should.",
            "Correct the file that the words name: PEM, a key without a password, a token on one line.";
        KeyMismatch: "key-mismatch",
            "Certificate and key do not belong together, or one of them is not named.",
            "Name the key that the certificate was made for.";
        TlsSetup: "tls-setup",
            "TLS cannot be set up from these files.",
            "Read the words; the certificates of `ca` are the first to look at.";
        Url: "url",
            "`url` with the path behind it is no address.",
            "Correct `url`.";
        NameUnknown: "name-unknown",
            "The name leads to no address.",
            "Check the spelling of `host` or `url`, and the DNS of this machine.";
        NameTimeout: "name-timeout",
            "The DNS of this machine did not answer in time.",
            "Look at the DNS of this machine.";
        ConnectRefused: "connect-refused",
            "Nothing listens there.",
            "Check the port, and whether the receiver runs.";
        ConnectTimeout: "connect-timeout",
            "Nothing answers there.",
            "Check the address; a firewall may be in between.";
        ConnectUnreachable: "connect-unreachable",
            "There is no route from this machine to that network.",
            "Look at the network of this machine.";
        ConnectFailed: "connect-failed",
            "The connection failed in another way.",
            "Read the words: they are the system's.";
        TlsUnknownAuthority: "tls-unknown-authority",
            "No authority that is trusted here vouches for the receiver.",
            "Name the authority of the receiver with `ca`.";
        TlsName: "tls-name",
            "The receiver's certificate is for another name.",
            "Use that name as `host` or in `url`, or have the receiver certified for this one.";
        TlsExpired: "tls-expired",
            "The receiver's certificate has ended.",
            "Have it renewed there.";
        TlsNotYetValid: "tls-not-yet-valid",
            "The receiver's certificate has not begun.",
            "Check the clock of this machine.";
        TlsCertificate: "tls-certificate",
            "The receiver's certificate is not accepted.",
            "Have it made anew; one that signs itself must not be marked as an authority.";
        TlsCertificateWanted: "tls-certificate-wanted",
            "The receiver asks for a certificate of ours.",
            "Name `certificate` and `key`.";
        TlsCertificateRefused: "tls-certificate-refused",
            "The receiver does not accept our certificate.",
            "Have our authority entered there, or renew the certificate.";
        TlsVersion: "tls-version",
            "The receiver speaks no TLS that is safe.",
            "Have it offer TLS 1.2 or 1.3 with forward secrecy.";
        TlsNotSpoken: "tls-not-spoken",
            "What answers there does not speak TLS.",
            "Check the port, and whether the receiver has TLS switched on.";
        TlsClosed: "tls-closed",
            "The receiver closed the connection in the handshake.",
            "Check the port, and whether the receiver has TLS switched on; its log may say why.";
        TlsTimeout: "tls-timeout",
            "The handshake did not end in time.",
            "Check the port, and whether TLS is on at both sides.";
        TlsFailed: "tls-failed",
            "The handshake failed in another way.",
            "Read the words, and the receiver's log.";
        RejectCalledAe: "reject-called-ae",
            "The archive does not have the AE title that was called.",
            "Correct `called`, as it is spelt there.";
        RejectCallingAe: "reject-calling-ae",
            "The archive does not know our AE title.",
            "Have `calling` entered there.";
        RejectApplicationContext: "reject-application-context",
            "The archive does not know the application context of DICOM.",
            "Check that an archive listens on this port.";
        RejectProtocolVersion: "reject-protocol-version",
            "The archive does not know this version of the protocol.",
            "Check that an archive listens on this port.";
        RejectCongestion: "reject-congestion",
            "The archive is congested.",
            "Nothing: it is tried again.";
        RejectLimit: "reject-limit",
            "The archive has as many associations as it allows.",
            "Nothing: it is tried again. If it lasts, have it allow more.";
        RejectNoReason: "reject-no-reason",
            "The archive rejects the association and gives no reason.",
            "Look at the archive's log.";
        ContextRefused: "context-refused",
            "The archive does not accept the class of what is sent or asked.",
            "Have the archive accept the class, or leave it out of `objects`.";
        AssociationTimeout: "association-timeout",
            "The archive took the connection and did not answer the request for an association in time.",
            "Check that the port is for DICOM, with or without TLS as there; look at the archive's log.";
        AssociationClosed: "association-closed",
            "The archive closed the connection in place of an answer.",
            "Check that the port is for DICOM, with or without TLS as there; look at the archive's log.";
        AssociationFailed: "association-failed",
            "The connection failed while the association was asked for.",
            "Read the words, and look at the network.";
        AssociationAborted: "association-aborted",
            "The archive aborted the association.",
            "Look at the archive's log. It is tried again.";
        NotDicom: "not-dicom",
            "What answers there does not speak DICOM.",
            "Check the port, and whether TLS is on at both sides.";
        PduMalformed: "pdu-malformed",
            "What the archive sent is no good PDU.",
            "Look at the archive's log. It is tried again.";
        PduUnexpected: "pdu-unexpected",
            "The archive sent a PDU that has no place there.",
            "Look at the archive's log. It is tried again.";
        PduUnwritable: "pdu-unwritable",
            "A PDU could not be made.",
            "Report it with the words of the failure.";
        DimseMalformed: "dimse-malformed",
            "What the archive answered is malformed, or answers something else.",
            "Look at the archive's log. It is tried again.";
        AnswerTimeout: "answer-timeout",
            "The receiver took the connection and did not answer in time.",
            "Check that the port is for this protocol, with or without TLS as there; look at its log.";
        AnswerClosed: "answer-closed",
            "The receiver closed the connection in place of an answer.",
            "Check that the port is for this protocol, with or without TLS as there; look at its log.";
        AnswerFailed: "answer-failed",
            "The connection failed before the answer came.",
            "Read the words, and look at the network. It is tried again.";
        HttpRequest: "http-request",
            "The request could not be made.",
            "Check `url` and the token.";
        HttpFailed: "http-failed",
            "What came back is no good answer of HTTP.",
            "Check that the port is for HTTP, with or without TLS as there.";
        FhirAnswer: "fhir-answer",
            "What answers is no FHIR server, or says nothing of what became of the entries.",
            "Check that `url` is the base of the server.";
        AckAe: "ack-ae",
            "HL7: the receiver found an error in the message (AE).",
            "Read the receiver's words; it is refused for good, unless its error code says that this passes.";
        AckAr: "ack-ar",
            "HL7: the receiver did not process the message (AR).",
            "Read the receiver's words, and look at its log.";
        AckCe: "ack-ce",
            "HL7: the receiver did not store the message (CE).",
            "Read the receiver's words, and look at its log.";
        AckCr: "ack-cr",
            "HL7: the receiver does not support the type, version or processing id (CR).",
            "Have ORU^R01 of v2.5.1 taken there. It is refused for good.";
        AckNak: "ack-nak",
            "HL7: the receiver answered with a negative commit acknowledgement.",
            "Look at the receiver's log. It is tried again.";
        AckMalformed: "ack-malformed",
            "HL7: the answer is no acknowledgement over MLLP.",
            "Check that the port is for HL7 v2 over MLLP.";
        AckOfAnother: "ack-of-another",
            "HL7: the acknowledgement is of another message.",
            "Look at the receiver: MSA-2 has to be the MSH-10 that was sent. It is tried again.";
        NothingCame: "nothing-came",
            "History: the archive answers with success, and nothing came.",
            "Have `move_to` entered there with address and port of this listener.";
        AnswersEndless: "answers-endless",
            "History: the archive answers a question without end.",
            "Look at the archive's log.";
        IdentifierUnwritable: "identifier-unwritable",
            "History: a question to the archive could not be made.",
            "Report it with the words of the failure.";
        WebMalformed: "web-malformed",
            "History: what the archive answered over HTTP is malformed.",
            "Check `url`, and look at the archive's log.";
    }
}

/// The code of a failure: a word of its own, or what the receiver answered, by its number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Code {
    /// A word of its own.
    Word(Word),
    /// A DIMSE status: `status-0110`.
    Status(u16),
    /// A status of HTTP: `http-422`.
    Http(u16),
    /// A status of HTTP of an entry of a FHIR transaction: `fhir-entry-412`; 0 where it has none.
    FhirEntry(u16),
    /// An object that an archive sent does not fit; the word of whoever judged it: `instance-differs`.
    Unfit(&'static str),
}

impl From<Word> for Code {
    fn from(word: Word) -> Self {
        Code::Word(word)
    }
}

/// As logs, metrics, the store and JSON have it.
impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Code::Word(word) => f.write_str(word.code()),
            Code::Status(status) => write!(f, "status-{status:04x}"),
            Code::Http(status) => write!(f, "http-{status}"),
            Code::FhirEntry(status) => write!(f, "fhir-entry-{status}"),
            Code::Unfit(word) => f.write_str(word),
        }
    }
}

/// With the text that is published.
impl PartialEq<str> for Code {
    fn eq(&self, text: &str) -> bool {
        let published = self.to_string();
        published == text
    }
}

impl PartialEq<&str> for Code {
    fn eq(&self, text: &&str) -> bool {
        *self == **text
    }
}

impl Serialize for Code {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// Codes with a number, as a manual lists them: which, what they mean, what to do. An `x` stands for any
/// digit.
pub const NUMBERED: &[(&str, &str, &str)] = &[
    (
        "status-a7xx, status-0213",
        "DICOM: the archive is out of resources.",
        "Make room there. It is tried again.",
    ),
    (
        "status-0110",
        "DICOM: a failure in processing at the archive.",
        "Look at the archive's log. It is tried again.",
    ),
    (
        "status-0124",
        "DICOM: the archive does not allow us to store.",
        "Have it allow our AE title to store.",
    ),
    (
        "status-0118, status-0122",
        "DICOM: the archive does not know or take the class.",
        "Have the archive take the class, or leave it out of `objects`.",
    ),
    (
        "status-a9xx, status-cxxx",
        "DICOM: the archive refuses the content for good.",
        "Read the receiver's words, and look at the archive's log.",
    ),
    (
        "status-0105, status-0106, status-0115, status-0117, status-0119, status-0120, status-0121, status-0212",
        "DICOM: the archive refuses an attribute or an argument for good.",
        "Read the receiver's words, and look at the archive's log.",
    ),
    (
        "status-xxxx",
        "DICOM, any other: the archive did not take it, with this status of PS3.7 annex C or PS3.4.",
        "Read the receiver's words. It is tried again.",
    ),
    (
        "http-3xx",
        "The receiver sends on to another address; redirects are not followed.",
        "Name that address as `url`.",
    ),
    (
        "http-401, http-403",
        "The receiver does not know us, or does not allow it.",
        "Check the bearer token or the certificate; have the permission granted there.",
    ),
    (
        "http-404, http-405, http-410",
        "Nothing is there, or nothing that takes this.",
        "Check the path of `url`.",
    ),
    (
        "http-407",
        "A proxy wants to know who asks; proxies are not supported.",
        "Give the service a way without a proxy.",
    ),
    (
        "http-400, http-413, http-422",
        "The receiver refuses the content for good.",
        "Read the receiver's words.",
    ),
    (
        "http-408, http-409, http-429, http-5xx",
        "The receiver is busy, in conflict or at fault.",
        "Nothing: it is tried again. If it lasts, look at the receiver's log.",
    ),
    (
        "http-xxx",
        "Any other: the receiver did not take it, with this status.",
        "Read the receiver's words. It is tried again.",
    ),
    (
        "fhir-entry-412",
        "FHIR: the server holds one of our resources twice.",
        "Have one of the two removed there.",
    ),
    (
        "fhir-entry-400, fhir-entry-413, fhir-entry-422",
        "FHIR: the server refuses an entry for good.",
        "Read the receiver's words.",
    ),
    (
        "fhir-entry-xxx",
        "FHIR, any other: the server did not take an entry, with this status of HTTP.",
        "Read the receiver's words. It is tried again.",
    ),
];
