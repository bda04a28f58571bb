//! The running daemon: listener, drop folder and pipeline side by side until told to stop.

use super::{Failure, open};
use crate::config::{Config, LogFormat};
use crate::observe::audit::Event;
use crate::observe::endpoint::Endpoint;
use crate::observe::failures::CountFailures;
use crate::observe::{Health, Metrics, Observed};
use crate::pipeline::Pipeline;
use crate::receive::{DropFolder, Hl7Listener, Listener};
use crate::store::Store;
use chrono::Utc;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};
use tokio::runtime::Runtime;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::watch;
use tokio::task::{AbortHandle, JoinHandle};
use tracing_subscriber::filter::LevelFilter;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, Layer};

/// How long the pipeline waits for a commit of this process before it looks whether another one
/// (`label` beside the daemon) left something to do.
const LOOK_ANYWAY: Duration = Duration::from_secs(1);

/// How long nothing must have come before results are made: reports of one exam come in a burst.
const QUIET: Duration = Duration::from_millis(500);

/// Pause after a step failed, so that a full disk is not asked a thousand times a second.
const PAUSE_AFTER_FAILURE: Duration = Duration::from_secs(2);

/// How long what was received may be worked on after the program was told to stop. Whoever watches
/// over it waits for some time, then kills.
const DRAIN_LIMIT: Duration = Duration::from_secs(5);

/// Between two looks whether something has changed.
const STEP: Duration = Duration::from_millis(20);
/// How often the daemon looks for bytes that have been kept long enough.
const OLD_BODIES_EVERY: Duration = Duration::from_secs(3600);

/// What receives, started.
pub(crate) struct Receivers {
    /// The address in use, unless the listener is switched off.
    pub(crate) address: Option<SocketAddr>,
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
                    .map_err(Failure::no)?
                    .observed_by(observed.clone()),
            ),
            false => None,
        };
        let folder = match &config.folder.path {
            Some(path) => Some(
                DropFolder::open(path.clone(), config.folder.clone(), store.clone())
                    .map_err(Failure::no)?
                    .observed_by(observed.clone()),
            ),
            None => None,
        };
        let hl7 = Hl7Listener::bind(config.hl7.clone(), store.clone(), observed.clone());
        let hl7 = runtime.block_on(hl7).map_err(Failure::no)?;
        let address = listener.as_ref().map(Listener::address);
        let mut tasks = Vec::new();
        if let Some(listener) = listener {
            tasks.push(runtime.spawn(listener.run(stopped.clone())));
        }
        if let Some(hl7) = hl7 {
            tasks.push(runtime.spawn(hl7.run(stopped.clone())));
        }
        if let Some(folder) = folder {
            tasks.push(runtime.spawn(folder.run(stopped)));
        }
        Ok(Receivers {
            address,
            stop,
            tasks,
        })
    }

    /// Tells whether they still run.
    fn handles(&self) -> Vec<AbortHandle> {
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

/// The runtime that receivers run on.
pub(crate) fn runtime() -> Result<Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(Failure::no)
}

/// Logs to standard output, one event a line, and counts failures.
fn log(config: &Config, metrics: &Arc<Metrics>) {
    let filter = EnvFilter::new(format!("{},notify=warn", config.observe.log.word()));
    let logs = tracing_subscriber::fmt::layer()
        .with_target(false)
        // A log that cannot be written would be told to standard error, which may be on the same
        // full disk, and a failure to write there panics.
        .log_internal_errors(false);
    let logs = match config.observe.log_format {
        LogFormat::Text => logs.with_ansi(false).boxed(),
        LogFormat::Json => logs.json().boxed(),
    };
    let count = CountFailures(Arc::clone(metrics)).with_filter(LevelFilter::WARN);
    let all = tracing_subscriber::registry().with(logs.with_filter(filter));
    let set = all.with(count).try_init();
    if let Err(error) = set {
        super::print::note(format_args!("logging was set up already: {error}"));
    }
}

/// `serve`: runs until SIGTERM, SIGINT, or a store in doubt.
pub(super) fn serve(config: &Config) -> Result<(), Failure> {
    if !config.dicom.enabled && config.folder.path.is_none() {
        return Err(Failure::Usage(
            "nothing to serve: [receive.dicom] is switched off and [receive.folder] has no path"
                .into(),
        ));
    }
    let observed = open::observed(config)?;
    log(config, &observed.metrics);
    let store = open::owner(config)?;
    store.observed_by(&observed.metrics);
    let pipeline = open::pipeline(config, store.clone(), observed.clone())?;
    if let Some(trail) = &observed.trail
        && !trail.write(&[(Utc::now(), Event::Started)])
    {
        return Err(Failure::No(
            "the audit trail cannot be written; [observe] audit names it".into(),
        ));
    }
    pipeline.sweep().map_err(Failure::no)?;
    if let Some(change) = pipeline.refresh().map_err(Failure::no)? {
        tracing::info!(code = "rules-changed", "{change}");
        observed.note(|| Event::Reconfigured { change });
    }
    let runtime = runtime()?;
    // Before anybody can know that we listen: a signal that comes first would end us undrained.
    let mut signals = Signals::catch(&runtime)?;
    let health = Arc::new(Health::new(config, store.clone(), observed.clone()));
    for address in &config.observe.listen {
        let endpoint = runtime
            .block_on(Endpoint::bind(*address))
            .map_err(Failure::no)?;
        runtime.spawn(endpoint.run(Arc::clone(&health)));
    }
    let receivers = Receivers::start(&runtime, config, &store, &observed)?;
    let (stop, stopped) = watch::channel(false);
    let hurry = pipeline.hurry();
    let working = Arc::new(());
    health.serving(receivers.handles(), Arc::downgrade(&working));
    let worker = std::thread::Builder::new()
        .name("pipeline".into())
        .spawn(move || {
            work(&pipeline, &stopped);
            drop(working);
        })
        .map_err(Failure::no)?;
    let why = runtime.block_on(signals.until_told(&store));
    let told = Instant::now();
    tracing::info!(code = "stopping", "{why}");
    health.stopping();
    receivers.stop(&runtime);
    // An error would mean that the pipeline has ended already.
    let _ = stop.send(true);
    while !worker.is_finished() && told.elapsed() < DRAIN_LIMIT {
        std::thread::sleep(STEP);
    }
    if !worker.is_finished() {
        tracing::warn!(code = "stopping-early", "the next start does what is left");
        hurry.store(true, Ordering::Relaxed);
    }
    if worker.join().is_err() {
        return Err(Failure::No(
            "the pipeline ended by a panic; what is stored stays stored".into(),
        ));
    }
    observed.note(|| Event::Stopped);
    tracing::info!(code = "stopped", "all that was received is stored");
    match store.doubt() {
        None => Ok(()),
        Some(why) => Err(Failure::Doubt(why.to_owned())),
    }
}

/// The signals that ask for a stop, caught from the moment this is made.
struct Signals {
    terminate: Signal,
    interrupt: Signal,
}

impl Signals {
    fn catch(runtime: &Runtime) -> Result<Self, Failure> {
        let _inside = runtime.enter();
        Ok(Signals {
            terminate: signal(SignalKind::terminate()).map_err(Failure::no)?,
            interrupt: signal(SignalKind::interrupt()).map_err(Failure::no)?,
        })
    }

    /// Waits for a signal to stop, or for a store that takes nothing more.
    async fn until_told(&mut self, store: &Store) -> &'static str {
        loop {
            tokio::select! {
                _ = self.terminate.recv() => return "told to stop",
                _ = self.interrupt.recv() => return "interrupted",
                () = tokio::time::sleep(LOOK_ANYWAY) => {
                    if store.doubt().is_some() {
                        return "the store is in doubt";
                    }
                }
            }
        }
    }
}

/// A sender waits for its answer, a result can wait: receiving goes first. On Linux a thread has a
/// niceness of its own, and hands it on to those it starts.
fn give_way() {
    #[cfg(target_os = "linux")]
    if let Err(error) = rustix::process::nice(10) {
        tracing::debug!(code = "not-nice", %error);
    }
}

/// Drains the pipeline whenever something may have come, until told to stop; then once more, as far
/// as there is time.
fn work(pipeline: &Pipeline, stop: &watch::Receiver<bool>) {
    give_way();
    let mut changes = pipeline.store().changes();
    let mut looked_for_old: Option<Instant> = None;
    loop {
        let last = *stop.borrow();
        changes.mark_unchanged();
        match pipeline.drain(if last { Duration::ZERO } else { QUIET }, |_| {}) {
            Ok(done) if done.read + done.assessed + done.published > 0 => tracing::info!(
                code = "drained",
                objects = done.read,
                patients = done.assessed,
                results = done.published
            ),
            Ok(_) => {}
            Err(error) => {
                tracing::error!(code = "pipeline-failed", %error, "will be tried again");
                if !last {
                    std::thread::sleep(PAUSE_AFTER_FAILURE);
                }
            }
        }
        if last {
            return;
        }
        if looked_for_old.is_none_or(|at| at.elapsed() >= OLD_BODIES_EVERY) {
            drop_old(pipeline, stop);
            looked_for_old = Some(Instant::now());
        }
        wait(&mut changes, stop);
    }
}

/// Drops bytes that have been kept long enough, between which others may write.
fn drop_old(pipeline: &Pipeline, stop: &watch::Receiver<bool>) {
    let mut dropped = 0;
    while !*stop.borrow() {
        match pipeline.drop_some_bodies() {
            Ok(0) => break,
            Ok(some) => dropped += some,
            Err(error) => {
                tracing::error!(code = "bodies-not-dropped", %error, "will be tried again");
                break;
            }
        }
    }
    if dropped > 0 {
        tracing::info!(code = "bodies-dropped", objects = dropped);
    }
}

/// Until a commit, a stop, or a while has passed.
fn wait(changes: &mut watch::Receiver<u64>, stop: &watch::Receiver<bool>) {
    let mut waited = Duration::ZERO;
    while waited < LOOK_ANYWAY && !*stop.borrow() && !changes.has_changed().unwrap_or(true) {
        std::thread::sleep(STEP);
        waited += STEP;
    }
}
