//! Every port that a configuration opens: the one list.

use super::{Config, TlsSettings};
use ipnet::IpNet;
use std::net::{IpAddr, SocketAddr};

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
            ports.addresses().any(|other| are_one(*other, *address))
        };
        let all: Vec<SocketAddr> = own.addresses().copied().collect();
        let twice = all.iter().enumerate().any(|(at, one)| {
            let mut others = all.iter().skip(at + 1);
            others.any(|other| are_one(*one, *other))
        });
        twice || before.any(|ports| own.addresses().any(|address| is_named(ports, address)))
    }
}

/// Whether two addresses cannot both be listened at: they are equal, or one of them is all addresses of
/// the machine, of IPv6 (`[::]`) those of IPv4 as well.
fn are_one(one: SocketAddr, other: SocketAddr) -> bool {
    let covers = |all: IpAddr, one: IpAddr| match all {
        IpAddr::V4(all) => all.is_unspecified() && one.is_ipv4(),
        IpAddr::V6(all) => all.is_unspecified(),
    };
    let (a, b) = (one.ip().to_canonical(), other.ip().to_canonical());
    one.port() == other.port() && one.port() != 0 && (a == b || covers(a, b) || covers(b, a))
}

#[cfg(test)]
mod tests {
    use super::are_one;

    /// As the sockets of Linux do it, where [::] takes IPv4 too (ip(7), ipv6(7), bindv6only = 0).
    #[test]
    fn all_addresses_hold_every_address_of_their_port() {
        let same = |one: &str, other: &str| {
            let (one, other) = (
                one.parse().expect("address"),
                other.parse().expect("address"),
            );
            assert_eq!(are_one(one, other), are_one(other, one));
            are_one(one, other)
        };
        assert!(same("0.0.0.0:104", "127.0.0.1:104"));
        assert!(same("[::]:104", "127.0.0.1:104"));
        assert!(same("[::]:104", "0.0.0.0:104"));
        assert!(same("[::]:104", "[::1]:104"));
        assert!(same("[::ffff:127.0.0.1]:104", "127.0.0.1:104"));
        assert!(!same("0.0.0.0:104", "127.0.0.1:105"));
        assert!(!same("0.0.0.0:104", "[::1]:104"));
        assert!(!same("127.0.0.2:104", "127.0.0.1:104"));
        assert!(!same("0.0.0.0:0", "0.0.0.0:0"));
    }
}
