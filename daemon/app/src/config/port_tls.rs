//! The one rule for the TLS of any port.

use super::between::Rule;
use super::{ClientCertificate, TlsSettings};

/// The table in which a file without a use is a mistake, told in words of its own. In the others
/// configurations that are in use may have one.
const REFUSES_UNUSED: &str = "receive.dicom.tls";

/// Whether there is a port.
pub(super) fn is_on(tls: &TlsSettings) -> bool {
    !tls.listen.is_empty()
}

/// Whether peers are asked for certificates.
pub(super) fn asks(tls: &TlsSettings) -> bool {
    tls.client_certificate != ClientCertificate::Off
}

/// What any table for TLS needs: certificate and key of a port, and the authority of peers that are
/// asked for theirs.
pub(super) fn rules(table: &'static str, tls: &TlsSettings) -> Vec<Rule> {
    let (on, asks) = (is_on(tls), asks(tls));
    let refuses_unused = table == REFUSES_UNUSED;
    let (certificate, key) = (tls.certificate.is_some(), tls.key.is_some());
    let rule = |broken, what: &str, keys: &[&'static str], instead| Rule {
        broken,
        what: format!("[{table}] {what}").into(),
        keys: keys.iter().map(|key| (table, *key)).collect(),
        instead,
    };
    const PAIR: &[&str] = &["listen", "key", "certificate"];
    let mut rules = if refuses_unused {
        vec![
            rule(
                (on || key) && !certificate,
                "has no certificate",
                PAIR,
                "write certificate = \"server.pem\", or listen = [] to switch TLS off",
            ),
            rule(
                (on || certificate) && !key,
                "has no key for its certificate",
                PAIR,
                "write key = \"server.key\", the private key that the certificate was made for",
            ),
        ]
    } else {
        vec![rule(
            on && !(certificate && key),
            "has no certificate or no key for it",
            PAIR,
            "write certificate = \"server.pem\" and key = \"server.key\", or listen = []",
        )]
    };
    rules.push(rule(
        on && asks && tls.client_ca.is_none(),
        "asks peers for certificates and names no client_ca to check them",
        &["listen", "client_certificate", "client_ca"],
        "write client_ca = \"ca.pem\", or client_certificate = \"off\" to let anyone connect",
    ));
    rules.push(rule(
        refuses_unused && on && !asks && tls.client_ca.is_some(),
        "names a client_ca and asks no peer for a certificate",
        &["client_certificate", "client_ca"],
        "write client_certificate = \"required\", or take client_ca out",
    ));
    rules
}

#[cfg(test)]
mod tests {
    use super::super::{Config, keys};

    fn mistakes(text: &str) -> Vec<String> {
        let mistakes = Config::from_text("site.toml", text)
            .err()
            .unwrap_or_default();
        mistakes.iter().map(|one| one.what.clone()).collect()
    }

    #[test]
    fn every_table_for_the_tls_of_a_port_has_the_same_keys() {
        let of = |table| {
            keys::of_table(table)
                .map(|key| key.name)
                .collect::<Vec<_>>()
        };
        let config = Config::default();
        let tables = config.ports().into_iter().filter_map(|ports| ports.tls);
        let tables: Vec<_> = tables.map(|(table, _)| table).collect();
        assert_eq!(tables.len(), 4);
        for table in tables {
            assert_eq!(of(table).len(), 7, "{table}");
            assert_eq!(of(table), of("receive.dicom.tls"), "{table}");
        }
    }

    /// What is said of each, word by word: configurations in use must neither be refused anew nor
    /// taken anew.
    #[test]
    fn what_a_table_for_tls_lacks_is_told() {
        let with = |table: &str, keys: &str| mistakes(&format!("[{table}]\n{keys}\n"));
        let on = "listen = \"127.0.0.1:4711\"\n";
        let pair = "certificate = \"a.pem\"\nkey = \"a.key\"\n";
        let off = "client_certificate = \"off\"\n";
        for table in ["receive.dicom.tls", "receive.hl7.tls", "receive.web.tls"] {
            let told = |what: &str| vec![format!("[{table}] {what}")];
            let is_dicom = table == "receive.dicom.tls";
            assert_eq!(
                with(table, &format!("{on}{pair}")),
                told("asks peers for certificates and names no client_ca to check them")
            );
            assert_eq!(with(table, &format!("{on}{pair}{off}")), [""; 0]);
            assert_eq!(
                with(table, &format!("{on}{off}key = \"a.key\"")),
                told(if is_dicom {
                    "has no certificate"
                } else {
                    "has no certificate or no key for it"
                })
            );
            assert_eq!(
                with(table, &format!("{on}{off}certificate = \"a.pem\"")),
                told(if is_dicom {
                    "has no key for its certificate"
                } else {
                    "has no certificate or no key for it"
                })
            );
            let unused = [
                ("key = \"a.key\"".to_owned(), "has no certificate"),
                (
                    format!("{on}{pair}{off}client_ca = \"ca.pem\""),
                    "names a client_ca and asks no peer for a certificate",
                ),
            ];
            for (keys, what) in unused {
                let expected = if is_dicom { told(what) } else { Vec::new() };
                assert_eq!(with(table, &keys), expected, "{table}");
            }
        }
    }

    #[test]
    fn no_two_tables_listen_at_one_address() {
        let at = |table: &str| format!("[{table}]\nlisten = \"127.0.0.1:4711\"\n");
        let off = "certificate = \"a.pem\"\nkey = \"a.key\"\nclient_certificate = \"off\"\n";
        let tables = [
            ("receive.dicom", ""),
            ("receive.dicom.tls", off),
            ("receive.hl7", ""),
            ("receive.hl7.tls", off),
            ("receive.web", ""),
            ("receive.web.tls", off),
            ("observe", ""),
        ];
        for (n, (one, more)) in tables.iter().enumerate() {
            assert_eq!(mistakes(&format!("{}{more}", at(one))), [""; 0], "{one}");
            for (other, also) in &tables[n + 1..] {
                let told = mistakes(&format!("{}{more}{}{also}", at(one), at(other)));
                assert_eq!(told.len(), 1, "{one} and {other}: {told:?}");
                let free = format!("{}{more}{}{also}", at(one), at(other)).replace("4711", "0");
                assert_eq!(mistakes(&free), [""; 0], "{one} and {other}");
            }
        }
    }
}
