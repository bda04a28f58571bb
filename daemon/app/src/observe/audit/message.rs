//! One event as an audit message: XML of the schema of DICOM PS3.15 A.5.1.1, filled as the tables of
//! A.5.3 say. Pure.

mod event;
mod xml;

pub use event::{Event, Facts, Outcome, Question, Receiver};

use chrono::{DateTime, SecondsFormat, Utc};
use dicom_dictionary_std::uids::{
    IMPLICIT_VR_LITTLE_ENDIAN, STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_FIND as FIND,
};
use quick_xml::Writer;
use sheathline_model::domain::PatientKey;
use std::io;
use xml::{Code, Participant, Xml};

/// Whose messages they are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Node {
    /// Our AE title.
    pub ae_title: String,
    /// Our process id.
    pub process: u32,
}

const APPLICATION_ACTIVITY: Code = ("110100", "DCM", "Application Activity");
const PATIENT_RECORD: Code = ("110110", "DCM", "Patient Record");
const TRANSFERRED: Code = ("110104", "DCM", "DICOM Instances Transferred");
const EXPORT: Code = ("110106", "DCM", "Export");
const IMPORT: Code = ("110107", "DCM", "Import");
const QUERY: Code = ("110112", "DCM", "Query");
const USER_AUTHENTICATION: Code = ("110114", "DCM", "User Authentication");
const LOGIN: Code = ("110122", "DCM", "Login");
const LOGOUT: Code = ("110123", "DCM", "Logout");
const EMERGENCY_OVERRIDE: Code = ("110127", "DCM", "Emergency Override Started");
const USER_SECURITY: Code = ("110137", "DCM", "User Security Attributes Changed");
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
const SOP_CLASS: Code = ("110181", "DCM", "SOP Class UID");
const NODE_ID: Code = ("110182", "DCM", "Node ID");
const PATIENT_NUMBER: Code = ("2", "RFC-3881", "Patient Number");
const REPORT_NUMBER: Code = ("9", "RFC-3881", "Report Number");
const USER: Code = ("11", "RFC-3881", "User Identifier");
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

impl Xml {
    fn event(&mut self, at: DateTime<Utc>, event: &Event) -> io::Result<()> {
        let (id, kind, action) = match event {
            Event::Started => (APPLICATION_ACTIVITY, Some(APPLICATION_START), "E"),
            Event::Stopped => (APPLICATION_ACTIVITY, Some(APPLICATION_STOP), "E"),
            Event::Association { .. } | Event::Refused { .. } => {
                (SECURITY_ALERT, Some(NODE_AUTHENTICATION), "E")
            }
            Event::Reconfigured { .. } => (SECURITY_ALERT, Some(SOFTWARE_CONFIGURATION), "E"),
            Event::Received { source, .. } if source.peer().is_none() => (IMPORT, None, "C"),
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
            Event::Queried { .. } => (QUERY, None, "E"),
            Event::Identity { .. } | Event::Said { .. } => (PATIENT_RECORD, None, "U"),
            Event::SignedIn { .. } | Event::SignInRefused { .. } => {
                (USER_AUTHENTICATION, Some(LOGIN), "E")
            }
            Event::SignedOut { .. } => (USER_AUTHENTICATION, Some(LOGOUT), "E"),
            Event::Viewed { .. } => (PATIENT_RECORD, None, "R"),
            Event::BrokeGlass { .. } => (SECURITY_ALERT, Some(EMERGENCY_OVERRIDE), "E"),
            Event::AccountChanged { .. } => (SECURITY_ALERT, Some(USER_SECURITY), "E"),
        };
        let (indicator, description) = match event {
            Event::Refused { why, .. } | Event::SignInRefused { why, .. } => {
                ("4", Some(why.as_str()))
            }
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
            Event::Association { address, calling } => {
                self.participant(&us)?;
                self.participant(&Participant::peer(calling, calling, Some(*address)))
            }
            Event::Refused {
                peer,
                address,
                calling,
                ..
            } => {
                self.participant(&us)?;
                self.participant(&Participant::peer(peer, calling, *address))
            }
            Event::Received { source, .. } => match source.peer() {
                Some(peer) => {
                    self.participant(&Participant {
                        requests: true,
                        ..Participant::entity(peer, SOURCE_ROLE)
                    })?;
                    self.participant(&as_role(DESTINATION_ROLE, false))
                }
                None => {
                    self.participant(&as_role(DESTINATION_ROLE, true))?;
                    self.participant(&Participant::media("files", SOURCE_MEDIA, URI_MEDIA))
                }
            },
            Event::Published { folder, .. } => {
                self.participant(&as_role(SOURCE_ROLE, true))?;
                self.participant(&Participant::media(
                    &folder.to_string_lossy(),
                    DESTINATION_MEDIA,
                    URI_MEDIA,
                ))
            }
            Event::Exported { folder, user, .. } => {
                self.participant(&Participant::asking(user))?;
                self.participant(&as_role(SOURCE_ROLE, false))?;
                self.participant(&Participant::media(
                    &folder.to_string_lossy(),
                    DESTINATION_MEDIA,
                    URI_MEDIA,
                ))
            }
            Event::Delivered { to, .. } => {
                self.participant(&as_role(SOURCE_ROLE, true))?;
                self.participant(&match to {
                    Receiver::Title(title) => Participant::entity(title, DESTINATION_ROLE),
                    Receiver::Place(url) => Participant::media(url, DESTINATION_MEDIA, URI_MEDIA),
                })
            }
            Event::Queried { archive, user, .. } => {
                self.participant(&Participant::asking(user))?;
                self.participant(&as_role(SOURCE_ROLE, false))?;
                self.participant(&match archive {
                    Receiver::Title(title) => Participant::entity(title, DESTINATION_ROLE),
                    Receiver::Place(url) => Participant {
                        user: url,
                        role: Some(DESTINATION_ROLE),
                        ..Participant::default()
                    },
                })
            }
            Event::Reconfigured { .. } => self.participant(&us),
            Event::SignedIn { account, address }
            | Event::SignedOut { account, address }
            | Event::SignInRefused {
                account, address, ..
            }
            | Event::Viewed {
                account, address, ..
            }
            | Event::BrokeGlass {
                account, address, ..
            } => {
                self.participant(&Participant {
                    address: *address,
                    ..Participant::asking(account)
                })?;
                self.participant(&us)
            }
            Event::AccountChanged { user, .. } => {
                self.participant(&Participant::asking(user))?;
                self.participant(&us)
            }
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
            Event::Said {
                author, entered_by, ..
            } => {
                self.participant(&Participant::asking(author))?;
                if entered_by != author && !entered_by.is_empty() {
                    self.participant(&Participant {
                        user: entered_by,
                        ..Participant::default()
                    })?;
                }
                self.participant(&as_role(DESTINATION_ROLE, false))
            }
        }
    }

    fn objects(&mut self, event: &Event) -> io::Result<()> {
        match event {
            Event::Started
            | Event::Stopped
            | Event::SignedIn { .. }
            | Event::SignedOut { .. }
            | Event::SignInRefused { .. } => Ok(()),
            Event::Viewed { patient, .. } => self.patient(patient, &[]),
            Event::BrokeGlass {
                patient, reason, ..
            } => self.patient(patient, &[("Alert Description", reason)]),
            Event::AccountChanged {
                account, change, ..
            } => self.object(&["1", "11"], USER, account, account, |xml| {
                xml.alert(change)
            }),
            Event::Association { address, calling } => {
                let address = address.to_string();
                self.object(&["2", "13"], NODE_ID, &address, calling, |xml| {
                    xml.alert("accepted")
                })
            }
            Event::Refused {
                peer,
                calling,
                code,
                repeats,
                ..
            } => self.object(&["2", "13"], NODE_ID, peer, calling, |xml| {
                xml.alert(code)?;
                match repeats {
                    0 => Ok(()),
                    number => xml.detail("Number of Repeats", &number.to_string()),
                }
            }),
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
            Event::Queried {
                archive, question, ..
            } => match (question, archive) {
                (Question::Find(identifier), _) => {
                    self.query(&["2", "3"], SOP_CLASS, FIND, identifier, |xml| {
                        xml.detail("TransferSyntax", IMPLICIT_VR_LITTLE_ENDIAN)
                    })
                }
                // 24: query. A.5.3.10 knows C-FIND only.
                (Question::Search(path), Receiver::Place(to) | Receiver::Title(to)) => {
                    self.query(&["2", "24"], URI, to, path.as_bytes(), |_| Ok(()))
                }
            },
            Event::Identity {
                message,
                from,
                into,
                ..
            } => {
                let details = [("MSH-10", message.as_str())];
                self.patient(into, &details)?;
                self.patient(from, &details)
            }
            Event::Said {
                entry,
                act,
                corrects,
                kind,
                patient,
                study,
                ..
            } => {
                if let Some(study) = study {
                    self.object(&["2", "3"], STUDY, study, "", |_| Ok(()))?;
                }
                let corrects = corrects.map(|number| number.to_string());
                let details = [
                    ("Kind of Entry", *kind),
                    ("Entry", &entry.to_string()),
                    ("Act", &act.to_string()),
                    ("Corrects Entry", corrects.as_deref().unwrap_or_default()),
                ];
                self.patient(patient, &details)
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
            Some(patient) => self.patient(patient, &[]),
        }
    }

    /// Details without a value are left out.
    fn patient(&mut self, patient: &PatientKey, details: &[(&str, &str)]) -> io::Result<()> {
        self.object(&["1", "1"], PATIENT_NUMBER, &patient.id, "", |xml| {
            let issuer = [("Issuer of Patient ID", patient.issuer.as_str())];
            let details = issuer.into_iter().chain(details.iter().copied());
            for (kind, value) in details.filter(|(_, value)| !value.is_empty()) {
                xml.detail(kind, value)?;
            }
            Ok(())
        })
    }
}

#[cfg(test)]
mod tests;
