//! Dictionaries by sender: `[[templates.sender]]`, and `dictionaries` in `[[receive.dicom.sender]]`.

use super::Config;
use super::check::{Place, SIDE_BY_SIDE, blame, lies_in, plain};
use super::peer::Row;
use super::raw::Raw;
use super::value::Fault;
use sheathline_model::template::{Conditions, Device};
use std::path::{Path, PathBuf};
use toml::de::DeValue;

/// The table of dictionaries by sender.
pub(super) const TABLE: &str = "templates.sender";
/// The table of what holds for one sender.
pub(super) const SENDER: &str = "receive.dicom.sender";

/// `[[templates.sender]]`: whose reports some dictionaries are for. All that is given must hold.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct TemplateSender {
    /// Site dictionary files.
    pub dictionaries: Vec<PathBuf>,
    /// Calling AE titles; empty: not asked for.
    pub ae_titles: Vec<String>,
    /// Maker, model and serial number, joined by `|`, empty parts being any; empty: not asked for.
    pub devices: Vec<String>,
    /// Issuers of patient ids; empty: not asked for.
    pub issuers: Vec<String>,
}

/// Dictionaries by sender as one key of the configuration names them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScopedDictionaries<'c> {
    /// The table, without brackets.
    pub table: &'static str,
    /// Which of the tables of that name, from 1.
    pub row: usize,
    /// Whose reports they are for.
    pub conditions: Conditions,
    /// The files.
    pub files: &'c [PathBuf],
}

impl Config {
    /// Every dictionary that is not for everybody.
    #[must_use]
    pub fn scoped_dictionaries(&self) -> Vec<ScopedDictionaries<'_>> {
        let senders = (1..).zip(&self.dicom.sender);
        let senders = senders.map(|(row, sender)| ScopedDictionaries {
            table: SENDER,
            row,
            conditions: Conditions {
                ae_titles: vec![sender.ae_title.clone()],
                ..Conditions::default()
            },
            files: &sender.dictionaries,
        });
        let rows = (1..).zip(&self.templates.sender);
        let rows = rows.map(|(row, sender)| ScopedDictionaries {
            table: TABLE,
            row,
            conditions: Conditions {
                ae_titles: sender.ae_titles.clone(),
                devices: sender
                    .devices
                    .iter()
                    .filter_map(|one| Device::parse(one))
                    .collect(),
                issuers: sender.issuers.clone(),
            },
            files: &sender.dictionaries,
        });
        senders
            .chain(rows)
            .filter(|scoped| !scoped.files.is_empty())
            .collect()
    }
}

/// A device as `MAKER|MODEL|SERIAL`, of which some parts may be left empty.
pub(super) fn asked_device(value: &DeValue<'_>) -> Result<String, Fault> {
    let said = value.as_str().map(str::trim);
    let good = said.filter(|said| Device::parse(said).is_some());
    let good = good.filter(|said| !said.chars().any(char::is_control));
    good.map(str::to_owned).ok_or_else(|| {
        Fault::new(
            "maker, model and serial number in quotes as reports have them, joined by |; a part may be \
             left empty for any, but not all of them",
        )
    })
}

/// Each row asks for something, and a dictionary is for everybody or for some.
pub(super) fn check(raws: &mut [Raw<'_>], config: &Config, rows: &[Row], senders: &[Row]) {
    for (sender, row) in config.templates.sender.iter().zip(rows) {
        let asks = ["ae_titles", "devices", "issuers"];
        // A key with a mistake of its own is told already.
        if row.first(&asks).is_some() {
            continue;
        }
        if let Some(raw) = raws.get_mut(row.layer).filter(|raw| !raw.broken) {
            let files: Vec<String> = sender.dictionaries.iter().map(|one| quoted(one)).collect();
            let files = files.join(", ");
            raw.mistake(
                row.span.clone(),
                "[[templates.sender]] does not say whose reports it is for",
                format!(
                    "write ae_titles, devices or issuers; for everybody, put {} into dictionaries of \
                     [templates]",
                    if files.is_empty() { "them" } else { &files }
                ),
            );
        }
    }
    let scoped = config.templates.sender.iter().map(|one| &one.dictionaries);
    let of_rows = scoped.zip(rows).map(|(files, row)| (TABLE, files, row));
    let of_senders = config.dicom.sender.iter().map(|one| &one.dictionaries);
    let of_senders = of_senders.zip(senders);
    let of_senders = of_senders.map(|(files, row)| (SENDER, files, row));
    for (table, files, row) in of_rows.chain(of_senders) {
        let Some(span) = row.place("dictionaries") else {
            continue;
        };
        let mut place = |what: String, instead: &str| {
            let place = Place {
                layer: row.layer,
                span: span.clone(),
            };
            blame(raws, place, what, instead);
        };
        for (at, file) in files.iter().enumerate() {
            let is_it = |other: &PathBuf| same(other, file);
            if files.iter().take(at).any(is_it) {
                place(
                    format!("[[{table}]] dictionaries names {} twice", file.display()),
                    "take one of them out",
                );
            } else if config.templates.dictionaries.iter().any(is_it) {
                place(
                    format!(
                        "[[{table}]] dictionaries names {}, which dictionaries of [templates] names for \
                         everybody",
                        file.display()
                    ),
                    "take it out of one of the two",
                );
            }
            if let Some(drop) = config
                .folder
                .path
                .as_deref()
                .filter(|drop| lies_in(file, drop))
            {
                place(
                    format!(
                        "[[{table}]] dictionaries lies in the drop folder, where it would be taken for an \
                         object: {} and {}",
                        file.display(),
                        drop.display()
                    ),
                    SIDE_BY_SIDE,
                );
            }
        }
    }
}

/// Whether two paths, as written, are of one file.
fn same(one: &Path, other: &Path) -> bool {
    plain(one) == plain(other)
}

fn quoted(path: &Path) -> String {
    super::value::quoted(&path.display().to_string())
}
