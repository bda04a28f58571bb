//! `[[destination]]`: what the keys of one destination need of each other, and what they mean.

use super::Config;
use super::keys;
use super::peer::{Row, check_base, check_pair, check_plain, check_tls_on};
use super::raw::Raw;
use crate::routes::destination::{Destination, DicomForm, DicomWay, HookWay, MllpWay, Way};
use crate::routes::retry::Retry;
use serde::Serialize;
use sheathline_model::assess::Status;
use sheathline_model::domain::{Label, Source};
use sheathline_model::forms::hl7::{Processing, Route};
use sheathline_model::results::{Change, Wanted};
use sheathline_net::connect::node::{DicomNode, HttpWay, TlsFiles};
use std::path::PathBuf;
use std::time::Duration;

/// The table.
pub(super) const TABLE: &str = "destination";

/// Seconds of a day.
const DAY_S: u64 = 86_400;

/// `[[destination]]`: a system that results are delivered to. Absent keys are `None` or empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DestinationSettings {
    /// Its name.
    pub name: String,
    /// How results get there; every destination says it.
    pub kind: Option<Kind>,
    /// Host name or address.
    pub host: Option<String>,
    /// TCP port.
    pub port: Option<u16>,
    /// Its AE title.
    pub called: Option<String>,
    /// Our AE title for it; `None`: that of `[receive.dicom]`.
    pub calling: Option<String>,
    /// What is sent of a result.
    pub objects: Vec<DicomForm>,
    /// Only results of these statuses; empty: of all.
    pub statuses: Vec<Status>,
    /// Only changes of these kinds; empty: all but reminders.
    pub changes: Vec<Change>,
    /// Only of exams with these labels; empty: with any, or none.
    pub labels: Vec<Labelled>,
    /// Only of exams that a report of these sources is of; empty: of any.
    pub senders: Vec<String>,
    /// Only of exams measured in these departments; empty: in any.
    pub departments: Vec<String>,
    /// Whether a notice tells the status.
    pub tell_status: bool,
    /// MSH-3.
    pub sending_application: String,
    /// MSH-4.
    pub sending_facility: String,
    /// MSH-5.
    pub receiving_application: String,
    /// MSH-6.
    pub receiving_facility: String,
    /// MSH-11.
    pub processing: Processing,
    /// Where HTTP requests go.
    pub url: Option<String>,
    /// File of a bearer token.
    pub bearer: Option<PathBuf>,
    /// Whether DICOM and HL7 go over TLS; HTTP says it in its URL.
    pub tls: bool,
    /// Authorities that may vouch for the receiver.
    pub ca: Option<PathBuf>,
    /// Our own certificate.
    pub certificate: Option<PathBuf>,
    /// Its key.
    pub key: Option<PathBuf>,
    /// Longest wait for one step, seconds.
    pub timeout_s: u64,
    /// Wait after a first failure, seconds.
    pub first_wait_s: u64,
    /// Longest wait, seconds.
    pub longest_wait_s: u64,
    /// Days of waiting after which a delivery that is put off again and again is given up; 0 never.
    pub give_up_days: u64,
}

/// How results get to a destination.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// DICOM C-STORE.
    Dicom,
    /// HL7 v2 over MLLP.
    Hl7,
    /// FHIR over HTTP.
    Fhir,
    /// A notice over HTTP.
    Hook,
}

/// What a person says of an exam, or that nobody says anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Labelled {
    /// [`Label::Well`].
    Well,
    /// [`Label::RaisedRuledOut`].
    RaisedRuledOut,
    /// [`Label::RaisedConfirmed`].
    RaisedConfirmed,
    /// [`Label::AfterDecompression`].
    AfterDecompression,
    /// It has no label.
    Unlabelled,
}

impl Labelled {
    fn label(self) -> Option<Label> {
        match self {
            Labelled::Well => Some(Label::Well),
            Labelled::RaisedRuledOut => Some(Label::RaisedRuledOut),
            Labelled::RaisedConfirmed => Some(Label::RaisedConfirmed),
            Labelled::AfterDecompression => Some(Label::AfterDecompression),
            Labelled::Unlabelled => None,
        }
    }
}

impl Default for DestinationSettings {
    fn default() -> Self {
        let route = Route::default();
        DestinationSettings {
            name: String::new(),
            kind: None,
            host: None,
            port: None,
            called: None,
            calling: None,
            objects: vec![DicomForm::Sr],
            statuses: Vec::new(),
            changes: Vec::new(),
            labels: Vec::new(),
            senders: Vec::new(),
            departments: Vec::new(),
            tell_status: false,
            sending_application: route.sending_application,
            sending_facility: route.sending_facility,
            receiving_application: route.receiving_application,
            receiving_facility: route.receiving_facility,
            processing: route.processing,
            url: None,
            bearer: None,
            tls: false,
            ca: None,
            certificate: None,
            key: None,
            timeout_s: 30,
            first_wait_s: 5,
            longest_wait_s: 600,
            give_up_days: 7,
        }
    }
}

impl DestinationSettings {
    /// The paths it names.
    pub(super) fn paths(&mut self) -> impl Iterator<Item = &mut PathBuf> {
        let files = [&mut self.bearer, &mut self.ca];
        let own = [&mut self.certificate, &mut self.key];
        files.into_iter().chain(own).flatten()
    }

    /// The destination; `None` where a key that its kind needs is absent. `ours` is our AE title.
    pub(super) fn destination(&self, ours: &str) -> Option<Destination> {
        let files = TlsFiles {
            ca: self.ca.clone(),
            certificate: self.certificate.clone(),
            key: self.key.clone(),
        };
        let over_tls = || self.tls.then(|| files.clone());
        let http = || {
            Some(HttpWay {
                url: self.url.clone()?,
                tls: files.clone(),
                bearer: self.bearer.clone(),
            })
        };
        let way = match self.kind? {
            Kind::Dicom => Way::Dicom(DicomWay {
                node: DicomNode {
                    host: self.host.clone()?,
                    port: self.port?,
                    called: self.called.clone()?,
                    calling: self.calling.clone().unwrap_or_else(|| ours.to_owned()),
                    tls: over_tls(),
                },
                objects: self.objects.clone(),
            }),
            Kind::Hl7 => Way::Mllp(MllpWay {
                host: self.host.clone()?,
                port: self.port?,
                tls: over_tls(),
                route: Route {
                    sending_application: self.sending_application.clone(),
                    sending_facility: self.sending_facility.clone(),
                    receiving_application: self.receiving_application.clone(),
                    receiving_facility: self.receiving_facility.clone(),
                    processing: self.processing,
                },
            }),
            Kind::Fhir => Way::Fhir(http()?),
            Kind::Hook => Way::Hook(HookWay {
                http: http()?,
                tell_status: self.tell_status,
            }),
        };
        Some(Destination {
            name: self.name.clone(),
            way,
            wanted: Wanted {
                statuses: self.statuses.clone(),
                changes: self.changes.clone(),
                labels: self.labels.iter().map(|one| one.label()).collect(),
                senders: self
                    .senders
                    .iter()
                    .map(|name| Source::named(name))
                    .collect(),
                departments: self.departments.clone(),
            },
            timeout: Duration::from_secs(self.timeout_s),
        })
    }

    /// When a delivery that failed is tried again.
    pub(super) fn retry(&self) -> Retry {
        let days = self.give_up_days;
        Retry {
            first: Duration::from_secs(self.first_wait_s),
            longest: Duration::from_secs(self.longest_wait_s),
            give_up: (days > 0).then(|| Duration::from_secs(days * DAY_S)),
        }
    }
}

/// Keys of every kind.
const OF_ALL: &[&str] = &[
    "name",
    "kind",
    "statuses",
    "changes",
    "labels",
    "senders",
    "departments",
    "ca",
    "certificate",
    "key",
    "timeout_s",
    "first_wait_s",
    "longest_wait_s",
    "give_up_days",
];

impl Kind {
    fn word(self) -> &'static str {
        match self {
            Kind::Dicom => "dicom",
            Kind::Hl7 => "hl7",
            Kind::Fhir => "fhir",
            Kind::Hook => "hook",
        }
    }

    /// Keys without which there is no way, each with an example.
    fn needs(self) -> &'static [(&'static str, &'static str)] {
        match self {
            Kind::Dicom => &[
                ("host", "\"archive.example\""),
                ("port", "11112"),
                ("called", "\"ARCHIVE\""),
            ],
            Kind::Hl7 => &[("host", "\"engine.example\""), ("port", "2575")],
            Kind::Fhir => &[("url", "\"https://fhir.example/r4\"")],
            Kind::Hook => &[("url", "\"https://hook.example/results\"")],
        }
    }

    /// Keys that may be left out.
    fn takes(self) -> &'static [&'static str] {
        match self {
            Kind::Dicom => &["calling", "objects", "tls"],
            Kind::Hl7 => &[
                "sending_application",
                "sending_facility",
                "receiving_application",
                "receiving_facility",
                "processing",
                "tls",
            ],
            Kind::Fhir => &["bearer"],
            Kind::Hook => &["bearer", "tell_status"],
        }
    }

    fn knows(self, name: &str) -> bool {
        OF_ALL.contains(&name)
            || self.takes().contains(&name)
            || self.needs().iter().any(|(needed, _)| *needed == name)
    }
}

/// Mistakes of destinations that no key has by itself. `rows` are those of `config`, in order.
pub(super) fn check(raws: &mut [Raw<'_>], config: &Config, rows: &[Row]) {
    for (one, row) in config.deliver.destination.iter().zip(rows) {
        let Some(raw) = raws.get_mut(row.layer) else {
            continue;
        };
        let Some(kind) = one.kind else {
            if row.place("kind").is_none() && !raw.broken {
                raw.mistake(
                    row.span.clone(),
                    "[[destination]] must have the key kind, which says how results get there",
                    "write kind = \"dicom\", \"hl7\", \"fhir\" or \"hook\"",
                );
            }
            continue;
        };
        check_keys(raw, kind, row);
        check_waits(raw, one, row);
        check_files(raw, one, kind, row);
        check_reminders(raw, one, kind, row, config.pages.remind_minutes);
    }
}

/// A reminder that is asked for and never comes is worse than none: somebody relies on it.
fn check_reminders(
    raw: &mut Raw<'_>,
    one: &DestinationSettings,
    kind: Kind,
    row: &Row,
    remind_minutes: u32,
) {
    let is_asked_for = one.changes.contains(&Change::Reminder);
    let Some(place) = row.place("changes").filter(|_| is_asked_for) else {
        return;
    };
    match kind {
        Kind::Dicom | Kind::Fhir => {
            let word = kind.word();
            raw.mistake(
                place,
                format!(
                    "[[destination]] changes names \"reminder\", which kind {word} cannot carry"
                ),
                "take it out; a destination of kind hook or hl7 carries reminders",
            );
        }
        Kind::Hl7 | Kind::Hook if remind_minutes == 0 => {
            raw.mistake(
                place,
                "[[destination]] changes names \"reminder\", and [pages] remind_minutes is 0: none would come",
                "write for example remind_minutes = 60 in [pages], or take \"reminder\" out",
            );
        }
        Kind::Hl7 | Kind::Hook => {}
    }
}

fn check_keys(raw: &mut Raw<'_>, kind: Kind, row: &Row) {
    let word = kind.word();
    for (name, example) in kind.needs() {
        if row.place(name).is_none() && !raw.broken {
            raw.mistake(
                row.span.clone(),
                format!("[[destination]] of kind {word} must have the key {name}"),
                format!("write for example {name} = {example}"),
            );
        }
    }
    for (key, span) in row.keys.iter().filter(|(key, _)| !kind.knows(key.name)) {
        let known: Vec<&str> = keys::of_table(TABLE)
            .map(|key| key.name)
            .filter(|name| kind.knows(name))
            .collect();
        raw.mistake(
            span.clone(),
            format!(
                "[[destination]] {} does not belong to kind {word}",
                key.name
            ),
            format!(
                "take it out; the keys of this kind are {}",
                known.join(", ")
            ),
        );
    }
}

fn check_waits(raw: &mut Raw<'_>, one: &DestinationSettings, row: &Row) {
    let (first, longest) = (one.first_wait_s, one.longest_wait_s);
    let place = row.first(&["longest_wait_s", "first_wait_s"]);
    if let (true, Some((_, place))) = (first > longest, place) {
        raw.mistake(
            place,
            format!(
                "[[destination]] first_wait_s is {first}, but must be at most longest_wait_s, which is {longest}"
            ),
            "waits grow from the first to the longest; the defaults are first_wait_s = 5 and longest_wait_s = 600",
        );
    }
}

fn check_files(raw: &mut Raw<'_>, one: &DestinationSettings, kind: Kind, row: &Row) {
    check_pair(raw, TABLE, one.certificate.as_ref(), one.key.as_ref(), row);
    match (kind, one.url.as_deref()) {
        (Kind::Dicom | Kind::Hl7, _) => check_tls_on(raw, TABLE, one.tls, row),
        (Kind::Fhir | Kind::Hook, None) => {}
        (Kind::Fhir, Some(url)) => {
            check_plain(raw, TABLE, url, row);
            let of = ("a FHIR server", "https://fhir.example/r4");
            check_base(raw, TABLE, url, of, row);
        }
        (Kind::Hook, Some(url)) => check_plain(raw, TABLE, url, row),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(text: &str) -> Vec<String> {
        let mistakes = Config::from_text("site.toml", text).err();
        let mistakes = mistakes.unwrap_or_default().into_iter();
        mistakes.map(|one| one.to_string()).collect()
    }

    /// Whoever relies on a reminder that never comes is told, with the line.
    #[test]
    fn a_reminder_that_would_never_come_is_refused() {
        let on = "[pages]\nlisten = \"127.0.0.1:8600\"\nremind_minutes = 30\n";
        let changes = "changes = [\"new_rise\", \"reminder\"]\n";
        for (kind, more, carries) in [
            ("hook", "url = \"https://hook.example/x\"\n", true),
            ("hl7", "host = \"engine.example\"\nport = 2575\n", true),
            ("fhir", "url = \"https://fhir.example/r4\"\n", false),
            (
                "dicom",
                "host = \"archive.example\"\nport = 11112\ncalled = \"ARCHIVE\"\n",
                false,
            ),
        ] {
            let row = format!("[[destination]]\nname = \"a\"\nkind = \"{kind}\"\n{more}");
            assert_eq!(told(&format!("{on}{row}")), [""; 0], "{kind}");
            let with = told(&format!("{on}{row}{changes}"));
            assert_eq!(with.is_empty(), carries, "{kind}: {with:?}");
            let line = row.lines().count() + 1;
            let never = told(&format!("{row}{changes}"));
            assert_eq!(never.len(), 1, "{kind}: {never:?}");
            assert!(
                never[0].contains(&format!("site.toml:{line}:")),
                "{never:?}"
            );
            let what = if carries {
                "remind_minutes is 0"
            } else {
                "cannot carry"
            };
            assert!(never[0].contains(what), "{never:?}");
        }
    }
}
