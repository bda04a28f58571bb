//! Why a peer is refused: the one table of reasons, what each answers, and how often each was
//! used. Pure.

use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};

/// What a refused peer is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reply {
    /// Nothing: the connection is closed. Who is refused here has not spoken DICOM yet.
    Close,
    /// A-ABORT by the service provider with this reason (PS3.8 table 9-26).
    Abort {
        /// Reason/Diag.
        reason: u8,
    },
    /// A-ASSOCIATE-RJ (PS3.8 section 9.3.4, table 9-21).
    Reject {
        /// 1: permanent, 2: transient, so that the peer tries again.
        result: u8,
        /// 1: service user, 2: provider (ACSE), 3: provider (presentation).
        source: u8,
        /// Reason/Diag., to be read with the source.
        reason: u8,
    },
    /// A-ASSOCIATE-AC in which every presentation context is refused with its own reason (PS3.8
    /// table 9-18), which says more than a rejection could.
    AcceptWithoutContext,
}

/// As logs and documents write it.
impl fmt::Display for Reply {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Reply::Close => f.write_str("closed"),
            Reply::Abort { reason } => write!(f, "A-ABORT 2/{reason}"),
            Reply::Reject {
                result,
                source,
                reason,
            } => write!(f, "A-ASSOCIATE-RJ {result}/{source}/{reason}"),
            Reply::AcceptWithoutContext => f.write_str("A-ASSOCIATE-AC"),
        }
    }
}

impl Reply {
    /// The PDU to send, if any: both kinds have ten bytes (PS3.8 tables 9-21 and 9-26).
    #[must_use]
    pub fn pdu(self) -> Option<[u8; 10]> {
        match self {
            Reply::Close | Reply::AcceptWithoutContext => None,
            Reply::Abort { reason } => Some([7, 0, 0, 0, 0, 4, 0, 0, 2, reason]),
            Reply::Reject {
                result,
                source,
                reason,
            } => Some([3, 0, 0, 0, 0, 4, 0, result, source, reason]),
        }
    }
}

const fn permanent(source: u8, reason: u8) -> Reply {
    Reply::Reject {
        result: 1,
        source,
        reason,
    }
}

/// Source 3, reason 2: local limit exceeded.
const LATER: Reply = Reply::Reject {
    result: 2,
    source: 3,
    reason: 2,
};

macro_rules! refusals {
    ($($name:ident: $code:literal, $reply:expr, $why:literal, $action:literal;)*) => {
        /// A reason to refuse a peer.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Refusal {
            $(#[doc = $why] $name,)*
        }

        impl Refusal {
            /// Every reason, in the order of the table.
            pub const ALL: &[Refusal] = &[$(Refusal::$name,)*];

            /// Its name in logs and counts; it stays the same from version to version.
            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $(Refusal::$name => $code,)* }
            }

            /// What the peer is told.
            #[must_use]
            pub fn reply(self) -> Reply {
                match self { $(Refusal::$name => $reply,)* }
            }

            /// Why, in words for the log.
            #[must_use]
            pub fn why(self) -> &'static str {
                match self { $(Refusal::$name => $why,)* }
            }

            /// What to do about it, for whoever looks after this side.
            #[must_use]
            pub fn action(self) -> &'static str {
                match self { $(Refusal::$name => $action,)* }
            }
        }
    };
}

refusals! {
    // Before a byte is read.
    Address: "refused-address", Reply::Close,
        "the address is not in addresses_allowed",
        "Add it to `addresses_allowed` if it belongs there; else find out who it is.";
    Connections: "refused-connections", Reply::Close,
        "there are as many connections as there is room for",
        "Find out who holds so many open; `max_associations` sets how many there may be.";
    ConnectionsOfPeer: "refused-connections-of-peer", Reply::Close,
        "this address has as many connections as one may have",
        "Have the sender close what it does not use, or raise `max_associations_per_peer`.";
    // At any time.
    Displaced: "refused-displaced", Reply::Close,
        "closed to make room for an address that has fewer connections",
        "Nothing if it happens rarely; else find out who holds so many open.";
    // Around the association.
    ProxyMissing: "refused-proxy-missing", Reply::Close,
        "an address of proxy_from sent no PROXY header of version 2",
        "Switch on the PROXY protocol, version 2, in the load balancer, or take it out of `proxy_from`.";
    ProxyMalformed: "refused-proxy-malformed", Reply::Close,
        "the PROXY header is malformed or names no address",
        "Set the load balancer to the PROXY protocol, version 2, with addresses.";
    ProxyUnexpected: "refused-proxy-unexpected", Reply::Close,
        "a PROXY header from an address that is not in proxy_from",
        "Add the load balancer to `proxy_from`; if it is none of yours, find out who it is.";
    Handshakes: "refused-handshakes", Reply::Close,
        "there are as many TLS handshakes as allowed",
        "Nothing if it happens rarely; else find out who connects so often, or raise `max_handshakes`.";
    HandshakeSlow: "refused-handshake-slow", Reply::Close,
        "the TLS handshake took too long",
        "Look at the network and at the sender; it may not speak TLS on this port.";
    HandshakeFailed: "refused-handshake", Reply::Close,
        "the TLS handshake failed",
        "Read `detail`: certificate, authority or TLS version, here or at the sender.";
    PlainOnTls: "refused-plain", Reply::Close,
        "no TLS on the port for TLS",
        "Switch TLS on at the sender, or send it to the port without TLS.";
    TlsOnPlain: "refused-tls", Reply::Abort { reason: 1 },
        "TLS on the port without TLS",
        "Send it to the port for TLS, or switch TLS off at the sender.";
    // Instead of a request for an association.
    NotDicom: "refused-not-dicom", Reply::Abort { reason: 1 },
        "the first bytes are those of no PDU; perhaps this is not a DICOM peer",
        "Nothing if a scan of ports or a health check did it; else correct the sender's port.";
    RequestSlow: "refused-request-slow", Reply::Abort { reason: 0 },
        "no complete request for an association came in time",
        "Look at the network and at the sender.";
    RequestMalformed: "refused-request-malformed", Reply::Abort { reason: 6 },
        "the request for an association is too large or malformed",
        "Read `detail`, then look at the sender's software.";
    RequestMissing: "refused-request-missing", Reply::Abort { reason: 2 },
        "another PDU came before the request for an association",
        "Look at the sender's software; it does not keep to DICOM PS3.8.";
    // The request itself.
    Protocol: "refused-protocol", permanent(2, 2),
        "the protocol version is not supported",
        "Look at the sender's software; it does not keep to DICOM PS3.8.";
    ApplicationContext: "refused-application-context", permanent(1, 2),
        "the application context is not supported",
        "Look at the sender's software; it does not keep to DICOM PS3.8.";
    Called: "refused-called", permanent(1, 7),
        "the called AE title is not ours",
        "Correct the AE title at the sender, or `ae_title` here.";
    CallingBlank: "refused-calling-blank", permanent(1, 3),
        "the calling AE title is blank",
        "Give the sender an AE title, or set `accept_blank_calling`.";
    Calling: "refused-calling", permanent(1, 3),
        "the calling AE title is not in calling_allowed, or is none",
        "Add the AE title to `calling_allowed` if it belongs there; it is spelt as in the line.";
    SenderAddress: "refused-sender-address", permanent(1, 3),
        "this calling AE title does not come from the addresses of its sender table",
        "Correct `addresses` of its sender table, or find out who uses its title.";
    SenderCertificate: "refused-sender-certificate", permanent(1, 3),
        "this calling AE title comes without the certificate of its sender table",
        "Set the certificate at the sender, or correct `certificate_sha256` in its sender table.";
    ContextIds: "refused-context-ids", Reply::Abort { reason: 6 },
        "presentation context ids are even or repeated",
        "Look at the sender's software; it does not keep to DICOM PS3.8.";
    Associations: "refused-associations", LATER,
        "there are as many associations as allowed",
        "Nothing: the sender tries again. If it happens often, raise `max_associations`.";
    AssociationsOfPeer: "refused-associations-of-peer", LATER,
        "this address has as many associations as one may have",
        "Nothing: the sender tries again. If it happens often, raise `max_associations_per_peer`.";
    AssociationsOfSender: "refused-associations-of-sender", LATER,
        "this calling AE title has as many associations as it may have",
        "Nothing: the sender tries again. If it happens often, raise `max_associations` of its table.";
    NoContext: "refused-no-context", Reply::AcceptWithoutContext,
        "no proposed SOP class and transfer syntax is taken here",
        "Have the sender offer a class of the conformance statement, uncompressed.";
}

/// How often each reason was used since the start.
#[derive(Debug)]
pub struct Refusals(Vec<(Refusal, AtomicU64)>);

impl Default for Refusals {
    fn default() -> Self {
        let none = |refusal: &Refusal| (*refusal, AtomicU64::new(0));
        Refusals(Refusal::ALL.iter().map(none).collect())
    }
}

impl Refusals {
    /// Counts one.
    pub fn count(&self, refusal: Refusal) {
        if let Some((_, count)) = self.0.iter().find(|(one, _)| *one == refusal) {
            count.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Every reason with its count, in the order of the table.
    pub fn counts(&self) -> impl Iterator<Item = (Refusal, u64)> + '_ {
        self.0
            .iter()
            .map(|(refusal, count)| (*refusal, count.load(Ordering::Relaxed)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// PS3.8 table 9-21: the reasons that exist for each source.
    #[test]
    fn every_rejection_is_one_of_the_standard() {
        for refusal in Refusal::ALL {
            if let Reply::Reject {
                result,
                source,
                reason,
            } = refusal.reply()
            {
                assert!([1, 2].contains(&result), "{refusal:?}");
                let reasons: &[u8] = match source {
                    1 => &[1, 2, 3, 7],
                    2 => &[1, 2],
                    3 => &[1, 2],
                    _ => &[],
                };
                assert!(reasons.contains(&reason), "{refusal:?}");
            }
            if let Reply::Abort { reason } = refusal.reply() {
                assert!([0, 1, 2, 4, 5, 6].contains(&reason), "{refusal:?}");
            }
        }
    }

    #[test]
    fn codes_are_different_and_counted_apart() {
        let codes: BTreeSet<_> = Refusal::ALL.iter().map(|one| one.code()).collect();
        assert_eq!(codes.len(), Refusal::ALL.len());
        let refusals = Refusals::default();
        refusals.count(Refusal::Called);
        refusals.count(Refusal::Called);
        let counted: Vec<_> = refusals.counts().filter(|(_, count)| *count > 0).collect();
        assert_eq!(counted, [(Refusal::Called, 2)]);
    }
}
