//! Rules between keys of different tables.

use super::check::{Written, blame, last_of};
use super::keys;
use super::raw::Raw;
use super::{ClientCertificate, Config};
use std::net::SocketAddr;

/// A rule between keys of different tables.
struct Rule {
    broken: bool,
    what: &'static str,
    /// Table and name of the keys to blame.
    keys: &'static [(&'static str, &'static str)],
    instead: &'static str,
}

/// What ports, and whatever else speaks TLS, need of other keys. Whether the files are good is seen
/// when they are read.
pub(super) fn check(raws: &mut [Raw<'_>], config: &Config, written: &[Written]) {
    const PLAIN: &str = "receive.dicom";
    const TLS: &str = "receive.dicom.tls";
    const SENDER: &str = "receive.dicom.sender";
    let tls = &config.dicom.tls;
    let on = !tls.listen.is_empty();
    let asks = tls.client_certificate != ClientCertificate::Off;
    let mut senders = config.dicom.sender.iter();
    let pinned = senders.any(|sender| !sender.certificate_sha256.is_empty());
    const HL7: &str = "receive.hl7";
    const HL7_TLS: &str = "receive.hl7.tls";
    let hl7 = &config.hl7.tls;
    let hl7_on = !hl7.listen.is_empty();
    let hl7_asks = hl7.client_certificate != ClientCertificate::Off;
    const SYSLOG: &str = "observe.syslog";
    let syslog = &config.observe.syslog;
    let has_pair = syslog.certificate.is_some() == syslog.key.is_some();
    let rules = [
        Rule {
            broken: syslog.host.is_some() && config.observe.audit.is_none(),
            what: "[observe.syslog] sends the audit trail, and there is none",
            keys: &[(SYSLOG, "host"), ("observe", "audit")],
            instead: "write audit = \"audit.xml\" in [observe]: what waits for the server waits there",
        },
        Rule {
            broken: !has_pair,
            what: "[observe.syslog] names one of certificate and key without the other",
            keys: &[(SYSLOG, "certificate"), (SYSLOG, "key")],
            instead: "write certificate = \"client.pem\" and key = \"client.key\", or take out the one",
        },
        Rule {
            broken: config.shares_an_address("observe"),
            what: "[observe] listen names an address of [receive.dicom] or [receive.hl7]",
            keys: &[
                (PLAIN, "listen"),
                (TLS, "listen"),
                (HL7, "listen"),
                (HL7_TLS, "listen"),
                ("observe", "listen"),
            ],
            instead: "give it a port of its own, as 127.0.0.1:9464",
        },
        Rule {
            broken: config.dicom.enabled && config.dicom.listen.is_empty() && !on,
            what: "[receive.dicom] is switched on and listens nowhere",
            keys: &[(PLAIN, "listen"), (TLS, "listen")],
            instead: "name an address in one of the two listen keys, or write enabled = false",
        },
        Rule {
            broken: config.shares_an_address(HL7),
            what: "[receive.hl7] listens on an address that another listen key names",
            keys: &[
                (PLAIN, "listen"),
                (TLS, "listen"),
                (HL7, "listen"),
                (HL7_TLS, "listen"),
            ],
            instead: "give HL7 ports of its own; 2575 is the registered one",
        },
        Rule {
            broken: hl7_on && (hl7.certificate.is_none() || hl7.key.is_none()),
            what: "[receive.hl7.tls] has no certificate or no key for it",
            keys: &[
                (HL7_TLS, "listen"),
                (HL7_TLS, "key"),
                (HL7_TLS, "certificate"),
            ],
            instead: "write certificate = \"server.pem\" and key = \"server.key\", or listen = []",
        },
        Rule {
            broken: hl7_on && hl7_asks && hl7.client_ca.is_none(),
            what: "[receive.hl7.tls] asks peers for certificates and names no client_ca to check them",
            keys: &[
                (HL7_TLS, "listen"),
                (HL7_TLS, "client_certificate"),
                (HL7_TLS, "client_ca"),
            ],
            instead: "write client_ca = \"ca.pem\", or client_certificate = \"off\" to let anyone connect",
        },
        Rule {
            broken: config.shares_an_address(PLAIN),
            what: "[receive.dicom.tls] listen names an address of [receive.dicom] listen",
            keys: &[(PLAIN, "listen"), (TLS, "listen")],
            instead: "give TLS a port of its own; 2762 is the registered one",
        },
        Rule {
            broken: (on || tls.key.is_some()) && tls.certificate.is_none(),
            what: "[receive.dicom.tls] has no certificate",
            keys: &[(TLS, "listen"), (TLS, "key"), (TLS, "certificate")],
            instead: "write certificate = \"server.pem\", or listen = [] to switch TLS off",
        },
        Rule {
            broken: (on || tls.certificate.is_some()) && tls.key.is_none(),
            what: "[receive.dicom.tls] has no key for its certificate",
            keys: &[(TLS, "listen"), (TLS, "key"), (TLS, "certificate")],
            instead: "write key = \"server.key\", the private key that the certificate was made for",
        },
        Rule {
            broken: on && asks && tls.client_ca.is_none(),
            what: "[receive.dicom.tls] asks peers for certificates and names no client_ca to check them",
            keys: &[
                (TLS, "listen"),
                (TLS, "client_certificate"),
                (TLS, "client_ca"),
            ],
            instead: "write client_ca = \"ca.pem\", or client_certificate = \"off\" to let anyone connect",
        },
        Rule {
            broken: pinned && !(on && asks),
            what: "[[receive.dicom.sender]] asks for a certificate that nobody can show",
            keys: &[(SENDER, "certificate_sha256")],
            instead: "switch [receive.dicom.tls] on with client_certificate = \"required\" or \"optional\", or take certificate_sha256 out",
        },
        Rule {
            broken: on && !asks && tls.client_ca.is_some(),
            what: "[receive.dicom.tls] names a client_ca and asks no peer for a certificate",
            keys: &[(TLS, "client_certificate"), (TLS, "client_ca")],
            instead: "write client_certificate = \"required\", or take client_ca out",
        },
    ];
    for rule in rules
        .iter()
        .chain(&of_web(config))
        .filter(|rule| rule.broken)
    {
        let keys = rule.keys.iter();
        let keys: Vec<_> = keys
            .filter_map(|(table, name)| keys::find(table, name))
            .collect();
        if let Some(place) = last_of(written, &keys) {
            blame(raws, place, rule.what, rule.instead);
        }
    }
}

/// What the port for objects over HTTP needs of other keys.
fn of_web(config: &Config) -> [Rule; 4] {
    const PLAIN: &str = "receive.dicom";
    const TLS: &str = "receive.dicom.tls";
    const HL7: &str = "receive.hl7";
    const HL7_TLS: &str = "receive.hl7.tls";
    const WEB: &str = "receive.web";
    const WEB_TLS: &str = "receive.web.tls";
    let web = &config.web.tls;
    let web_on = !web.listen.is_empty();
    let web_asks = web.client_certificate != ClientCertificate::Off;
    let is_far = |address: &SocketAddr| !address.ip().is_loopback();
    [
        Rule {
            broken: config.shares_an_address(WEB),
            what: "[receive.web] listens on an address that another listen key names",
            keys: &[
                (PLAIN, "listen"),
                (TLS, "listen"),
                (HL7, "listen"),
                (HL7_TLS, "listen"),
                (WEB, "listen"),
                (WEB_TLS, "listen"),
                ("observe", "listen"),
            ],
            instead: "give HTTP ports of its own, as 127.0.0.1:8080",
        },
        Rule {
            broken: config.web.bearer.is_some() && config.web.listen.iter().any(is_far),
            what: "[receive.web] would take its bearer tokens unencrypted",
            keys: &[(WEB, "listen"), (WEB, "bearer")],
            instead: "listen under [receive.web.tls]; only this machine itself (127.0.0.1) is served without",
        },
        Rule {
            broken: web_on && (web.certificate.is_none() || web.key.is_none()),
            what: "[receive.web.tls] has no certificate or no key for it",
            keys: &[
                (WEB_TLS, "listen"),
                (WEB_TLS, "key"),
                (WEB_TLS, "certificate"),
            ],
            instead: "write certificate = \"server.pem\" and key = \"server.key\", or listen = []",
        },
        Rule {
            broken: web_on && web_asks && web.client_ca.is_none(),
            what: "[receive.web.tls] asks peers for certificates and names no client_ca to check them",
            keys: &[
                (WEB_TLS, "listen"),
                (WEB_TLS, "client_certificate"),
                (WEB_TLS, "client_ca"),
            ],
            instead: "write client_ca = \"ca.pem\", or client_certificate = \"off\" to let anyone connect",
        },
    ]
}
