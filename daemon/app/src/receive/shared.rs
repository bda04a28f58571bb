//! What all connections share: settings, store, and the room there is.

use super::dropping::listed;
use super::negotiate::RefusedContext;
use super::other_classes::{label, shown};
use crate::config::{DicomSettings, SenderSettings};
use crate::intake::{Intake, Reception};
use crate::observe::Observed;
use crate::observe::metrics::Open;
use crate::observe::refused::{Reason, Refused};
use crate::routes::archive::HistoryTitle;
use dicom_ul::pdu::AssociationRQ;
use sheathline_model::domain::Source;
use sheathline_net::dicom::refusal::{Refusal, Refusals};
use sheathline_net::serve::Peer;
use sheathline_net::serve::accept::may_connect;
use sheathline_net::serve::places::{Place, Places};
use sheathline_net::shares::{Party, Room, Share, Shares};
use std::collections::BTreeSet;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

/// The AE titles of a request as they may stand in a log: a stranger chose them.
#[derive(Debug, Default)]
pub(super) struct Titles {
    calling: String,
    called: String,
}

impl Titles {
    pub(super) fn of(request: &AssociationRQ) -> Self {
        Titles {
            calling: request.calling_ae_title.escape_default().to_string(),
            called: request.called_ae_title.escape_default().to_string(),
        }
    }
}

/// What all connections share. A copy has the same room and the same store, so settings can change
/// under reception: a connection keeps those it came under.
#[derive(Debug, Clone)]
pub(super) struct Shared {
    pub(super) settings: DicomSettings,
    /// Further AE titles of ours, each for the history of one archive.
    pub(super) titles: Arc<[HistoryTitle]>,
    pub(super) reception: Reception,
    pub(super) observed: Observed,
    /// KiB of data sets that are being received or stored.
    pub(super) memory: Shares,
    pub(super) memory_room: Room,
    pub(super) max_connections: usize,
    associations: Shares,
    associations_room: Room,
    associations_of: Places<Party>,
    associations_by: Places<String>,
}

/// The places that one association takes until it ends.
#[derive(Debug)]
pub(super) struct Seat {
    pub(super) one_of_all: Share,
    _one_of_the_peer: Place<Party>,
    _one_of_the_sender: Option<Place<String>>,
    _counted: Open,
}

/// How many connections may be open for so many associations. Those that have not asked for one
/// yet need room as well, or silent peers would keep the others out.
const fn connections(associations: usize, spare: usize) -> usize {
    associations * 2 + spare
}

impl Shared {
    pub(super) fn new(settings: DicomSettings, reception: Reception, observed: Observed) -> Self {
        let associations = settings.max_associations.clamp(1, 10_000);
        // Four of the largest objects at once, and never less than 256 MiB: thousands of reports.
        let memory = (settings.max_object_bytes.saturating_mul(4) >> 10).clamp(256 << 10, 1 << 28);
        Shared {
            observed,
            memory: Shares::default(),
            memory_room: Room::memory(usize::try_from(memory).unwrap_or(256 << 10)),
            max_connections: connections(associations, 256),
            associations: Shares::default(),
            associations_room: Room::places(associations),
            associations_of: Places::default(),
            associations_by: Places::default(),
            settings,
            titles: Arc::default(),
            reception,
        }
    }

    /// Where objects are kept.
    pub(super) fn intake(&self) -> Intake<'_> {
        Intake::by(&self.reception, &self.observed)
    }

    /// Where refused peers are counted.
    pub(super) fn refusals(&self) -> Arc<Refusals> {
        self.observed.metrics.refusals()
    }

    pub(super) fn association_limit(&self) -> Duration {
        Duration::from_secs(self.settings.association_timeout_s)
    }

    /// Connections that one peer may have open.
    pub(super) fn max_connections_of_peer(&self) -> usize {
        connections(self.of_peer(), 64)
    }

    /// What holds for this calling AE title, if it comes as it should.
    pub(super) fn sender(&self, calling: &str, peer: &Peer) -> Result<SenderSettings, Refusal> {
        let mut senders = self.settings.sender.iter();
        let Some(sender) = senders.find(|sender| sender.ae_title == calling) else {
            return Ok(SenderSettings::default());
        };
        if !may_connect(&sender.addresses, peer.address) {
            return Err(Refusal::SenderAddress);
        }
        let pinned = &sender.certificate_sha256;
        let shown = peer.certificate.as_ref();
        if !pinned.is_empty() && !shown.is_some_and(|shown| pinned.contains(shown)) {
            return Err(Refusal::SenderCertificate);
        }
        Ok(sender.clone())
    }

    /// Room for one more association.
    pub(super) fn seat(&self, peer: &Peer, sender: &SenderSettings) -> Result<Seat, Refusal> {
        let party = Party::of(peer.address);
        Ok(Seat {
            _one_of_the_peer: self
                .associations_of
                .take(party, self.of_peer())
                .ok_or(Refusal::AssociationsOfPeer)?,
            _one_of_the_sender: match sender.max_associations {
                None => None,
                Some(limit) => Some(
                    self.associations_by
                        .take(sender.ae_title.clone(), limit)
                        .ok_or(Refusal::AssociationsOfSender)?,
                ),
            },
            // Last, since another may lose it.
            one_of_all: self
                .associations
                .place(party, self.associations_room)
                .ok_or(Refusal::Associations)?,
            _counted: self.observed.metrics.associated(),
        })
    }

    fn of_peer(&self) -> usize {
        let Self { settings, .. } = self;
        settings
            .max_associations_per_peer
            .min(settings.max_associations)
    }

    /// Counts presentation contexts that are refused; returns which, for the log.
    pub(super) fn contexts_refused(&self, refused: &[RefusedContext], source: &Source) -> String {
        for one in refused {
            let metrics = &self.observed.metrics;
            metrics.context_refused(source, label(&one.class));
        }
        // A sender asks for a class once with each of its transfer syntaxes.
        let classes: BTreeSet<(&str, bool)> = refused
            .iter()
            .map(|one| (one.class.as_str(), one.for_its_syntaxes))
            .collect();
        let named: Vec<String> = classes
            .into_iter()
            .map(|(class, for_its_syntaxes)| {
                if for_its_syntaxes {
                    format!("{} in these transfer syntaxes", shown(class))
                } else {
                    shown(class)
                }
            })
            .collect();
        listed(named.into_iter())
    }

    /// Tells of presentation contexts that are refused beside others that are taken.
    pub(super) fn context_refused(&self, peer: IpAddr, titles: &Titles, detail: &str) {
        const REASON: Reason = Reason::of_every_day(
            "context-refused",
            "some of the proposed SOP classes and transfer syntaxes are not taken here",
        );
        self.observed.refused(&Refused {
            calling: &titles.calling,
            called: &titles.called,
            answer: "A-ASSOCIATE-AC",
            detail,
            ..Refused::at(REASON, peer)
        });
    }

    /// Counts a refusal and tells of it.
    pub(super) fn refused(&self, refusal: Refusal, peer: IpAddr, titles: &Titles, detail: &str) {
        self.refusals().count(refusal);
        self.observed.refused(&Refused {
            calling: &titles.calling,
            called: &titles.called,
            answer: &refusal.reply().to_string(),
            detail,
            ..Refused::at(Reason::of(refusal), peer)
        });
    }
}
