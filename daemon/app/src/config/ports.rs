//! Every port that a configuration opens: the one list.

use super::{Config, TlsSettings};
use ipnet::IpNet;
use std::net::SocketAddr;

/// The addresses of one service.
#[derive(Debug, Clone, Copy)]
pub struct Ports<'a> {
    /// Its table.
    pub table: &'static str,
    /// What is taken there; nothing where there is only an answer.
    pub takes: Option<&'static str>,
    /// Addresses without TLS.
    pub listen: &'a [SocketAddr],
    /// Addresses that may connect; empty means all.
    pub allowed: &'a [IpNet],
    /// Its table for TLS, where it has one.
    pub tls: Option<(&'static str, &'a TlsSettings)>,
    /// Whether it is switched on.
    pub is_on: bool,
}

impl<'a> Ports<'a> {
    /// Addresses with TLS.
    fn over_tls(&self) -> &'a [SocketAddr] {
        self.tls.map_or(&[], |(_, tls)| &tls.listen)
    }

    /// All addresses, also of one that is switched off.
    fn addresses(&self) -> impl Iterator<Item = &'a SocketAddr> {
        self.listen.iter().chain(self.over_tls())
    }
}

impl Config {
    /// The ports of each service.
    #[must_use]
    pub fn ports(&self) -> [Ports<'_>; 5] {
        let Config {
            dicom,
            hl7,
            web,
            observe,
            pages,
            ..
        } = self;
        [
            Ports {
                table: "receive.dicom",
                takes: Some("objects"),
                listen: &dicom.listen,
                allowed: &dicom.addresses_allowed,
                tls: Some(("receive.dicom.tls", &dicom.tls)),
                is_on: dicom.enabled,
            },
            Ports {
                table: "receive.hl7",
                takes: Some("merges of patients"),
                listen: &hl7.listen,
                allowed: &hl7.addresses_allowed,
                tls: Some(("receive.hl7.tls", &hl7.tls)),
                is_on: true,
            },
            Ports {
                table: "observe",
                takes: None,
                listen: &observe.listen,
                allowed: &[],
                tls: None,
                is_on: true,
            },
            Ports {
                table: "receive.web",
                takes: Some("objects"),
                listen: &web.listen,
                allowed: &web.addresses_allowed,
                tls: Some(("receive.web.tls", &web.tls)),
                is_on: true,
            },
            Ports {
                table: "pages",
                takes: Some("what people enter"),
                listen: &pages.listen,
                allowed: &pages.addresses_allowed,
                tls: Some(("pages.tls", &pages.tls)),
                is_on: true,
            },
        ]
    }

    /// Whether an address of this table, with TLS or without, is also named by one before it in the list,
    /// or twice by itself. Where the system chooses the port, addresses are never the same.
    pub(super) fn shares_an_address(&self, table: &str) -> bool {
        let ports = self.ports();
        let mut before = ports.iter().take_while(|ports| ports.table != table);
        let Some(own) = ports.iter().find(|ports| ports.table == table) else {
            return false;
        };
        let is_named = |ports: &Ports<'_>, address: &SocketAddr| {
            address.port() != 0 && ports.addresses().any(|other| other == address)
        };
        let twice = own
            .over_tls()
            .iter()
            .any(|address| address.port() != 0 && own.listen.contains(address));
        twice || before.any(|ports| own.addresses().any(|address| is_named(ports, address)))
    }
}
