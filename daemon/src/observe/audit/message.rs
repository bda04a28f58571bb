//! One event as an audit message: XML of the schema of DICOM PS3.15 A.5.1.1, filled as the tables of
//! A.5.3 say. Pure.

use crate::domain::PatientKey;
use crate::receive::refusal::Refusal;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use chrono::{DateTime, SecondsFormat, Utc};
use quick_xml::Writer;
use quick_xml::events::{BytesEnd, BytesStart, BytesText, Event as Tag};
use std::io;
use std::net::IpAddr;
use std::path::PathBuf;

/// Whose messages they are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Node {
    /// Our AE title.
    pub ae_title: String,
    /// Our process id.
    pub process: u32,
}

/// Where an object came from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Origin {
    /// The peer with this calling AE title, the archive of this name whose history was got, or the
    /// address that sent over HTTP.
    Peer(String),
    /// The drop folder, or a file that was named on the command line.
    Files,
}

impl Origin {
    /// From the word that the store keeps.
    #[must_use]
    pub fn of_source(source: &str) -> Self {
        let peer = source.strip_prefix("dicom:");
        let peer = peer.or_else(|| source.strip_prefix(crate::backfill::way::SOURCE));
        match peer.or_else(|| source.strip_prefix(crate::receive::WEB_SOURCE)) {
            Some(name) => Origin::Peer(name.to_owned()),
            None => Origin::Files,
        }
    }
}

/// Who was given a result.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Receiver {
    /// The application entity of this title.
    Title(String),
    /// Whoever answers at this URL.
    Place(String),
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
    /// A peer asked for an association (A.5.3.11, Node Authentication).
    Association {
        /// Its address.
        address: IpAddr,
        /// Its calling AE title, as far as it said one.
        calling: String,
        /// Why it was refused, if it was.
        refusal: Option<Refusal>,
    },
    /// An object arrived (A.5.3.7 from a peer, A.5.3.5 from files).
    Received {
        /// From where.
        origin: Origin,
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
    /// Templates, technique or parameters are others than at the last start (A.5.3.11, Software
    /// Configuration).
    Reconfigured {
        /// What follows from it.
        change: String,
    },
}

/// A code of PS3.16 annex D, or a number of the schema itself.
type Code = (&'static str, &'static str, &'static str);

const APPLICATION_ACTIVITY: Code = ("110100", "DCM", "Application Activity");
const PATIENT_RECORD: Code = ("110110", "DCM", "Patient Record");
const TRANSFERRED: Code = ("110104", "DCM", "DICOM Instances Transferred");
const EXPORT: Code = ("110106", "DCM", "Export");
const IMPORT: Code = ("110107", "DCM", "Import");
const SECURITY_ALERT: Code = ("110113", "DCM", "Security Alert");
const APPLICATION_START: Code = ("110120", "DCM", "Application Start");
const APPLICATION_STOP: Code = ("110121", "DCM", "Application Stop");
const NODE_AUTHENTICATION: Code = ("110126", "DCM", "Node Authentication");
const SOFTWARE_CONFIGURATION: Code = ("110131", "DCM", "Software Configuration");
const APPLICATION: Code = ("110150", "DCM", "Application");
const DESTINATION_ROLE: Code = ("110152", "DCM", "Destination Role ID");
const SOURCE_ROLE: Code = ("110153", "DCM", "Source Role ID");
const DESTINATION_MEDIA: Code = ("110154", "DCM", "Destination Media");
const SOURCE_MEDIA: Code = ("110155", "DCM", "Source Media");
/// PS3.16 CID 405.
const URI_MEDIA: Code = ("110037", "DCM", "URI");
const STUDY: Code = ("110180", "DCM", "Study Instance UID");
const NODE_ID: Code = ("110182", "DCM", "Node ID");
const PATIENT_NUMBER: Code = ("2", "RFC-3881", "Patient Number");
const REPORT_NUMBER: Code = ("9", "RFC-3881", "Report Number");
const URI: Code = ("12", "RFC-3881", "URI");

/// The message, on one line without its end.
///
/// # Errors
/// Never in practice: text is written to memory.
pub fn message(node: &Node, at: DateTime<Utc>, event: &Event) -> io::Result<String> {
    let mut xml = Xml(Writer::new(Vec::new()));
    xml.element("AuditMessage", &[], |xml| {
        xml.event(at, event)?;
        xml.participants(node, event)?;
        // Type 4: application server process (A.5.1.2.1).
        xml.element(
            "AuditSourceIdentification",
            &[("AuditSourceID", &node.ae_title)],
            |xml| xml.element("AuditSourceTypeCode", &[("csd-code", "4")], |_| Ok(())),
        )?;
        xml.objects(event)
    })?;
    // Everything written is text of ours or was text before.
    String::from_utf8(xml.0.into_inner()).map_err(io::Error::other)
}

struct Xml(Writer<Vec<u8>>);

/// Who takes part.
#[derive(Default)]
struct Participant<'a> {
    user: &'a str,
    calling: Option<&'a str>,
    requests: bool,
    role: Option<Code>,
    address: Option<IpAddr>,
    media: Option<Code>,
}

impl Xml {
    fn element(
        &mut self,
        name: &str,
        attributes: &[(&str, &str)],
        inside: impl FnOnce(&mut Xml) -> io::Result<()>,
    ) -> io::Result<()> {
        let clean: Vec<(&str, String)> = attributes
            .iter()
            .map(|(name, value)| (*name, clean(value)))
            .collect();
        let pairs = clean.iter().map(|(name, value)| (*name, value.as_str()));
        let start = BytesStart::new(name).with_attributes(pairs);
        self.0.write_event(Tag::Start(start))?;
        inside(self)?;
        self.0.write_event(Tag::End(BytesEnd::new(name)))
    }

    fn code(&mut self, name: &str, (value, system, meaning): Code) -> io::Result<()> {
        let attributes = [
            ("csd-code", value),
            ("codeSystemName", system),
            ("originalText", meaning),
        ];
        self.element(name, &attributes, |_| Ok(()))
    }

    fn text(&mut self, name: &str, text: &str) -> io::Result<()> {
        let text = clean(text);
        self.element(name, &[], |xml| {
            xml.0.write_event(Tag::Text(BytesText::new(&text)))
        })
    }

    fn event(&mut self, at: DateTime<Utc>, event: &Event) -> io::Result<()> {
        let (id, kind, action) = match event {
            Event::Started => (APPLICATION_ACTIVITY, Some(APPLICATION_START), "E"),
            Event::Stopped => (APPLICATION_ACTIVITY, Some(APPLICATION_STOP), "E"),
            Event::Association { .. } => (SECURITY_ALERT, Some(NODE_AUTHENTICATION), "E"),
            Event::Reconfigured { .. } => (SECURITY_ALERT, Some(SOFTWARE_CONFIGURATION), "E"),
            Event::Received {
                origin: Origin::Files,
                ..
            } => (IMPORT, None, "C"),
            // A.5.3.7: R where the receiver held the instance already and changes nothing.
            Event::Received {
                is_repeat: true, ..
            } => (TRANSFERRED, None, "R"),
            Event::Received { .. } => (TRANSFERRED, None, "C"),
            Event::Published { .. } | Event::Exported { .. } => (EXPORT, None, "R"),
            Event::Delivered { to, .. } => match to {
                Receiver::Title(_) => (TRANSFERRED, None, "C"),
                Receiver::Place(_) => (EXPORT, None, "R"),
            },
            Event::Identity { .. } => (PATIENT_RECORD, None, "U"),
        };
        let (indicator, description) = match event {
            Event::Association {
                refusal: Some(refusal),
                ..
            } => ("4", Some(refusal.why())),
            Event::Received { outcome, .. } => match outcome {
                Outcome::Success => ("0", None),
                Outcome::Minor(why) => ("4", Some(*why)),
                Outcome::Serious(why) => ("8", Some(*why)),
            },
            _ => ("0", None),
        };
        let at = at.to_rfc3339_opts(SecondsFormat::Millis, true);
        let attributes = [
            ("EventActionCode", action),
            ("EventDateTime", at.as_str()),
            ("EventOutcomeIndicator", indicator),
        ];
        self.element("EventIdentification", &attributes, |xml| {
            xml.code("EventID", id)?;
            if let Some(kind) = kind {
                xml.code("EventTypeCode", kind)?;
            }
            if let Some(description) = description {
                xml.text("EventOutcomeDescription", description)?;
            }
            Ok(())
        })
    }

    fn participants(&mut self, node: &Node, event: &Event) -> io::Result<()> {
        let process = node.process.to_string();
        let us = Participant {
            user: &process,
            calling: Some(&node.ae_title),
            ..Participant::default()
        };
        let as_role = |role, requests| Participant {
            role: Some(role),
            requests,
            ..us
        };
        match event {
            Event::Started | Event::Stopped => self.participant(&as_role(APPLICATION, false)),
            Event::Association {
                address, calling, ..
            } => {
                self.participant(&us)?;
                let text = address.to_string();
                self.participant(&Participant {
                    user: match calling.as_str() {
                        "" => &text,
                        calling => calling,
                    },
                    calling: Some(calling.as_str()).filter(|calling| !calling.is_empty()),
                    address: Some(*address),
                    ..Participant::default()
                })
            }
            Event::Received {
                origin: Origin::Peer(calling),
                ..
            } => {
                self.participant(&Participant {
                    user: calling,
                    calling: Some(calling),
                    requests: true,
                    role: Some(SOURCE_ROLE),
                    ..Participant::default()
                })?;
                self.participant(&as_role(DESTINATION_ROLE, false))
            }
            Event::Received {
                origin: Origin::Files,
                ..
            } => {
                self.participant(&as_role(DESTINATION_ROLE, true))?;
                self.participant(&Participant {
                    user: "files",
                    role: Some(SOURCE_MEDIA),
                    media: Some(URI_MEDIA),
                    ..Participant::default()
                })
            }
            Event::Published { folder, .. } => {
                self.participant(&as_role(SOURCE_ROLE, true))?;
                self.participant(&Participant {
                    user: &folder.to_string_lossy(),
                    role: Some(DESTINATION_MEDIA),
                    media: Some(URI_MEDIA),
                    ..Participant::default()
                })
            }
            Event::Exported { folder, user, .. } => {
                self.participant(&Participant {
                    user,
                    requests: true,
                    ..Participant::default()
                })?;
                self.participant(&as_role(SOURCE_ROLE, false))?;
                self.participant(&Participant {
                    user: &folder.to_string_lossy(),
                    role: Some(DESTINATION_MEDIA),
                    media: Some(URI_MEDIA),
                    ..Participant::default()
                })
            }
            Event::Delivered { to, .. } => {
                self.participant(&as_role(SOURCE_ROLE, true))?;
                self.participant(&match to {
                    Receiver::Title(title) => Participant {
                        user: title,
                        calling: Some(title),
                        role: Some(DESTINATION_ROLE),
                        ..Participant::default()
                    },
                    Receiver::Place(url) => Participant {
                        user: url,
                        role: Some(DESTINATION_MEDIA),
                        media: Some(URI_MEDIA),
                        ..Participant::default()
                    },
                })
            }
            Event::Reconfigured { .. } => self.participant(&us),
            Event::Identity { source, .. } => {
                let address = source.strip_prefix("hl7:");
                self.participant(&Participant {
                    user: source,
                    requests: true,
                    role: Some(SOURCE_ROLE),
                    address: address.and_then(|address| address.parse().ok()),
                    ..Participant::default()
                })?;
                self.participant(&as_role(DESTINATION_ROLE, false))
            }
        }
    }

    fn participant(&mut self, one: &Participant<'_>) -> io::Result<()> {
        let requests = one.requests.to_string();
        // A.5.2.2: how AE titles are given.
        let titles = one.calling.map(|title| format!("AETITLES={title}"));
        let address = one.address.map(|address| address.to_string());
        let mut attributes = vec![("UserID", one.user)];
        attributes.extend(
            titles
                .as_deref()
                .map(|titles| ("AlternativeUserID", titles)),
        );
        attributes.push(("UserIsRequestor", requests.as_str()));
        if let Some(address) = &address {
            attributes.push(("NetworkAccessPointID", address));
            // 2: IP address.
            attributes.push(("NetworkAccessPointTypeCode", "2"));
        }
        self.element("ActiveParticipant", &attributes, |xml| {
            if let Some(role) = one.role {
                xml.code("RoleIDCode", role)?;
            }
            if let Some(media) = one.media {
                xml.element("MediaIdentifier", &[], |xml| xml.code("MediaType", media))?;
            }
            Ok(())
        })
    }

    fn objects(&mut self, event: &Event) -> io::Result<()> {
        match event {
            Event::Started | Event::Stopped => Ok(()),
            Event::Association {
                address,
                calling,
                refusal,
            } => {
                let said = refusal.map_or("accepted", Refusal::code);
                let address = address.to_string();
                self.object(&["2", "13"], NODE_ID, &address, calling, |xml| {
                    xml.alert(said)
                })
            }
            Event::Reconfigured { change } => {
                let name = "configuration";
                self.object(&["2", "5"], URI, name, name, |xml| xml.alert(change))
            }
            Event::Exported { folder, what, .. } => {
                let folder = folder.to_string_lossy();
                self.object(&["2", "3"], URI, &folder, what, |_| Ok(()))
            }
            Event::Received { facts, .. }
            | Event::Published { facts, .. }
            | Event::Delivered { facts, .. } => self.facts(facts),
            Event::Identity {
                message,
                from,
                into,
                ..
            } => {
                self.patient(into, message)?;
                self.patient(from, message)
            }
        }
    }

    fn facts(&mut self, facts: &Facts) -> io::Result<()> {
        if let Some(study) = &facts.study {
            self.object(&["2", "3"], STUDY, study, "", |xml| {
                let Some(instance) = &facts.instance else {
                    return Ok(());
                };
                xml.element("ParticipantObjectDescription", &[], |xml| {
                    xml.element("SOPClass", &[("NumberOfInstances", "1")], |xml| {
                        xml.element("Instance", &[("UID", instance)], |_| Ok(()))
                    })
                })
            })?;
        }
        // Where no study is known, the instance stands for itself.
        let instance = facts.instance.as_ref().filter(|_| facts.study.is_none());
        for number in instance.into_iter().chain(&facts.number) {
            self.object(&["2", "3"], REPORT_NUMBER, number, "", |_| Ok(()))?;
        }
        match &facts.patient {
            None => Ok(()),
            Some(patient) => self.patient(patient, ""),
        }
    }

    fn patient(&mut self, patient: &PatientKey, message: &str) -> io::Result<()> {
        self.object(&["1", "1"], PATIENT_NUMBER, &patient.id, "", |xml| {
            let details = [
                ("Issuer of Patient ID", patient.issuer.as_str()),
                ("MSH-10", message),
            ];
            for (kind, value) in details.into_iter().filter(|(_, value)| !value.is_empty()) {
                xml.detail(kind, value)?;
            }
            Ok(())
        })
    }

    fn object(
        &mut self,
        [kind, role]: &[&str; 2],
        id_type: Code,
        id: &str,
        name: &str,
        inside: impl FnOnce(&mut Xml) -> io::Result<()>,
    ) -> io::Result<()> {
        let attributes = [
            ("ParticipantObjectID", id),
            ("ParticipantObjectTypeCode", kind),
            ("ParticipantObjectTypeCodeRole", role),
        ];
        self.element("ParticipantObjectIdentification", &attributes, |xml| {
            xml.code("ParticipantObjectIDTypeCode", id_type)?;
            // The schema wants a name or a query, the tables of A.5.3 do not: empty where we know none.
            xml.text("ParticipantObjectName", name)?;
            inside(xml)
        })
    }

    fn alert(&mut self, says: &str) -> io::Result<()> {
        self.detail("Alert Description", says)
    }

    fn detail(&mut self, kind: &str, value: &str) -> io::Result<()> {
        let value = STANDARD.encode(value);
        let attributes = [("type", kind), ("value", value.as_str())];
        self.element("ParticipantObjectDetail", &attributes, |_| Ok(()))
    }
}

/// What a stranger sent, on one line and in the characters that XML 1.0 allows.
fn clean(text: &str) -> String {
    let allowed = |c: char| !c.is_control() && !matches!(c, '\u{FFFE}' | '\u{FFFF}');
    text.chars()
        .map(|c| if allowed(c) { c } else { '\u{FFFD}' })
        .collect()
}

#[cfg(test)]
mod tests;
