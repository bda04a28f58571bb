//! Everything that receives: DICOM ports, drop folder, HL7 and HTTP, started and stopped together.

use crate::cli::Failure;
use crate::config::Config;
use crate::observe::Observed;
use crate::receive::served::{self, Served};
use crate::receive::tls::TlsError;
use crate::receive::{DropFolder, Hl7, Listener, Live, ReceiveError, Web};
use sheathline_net::serve::doors::ListenError;
use sheathline_store::Store;
use std::io::ErrorKind;
use std::net::SocketAddr;
use tokio::runtime::Runtime;
use tokio::sync::watch;
use tokio::task::{AbortHandle, JoinHandle};

/// What receives, started.
pub(crate) struct Receivers {
    /// The address in use, unless the listener is switched off.
    pub(crate) address: Option<SocketAddr>,
    /// Changes what the listener asks of its peers.
    pub(super) live: Option<Live>,
    /// Changes the ports for HL7 and what is taken there.
    pub(super) hl7: served::Live<Hl7>,
    /// The same for HTTP.
    pub(super) web: served::Live<Web>,
    stop: watch::Sender<bool>,
    tasks: Vec<JoinHandle<()>>,
}

impl Receivers {
    /// Starts what the configuration asks for. Nothing is accepted before all of it stands.
    pub(crate) fn start(
        runtime: &Runtime,
        config: &Config,
        store: &Store,
        observed: &Observed,
    ) -> Result<Self, Failure> {
        let (stop, stopped) = watch::channel(false);
        let listener = match config.dicom.enabled {
            true => Some(
                runtime
                    .block_on(Listener::bind(config.dicom.clone(), store.clone()))
                    .map_err(advised)?
                    .taking_history(config.history_titles())
                    .observed_by(observed.clone()),
            ),
            false => None,
        };
        let folder = match &config.folder.path {
            Some(path) => Some(
                DropFolder::open(path.clone(), config.folder.clone(), store.clone())
                    .map_err(advised)?
                    .observed_by(observed.clone()),
            ),
            None => None,
        };
        let hl7 = Hl7::new(store.clone(), observed.clone());
        let hl7 = Served::bind(hl7, config.hl7.clone());
        let hl7 = runtime.block_on(hl7).map_err(advised)?;
        let web = Web::new(store.clone(), observed.clone());
        let web = Served::bind(web, (config.web.clone(), config.dicom.clone()));
        let web = runtime.block_on(web);
        let web = web.map_err(advised)?;
        let address = listener.as_ref().map(Listener::address);
        let live = listener.as_ref().map(Listener::live);
        let takes_objects =
            folder.is_some() || live.as_ref().is_some_and(Live::is_open) || web.live().is_open();
        let closed = [live.as_ref().and_then(Live::closed), web.live().closed()];
        // Time alone mends a certificate that does not hold now; other files are for people to mend.
        let mistakes = closed.iter().flatten();
        let mut mistakes = mistakes.filter(|why| !matches!(***why, TlsError::NotNow { .. }));
        if let (false, Some(why)) = (takes_objects, mistakes.next()) {
            return Err(Failure::configuration(format!(
                "no port can be opened: {why}"
            )));
        }
        let mut tasks = Vec::new();
        if let Some(listener) = listener {
            tasks.push(runtime.spawn(listener.run(stopped.clone())));
        }
        let hl7_live = hl7.live();
        tasks.push(runtime.spawn(hl7.run(stopped.clone())));
        let web_live = web.live();
        tasks.push(runtime.spawn(web.run(stopped.clone())));
        if let Some(folder) = folder {
            tasks.push(runtime.spawn(folder.run(stopped)));
        }
        Ok(Receivers {
            address,
            live,
            hl7: hl7_live,
            web: web_live,
            stop,
            tasks,
        })
    }

    /// Whether a port for TLS is closed because its files do not serve.
    pub(super) fn has_closed(&self) -> bool {
        let dicom = self.live.as_ref().and_then(Live::closed);
        let closed = [dicom, self.hl7.closed(), self.web.closed()];
        closed.iter().any(Option::is_some)
    }

    /// Reads the files of TLS ports anew where they did not serve or their certificate has ended:
    /// opens what is closed, or closes it.
    ///
    /// # Errors
    /// A port whose files serve again cannot be had.
    pub(super) fn renew(&self, runtime: &Runtime, config: &Config) -> Result<(), ReceiveError> {
        if let Some(live) = self.live.as_ref().filter(|live| live.is_due()) {
            live.apply(live.prepare(config.dicom.clone(), config.history_titles())?);
        }
        if self.hl7.is_due() {
            let prepared = runtime.block_on(self.hl7.prepare(config.hl7.clone()))?;
            self.hl7.apply(prepared);
        }
        if self.web.is_due() {
            let settings = (config.web.clone(), config.dicom.clone());
            let prepared = runtime.block_on(self.web.prepare(settings))?;
            self.web.apply(prepared);
        }
        Ok(())
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

/// Why receiving could not start, with the way out.
///
/// What another program or a mount can mend is worth another start; a mistake of the configuration is
/// not.
fn advised(error: ReceiveError) -> Failure {
    match &error {
        ReceiveError::Listen(ListenError { source, .. }) => {
            let advice = address_advice(source);
            Failure::from(error).advised(advice)
        }
        ReceiveError::Folder { .. } => Failure::from(error)
            .advised("; [receive.folder] path names it, and a folder must be there"),
        ReceiveError::Nowhere | ReceiveError::Tls(_) => Failure::from(error),
    }
}

pub(super) fn address_advice(source: &std::io::Error) -> &'static str {
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

/// Why a port that is named now cannot be had.
pub(super) fn unopened(error: ReceiveError) -> Failure {
    let advice = match &error {
        ReceiveError::Listen(ListenError { source, .. })
            if source.kind() == ErrorKind::AddrInUse =>
        {
            "; a port that passes to TLS, or to another address of this machine, needs a new start"
        }
        ReceiveError::Listen(ListenError { source, .. }) => address_advice(source),
        _ => "",
    };
    Failure::from(error).advised(advice)
}
