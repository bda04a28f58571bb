//! The one list of keys: table, name, meaning and bounds.

use super::ClientCertificate;
use super::archive::{self, ArchiveKind, ArchiveSettings, RetrieveBy};
use super::destination::{self, DestinationSettings, Kind, Labelled};
use super::pages;
use super::readers::{self, DeviceSettings, OperatorSettings, device, reader};
use super::senders::{self, TemplateSender, asked_device};
use super::settings::{After, LogFormat, LogLevel, Malformed, OtherClasses, SenderSettings};
use super::store::{self, Durability, StoreKind, StoreTls};
use super::value::{
    Fault, Limits, address, ae_title, charset, example, filled, flag, from_to, host, hours, inside,
    issuer, list, network, number, one_or_list, optional_host, optional_path, path, plain_name,
    sender, sha256, some, url, whole, word,
};
use super::{AuthoritySettings, Config, Role, RoleSettings};
use crate::routes::destination::DicomForm;
use serde::Serialize;
use sheathline_model::assess::{Status, Unlabelled};
use sheathline_model::forms::hl7::Processing;
use sheathline_model::reading::Policy;
use sheathline_model::results::Change;
use toml::de::DeValue;

/// One key of the file.
pub(super) struct Key {
    /// Its table, as written between brackets.
    pub(super) table: &'static str,
    /// Its name.
    pub(super) name: &'static str,
    /// Reads a value into the configuration.
    pub(super) set: fn(&mut Config, &DeValue<'_>) -> Result<(), Fault>,
    /// Its value in a configuration, as TOML.
    pub(super) show: fn(&Config) -> String,
}

/// A table that may stand any number of times, each time for another thing.
pub(super) struct Rows {
    /// Its name, as written between double brackets.
    pub(super) table: &'static str,
    /// The key that says which thing; each row has it, and no two rows alike.
    pub(super) id: &'static str,
    /// Whether two rows may have the same `id`: it does not tell them apart.
    pub(super) repeats: bool,
    /// What `id` may be, for messages.
    pub(super) example: &'static str,
    /// Begins a further row; keys that are read go into the last one.
    pub(super) begin: fn(&mut Config),
}

/// Words of `client_certificate`, of every table for TLS.
const CLIENT_CERTIFICATE: &[(&str, ClientCertificate)] = &[
    ("required", ClientCertificate::Required),
    ("optional", ClientCertificate::Optional),
    ("off", ClientCertificate::Off),
];

/// Words of `other_classes`, for everybody and for one sender.
const OTHER_CLASSES: &[(&str, OtherClasses)] = &[
    ("refuse", OtherClasses::Refuse),
    ("take-and-drop", OtherClasses::TakeAndDrop),
];

/// The tables that are rows.
const ROWS: &[Rows] = &[
    Rows {
        table: "receive.dicom.sender",
        id: "ae_title",
        repeats: false,
        example: "\"CART1\"",
        begin: |config| config.dicom.sender.push(SenderSettings::default()),
    },
    Rows {
        table: senders::TABLE,
        id: "dictionaries",
        repeats: true,
        example: "[\"pocket-t.toml\"]",
        begin: |config| config.templates.sender.push(TemplateSender::default()),
    },
    Rows {
        table: destination::TABLE,
        id: "name",
        repeats: false,
        example: "\"archive\"",
        begin: |config| {
            config
                .deliver
                .destination
                .push(DestinationSettings::default())
        },
    },
    Rows {
        table: archive::TABLE,
        id: "name",
        repeats: false,
        example: "\"archive\"",
        begin: |config| config.backfill.archive.push(ArchiveSettings::default()),
    },
    Rows {
        table: readers::OPERATOR,
        id: "name",
        repeats: false,
        example: "\"WREN^LARK\"",
        begin: |config| config.readers.operator.push(OperatorSettings::default()),
    },
    Rows {
        table: readers::DEVICE,
        id: "name",
        repeats: false,
        example: "\"MAKER|MODEL|SERIAL\"",
        begin: |config| config.readers.device.push(DeviceSettings::default()),
    },
    Rows {
        table: "receive.hl7.authority",
        id: "authority",
        repeats: false,
        example: "\"ADT-HOSPITAL\"",
        begin: |config| config.hl7.authority.push(AuthoritySettings::default()),
    },
    Rows {
        table: pages::ROLE,
        id: "group",
        repeats: false,
        example: "\"neuro-clinicians\"",
        begin: |config| config.pages.role.push(RoleSettings::default()),
    },
];

/// The row that is being read.
trait Latest<T> {
    fn latest(&self) -> T;
    fn latest_mut(&mut self) -> &mut T;
}

impl<T: Clone + Default> Latest<T> for Vec<T> {
    fn latest(&self) -> T {
        self.last().cloned().unwrap_or_default()
    }

    #[expect(clippy::indexing_slicing, reason = "one was pushed if there was none")]
    fn latest_mut(&mut self) -> &mut T {
        if self.is_empty() {
            self.push(T::default());
        }
        let last = self.len() - 1;
        &mut self[last]
    }
}

/// What is made of a document in some state.
fn policy(value: &DeValue<'_>) -> Result<Policy, Fault> {
    word(&[
        ("use", Policy::Use),
        ("use_with_caution", Policy::UseWithCaution),
        ("hold", Policy::Hold),
    ])(value)
}

fn toml_text(value: &impl Serialize) -> String {
    // `None` has no TOML value; the file writes it as empty text.
    toml::Value::try_from(value).map_or_else(|_| "\"\"".to_owned(), |value| value.to_string())
}

/// The settings of a table: a section of the configuration, a part of one, or the last of its rows.
macro_rules! of {
    ($config:ident, ($section:ident.$rows:ident)) => {
        $config.$section.$rows.latest()
    };
    ($config:ident, [$section:ident.$part:ident]) => {
        $config.$section.$part
    };
    ($config:ident, $section:ident) => {
        $config.$section
    };
    (mut $config:ident, ($section:ident.$rows:ident)) => {
        $config.$section.$rows.latest_mut()
    };
    (mut $config:ident, [$section:ident.$part:ident]) => {
        $config.$section.$part
    };
    (mut $config:ident, $section:ident) => {
        $config.$section
    };
}

/// A key is a field of the same name, so that the two cannot drift apart.
macro_rules! table {
    // Every table for the TLS of a port.
    ($table:literal, $section:tt, tls_of_a_port) => {
        table!($table, $section, {
            listen: one_or_list(address),
            certificate: optional_path,
            key: optional_path,
            client_ca: optional_path,
            client_certificate: word(CLIENT_CERTIFICATE),
            max_handshakes: whole(1, 10_000),
            handshake_timeout_s: whole(1, 3600),
        })
    };
    ($table:literal, $section:tt, { $($name:ident: $read:expr,)* }) => {
        &[$(
            Key {
                table: $table,
                name: stringify!($name),
                set: |config, value| {
                    of!(mut config, $section).$name = $read(value)?;
                    Ok(())
                },
                show: |config| toml_text(&of!(config, $section).$name),
            },
        )*]
    };
}

/// A section in round brackets is one of rows, one in square brackets a part of another.
macro_rules! keys {
    ($([$table:literal] $section:tt $body:tt)*) => {
        static TABLES: &[&[Key]] = &[$(table!($table, $section, $body),)*];
    };
}

/// Standard deviations in mm: zero would claim a perfect measurement, two is half a sheath.
const SD: Limits = inside(0.0, 2.0);
/// How far somebody reads above the others, mm: the same both ways.
const OFFSET: Limits = from_to(-2.0, 2.0);
/// z limits; beyond ten nothing is ever flagged.
const Z: Limits = inside(0.0, 10.0);
/// Widths of a sheath, mm.
const WIDTH: Limits = inside(0.0, 20.0);
/// Ages at which growth starts or stops, years.
const GROWTH_AGE: Limits = inside(0.0, 25.0);
/// Angles between a caliper and the line across the nerve, degrees.
const ANGLE: Limits = inside(0.0, 90.0);
/// Object sizes: 1 KiB to the 32 bit limit of an explicit DICOM length (PS3.5 7.1.2).
const MIN_OBJECT: i64 = 1024;
const MAX_OBJECT: i64 = 0xFFFF_FFFE;

keys! {
    ["receive.dicom"] dicom {
        enabled: flag,
        listen: one_or_list(address),
        ae_title: ae_title,
        accept_any_called: flag,
        calling_allowed: list(ae_title),
        accept_blank_calling: flag,
        addresses_allowed: list(network),
        proxy_from: list(network),
        max_associations: whole(1, 10_000),
        max_associations_per_peer: whole(1, 10_000),
        max_object_bytes: whole(MIN_OBJECT, MAX_OBJECT),
        association_timeout_s: whole(1, 3600),
        idle_timeout_s: whole(1, 86_400),
        message_timeout_s: whole(1, 86_400),
        write_timeout_s: whole(1, 3600),
        other_classes: word(OTHER_CLASSES),
        default_issuer: issuer,
        fallback_charset: charset,
    }
    ["receive.dicom.sender"] (dicom.sender) {
        ae_title: ae_title,
        addresses: list(network),
        certificate_sha256: list(sha256),
        malformed: word(&[
            ("quarantine", Malformed::Quarantine),
            ("refuse", Malformed::Refuse),
        ]),
        other_classes: some(word(OTHER_CLASSES)),
        default_issuer: some(issuer),
        max_associations: some(whole(1, 10_000)),
        fallback_charset: some(charset),
        dictionaries: list(path),
        commitment_host: some(host),
        commitment_port: some(example("11113", whole(1, 65_535))),
        commitment_tls: flag,
        commitment_ca: optional_path,
        commitment_certificate: optional_path,
        commitment_key: optional_path,
        silent_after_days: some(example("3", whole(1, 3650))),
    }
    ["receive.dicom.tls"] [dicom.tls] tls_of_a_port
    ["receive.hl7"] hl7 {
        listen: one_or_list(address),
        addresses_allowed: list(network),
        proxy_from: list(network),
        max_connections: whole(1, 10_000),
        max_message_bytes: whole(1024, 64 * 1024 * 1024),
        idle_timeout_s: whole(1, 86_400),
        message_timeout_s: whole(1, 3600),
        write_timeout_s: whole(1, 3600),
        default_issuer: issuer,
    }
    ["receive.hl7.authority"] (hl7.authority) {
        authority: issuer,
        issuer: issuer,
    }
    ["receive.hl7.tls"] [hl7.tls] tls_of_a_port
    ["receive.web"] web {
        listen: one_or_list(address),
        addresses_allowed: list(network),
        proxy_from: list(network),
        bearer: optional_path,
        max_connections: whole(1, 10_000),
        max_body_bytes: whole(MIN_OBJECT, 1 << 40),
        idle_timeout_s: whole(1, 3600),
        request_timeout_s: whole(1, 86_400),
    }
    ["receive.web.tls"] [web.tls] tls_of_a_port
    ["receive.folder"] folder {
        path: optional_path,
        scan_every_ms: whole(100, 3_600_000),
        settle_ms: whole(0, 3_600_000),
        unfinished_s: whole(0, 86_400),
        after: word(&[("move", After::Move), ("delete", After::Delete)]),
        max_object_bytes: whole(MIN_OBJECT, MAX_OBJECT),
        default_issuer: issuer,
        fallback_charset: charset,
    }
    ["store"] store {
        kind: word(&[
            ("sqlite", StoreKind::Sqlite),
            ("postgresql", StoreKind::Postgresql),
        ]),
        path: path,
        url: store::server_url,
        password_file: optional_path,
        tls: word(&[("verify-full", StoreTls::VerifyFull), ("off", StoreTls::Off)]),
        ca: optional_path,
        certificate: optional_path,
        key: optional_path,
        connections: whole(1, 100),
        keep_pixels: flag,
        keep_bodies_days: whole(0, 36_500),
        durability: word(&[
            ("auto", Durability::Auto),
            ("spool", Durability::Spool),
            ("cluster", Durability::Cluster),
        ]),
        spool: optional_path,
        spool_limit_mb: whole(16, 1 << 20),
    }
    ["templates"] templates {
        folder: optional_path,
        dictionaries: list(path),
        presentation_states: flag,
    }
    ["templates.sender"] (templates.sender) {
        dictionaries: filled(list(path)),
        ae_titles: example("[\"CART1\"]", filled(list(ae_title))),
        devices: example("[\"MAKER|MODEL|\"]", filled(list(asked_device))),
        issuers: example("[\"CLINIC\"]", filled(list(issuer))),
    }
    ["documents"] documents {
        partial: policy,
        preliminary: policy,
        unverified: policy,
    }
    ["technique"] technique {
        depth_mm: number(inside(0.0, 10.0)),
        depth_caution_mm: number(from_to(0.0, 5.0)),
        depth_max_off_mm: number(from_to(0.0, 5.0)),
        angle_caution_deg: number(ANGLE),
        angle_max_deg: number(ANGLE),
    }
    ["baseline"] baseline {
        sigma_w: number(SD),
        sigma_s: number(SD),
        rho_s: number(from_to(0.0, 1.0)),
        sigma_o: number(SD),
        sigma_d: number(SD),
        sigma_a: number(SD),
        q: number(from_to(0.0, 1.0)),
        growth_g: number(from_to(0.0, 1.0)),
        growth_sd: number(SD),
        growth_min: number(GROWTH_AGE),
        growth_stop: number(GROWTH_AGE),
        age_unknown_rate: number(from_to(0.0, 1.0)),
        sigma_step: number(SD),
        resolution: number(from_to(0.0, 1.0)),
        z_above: number(Z),
        z_well: number(Z),
        z_eye_above: number(Z),
        z_eye_well: number(Z),
        z_below: number(Z),
        z_eye_below: number(Z),
        z_asym: number(Z),
        z_screen: number(Z),
        z_pair: number(Z),
        max_smallest_change: number(inside(0.0, 5.0)),
        plausible_min: number(WIDTH),
        plausible_max: number(WIDTH),
        newborn_age: number(from_to(0.0, 2.0)),
        washout_days: whole(0, 3650),
        provisional_after_days: whole(0, 3650),
        session_gap_minutes: whole(1, 1440),
        returned_margin: number(SD),
        old_baseline_years: number(inside(0.0, 100.0)),
        max_sessions: whole(1, 20),
        unlabelled: word(&[
            ("provisional", Unlabelled::Provisional),
            ("ignore", Unlabelled::Ignore),
        ]),
    }
    ["baseline.operator"] (readers.operator) {
        name: reader,
        also: list(reader),
        offset: some(example("0.12", number(OFFSET))),
        standard_error: some(example("0.05", number(SD))),
        sigma_w: some(example("0.2", number(SD))),
    }
    ["baseline.device"] (readers.device) {
        name: device,
        also: list(device),
        offset: some(example("0.12", number(OFFSET))),
        standard_error: some(example("0.05", number(SD))),
    }
    ["context"] context {
        show: flag,
    }
    ["outbox"] outbox {
        folder: path,
        shared: flag,
        text: flag,
        html: flag,
        pdf: flag,
        csv: flag,
    }
    ["destination"] (deliver.destination) {
        name: plain_name,
        kind: some(example("\"dicom\"", word(&[
            ("dicom", Kind::Dicom),
            ("hl7", Kind::Hl7),
            ("fhir", Kind::Fhir),
            ("hook", Kind::Hook),
        ]))),
        host: some(host),
        port: some(example("11112", whole(1, 65_535))),
        called: some(example("\"ARCHIVE\"", ae_title)),
        calling: some(example("\"SHEATHLINE\"", ae_title)),
        objects: filled(list(word(&[("sr", DicomForm::Sr), ("pdf", DicomForm::Pdf), ("entered", DicomForm::Entered)]))),
        statuses: list(word(&[
            ("within_expected", Status::WithinExpected),
            ("above_expected", Status::AboveExpected),
            ("well_above_expected", Status::WellAboveExpected),
            ("below_expected", Status::BelowExpected),
            ("no_baseline", Status::NoBaseline),
            ("not_comparable", Status::NotComparable),
        ])),
        changes: list(word(&[
            ("first", Change::First),
            ("changed", Change::Changed),
            ("new_rise", Change::NewRise),
            ("withdrawn_rise", Change::WithdrawnRise),
            ("reminder", Change::Reminder),
        ])),
        labels: list(word(&[
            ("well", Labelled::Well),
            ("raised_ruled_out", Labelled::RaisedRuledOut),
            ("raised_confirmed", Labelled::RaisedConfirmed),
            ("after_decompression", Labelled::AfterDecompression),
            ("unlabelled", Labelled::Unlabelled),
        ])),
        senders: list(sender),
        departments: list(issuer),
        tell_status: flag,
        sending_application: issuer,
        sending_facility: issuer,
        receiving_application: issuer,
        receiving_facility: issuer,
        processing: word(&[
            ("production", Processing::Production),
            ("training", Processing::Training),
            ("debugging", Processing::Debugging),
        ]),
        url: some(url),
        bearer: optional_path,
        tls: flag,
        ca: optional_path,
        certificate: optional_path,
        key: optional_path,
        timeout_s: whole(1, 3600),
        first_wait_s: whole(1, 3600),
        longest_wait_s: whole(1, 86_400),
        give_up_days: whole(0, 3650),
    }
    ["archive"] (backfill.archive) {
        name: plain_name,
        kind: some(example("\"dicom\"", word(&[("dicom", ArchiveKind::Dicom), ("dicomweb", ArchiveKind::Dicomweb)]))),
        host: some(host),
        port: some(example("11112", whole(1, 65_535))),
        called: some(example("\"ARCHIVE\"", ae_title)),
        calling: some(example("\"SHEATHLINE\"", ae_title)),
        retrieve: word(&[("get", RetrieveBy::Get), ("move", RetrieveBy::Move)]),
        move_to: some(example("\"SHEATHHISTORY\"", ae_title)),
        url: some(url),
        bearer: optional_path,
        tls: flag,
        ca: optional_path,
        certificate: optional_path,
        key: optional_path,
        timeout_s: whole(1, 3600),
        default_issuer: some(issuer),
        objects_per_s: whole(0, 10_000),
        at_once: whole(1, 500),
        hours: hours,
        window_days: whole(1, 31),
        answers_max: whole(0, 1_000_000),
        deliver: flag,
        current_days: whole(0, 3650),
    }
    ["pages"] pages {
        listen: one_or_list(address),
        addresses_allowed: list(network),
        proxy_from: list(network),
        public_url: pages::origin,
        department: pages::optional_named,
        contact: pages::optional_named,
        max_connections: whole(1, 10_000),
        idle_minutes: whole(1, 1440),
        most_hours: whole(1, 24),
        remind_minutes: whole(0, 10_080),
        break_glass: flag,
    }
    ["pages.tls"] [pages.tls] tls_of_a_port
    ["pages.openid"] [pages.openid] {
        issuer: pages::optional_url,
        client: pages::named,
        secret: optional_path,
        ca: optional_path,
        groups_claim: pages::named,
    }
    ["pages.role"] (pages.role) {
        group: pages::named,
        roles: example("[\"reader\"]", filled(list(word(Role::WORDS)))),
    }
    ["observe"] observe {
        log: word(&[
            ("error", LogLevel::Error),
            ("warn", LogLevel::Warn),
            ("info", LogLevel::Info),
            ("debug", LogLevel::Debug),
        ]),
        log_format: word(&[("text", LogFormat::Text), ("json", LogFormat::Json)]),
        listen: one_or_list(address),
        audit: optional_path,
    }
    ["observe.syslog"] [observe.syslog] {
        host: optional_host,
        port: whole(1, 65_535),
        ca: optional_path,
        certificate: optional_path,
        key: optional_path,
        timeout_s: whole(1, 3600),
    }
}

/// Every key, in the order of the file.
pub(super) fn all() -> impl Iterator<Item = &'static Key> {
    TABLES.iter().copied().flatten()
}

/// The known tables, each once.
pub(super) fn tables() -> impl Iterator<Item = &'static str> {
    let mut last = "";
    all().filter_map(move |key| {
        let new = key.table != last;
        last = key.table;
        new.then_some(key.table)
    })
}

/// The keys of one table.
pub(super) fn of_table(table: &str) -> impl Iterator<Item = &'static Key> {
    all().filter(move |key| key.table == table)
}

/// One key.
pub(super) fn find(table: &str, name: &str) -> Option<&'static Key> {
    of_table(table).find(|key| key.name == name)
}

/// The table, if it is one of rows.
pub(super) fn rows(table: &str) -> Option<&'static Rows> {
    ROWS.iter().find(|rows| rows.table == table)
}

/// The heading of a table.
pub(super) fn heading(table: &str) -> String {
    match rows(table) {
        Some(_) => format!("[[{table}]]"),
        None => format!("[{table}]"),
    }
}
