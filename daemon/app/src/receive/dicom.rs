//! DICOM associations as a service: what holds for an association is what held when its connection was
//! accepted, TLS included.

use super::association;
use super::shared::{Shared, Titles};
use crate::config::DicomSettings;
use crate::intake::Reception;
use crate::observe::Observed;
use crate::routes::archive::HistoryTitle;
use ipnet::IpNet;
use sheathline_net::dicom::refusal::{Refusal, Refusals};
use sheathline_net::serve::{End, Happened, Now, Peer, Ports, Service};
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};

/// What holds for associations to come.
#[derive(Debug, Clone)]
pub struct Dicom(Arc<Shared>);

impl Dicom {
    /// The room that `max_associations` and `max_object_bytes` of the settings give stays as it is;
    /// nothing else of them holds before settings are put in force.
    #[must_use]
    pub fn new(
        settings: &DicomSettings,
        reception: impl Into<Reception>,
        observed: Observed,
    ) -> Self {
        Dicom(Arc::new(Shared::new(
            settings.clone(),
            reception.into(),
            observed,
        )))
    }

    /// How often peers were refused, by reason; it counts on while associations are served.
    #[must_use]
    pub fn refusals(&self) -> Arc<Refusals> {
        self.0.refusals()
    }
}

impl Service for Dicom {
    /// `[receive.dicom]`, and further AE titles of ours, each for the history of one archive.
    type Settings = (DicomSettings, Vec<HistoryTitle>);

    fn ports((settings, _): &Self::Settings) -> Ports<'_> {
        if settings.enabled {
            Ports {
                plain: &settings.listen,
                tls: Some(("receive.dicom.tls", &settings.tls)),
            }
        } else {
            Ports {
                plain: &[],
                tls: None,
            }
        }
    }

    fn put(&mut self, (settings, titles): Self::Settings) {
        let shared = Arc::make_mut(&mut self.0);
        shared.settings = settings;
        shared.titles = titles.into();
    }

    fn addresses_allowed(&self) -> &[IpNet] {
        &self.0.settings.addresses_allowed
    }

    fn balancers(&self) -> &[IpNet] {
        &self.0.settings.proxy_from
    }

    fn max_connections(&self) -> usize {
        self.0.max_connections
    }

    fn max_connections_of_peer(&self) -> usize {
        self.0.max_connections_of_peer()
    }

    fn request_limit(&self) -> Duration {
        self.0.association_limit()
    }

    fn write_limit(&self) -> Duration {
        Duration::from_secs(self.0.settings.write_timeout_s)
    }

    /// An association goes on where its port is closed, until its peer releases it or a limit of time
    /// ends it.
    async fn serve(
        stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        peer: Peer,
        now: Now<Self>,
        end: End,
    ) {
        let shared = Arc::clone(&now.at_accept().0);
        association::serve(stream, peer, shared, end).await;
    }

    fn refused(&self, peer: IpAddr, why: Refusal, detail: &str) {
        self.0.refused(why, peer, &Titles::default(), detail);
    }

    fn tell(&self, event: Happened<'_>) {
        match event {
            Happened::Listening(address, tls) => {
                let ae_title = &self.0.settings.ae_title;
                tracing::info!(code = "listening", %address, tls, ae_title);
            }
            Happened::Ended(address, cut) => {
                tracing::info!(code = "listening-ended", %address, cut);
            }
        }
    }

    fn panicked() {
        tracing::error!(
            code = "association-panicked",
            "internal error; please report it"
        );
    }
}
