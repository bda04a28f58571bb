//! Everything that receives: DICOM ports, drop folder, HL7 and HTTP, started and stopped together.

use crate::cli::{Failure, context};
use crate::config::Config;
use crate::health::Health;
use crate::health::ports::PortsNow;
use crate::intake::Reception;
use crate::observe::Observed;
use crate::pages::{DeskSettings, Pages};
use crate::receive::{Dicom, DropFolder, Hl7, Web};
use sheathline_net::serve::tls::TlsError;
use sheathline_net::serve::{ListenError, Live, ServeError, Served, Service};
use std::io::ErrorKind;
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::runtime::Runtime;
use tokio::sync::watch;
use tokio::task::{AbortHandle, JoinHandle};

/// What receives, started.
pub(crate) struct Receivers {
    /// The first address for DICOM, if there is one.
    pub(crate) address: Option<SocketAddr>,
    /// Changes the ports for DICOM and what is asked of peers there.
    pub(super) dicom: Live<Dicom>,
    /// The same for HL7.
    pub(super) hl7: Live<Hl7>,
    /// The same for HTTP.
    pub(super) web: Live<Web>,
    /// The same for pages.
    pub(super) pages: Live<Pages>,
    /// What pages follow now.
    pub(super) desk: DeskSettings,
    stop: watch::Sender<bool>,
    tasks: Vec<JoinHandle<()>>,
}

impl Receivers {
    /// Starts what the configuration asks for. Nothing is accepted before all of it stands.
    pub(crate) fn start(
        runtime: &Runtime,
        config: &Config,
        reception: &Reception,
        observed: &Observed,
        health: Option<Arc<Health>>,
    ) -> Result<Self, Failure> {
        let (stop, stopped) = watch::channel(false);
        let dicom = Dicom::new(&config.dicom, reception.clone(), observed.clone());
        let dicom = bound(runtime, dicom, of_dicom(config))?;
        let folder = match &config.folder.path {
            Some(path) => Some(
                DropFolder::open(path.clone(), config.folder.clone(), reception.clone())
                    .map_err(|error| Failure::from(error).advised(FOLDER))?
                    .observed_by(observed.clone()),
            ),
            None => None,
        };
        let store = reception.store();
        let hl7 = Hl7::new(store.clone(), observed.clone());
        let hl7 = bound(runtime, hl7, config.hl7.clone())?;
        let web = Web::new(reception.clone(), observed.clone());
        let web = bound(runtime, web, of_web(config))?;
        let pages = Pages::new(store.clone(), observed.clone(), health);
        let desk = of_pages(config)?;
        let pages = bound(runtime, pages, desk.clone())?;
        let address = dicom.addresses().first().map(|(address, _)| *address);
        let (dicom_live, hl7_live, web_live) = (dicom.live(), hl7.live(), web.live());
        let pages_live = pages.live();
        let takes_objects = folder.is_some() || dicom_live.is_open() || web_live.is_open();
        let closed = [dicom_live.closed(), web_live.closed()];
        // Time alone mends a certificate that does not hold now; other files are for people to mend.
        let mistakes = closed.iter().flatten();
        let mut mistakes = mistakes.filter(|why| !matches!(***why, TlsError::NotNow { .. }));
        if let (false, Some(why)) = (takes_objects, mistakes.next()) {
            return Err(Failure::configuration(format!(
                "no port can be opened: {why}"
            )));
        }
        let mut tasks = vec![
            runtime.spawn(dicom.run(stopped.clone())),
            runtime.spawn(hl7.run(stopped.clone())),
            runtime.spawn(web.run(stopped.clone())),
            runtime.spawn(pages.run(stopped.clone())),
        ];
        if let Some(folder) = folder {
            tasks.push(runtime.spawn(folder.run(stopped)));
        }
        Ok(Receivers {
            address,
            dicom: dicom_live,
            hl7: hl7_live,
            web: web_live,
            pages: pages_live,
            desk,
            stop,
            tasks,
        })
    }

    /// Tells the log which ports are open.
    pub(super) fn tell_open(&self) {
        self.dicom.tell_open();
        self.hl7.tell_open();
        self.web.tell_open();
        self.pages.tell_open();
    }

    /// How the ports of each service are.
    pub(super) fn ports(&self) -> [PortsNow; 4] {
        [
            PortsNow::of("receive.dicom", &self.dicom),
            PortsNow::of("receive.hl7", &self.hl7),
            PortsNow::of("receive.web", &self.web),
            PortsNow::of("pages", &self.pages),
        ]
    }

    /// Every address that is listened at.
    pub(super) fn addresses(&self) -> Vec<SocketAddr> {
        let ports = self.ports().into_iter();
        ports
            .flat_map(|one| [one.plain, one.over_tls].concat())
            .collect()
    }

    /// Reads the files of TLS ports anew where they did not serve or their certificate has ended:
    /// opens what is closed, or closes it.
    ///
    /// # Errors
    /// A port whose files serve again cannot be had; all others are as they should be.
    pub(super) fn renew(&self, runtime: &Runtime, config: &Config) -> Result<(), ServeError> {
        let done = [
            renewed(runtime, &self.dicom, || of_dicom(config)),
            renewed(runtime, &self.hl7, || config.hl7.clone()),
            renewed(runtime, &self.web, || of_web(config)),
            renewed(runtime, &self.pages, || self.desk.clone()),
        ];
        done.into_iter().collect()
    }

    /// Tells whether they still run.
    pub(super) fn handles(&self) -> Vec<AbortHandle> {
        self.tasks.iter().map(JoinHandle::abort_handle).collect()
    }

    /// Takes nothing new and waits until what is under way is finished.
    pub(crate) fn stop(self, runtime: &Runtime) {
        // An error would mean that all of them have ended already.
        let _ = self.stop.send(true);
        for task in self.tasks {
            if let Err(error) = runtime.block_on(task) {
                tracing::error!(code = "receiver-ended", %error, "a receiver ended by itself");
            }
        }
    }
}

const FOLDER: &str = "; [receive.folder] path names it, and a folder must be there";

/// What holds for associations.
pub(super) fn of_dicom(config: &Config) -> <Dicom as Service>::Settings {
    (config.dicom.clone(), config.history_titles())
}

/// What holds for pages.
pub(super) fn of_pages(config: &Config) -> Result<DeskSettings, Failure> {
    Ok(DeskSettings {
        config: Arc::new(config.clone()),
        rules: Arc::new(context::rules(config)?),
        site: Arc::new(context::site(config)),
    })
}

/// What holds for objects over HTTP.
pub(super) fn of_web(config: &Config) -> <Web as Service>::Settings {
    (config.web.clone(), config.dicom.clone())
}

fn bound<S: Service>(
    runtime: &Runtime,
    service: S,
    settings: S::Settings,
) -> Result<Served<S>, Failure> {
    let bound = runtime.block_on(Served::bind(service, settings));
    bound.map_err(advised)
}

fn renewed<S: Service>(
    runtime: &Runtime,
    live: &Live<S>,
    settings: impl FnOnce() -> S::Settings,
) -> Result<(), ServeError> {
    if live.is_due() {
        live.apply(runtime.block_on(live.prepare(settings()))?);
    }
    Ok(())
}

/// Why receiving could not start, with the way out.
///
/// What another program or a mount can mend is worth another start; a mistake of the configuration is
/// not.
fn advised(error: ServeError) -> Failure {
    let advice = advice(&error);
    Failure::from(error).advised(advice)
}

/// What to do about it.
pub(super) fn advice(error: &ServeError) -> &'static str {
    match error {
        ServeError::Listen(ListenError { source, .. }) => address_advice(source),
        ServeError::Tls(_) => "",
    }
}

fn address_advice(source: &std::io::Error) -> &'static str {
    match source.kind() {
        ErrorKind::AddrInUse => {
            "; another program has it, perhaps this one started twice: `ss -ltnp` shows which. \
             Stop that or change listen"
        }
        ErrorKind::AddrNotAvailable => {
            "; no network card here has that address. Write 0.0.0.0 for all of them, [::] over \
             IPv6 too"
        }
        ErrorKind::PermissionDenied => {
            "; ports below 1024 need a privilege (CAP_NET_BIND_SERVICE), which the unit takes away; \
             install.md says how to give it. Better take a higher one, by convention 11112, 2762 \
             with TLS"
        }
        _ => "",
    }
}

/// Why a port that is named now cannot be had, while `ours` are listened at.
pub(super) fn unopened(error: ServeError, ours: &[SocketAddr]) -> Failure {
    let ServeError::Listen(ListenError { address, source }) = &error else {
        return Failure::from(error);
    };
    let mut same_port = ours.iter().filter(|other| other.port() == address.port());
    let advice = match same_port.next() {
        Some(other) if source.kind() == ErrorKind::AddrInUse => format!(
            "; this daemon listens on {other} itself. Move that to another port first, and the new \
             one to this port with a second reload, or restart"
        ),
        _ => address_advice(source).to_owned(),
    };
    Failure::from(error).advised(&advice)
}
