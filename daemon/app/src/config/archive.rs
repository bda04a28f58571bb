//! `[[archive]]`: what the keys of one archive need of each other, and what they mean.

use super::peer::{Row, check_base, check_pair, check_plain, check_tls_on};
use super::raw::Raw;
use super::value::quoted;
use super::{Config, DicomSettings};
use crate::routes::archive::{Archive, DicomWay, HistoryTitle, Pace, Retrieve, Way};
use crate::routes::hours::Hours;
use serde::Serialize;
use sheathline_net::connect::node::{DicomNode, HttpWay, TlsFiles};
use std::path::PathBuf;
use std::time::Duration;

/// The table.
pub(super) const TABLE: &str = "archive";

/// `[[archive]]`: where history comes from.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct BackfillSettings {
    /// Each archive.
    pub archive: Vec<ArchiveSettings>,
}

/// One archive. Absent keys are `None`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ArchiveSettings {
    /// Its name.
    pub name: String,
    /// How it is asked; every archive says it.
    pub kind: Option<ArchiveKind>,
    /// Host name or address.
    pub host: Option<String>,
    /// TCP port.
    pub port: Option<u16>,
    /// Its AE title.
    pub called: Option<String>,
    /// Our own AE title for it; `None`: that of `[receive.dicom]`.
    pub calling: Option<String>,
    /// How its objects come.
    pub retrieve: RetrieveBy,
    /// For C-MOVE the AE title that it sends them to.
    pub move_to: Option<String>,
    /// Base of its DICOMweb services.
    pub url: Option<String>,
    /// File with a bearer token.
    pub bearer: Option<PathBuf>,
    /// Whether the connection is encrypted.
    pub tls: bool,
    /// Authorities that may vouch for it.
    pub ca: Option<PathBuf>,
    /// Our own certificate.
    pub certificate: Option<PathBuf>,
    /// Its key.
    pub key: Option<PathBuf>,
    /// Longest wait for one step, seconds.
    pub timeout_s: u64,
    /// Issuer of patient ids when a report names none; `None`: that of `[receive.dicom]`.
    pub default_issuer: Option<String>,
    /// Objects a second; 0 without limit.
    pub objects_per_s: u32,
    /// Objects in one request.
    pub at_once: usize,
    /// Hours in which it is asked; `None`: at any time.
    pub hours: Option<Hours>,
    /// Days asked for at a time.
    pub window_days: u64,
    /// Answers that it gives at most; 0: nothing is known.
    pub answers_max: usize,
    /// Whether results of old exams from there are delivered.
    pub deliver: bool,
    /// Days for which an exam is delivered anyway.
    pub current_days: u32,
}

/// How an archive is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ArchiveKind {
    /// DICOM Query/Retrieve.
    Dicom,
    /// QIDO-RS and WADO-RS.
    Dicomweb,
}

/// How objects come from an archive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RetrieveBy {
    /// C-GET.
    Get,
    /// C-MOVE.
    Move,
}

impl Default for ArchiveSettings {
    fn default() -> Self {
        ArchiveSettings {
            name: String::new(),
            kind: None,
            host: None,
            port: None,
            called: None,
            calling: None,
            retrieve: RetrieveBy::Get,
            move_to: None,
            url: None,
            bearer: None,
            tls: false,
            ca: None,
            certificate: None,
            key: None,
            timeout_s: 60,
            default_issuer: None,
            objects_per_s: 10,
            at_once: 10,
            hours: None,
            window_days: 1,
            answers_max: 0,
            deliver: false,
            current_days: 30,
        }
    }
}

impl ArchiveSettings {
    /// The paths it names.
    pub(super) fn paths(&mut self) -> impl Iterator<Item = &mut PathBuf> {
        let files = [&mut self.bearer, &mut self.ca];
        let own = [&mut self.certificate, &mut self.key];
        files.into_iter().chain(own).flatten()
    }

    /// The archive; `None` where a key that its kind needs is absent. `ours` is what holds for our
    /// own listener.
    pub(super) fn archive(&self, ours: &DicomSettings) -> Option<Archive> {
        let files = TlsFiles {
            ca: self.ca.clone(),
            certificate: self.certificate.clone(),
            key: self.key.clone(),
        };
        let calling = self.calling.as_ref().unwrap_or(&ours.ae_title);
        let way = match self.kind? {
            ArchiveKind::Dicom => Way::Dicom(DicomWay {
                node: DicomNode {
                    host: self.host.clone()?,
                    port: self.port?,
                    called: self.called.clone()?,
                    calling: calling.clone(),
                    tls: self.tls.then_some(files),
                },
                retrieve: match self.retrieve {
                    RetrieveBy::Get => Retrieve::Get,
                    RetrieveBy::Move => Retrieve::Move(self.move_to.clone()?),
                },
            }),
            ArchiveKind::Dicomweb => Way::Web(HttpWay {
                url: self.url.as_deref()?.trim_end_matches('/').to_owned(),
                tls: files,
                bearer: self.bearer.clone(),
            }),
        };
        Some(Archive {
            name: self.name.clone(),
            way,
            timeout: Duration::from_secs(self.timeout_s),
            default_issuer: self.issuer(ours),
            pace: Pace {
                objects_per_s: self.objects_per_s,
                at_once: self.at_once,
                hours: self.hours,
            },
            window_days: self.window_days,
            answers_max: self.answers_max,
            current_days: self.current_days(),
            object_bytes_max: ours.max_object_bytes,
        })
    }

    /// The AE title under which our listener takes its history, if it sends it there.
    pub(super) fn title(&self, ours: &DicomSettings) -> Option<HistoryTitle> {
        let ae_title = self.move_to.clone()?;
        (self.retrieve == RetrieveBy::Move).then(|| HistoryTitle {
            ae_title,
            archive: self.name.clone(),
            default_issuer: self.issuer(ours),
            current_days: self.current_days(),
        })
    }

    fn issuer(&self, ours: &DicomSettings) -> String {
        let own = self.default_issuer.as_ref();
        own.unwrap_or(&ours.default_issuer).clone()
    }

    fn current_days(&self) -> Option<u32> {
        (!self.deliver).then_some(self.current_days)
    }
}

/// Mistakes of archives that no key has by itself. `rows` are those of `config`, in order.
pub(super) fn check(raws: &mut [Raw<'_>], config: &Config, rows: &[Row]) {
    let mut titles = vec![(&config.dicom.ae_title, "[receive.dicom] ae_title")];
    for (one, row) in config.backfill.archive.iter().zip(rows) {
        let Some(raw) = raws.get_mut(row.layer) else {
            continue;
        };
        for (name, example) in needs(one) {
            if row.place(name).is_none() && !raw.broken {
                raw.mistake(
                    row.span.clone(),
                    format!("[[archive]] must have the key {name}"),
                    format!("write for example {name} = {example}"),
                );
            }
        }
        check_kind(raw, one, row);
        check_pair(raw, TABLE, one.certificate.as_ref(), one.key.as_ref(), row);
        match (one.kind, one.url.as_deref()) {
            (Some(ArchiveKind::Dicomweb), Some(url)) => {
                check_plain(raw, TABLE, url, row);
                let of = ("DICOMweb services", "https://archive.example/dicomweb");
                check_base(raw, TABLE, url, of, row);
            }
            (Some(ArchiveKind::Dicomweb), None) => {}
            _ => check_tls_on(raw, TABLE, one.tls, row),
        }
        let (Some(title), Some(place)) = (&one.move_to, row.place("move_to")) else {
            continue;
        };
        if one.retrieve == RetrieveBy::Get {
            raw.mistake(
                place,
                "[[archive]] move_to is for C-MOVE, and retrieve is \"get\"",
                "write retrieve = \"move\", or take move_to out",
            );
        } else if let Some((_, whose)) = titles.iter().find(|(other, _)| *other == title) {
            raw.mistake(
                place,
                format!(
                    "[[archive]] move_to is {}, which is {whose} already; history could not be \
                     told from what comes by itself",
                    quoted(title)
                ),
                "give it an AE title of its own, and have that entered in the archive with the \
                 address and port of [receive.dicom]",
            );
        } else {
            titles.push((title, "the move_to of another [[archive]]"));
        }
    }
}

/// Keys that an archive must have, each with an example.
fn needs(one: &ArchiveSettings) -> Vec<(&'static str, &'static str)> {
    let mut needs = vec![("kind", "\"dicom\"")];
    if one.kind == Some(ArchiveKind::Dicomweb) {
        needs.push(("url", "\"https://archive.example/dicomweb\""));
        return needs;
    }
    needs.extend([
        ("host", "\"archive.example\""),
        ("port", "104"),
        ("called", "\"ARCHIVE\""),
    ]);
    if one.retrieve == RetrieveBy::Move {
        needs.push(("move_to", "\"SHEATHHISTORY\""));
    }
    needs
}

/// Keys that the other kind has.
fn check_kind(raw: &mut Raw<'_>, one: &ArchiveSettings, row: &Row) {
    const OF_DICOM: [&str; 7] = [
        "host", "port", "called", "calling", "retrieve", "move_to", "tls",
    ];
    const OF_WEB: [&str; 2] = ["url", "bearer"];
    let (others, kind, other): (&[&'static str], _, _) = match one.kind {
        None => return,
        Some(ArchiveKind::Dicom) => (&OF_WEB, "dicom", "dicomweb"),
        Some(ArchiveKind::Dicomweb) => (&OF_DICOM, "dicomweb", "dicom"),
    };
    for &name in others {
        if let Some(place) = row.place(name) {
            raw.mistake(
                place,
                format!("[[archive]] {name} is for kind = \"{other}\", and kind is \"{kind}\""),
                format!("take {name} out, or write kind = \"{other}\""),
            );
        }
    }
}
