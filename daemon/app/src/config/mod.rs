//! The configuration file: what it says and what it means.
//!
//! [`Config::from_text`] is pure, and so is [`Effective::of`], which lays several files and the
//! environment over each other. They read in three steps: `raw` finds the settings and refuses
//! what it does not know, `keys` (the one list of keys) gives each a meaning, `check` and
//! `between` hold the rules between keys. Every step collects its mistakes, so one run reports them all.

mod archive;
mod between;
mod check;
mod commitment;
mod destination;
mod exposed;
mod hl7;
mod keys;
mod layers;
mod pages;
mod peer;
mod port_tls;
mod ports;
mod raw;
mod readers;
mod reload;
mod senders;
mod settings;
mod store;
mod unfilled;
mod value;
mod web;

#[cfg(test)]
mod tests;

pub use archive::{ArchiveKind, ArchiveSettings, BackfillSettings, RetrieveBy};
pub use destination::{DestinationSettings, Kind, Labelled};
pub use exposed::Exposed;
pub use hl7::{AuthoritySettings, Hl7Settings};
pub use layers::{Effective, Layer, Setting, environment, near_misses};
pub use pages::{OpenIdSettings, PagesSettings, Role, RoleSettings};
pub use ports::Ports;
pub use readers::{DeviceSettings, OperatorSettings, ReaderSettings};
pub use senders::{ScopedDictionaries, TemplateSender};
pub use settings::{
    After, ContextSettings, DEFAULT_MAX_OBJECT_BYTES, DeliverSettings, DicomSettings,
    FolderSettings, LogFormat, LogLevel, Malformed, ObserveSettings, OtherClasses, OutboxSettings,
    SenderSettings, SyslogSettings, TemplateSettings,
};
pub use sheathline_net::serve::tls::{ClientCertificate, Sha256Hex, TlsSettings};
pub use store::{
    Durability, PASSWORD_VARIABLE, ServerSettings, ServerTls, StoreKind, StorePlace, StoreSettings,
    StoreTls,
};
pub use web::WebSettings;

use crate::routes::archive::{Archive, HistoryTitle};
use crate::routes::destination::Destination;
use crate::routes::retry::Retry;
use sheathline_model::assess::Parameters;
use sheathline_model::domain::{Mistake, Source};
use sheathline_model::normalise::Technique;
use sheathline_model::reading::Documents;
use std::collections::BTreeMap;
use std::path::Path;

/// The commented default configuration, as shipped. It parses to `Config::default()`.
pub const DEFAULT_TEXT: &str = include_str!("../../../../config/daemon.toml");

/// A configuration without mistakes.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Config {
    /// `[receive.dicom]`, with `[receive.dicom.tls]` in it.
    pub dicom: DicomSettings,
    /// `[receive.hl7]`, with `[receive.hl7.tls]` in it.
    pub hl7: Hl7Settings,
    /// `[receive.web]`, with `[receive.web.tls]` in it.
    pub web: WebSettings,
    /// `[receive.folder]`.
    pub folder: FolderSettings,
    /// `[store]`.
    pub store: StoreSettings,
    /// `[templates]`.
    pub templates: TemplateSettings,
    /// `[documents]`.
    pub documents: Documents,
    /// `[technique]`.
    pub technique: Technique,
    /// `[baseline]`.
    pub baseline: Parameters,
    /// `[[baseline.operator]]` and `[[baseline.device]]`.
    pub readers: ReaderSettings,
    /// `[context]`.
    pub context: ContextSettings,
    /// `[outbox]`.
    pub outbox: OutboxSettings,
    /// `[[destination]]`.
    pub deliver: DeliverSettings,
    /// `[[archive]]`.
    pub backfill: BackfillSettings,
    /// `[pages]`, with what lies in it.
    pub pages: PagesSettings,
    /// `[observe]`.
    pub observe: ObserveSettings,
}

impl Config {
    /// Reads a configuration; what the text leaves out has its default.
    ///
    /// `file` is the name of the file as the user knows it, used in messages only. Paths stay as
    /// written; [`Config::resolve`] makes them usable.
    ///
    /// # Errors
    /// Every mistake of the file, in line order.
    pub fn from_text(file: &str, text: &str) -> Result<Config, Vec<Mistake>> {
        let layer = Layer {
            name: file.to_owned(),
            text: text.to_owned(),
        };
        Effective::of(&[layer]).map(|effective| effective.config)
    }

    /// Every known key as (table, key), in the order of the manual.
    pub fn known_keys() -> impl Iterator<Item = (&'static str, &'static str)> {
        keys::all().map(|key| (key.table, key.name))
    }

    /// The destinations of results, and when each is tried again.
    #[must_use]
    pub fn destinations(&self) -> Vec<(Destination, Retry)> {
        let ours = &self.dicom.ae_title;
        let all = self.deliver.destination.iter();
        all.filter_map(|one| Some((one.destination(ours)?, one.retry())))
            .collect()
    }

    /// The archives whose history can be asked for.
    #[must_use]
    pub fn archives(&self) -> Vec<Archive> {
        let all = self.backfill.archive.iter();
        all.filter_map(|one| one.archive(&self.dicom)).collect()
    }

    /// The AE titles under which the history of archives comes in.
    #[must_use]
    pub fn history_titles(&self) -> Vec<HistoryTitle> {
        let all = self.backfill.archive.iter();
        all.filter_map(|one| one.title(&self.dicom)).collect()
    }

    /// The issuer that patient ids without one get here, by the source of an object as the store notes
    /// it; `None` for an archive that is not named any more, from which nothing comes.
    #[must_use]
    pub fn issuer_of(&self, source: &Source) -> Option<&str> {
        let dicom = &self.dicom.default_issuer;
        let own = match source {
            Source::Dicom(title) => {
                let mut senders = self.dicom.sender.iter();
                let sender = senders.find(|sender| sender.ae_title == *title);
                sender.and_then(|sender| sender.default_issuer.as_deref())
            }
            Source::Archive(name) => {
                let mut archives = self.backfill.archive.iter();
                let archive = archives.find(|archive| archive.name == *name)?;
                archive.default_issuer.as_deref()
            }
            Source::Folder | Source::File => Some(self.folder.default_issuer.as_str()),
            // What is typed names its issuer, or none.
            Source::Entered | Source::Table => Some(""),
            // Over HTTP the rules are those of [receive.dicom].
            Source::Web(_) | Source::Unknown(_) => None,
        };
        Some(own.unwrap_or(dicom))
    }

    /// Every setting that gives an issuer to reports, as one text: equal where all of them are.
    #[must_use]
    pub fn issuers(&self) -> String {
        let senders = self.dicom.sender.iter();
        let senders: BTreeMap<_, _> = senders
            .map(|sender| (&sender.ae_title, &sender.default_issuer))
            .collect();
        let archives = self.backfill.archive.iter();
        let archives: BTreeMap<_, _> = archives
            .map(|archive| (&archive.name, &archive.default_issuer))
            .collect();
        let (dicom, folder) = (&self.dicom.default_issuer, &self.folder.default_issuer);
        format!("{dicom:?} {folder:?} {senders:?} {archives:?}")
    }

    /// Makes relative paths relative to `base`, the folder of the configuration file.
    pub fn resolve(&mut self, base: &Path) {
        let tls = [
            &mut self.dicom.tls,
            &mut self.hl7.tls,
            &mut self.web.tls,
            &mut self.pages.tls,
        ];
        let tls = tls.into_iter();
        let tls = tls.flat_map(|tls| [&mut tls.certificate, &mut tls.key, &mut tls.client_ca]);
        let paths = std::iter::once(&mut self.outbox.folder)
            .chain(self.store.paths())
            .chain(tls.flatten())
            .chain(self.web.bearer.as_mut())
            .chain(self.pages.openid.paths())
            .chain(self.folder.path.as_mut())
            .chain(self.templates.folder.as_mut())
            .chain(self.observe.audit.as_mut())
            .chain(self.observe.syslog.ca.as_mut())
            .chain(self.observe.syslog.certificate.as_mut())
            .chain(self.observe.syslog.key.as_mut())
            .chain(&mut self.templates.dictionaries)
            .chain(self.dicom.sender.iter_mut().flat_map(SenderSettings::paths))
            .chain(
                self.templates
                    .sender
                    .iter_mut()
                    .flat_map(|one| &mut one.dictionaries),
            )
            .chain(
                self.deliver
                    .destination
                    .iter_mut()
                    .flat_map(DestinationSettings::paths),
            )
            .chain(
                self.backfill
                    .archive
                    .iter_mut()
                    .flat_map(ArchiveSettings::paths),
            );
        for path in paths {
            // `join` keeps an absolute path as it is.
            *path = base.join(&*path);
        }
    }
}
