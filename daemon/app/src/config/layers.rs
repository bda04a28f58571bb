//! Several sources of one configuration: the file, those in `conf.d`, the environment.

use super::Config;
use super::check::{Written, accepts, check};
use super::keys::{self, Key, heading};
use super::raw::Raw;
use super::value::quoted;
use serde::Serialize;
use sheathline_model::domain::Mistake;

/// How the variables begin that hold a setting.
const PREFIX: &str = "SHEATHLINE__";

/// The origin of what nobody wrote.
const BY_DEFAULT: &str = "default";

/// One source of settings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layer {
    /// Its name as the user knows it, for messages: a file, or an environment variable.
    pub name: String,
    /// TOML.
    pub text: String,
}

/// A configuration without mistakes, and where its settings come from.
#[derive(Debug, Clone)]
pub struct Effective {
    /// What holds.
    pub config: Config,
    /// The keys that are written somewhere, in the order in which they were read.
    origins: Vec<Origin>,
}

#[derive(Debug, Clone)]
struct Origin {
    table: &'static str,
    name: &'static str,
    row: Option<usize>,
    value: String,
    origin: String,
}

/// One setting in force.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Setting {
    /// The heading of its table, as `[store]` or `[[receive.dicom.sender]]`.
    pub table: String,
    /// Which of the tables of that heading, from 1; `None` where there is one.
    pub row: Option<usize>,
    /// Its name.
    pub key: &'static str,
    /// Its value as TOML.
    pub value: String,
    /// `default`, `FILE:LINE`, or the name of an environment variable.
    pub origin: String,
}

impl Setting {
    /// Whether a file or a variable says it.
    pub(crate) fn is_written(&self) -> bool {
        self.origin != BY_DEFAULT
    }

    /// The setting of a heading, its row and its name.
    pub(crate) fn find<'s>(
        all: &'s [Setting],
        heading: &str,
        row: Option<usize>,
        key: &str,
    ) -> Option<&'s Setting> {
        let mut all = all.iter();
        all.find(|one| (one.table.as_str(), one.row, one.key) == (heading, row, key))
    }
}

impl Effective {
    /// Lays sources over each other: a later one wins key by key, a list as a whole; tables that may
    /// stand several times add up.
    ///
    /// # Errors
    /// Every mistake of every source, in their order.
    pub fn of(layers: &[Layer]) -> Result<Effective, Vec<Mistake>> {
        match Self::as_far_as_good(layers) {
            (effective, mistakes) if mistakes.is_empty() => Ok(effective),
            (_, mistakes) => Err(mistakes),
        }
    }

    /// The same with every mistake left at its default; for questions that must be answered while
    /// somebody edits.
    #[must_use]
    pub fn as_far_as_good(layers: &[Layer]) -> (Effective, Vec<Mistake>) {
        let mut raws: Vec<Raw<'_>> = layers
            .iter()
            .map(|Layer { name, text }| {
                // Editors on Windows put a byte order mark first; columns are counted without it.
                Raw::read(name, text.strip_prefix('\u{feff}').unwrap_or(text))
            })
            .collect();
        let (mut config, written) = check(&mut raws);
        // One switch for what is taken and what is read.
        config.dicom.presentation_states = config.templates.presentation_states;
        let mut mistakes = Vec::new();
        for raw in &mut raws {
            raw.mistakes.sort_by_key(|m| (m.line, m.column));
            mistakes.append(&mut raw.mistakes);
        }
        let origin = |written: Written| {
            let file = raws.get(written.place.layer).map_or("", |raw| raw.file);
            Origin {
                table: written.key.table,
                name: written.key.name,
                row: written.row,
                value: written.value,
                origin: if file.starts_with(PREFIX) {
                    file.to_owned()
                } else {
                    format!("{file}:{}", written.line)
                },
            }
        };
        let effective = Effective {
            config,
            origins: written.into_iter().map(origin).collect(),
        };
        (effective, mistakes)
    }

    /// Every setting in force, in the order of the manual.
    #[must_use]
    pub fn settings(&self) -> Vec<Setting> {
        let mut settings = Vec::new();
        for table in keys::tables() {
            if keys::rows(table).is_some() {
                self.rows(table, &mut settings);
                continue;
            }
            for key in keys::of_table(table) {
                let mut written = self.origins.iter().rev();
                let written = written.find(|o| (o.table, o.name) == (key.table, key.name));
                settings.push(Setting {
                    table: heading(table),
                    row: None,
                    key: key.name,
                    value: (key.show)(&self.config),
                    origin: written.map_or(BY_DEFAULT.to_owned(), |o| o.origin.clone()),
                });
            }
        }
        settings
    }

    fn rows(&self, table: &'static str, settings: &mut Vec<Setting>) {
        let mut last = None;
        let mut row = 0;
        for origin in self.origins.iter().filter(|o| o.table == table) {
            if origin.row != last {
                row += 1;
                last = origin.row;
            }
            settings.push(Setting {
                table: heading(table),
                row: Some(row),
                key: origin.name,
                value: origin.value.clone(),
                origin: origin.origin.clone(),
            });
        }
    }
}

/// Settings among environment variables, one source each, sorted by name.
///
/// `SHEATHLINE__RECEIVE__DICOM__LISTEN` is `listen` in `[receive.dicom]`. The value is TOML where
/// the key takes it as such (`true`, `12`, `["A", "B"]`), else plain text.
#[must_use]
pub fn environment(variables: impl Iterator<Item = (String, String)>) -> Vec<Layer> {
    let mut layers: Vec<Layer> = variables
        .filter_map(|(name, value)| {
            let path = name.strip_prefix(PREFIX)?.to_lowercase();
            let parts: Vec<&str> = path.split("__").collect();
            let (key, table) = parts.split_last()?;
            let known = keys::find(&table.join("."), key);
            let value = if known.is_some_and(|known| accepts(known, &value)) {
                value
            } else {
                quoted(&value)
            };
            let parts: Vec<String> = parts.into_iter().map(quoted).collect();
            Some(Layer {
                text: format!("{} = {value}", parts.join(".")),
                name,
            })
        })
        .collect();
    layers.sort_by(|one, other| one.name.cmp(&other.name));
    layers
}

/// The variable that holds a setting.
pub(super) fn variable(key: &Key) -> String {
    let path = format!("{}.{}", key.table, key.name);
    format!("{PREFIX}{}", path.replace('.', "__").to_uppercase())
}

/// Variables that are not read and look as if they should be, each with what to write: another number
/// of underscores, or small letters.
pub fn near_misses(names: impl Iterator<Item = String>) -> Vec<String> {
    let plain = |name: &str| name.to_uppercase().replace('_', "");
    let known: Vec<(String, String)> = keys::all()
        .filter(|key| keys::rows(key.table).is_none())
        .map(variable)
        .map(|name| (plain(&name), name))
        .collect();
    let mut told: Vec<String> = names
        .filter(|name| !name.starts_with(PREFIX))
        .filter_map(|name| {
            let meant = plain(&name);
            let (_, right) = known.iter().find(|(plain, _)| *plain == meant)?;
            Some(format!("the variable {name} is not read; write {right}"))
        })
        .collect();
    told.sort();
    told
}

#[cfg(test)]
mod tests;
