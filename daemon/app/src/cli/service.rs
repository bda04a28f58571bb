//! The running daemon: listener, drop folder and pipeline side by side until told to stop.

mod receivers;
mod signals;

pub(crate) use receivers::Receivers;

use receivers::{advice, of_dicom, of_pages, of_web, unopened};
use signals::{Order, Signals};

use super::issuers::Look;
use super::worker::{DRAIN_LIMIT, STEP, Worker, Working};
use super::{Code, Failure, context, opening, places, supervisor};
use crate::commitment::Reporter;
use crate::config::{Config, LogFormat};
use crate::deliver;
use crate::deliver::syslog::Forwarder;
use crate::deliver::workers::{self, Workers};
use crate::duties::{Brings, Roster, Share};
use crate::forwarding::Forwarding;
use crate::health::Health;
use crate::health::endpoint::{Endpoint, EndpointError};
use crate::intake::Reception;
use crate::observe::audit::Event;
use crate::observe::database::Watch;
use crate::observe::failures::CountFailures;
use crate::observe::{Metrics, Observed};
use crate::outbox::Claim;
use crate::pages::{DeskSettings, Pages};
use crate::pipeline::{Pipeline, PipelineError};
use crate::receive::{Dicom, Hl7, Web};
use chrono::Utc;
use sheathline_net::serve::{Live, Prepared as Ports, Served};
use sheathline_store::Store;
use sheathline_store::members::Duty;
use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;
use tokio::runtime::Runtime;
use tokio::sync::watch;
use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, Layer};

/// The runtime that receivers run on.
pub(crate) fn runtime() -> Result<Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(Failure::from)
}

/// Logs to standard output, one event a line, and counts failures.
fn log(config: &Config, metrics: &Arc<Metrics>) {
    let filter = EnvFilter::new(format!(
        "{},notify=warn,tower_sessions=off,tower_sessions_core=off",
        config.observe.log.word()
    ));
    let logs = tracing_subscriber::fmt::layer()
        .with_target(false)
        // A log that cannot be written would be told to standard error, which may be on the same
        // full disk, and a failure to write there panics.
        .log_internal_errors(false);
    let logs = match config.observe.log_format {
        LogFormat::Text => logs.with_ansi(false).boxed(),
        LogFormat::Json => logs.json().boxed(),
    };
    // Libraries of the pages warn of every cookie that a stranger makes up; we tell what went wrong.
    let ours = Targets::new()
        .with_default(LevelFilter::WARN)
        .with_target("tower_sessions", LevelFilter::OFF)
        .with_target("tower_sessions_core", LevelFilter::OFF);
    let count = CountFailures(Arc::clone(metrics)).with_filter(ours);
    let all = tracing_subscriber::registry().with(logs.with_filter(filter));
    let set = all.with(count).try_init();
    if let Err(error) = set {
        super::print::note(format_args!("logging was set up already: {error}"));
    }
}

/// `serve`: runs until SIGTERM, SIGINT, or a store in doubt. SIGHUP reads the configuration again.
pub(super) fn serve(file: &Path) -> Result<(), Failure> {
    serve_and(file, |_| Ok(()))
}

/// The same; once everything runs, `begun` is told the addresses of the pages.
pub(super) fn serve_and(
    file: &Path,
    begun: impl FnOnce(&[SocketAddr]) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let config = context::config(file)?;
    receives_something(&config)?;
    places::check(&config)?;
    let observed = context::observed(&config)?;
    log(&config, &observed.metrics);
    tell_exposed(&config, None);
    for what in context::readable_tokens(&config) {
        tracing::warn!(code = "token-file-readable", "{what}");
    }
    if let Some(what) = config.store.unencrypted() {
        tracing::warn!(code = "store-not-encrypted", "{what}");
    }
    let store = opening::daemon(&config)?;
    let share = if store.is_shared() {
        Share::of_a_member()
    } else {
        Share::all()
    };
    // Before anything is changed.
    let roster = if store.is_shared() {
        let brings = brings(&config)?;
        Some(Roster::start(&store, &share, &observed.metrics, brings)?)
    } else {
        None
    };
    let metrics = Arc::clone(&observed.metrics);
    store.on_commit(move |took| metrics.committed(took));
    // Before the first message of this start, which is to be sent.
    let forwarder = context::forwarder(&config, &store, &observed)?;
    let database = Watch::start(&store, &observed.database, &observed.metrics)?;
    let publications = watch::Sender::new(0);
    let pipeline = context::pipeline(&config, store.clone(), observed.clone())?
        .announcing(publications.clone())
        .sharing(share.clone());
    if let Some(trail) = &observed.trail
        && !trail.write(&[(Utc::now(), Event::Started)])
    {
        return Err(Failure::new(
            Code::AuditTrail,
            "the audit trail cannot be written; [observe] audit names it",
        ));
    }
    let reception = context::reception(&config, &store)?;
    take_outbox(&pipeline, &observed)?;
    let outbox = pipeline.claim();
    refresh(&pipeline, &observed)?;
    let runtime = runtime()?;
    // Before anybody can know that we listen: a signal that comes first would end us undrained.
    let mut signals = Signals::catch(&runtime)?;
    let health = Health::new(&config, store.clone(), observed.clone());
    let health = Arc::new(health.receiving_by(&reception));
    // It answers until the end, while everything else stops.
    let (endless, never) = watch::channel(false);
    let endpoint = Served::bind(Endpoint(Arc::clone(&health)), config.observe.listen.clone());
    let endpoint = runtime.block_on(endpoint).map_err(|error| {
        let advice = advice(&error);
        Failure::from(EndpointError(error)).advised(advice)
    })?;
    let endpoint_live = endpoint.live();
    runtime.spawn(endpoint.run(never));
    endpoint_live.tell_open();
    let receivers = Receivers::start(
        &runtime,
        &config,
        &reception,
        &observed,
        Some(Arc::clone(&health)),
    )?;
    let deliveries = {
        let _inside = runtime.enter();
        let (all, published) = (config.destinations(), publications.subscribe());
        Workers::start(
            &all,
            deliver::carrier,
            &store,
            &observed,
            &published,
            &share,
        )?
    };
    let forwarding = reception
        .forwarded()
        .map(|spool| Forwarding::start(spool, &store, &observed))
        .transpose()?;
    let commitments = Reporter::start(&reception, config.commitment_nodes())?;
    let (working, worker_lives) = Working::new();
    health.serving(receivers.handles(), worker_lives);
    health.listening(receivers.ports());
    // Whoever reads that may ask after health.
    receivers.tell_open();
    let issuers = Look::start(&config, &store);
    let mut running = Running {
        worker: Worker::start(pipeline, working)?,
        deliveries,
        commitments,
        share,
        roster,
        publications,
        config,
        store,
        observed,
        health,
        endpoint: endpoint_live,
        receivers,
        forwarder,
        reception,
        forwarding,
        outbox,
        issuers,
        unopened: None,
        database,
    };
    supervisor::ready(&running.health);
    let pages = running.receivers.pages.addresses().into_iter();
    let told = begun(&pages.map(|(address, _)| address).collect::<Vec<_>>());
    runtime.spawn(supervisor::watch(Arc::clone(&running.health)));
    if let Err(failure) = told {
        running.stop(&runtime, "nobody can be told where the pages are")?;
        return Err(failure);
    }
    let why = loop {
        match runtime.block_on(signals.until_ordered(&running.reception, &running.observed)) {
            Order::Stop(why) => break why,
            Order::Reload => running = running.reload(&runtime, file)?,
            Order::LookAtFiles => running.look_at_files(&runtime),
        }
    };
    let done = running.stop(&runtime, why);
    drop(endless);
    done
}

/// What this daemon could do among those that share the store, buckets of patients apart.
fn duties(config: &Config) -> BTreeSet<Duty> {
    let destinations = config.destinations().into_iter();
    let deliveries = destinations.map(|(one, _)| Duty::Destination(one.name));
    Duty::SINGLE.into_iter().chain(deliveries).collect()
}

/// What this daemon brings to those that share the store.
fn brings(config: &Config) -> Result<Brings, Failure> {
    Ok(Brings {
        single: duties(config),
        rules: context::rules_word(config)?,
    })
}

/// A mistake where nothing is to be received.
pub(super) fn receives_something(config: &Config) -> Result<(), Failure> {
    let web = &config.web;
    let has_web = !web.listen.is_empty() || !web.tls.listen.is_empty();
    if !config.dicom.enabled && config.folder.path.is_none() && !has_web {
        return Err(Failure::configuration(
            "nothing to serve: [receive.dicom] is switched off, [receive.folder] has no path and [receive.web] \
             no address; write enabled = true for the first, or a path for the second",
        ));
    }
    Ok(())
}

/// A daemon at work.
struct Running {
    config: Config,
    store: Store,
    observed: Observed,
    health: Arc<Health>,
    /// Changes where health is asked for.
    endpoint: Live<Endpoint>,
    receivers: Receivers,
    worker: Worker,
    deliveries: Workers,
    /// Tells senders what they asked by Storage Commitment.
    commitments: Reporter,
    /// What of the work on the store is ours.
    share: Share,
    /// Keeps us a member of those who share the store, where it is shared.
    roster: Option<Roster>,
    /// Tells the deliveries that there is something new.
    publications: watch::Sender<u64>,
    /// Sends the audit trail on.
    forwarder: Option<Forwarder>,
    /// Where what is received goes first.
    reception: Reception,
    /// Forwards what waits in the spool.
    forwarding: Option<Forwarding>,
    /// What keeps other stores out of the outbox.
    outbox: Arc<Claim>,
    /// Compares the issuers of stored reports with those of the configuration.
    issuers: Look,
    /// Why a port whose files serve again cannot be had, as the log has it.
    unopened: Option<String>,
    /// Looks at the server behind the store, if it is one.
    database: Option<Watch>,
}

impl Running {
    /// Opens the ports for TLS whose files serve again, and closes those whose certificate has ended.
    fn look_at_files(&mut self, runtime: &Runtime) {
        let renewed = self.receivers.renew(runtime, &self.config);
        let unopened = renewed
            .err()
            .map(|why| unopened(why, &self.addresses()).to_string());
        if let Some(why) = unopened.as_ref().filter(|_| self.unopened != unopened) {
            tracing::error!(code = "listen-failed", "{why}");
        }
        self.unopened = unopened;
        self.health.listening(self.receivers.ports());
    }

    /// Puts the configuration as it is now in force, all of it that can change, or nothing.
    ///
    /// # Errors
    /// The pipeline ended by a panic, or no thread can be had for it.
    fn reload(mut self, runtime: &Runtime, file: &Path) -> Result<Self, Failure> {
        supervisor::reloading();
        let mut refused = false;
        match self.prepare(runtime, file) {
            Ok(prepared) => {
                let (working, worker_lives) = Working::new();
                self.health.serving(self.receivers.handles(), worker_lives);
                let old = self.worker.interrupt()?;
                match refresh(&prepared.pipeline, &self.observed) {
                    Ok(()) => {
                        self.worker = Worker::start(prepared.pipeline, working)?;
                        self.receivers.dicom.apply(prepared.dicom);
                        self.receivers.hl7.apply(prepared.hl7);
                        self.receivers.web.apply(prepared.web);
                        self.receivers.pages.apply(prepared.pages);
                        self.receivers.desk = prepared.desk;
                        self.endpoint.apply(prepared.endpoint);
                        self.deliveries.apply(prepared.deliveries);
                        self.commitments.put(prepared.config.commitment_nodes());
                        if let Some(roster) = &self.roster {
                            roster.brings(prepared.brings);
                        }
                        tell_exposed(&prepared.config, Some(&self.config));
                        tell_reloaded(&self.config, &prepared.config, &self.observed);
                        for key in prepared.config.differences(&prepared.wanted) {
                            tracing::warn!(code = "reload-waits", key, "needs a new start");
                        }
                        if self.config.issuers() != prepared.config.issuers() {
                            self.issuers = Look::start(&prepared.config, &self.store);
                        }
                        self.config = prepared.config;
                    }
                    Err(why) => {
                        refused = true;
                        tell_refused(&why);
                        self.worker = Worker::start(old, working)?;
                    }
                }
            }
            Err(why) => {
                refused = true;
                tell_refused(&why);
            }
        }
        self.health.listening(self.receivers.ports());
        self.health.reloaded(refused);
        supervisor::ready(&self.health);
        Ok(self)
    }

    /// Every address that is listened at.
    fn addresses(&self) -> Vec<SocketAddr> {
        let mut all = self.receivers.addresses();
        all.extend(self.endpoint.addresses().into_iter().map(|(one, _)| one));
        all
    }

    /// Reads everything that the configuration names, and changes nothing.
    fn prepare(&self, runtime: &Runtime, file: &Path) -> Result<Prepared, Failure> {
        let wanted = context::config(file)?;
        let config = self.config.reloaded(&wanted);
        receives_something(&config)?;
        let ours = self.addresses();
        let Receivers {
            dicom,
            hl7,
            web,
            pages,
            ..
        } = &self.receivers;
        let unopened = |error| unopened(error, &ours);
        let dicom = runtime.block_on(dicom.prepare(of_dicom(&config)));
        let dicom = dicom.map_err(unopened)?;
        let hl7 = runtime.block_on(hl7.prepare(config.hl7.clone()));
        let hl7 = hl7.map_err(unopened)?;
        let web = runtime.block_on(web.prepare(of_web(&config)));
        let web = web.map_err(unopened)?;
        let desk = of_pages(&config)?;
        let pages = runtime.block_on(pages.prepare(desk.clone()));
        let pages = pages.map_err(unopened)?;
        let endpoint = self.endpoint.prepare(config.observe.listen.clone());
        let endpoint = runtime.block_on(endpoint).map_err(unopened)?;
        let deliveries = {
            let _inside = runtime.enter();
            let change = self.deliveries.prepare(&config.destinations());
            change?
        };
        Ok(Prepared {
            pipeline: context::pipeline(&config, self.store.clone(), self.observed.clone())?
                .announcing(self.publications.clone())
                .sharing(self.share.clone())
                .holding(Arc::clone(&self.outbox)),
            dicom,
            hl7,
            web,
            pages,
            desk,
            endpoint,
            deliveries,
            brings: brings(&config)?,
            config,
            wanted,
        })
    }

    fn stop(self, runtime: &Runtime, why: &str) -> Result<(), Failure> {
        tracing::info!(code = "stopping", "{why}");
        supervisor::stopping();
        self.health.stopping();
        drop(self.issuers);
        drop(self.database);
        self.receivers.stop(runtime);
        self.observed.tell_all_refused();
        let told = Instant::now();
        if let Some(forwarding) = self.forwarding {
            forwarding.finish(DRAIN_LIMIT);
        }
        self.deliveries.stop();
        self.commitments.stop();
        self.worker.finish()?;
        // A note more or less loses nothing; what keeps from it was told while it worked.
        let _ = self.outbox.note(&self.store);
        let are_finished = || self.deliveries.are_finished() && self.commitments.is_finished();
        while !are_finished() && told.elapsed() < DRAIN_LIMIT {
            std::thread::sleep(STEP);
        }
        if !self.deliveries.are_finished() {
            // It is repeated by the next start, and the receiver recognises it.
            tracing::warn!(code = "delivery-cut-off", "a destination does not answer");
        }
        if let Some(trail) = &self.observed.trail {
            trail.note(&Event::Stopped);
            // Returns once what was noted before it is written, or tells the log that it is not.
            let _ = trail.write(&[]);
        }
        if let Some(forwarder) = self.forwarder {
            forwarder.finish();
        }
        if let Some(roster) = self.roster {
            roster.leave();
        }
        tracing::info!(code = "stopped", "all that was received is stored");
        let of_spool = self
            .reception
            .forwarded()
            .and_then(Failure::of_doubt_of_spool);
        match Failure::of_doubt(&self.store).or(of_spool) {
            None => Ok(()),
            Some(failure) => Err(failure),
        }
    }
}

/// A configuration that was read again, with all that it names.
struct Prepared {
    /// As written.
    wanted: Config,
    /// As far as it can be put in force.
    config: Config,
    pipeline: Pipeline,
    dicom: Ports<Dicom>,
    hl7: Ports<Hl7>,
    web: Ports<Web>,
    pages: Ports<Pages>,
    desk: DeskSettings,
    endpoint: Ports<Endpoint>,
    deliveries: workers::Change,
    brings: Brings,
}

/// Takes the outbox for this store. One that cannot be written only now is no reason not to receive.
fn take_outbox(pipeline: &Pipeline, observed: &Observed) -> Result<(), Failure> {
    match pipeline.sweep() {
        Err(PipelineError::Publish(error)) if !error.is_mistake() => {
            if let Some(what) = error.unwritable() {
                observed.outbox.failed(what, &error);
            }
            Ok(())
        }
        Err(error) => Err(Failure::from(error).advised(context::OUTBOX)),
        Ok(()) => Ok(()),
    }
}

/// Sends back what was made by other rules.
fn refresh(pipeline: &Pipeline, observed: &Observed) -> Result<(), Failure> {
    if let Some(change) = pipeline.refresh()? {
        tracing::info!(code = "rules-changed", "{change}");
        observed.note(|| Event::Reconfigured { change });
    }
    Ok(())
}

/// Tells of ports that are open to everybody now, and were not `before`.
fn tell_exposed(config: &Config, before: Option<&Config>) {
    let before = before.map(Config::exposed).unwrap_or_default();
    for one in config.exposed() {
        if !before.contains(&one) {
            tracing::warn!(code = "port-open-to-all", "{}", one.what);
        }
    }
}

fn tell_reloaded(old: &Config, new: &Config, observed: &Observed) {
    // Files that the configuration names may have changed without it.
    let changed = old.differences(new).join(", ");
    tracing::info!(code = "reloaded", changed, "the configuration is in force");
    if !changed.is_empty() {
        let change = format!("configuration read again: {changed}");
        observed.note(|| Event::Reconfigured { change });
    }
}

fn tell_refused(why: &Failure) {
    for line in why.to_string().lines() {
        let cause = why.code().word();
        tracing::error!(
            code = "reload-refused",
            cause,
            "{line}; all stays as it was"
        );
    }
}
