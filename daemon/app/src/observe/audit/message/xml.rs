//! The elements of an audit message: the schema of DICOM PS3.15 A.5.1.1.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use quick_xml::Writer;
use quick_xml::events::{BytesEnd, BytesStart, BytesText, Event as Tag};
use std::io;
use std::net::IpAddr;

/// A code of PS3.16 annex D, or a number of the schema itself.
pub(super) type Code = (&'static str, &'static str, &'static str);

/// A message while it is written.
pub(super) struct Xml(pub(super) Writer<Vec<u8>>);

/// Who takes part.
#[derive(Default)]
pub(super) struct Participant<'a> {
    pub(super) user: &'a str,
    pub(super) calling: Option<&'a str>,
    pub(super) requests: bool,
    pub(super) role: Option<Code>,
    pub(super) address: Option<IpAddr>,
    pub(super) media: Option<Code>,
}

impl<'a> Participant<'a> {
    /// A person who wants it.
    pub(super) fn asking(user: &'a str) -> Self {
        Participant {
            user,
            requests: true,
            ..Participant::default()
        }
    }

    /// Who connects, by its AE title if it said one.
    pub(super) fn peer(peer: &'a str, calling: &'a str, address: Option<IpAddr>) -> Self {
        let calling = Some(calling).filter(|calling| !calling.is_empty());
        Participant {
            user: calling.unwrap_or(peer),
            calling,
            address,
            ..Participant::default()
        }
    }

    /// A place that is no application entity.
    pub(super) fn media(place: &'a str, role: Code, media: Code) -> Self {
        Participant {
            user: place,
            role: Some(role),
            media: Some(media),
            ..Participant::default()
        }
    }

    /// An application entity.
    pub(super) fn entity(title: &'a str, role: Code) -> Self {
        Participant {
            user: title,
            calling: Some(title),
            role: Some(role),
            ..Participant::default()
        }
    }
}

impl Xml {
    pub(super) fn element(
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

    pub(super) fn code(&mut self, name: &str, (value, system, meaning): Code) -> io::Result<()> {
        let attributes = [
            ("csd-code", value),
            ("codeSystemName", system),
            ("originalText", meaning),
        ];
        self.element(name, &attributes, |_| Ok(()))
    }

    pub(super) fn text(&mut self, name: &str, text: &str) -> io::Result<()> {
        let text = clean(text);
        self.element(name, &[], |xml| {
            xml.0.write_event(Tag::Text(BytesText::new(&text)))
        })
    }

    pub(super) fn participant(&mut self, one: &Participant<'_>) -> io::Result<()> {
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

    /// An object, and its name.
    pub(super) fn object(
        &mut self,
        kinds: &[&str; 2],
        id_type: Code,
        id: &str,
        name: &str,
        inside: impl FnOnce(&mut Xml) -> io::Result<()>,
    ) -> io::Result<()> {
        let named = ("ParticipantObjectName", name);
        self.identified(kinds, id_type, id, named, inside)
    }

    /// An object that is asked, and what it is asked.
    pub(super) fn query(
        &mut self,
        kinds: &[&str; 2],
        id_type: Code,
        id: &str,
        query: &[u8],
        inside: impl FnOnce(&mut Xml) -> io::Result<()>,
    ) -> io::Result<()> {
        let query = ("ParticipantObjectQuery", &*STANDARD.encode(query));
        self.identified(kinds, id_type, id, query, inside)
    }

    fn identified(
        &mut self,
        [kind, role]: &[&str; 2],
        id_type: Code,
        id: &str,
        (element, text): (&str, &str),
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
            xml.text(element, text)?;
            inside(xml)
        })
    }

    pub(super) fn alert(&mut self, says: &str) -> io::Result<()> {
        self.detail("Alert Description", says)
    }

    pub(super) fn detail(&mut self, kind: &str, value: &str) -> io::Result<()> {
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
