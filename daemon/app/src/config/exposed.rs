//! What a configuration leaves open to whoever comes by: no mistake, but told.

use super::{Config, Ports};
use std::path::Path;

/// A port that anybody can use who reaches it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exposed {
    /// Its table.
    pub table: &'static str,
    /// The key that opens it.
    pub key: &'static str,
    /// What it is, and what to do.
    pub what: String,
}

impl Config {
    /// Ports without TLS, without a list of addresses, and open to other machines. AE titles are names,
    /// not proof, so they close nothing.
    #[must_use]
    pub fn exposed(&self) -> Vec<Exposed> {
        let on = self.ports().into_iter().filter(|ports| ports.is_on);
        on.filter_map(of_port).collect()
    }

    /// Whether a sender of this AE title may open associations.
    #[must_use]
    pub fn lets_in(&self, calling: &str) -> bool {
        let allowed = &self.dicom.calling_allowed;
        allowed.is_empty() || allowed.iter().any(|one| one == calling)
    }

    /// The files of tokens and passwords that the configuration names, each with its table and key.
    #[must_use]
    pub fn token_files(&self) -> Vec<(&'static str, &'static str, &Path)> {
        let web = self
            .web
            .bearer
            .as_deref()
            .map(|path| ("[receive.web]", "bearer", path));
        let destinations = self.deliver.destination.iter();
        let destinations = destinations.filter_map(|one| one.bearer.as_deref());
        let archives = self.backfill.archive.iter();
        let archives = archives.filter_map(|one| one.bearer.as_deref());
        let others = destinations.map(|path| ("[[destination]]", "bearer", path));
        let archives = archives.map(|path| ("[[archive]]", "bearer", path));
        let secret = self.pages.openid.secret.as_deref();
        let secret = secret.map(|path| ("[pages.openid]", "secret", path));
        let password = self.store.password_file.as_deref();
        let password = password.map(|path| ("[store]", "password_file", path));
        let own = web.into_iter().chain(secret).chain(password);
        own.chain(others).chain(archives).collect()
    }
}

fn of_port(ports: Ports<'_>) -> Option<Exposed> {
    let Ports { table, allowed, .. } = ports;
    let takes = ports.takes?;
    let open = ports
        .listen
        .iter()
        .find(|address| !address.ip().to_canonical().is_loopback())?;
    allowed.is_empty().then(|| Exposed {
        table,
        key: "listen",
        what: format!(
            "[{table}] {open} takes {takes} from everybody who reaches it, without TLS; name who may \
             connect in addresses_allowed, or listen under [{table}.tls]"
        ),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_open_ports_are_told() {
        let told = |text: &str| {
            let config = Config::from_text("site.toml", text).expect("a configuration");
            let all = config.exposed().into_iter();
            all.map(|one| one.table).collect::<Vec<_>>()
        };
        assert_eq!(told(""), [""; 0]);
        let open = "[receive.dicom]\nlisten = [\"127.0.0.1:1\", \"[::]:2\"]\n\
                    [receive.hl7]\nlisten = \"192.0.2.1:3\"\n";
        assert_eq!(told(open), ["receive.dicom", "receive.hl7"]);
        let lists = "[receive.dicom]\nlisten = \"0.0.0.0:2\"\naddresses_allowed = [\"192.0.2.0/24\"]\n\
                     [receive.hl7]\nlisten = \"127.0.0.1:3\"\n[receive.web]\nlisten = \"[::1]:4\"\n";
        assert_eq!(told(lists), [""; 0]);
        let web = "[receive.dicom]\nenabled = false\nlisten = \"0.0.0.0:2\"\n\
                   [receive.web]\nlisten = \"0.0.0.0:4\"\n";
        assert_eq!(told(web), ["receive.web"]);
    }
}
