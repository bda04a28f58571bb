//! The certificates that a configuration names, each with its end.

use crate::config::Config;
use chrono::{DateTime, Utc};
use sheathline_net::connect::ends::first_end;
use std::path::{Path, PathBuf};

/// One file of certificates.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Certificate {
    /// The key that names it, with its table.
    pub(crate) named_by: String,
    /// Its file.
    pub(crate) path: PathBuf,
    /// The first end among its certificates, or why it is not known.
    pub(crate) ends: Result<DateTime<Utc>, String>,
}

/// Every file of certificates: those of ports, of the authorities of peers, of destinations, archives,
/// the database and the syslog server. Reads the files.
pub(crate) fn of(config: &Config) -> Vec<Certificate> {
    let mut all = Vec::new();
    let mut add = |named_by: String, path: Option<&Path>| {
        if let Some(path) = path {
            all.push(Certificate {
                named_by,
                path: path.to_owned(),
                ends: first_end(path).map(DateTime::from),
            });
        }
    };
    for ports in config.ports() {
        if let Some((table, tls)) = ports.tls.filter(|(_, tls)| !tls.listen.is_empty()) {
            add(format!("[{table}] certificate"), tls.certificate.as_deref());
            add(format!("[{table}] client_ca"), tls.client_ca.as_deref());
        }
    }
    for one in &config.deliver.destination {
        let table = format!("[[destination]] {:?}", one.name);
        add(format!("{table} certificate"), one.certificate.as_deref());
        add(format!("{table} ca"), one.ca.as_deref());
    }
    for one in &config.backfill.archive {
        let table = format!("[[archive]] {:?}", one.name);
        add(format!("{table} certificate"), one.certificate.as_deref());
        add(format!("{table} ca"), one.ca.as_deref());
    }
    let store = &config.store;
    add(
        "[store] certificate".to_owned(),
        store.certificate.as_deref(),
    );
    add("[store] ca".to_owned(), store.ca.as_deref());
    let syslog = &config.observe.syslog;
    add(
        "[observe.syslog] certificate".to_owned(),
        syslog.certificate.as_deref(),
    );
    add("[observe.syslog] ca".to_owned(), syslog.ca.as_deref());
    all
}
