//! The database behind the store, for people: a file, or a server with what it says of itself.

use crate::config::Config;
use crate::health::reasons::free_bytes;
use serde::Serialize;
use sheathline_store::postgres::probe::{self, Facts, Standby, Standbys};
use sheathline_store::{Place, Store, StoreError};
use std::path::Path;

/// Standbys of which a line is shown.
const STANDBYS_SHOWN: usize = 8;

/// The database behind the store.
#[derive(Debug, Serialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub(crate) enum Database {
    /// One file of SQLite.
    Sqlite {
        /// The file and the log beside it.
        bytes: u64,
        /// Room on its disk.
        free_bytes: Option<u64>,
    },
    /// A server of PostgreSQL.
    Postgresql {
        /// Host, port and database.
        server: String,
        /// Where it is reached over the network without encryption, in words.
        unencrypted: Option<String>,
        #[serde(flatten)]
        facts: Facts,
    },
}

/// What is known of the database of an open store.
///
/// # Errors
/// The server does not answer.
pub(crate) fn of(config: &Config, store: &Store) -> Result<Database, StoreError> {
    match (store.place(), probe::facts(store)?) {
        (Place::Server(server), Some(facts)) => Ok(Database::Postgresql {
            server: server.clone(),
            unencrypted: config.store.unencrypted(),
            facts,
        }),
        (Place::File(path), _) => Ok(of_file(path)),
        // A server that is open says something.
        (Place::Server(_), None) => Err(StoreError::Closed),
    }
}

fn of_file(path: &Path) -> Database {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    let files = [path, Path::new(&log)].into_iter();
    Database::Sqlite {
        bytes: files
            .filter_map(|file| Some(std::fs::metadata(file).ok()?.len()))
            .sum(),
        free_bytes: free_bytes(path),
    }
}

impl Database {
    /// Bytes of the database on its disk.
    pub(crate) fn bytes(&self) -> u64 {
        match self {
            Database::Sqlite { bytes, .. } => *bytes,
            Database::Postgresql { facts, .. } => facts.bytes,
        }
    }

    /// Room on the disk of a file.
    pub(crate) fn free_bytes(&self) -> Option<u64> {
        match self {
            Database::Sqlite { free_bytes, .. } => *free_bytes,
            Database::Postgresql { .. } => None,
        }
    }

    /// Lines for a person, each with its heading.
    pub(crate) fn lines(&self) -> Vec<(&'static str, String)> {
        let Database::Postgresql {
            server,
            unencrypted,
            facts,
        } = self
        else {
            return vec![("database", "SQLite, one file".to_owned())];
        };
        let encryption = match (&facts.encryption, unencrypted) {
            (Some(how), _) => how.clone(),
            (None, Some(words)) => format!("NOT encrypted: {words}"),
            (None, None) => "not encrypted, on this machine alone".to_owned(),
        };
        let mut lines = vec![
            (
                "database",
                format!("PostgreSQL {} at {server}", facts.version),
            ),
            ("connection", encryption),
            ("synchronous_commit", facts.synchronous_commit.clone()),
        ];
        if facts.in_recovery {
            lines.push((
                "server",
                "a standby that takes NO changes; name the primary in [store] url".to_owned(),
            ));
        }
        match &facts.standbys {
            Standbys::OfAnother => {}
            Standbys::Number { number } => lines.push((
                "standbys",
                format!(
                    "{number}; how they are is not told: GRANT pg_monitor TO the role of this service"
                ),
            )),
            Standbys::All { standbys } if standbys.is_empty() => {
                lines.push(("standbys", "none".to_owned()));
            }
            Standbys::All { standbys } => {
                lines.push(("standbys", standbys.len().to_string()));
                let shown = standbys.iter().take(STANDBYS_SHOWN);
                lines.extend(shown.map(|one| ("", line(one))));
            }
        }
        lines
    }
}

fn line(one: &Standby) -> String {
    let lag = match one.lag_bytes {
        Some(bytes) => format!("{bytes} bytes behind"),
        None => "how far behind is not known".to_owned(),
    };
    format!("{} {}, {}, {lag}", one.name, one.state, one.sync_state)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(standbys: Standbys, encryption: Option<&str>, unencrypted: Option<&str>) -> String {
        let database = Database::Postgresql {
            server: "db.example:5432/s".to_owned(),
            unencrypted: unencrypted.map(str::to_owned),
            facts: Facts {
                version: "15.1".to_owned(),
                synchronous_commit: "on".to_owned(),
                in_recovery: standbys == Standbys::OfAnother,
                encryption: encryption.map(str::to_owned),
                bytes: 1,
                standbys,
            },
        };
        let lines = database.lines().into_iter();
        let lines: Vec<String> = lines
            .map(|(what, line)| format!("{what}: {line}"))
            .collect();
        lines.join("\n")
    }

    #[test]
    fn what_a_server_does_not_tell_is_said() {
        let hidden = told(Standbys::Number { number: 2 }, Some("TLSv1.3"), None);
        assert!(
            hidden.contains("standbys: 2; how they are is not told"),
            "{hidden}"
        );
        let standbys = vec![Standby {
            name: "b".to_owned(),
            state: "streaming".to_owned(),
            sync_state: "sync".to_owned(),
            lag_bytes: Some(7),
        }];
        let all = told(Standbys::All { standbys }, None, Some("words"));
        assert!(all.contains("b streaming, sync, 7 bytes behind"), "{all}");
        assert!(all.contains("NOT encrypted: words"), "{all}");
        assert!(told(Standbys::OfAnother, None, None).contains("takes NO changes"));
    }
}
