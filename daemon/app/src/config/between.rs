//! Rules between keys of different tables.

use super::Config;
use super::check::{Written, blame, last_of};
use super::raw::Raw;
use super::{keys, pages, port_tls, store};
use std::borrow::Cow;
use std::net::SocketAddr;

/// A rule between keys of different tables.
pub(super) struct Rule {
    pub(super) broken: bool,
    pub(super) what: Cow<'static, str>,
    /// Table and name of the keys to blame.
    pub(super) keys: Vec<(&'static str, &'static str)>,
    pub(super) instead: &'static str,
}

/// What ports, and whatever else speaks TLS, need of other keys. Whether the files are good is seen
/// when they are read.
pub(super) fn check(raws: &mut [Raw<'_>], config: &Config, written: &[Written]) {
    let ports = config.ports();
    let of_tls = ports.iter().filter_map(|ports| ports.tls);
    let of_tls = of_tls.flat_map(|(table, tls)| port_tls::rules(table, tls));
    let all = of_audit(config)
        .into_iter()
        .chain(of_ports(config))
        .chain(pages::rules(config))
        .chain(store::rules(config))
        .chain(of_tls);
    for rule in all.filter(|rule| rule.broken) {
        let keys = rule.keys.iter();
        let keys: Vec<_> = keys
            .filter_map(|(table, name)| keys::find(table, name))
            .collect();
        if let Some(place) = last_of(written, &keys) {
            blame(raws, place, rule.what, rule.instead);
        }
    }
}

/// What the server of the audit trail needs.
fn of_audit(config: &Config) -> [Rule; 2] {
    const SYSLOG: &str = "observe.syslog";
    let syslog = &config.observe.syslog;
    [
        Rule {
            broken: syslog.host.is_some() && config.observe.audit.is_none(),
            what: "[observe.syslog] sends the audit trail, and there is none".into(),
            keys: vec![(SYSLOG, "host"), ("observe", "audit")],
            instead: "write audit = \"audit.xml\" in [observe]: what waits for the server waits there",
        },
        Rule {
            broken: syslog.certificate.is_some() != syslog.key.is_some(),
            what: "[observe.syslog] names one of certificate and key without the other".into(),
            keys: vec![(SYSLOG, "certificate"), (SYSLOG, "key")],
            instead: "write certificate = \"client.pem\" and key = \"client.key\", or take out the one",
        },
    ]
}

/// What is listened at: no address twice, and what a port takes with TLS alone.
fn of_ports(config: &Config) -> [Rule; 7] {
    const DICOM: &str = "receive.dicom";
    const DICOM_TLS: &str = "receive.dicom.tls";
    const HL7: &str = "receive.hl7";
    const HL7_TLS: &str = "receive.hl7.tls";
    const WEB: &str = "receive.web";
    const WEB_TLS: &str = "receive.web.tls";
    const OBSERVE: &str = "observe";
    const SENDER: &str = "receive.dicom.sender";
    let mut senders = config.dicom.sender.iter();
    let pinned = senders.any(|sender| !sender.certificate_sha256.is_empty());
    let tls = &config.dicom.tls;
    let is_checked = port_tls::is_on(tls) && port_tls::asks(tls);
    let is_far = |address: &SocketAddr| !address.ip().is_loopback();
    let listens = |tables: &[&'static str]| tables.iter().map(|table| (*table, "listen")).collect();
    [
        Rule {
            broken: config.shares_an_address(OBSERVE),
            what: "[observe] listen names an address of [receive.dicom] or [receive.hl7]".into(),
            keys: listens(&[DICOM, DICOM_TLS, HL7, HL7_TLS, OBSERVE]),
            instead: "give it a port of its own, as 127.0.0.1:9464",
        },
        Rule {
            broken: config.dicom.enabled && config.dicom.listen.is_empty() && !port_tls::is_on(tls),
            what: "[receive.dicom] is switched on and listens nowhere".into(),
            keys: listens(&[DICOM, DICOM_TLS]),
            instead: "name an address in one of the two listen keys, or write enabled = false",
        },
        Rule {
            broken: config.shares_an_address(HL7),
            what: "[receive.hl7] listens on an address that another listen key names".into(),
            keys: listens(&[DICOM, DICOM_TLS, HL7, HL7_TLS]),
            instead: "give HL7 ports of its own; 2575 is the registered one",
        },
        Rule {
            broken: config.shares_an_address(DICOM),
            what: "[receive.dicom] and [receive.dicom.tls] name one address twice".into(),
            keys: listens(&[DICOM, DICOM_TLS]),
            instead: "0.0.0.0 and [::] are every address; give TLS a port of its own, 2762 is the registered one",
        },
        Rule {
            broken: pinned && !is_checked,
            what: "[[receive.dicom.sender]] asks for a certificate that nobody can show".into(),
            keys: vec![(SENDER, "certificate_sha256")],
            instead: "switch [receive.dicom.tls] on with client_certificate = \"required\" or \"optional\", or take certificate_sha256 out",
        },
        Rule {
            broken: config.shares_an_address(WEB),
            what: "[receive.web] listens on an address that another listen key names".into(),
            keys: listens(&[DICOM, DICOM_TLS, HL7, HL7_TLS, WEB, WEB_TLS, OBSERVE]),
            instead: "give HTTP ports of its own, as 127.0.0.1:8080",
        },
        Rule {
            broken: config.web.bearer.is_some() && config.web.listen.iter().any(is_far),
            what: "[receive.web] would take its bearer tokens unencrypted".into(),
            keys: vec![(WEB, "listen"), (WEB, "bearer")],
            instead: "listen under [receive.web.tls]; only this machine itself (127.0.0.1) is served without",
        },
    ]
}
