//! Where a sender that asks for Storage Commitment is told: keys `commitment_…` of
//! `[[receive.dicom.sender]]`.

use super::keys;
use super::peer::Row;
use super::raw::Raw;
use super::senders::SENDER;
use super::{Config, SenderSettings};
use sheathline_net::connect::node::{DicomNode, TlsFiles};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Files for TLS.
const FILES: [&str; 3] = ["commitment_ca", "commitment_certificate", "commitment_key"];

impl SenderSettings {
    /// The paths it names.
    pub(super) fn paths(&mut self) -> impl Iterator<Item = &mut PathBuf> {
        let files = [
            &mut self.commitment_ca,
            &mut self.commitment_certificate,
            &mut self.commitment_key,
        ];
        let files = files.into_iter().flatten();
        self.dictionaries.iter_mut().chain(files)
    }

    /// Where it is told what it asked, if it may ask; `ours` is our AE title.
    #[must_use]
    pub fn commitment_node(&self, ours: &str) -> Option<DicomNode> {
        Some(DicomNode {
            host: self.commitment_host.clone()?,
            port: self.commitment_port?,
            called: self.ae_title.clone(),
            calling: ours.to_owned(),
            tls: self.commitment_tls.then(|| TlsFiles {
                ca: self.commitment_ca.clone(),
                certificate: self.commitment_certificate.clone(),
                key: self.commitment_key.clone(),
            }),
        })
    }
}

impl Config {
    /// The senders that may ask for Storage Commitment, and where each is told.
    pub(crate) fn commitment_nodes(&self) -> BTreeMap<String, DicomNode> {
        let ours = &self.dicom.ae_title;
        let senders = self.dicom.sender.iter();
        senders
            .filter_map(|one| Some((one.ae_title.clone(), one.commitment_node(ours)?)))
            .collect()
    }
}

/// What the keys need of each other. `rows` are those of `config`, in order.
pub(super) fn check(raws: &mut [Raw<'_>], config: &Config, rows: &[Row]) {
    for (sender, row) in config.dicom.sender.iter().zip(rows) {
        let Some(raw) = raws.get_mut(row.layer) else {
            continue;
        };
        let mut mistake = |name: &str, what: &str, instead: &str| {
            if let Some(place) = row.place(name) {
                raw.mistake(place, format!("[[{SENDER}]] {what}"), instead);
            }
        };
        let written = keys::of_table(SENDER).filter(|key| row.place(key.name).is_some());
        let mut written = written.filter(|key| key.name.starts_with("commitment_"));
        let has = |name| row.place(name).is_some();
        if has("commitment_host") && !has("commitment_port") {
            mistake(
                "commitment_host",
                "has commitment_host without commitment_port",
                "write commitment_port = 11113, the port at which the sender listens",
            );
        }
        let other = written.find(|key| key.name != "commitment_host");
        if let Some(other) = other.filter(|_| !has("commitment_host")) {
            let what = format!("has {} without commitment_host", other.name);
            let instead = "write commitment_host = \"archive.example\", where the sender is told";
            mistake(other.name, &what, instead);
        }
        let file = FILES.into_iter().find(|name| has(name));
        if let Some(file) = file.filter(|_| !sender.commitment_tls) {
            let what = format!("names {file} for TLS, which is switched off");
            let instead = format!("write commitment_tls = true, or take {file} out");
            mistake(file, &what, &instead);
        }
        for (there, missing) in [
            ("commitment_certificate", "commitment_key"),
            ("commitment_key", "commitment_certificate"),
        ] {
            if has(there) && !has(missing) {
                let what = format!("has {there} without {missing}");
                let instead = format!("write {missing} too, or take {there} out");
                mistake(there, &what, &instead);
            }
        }
    }
}
