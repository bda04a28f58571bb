//! `status`: how the service is, for a person at the terminal. Reads the store and asks the running
//! daemon, where its configuration says that it can be asked; changes nothing.

mod pages;
mod spool;

use super::args::StatusArgs;
use super::{Code, Failure, context, inspect, print};
use crate::config::{Config, Effective};
use crate::health::ports::PortsNow;
use crate::pipeline::Sum;
use crate::standing::database::{self, Database};
use crate::standing::{self, Lasting, Members, Standing, time};
use pages::Pages;
use serde::Serialize;
use sheathline_store::overview;
use spool::Spool;
use std::io::{Read, Write};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, TcpStream};
use std::path::Path;
use std::time::Duration;

/// How long the daemon may take for an answer.
const ANSWER_LIMIT: Duration = Duration::from_secs(3);

/// The longest answer that is read.
const ANSWER_BYTES_MAX: u64 = 64 << 10;

/// What the daemon says of itself.
#[derive(Debug, Serialize)]
#[serde(rename_all = "snake_case", tag = "state")]
enum Daemon {
    /// `[observe] listen` is off or lets the system choose the port, so nobody can be asked.
    Unknown,
    /// Nobody answers.
    Silent {
        address: SocketAddr,
    },
    Ready,
    NotReady {
        reasons: Vec<String>,
    },
}

#[derive(Debug, Serialize)]
struct Status {
    version: &'static str,
    daemon: Daemon,
    /// Whether the pages can be opened.
    pages: Pages,
    objects: Sum,
    /// What waits in the spool, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    spool: Option<Spool>,
    #[serde(flatten)]
    standing: Standing,
    database: Database,
    disk: Disk,
}

#[derive(Debug, Serialize)]
struct Disk {
    store_bytes: u64,
    store_free_bytes: Option<u64>,
    outbox_results: u64,
    outbox_bytes: u64,
    outbox_free_bytes: Option<u64>,
}

/// Exit code 1 where somebody is needed: the daemon could be asked and is not ready, or one of
/// [`Status::needs`]. With `--probe` the daemon alone is asked.
pub(super) fn status(args: &StatusArgs) -> Result<(), Failure> {
    if args.probe {
        return probe(&args.config.config);
    }
    let config = context::config(&args.config.config).map_err(|failure| {
        match probe(&args.config.config) {
            Ok(()) => {
                failure.advised("\nthe daemon is ready, with the configuration that it took before")
            }
            Err(_) => failure,
        }
    })?;
    let (daemon, ports) = ask(&config);
    let verdict = verdict(&daemon);
    let pages = Pages::of(&config, ports.as_deref());
    // What the daemon says helps where the store cannot be asked.
    let said = verdict.as_ref().err().map(Failure::to_string);
    let status = gather(&config, daemon, pages).map_err(|failure| {
        // So does what waits on this machine.
        let spool = Spool::of(&config).ok().flatten();
        let spool = spool.map(|spool| format!("the spool: {}", spool.line()));
        let also = said.iter().cloned().chain(spool);
        also.fold(failure, |failure, more| {
            failure.advised(&format!("\n{more}"))
        })
    })?;
    if args.json {
        print::json(&status)?
    } else {
        show(&status)
    }
    let needs = status.standing.needs.into_iter().map(|need| need.what);
    let all: Vec<String> = said.into_iter().chain(needs).collect();
    if all.is_empty() {
        Ok(())
    } else {
        Err(Failure::new(Code::CheckFailed, all.join("\n")))
    }
}

/// Asks the daemon alone. It may run on with an earlier configuration than the one that lies there, so a
/// mistake in that is none of the daemon.
fn probe(file: &Path) -> Result<(), Failure> {
    let (config, mistakes) = Effective::as_far_as_good(&context::layers(file)?);
    match ask(&config.config).0 {
        Daemon::Unknown if !mistakes.is_empty() => Err(context::all(&mistakes)),
        Daemon::Unknown => Err(Failure::configuration(
            "nobody can be asked: [observe] listen names no address with a port",
        )),
        daemon => verdict(&daemon),
    }
}

fn verdict(daemon: &Daemon) -> Result<(), Failure> {
    match daemon {
        Daemon::Unknown | Daemon::Ready => Ok(()),
        Daemon::Silent { address } => Err(Failure::new(
            Code::NotReady,
            format!("nobody answers on {address}, the first address of [observe] listen"),
        )),
        Daemon::NotReady { reasons } => Err(Failure::new(
            Code::NotReady,
            format!("the daemon is not ready: {}", reasons.join("; ")),
        )),
    }
}

fn gather(config: &Config, daemon: Daemon, pages: Pages) -> Result<Status, Failure> {
    let store = context::guest(config)?;
    let database = database::of(config, &store)?;
    let spool = Spool::of(config)?;
    let mut standing = standing::of(config, &store, overview::overview)?;
    standing.needs.extend(spool.iter().flat_map(Spool::needs));
    let (outbox_results, outbox_bytes) = outbox(&config.outbox.folder);
    Ok(Status {
        version: env!("CARGO_PKG_VERSION"),
        daemon,
        pages,
        objects: inspect::sum(&store)?,
        spool,
        standing,
        disk: Disk {
            store_bytes: database.bytes(),
            store_free_bytes: database.free_bytes(),
            outbox_results,
            outbox_bytes,
            outbox_free_bytes: crate::health::reasons::free_bytes(&config.outbox.folder),
        },
        database,
    })
}

/// Results in the outbox and the bytes of their files. Whoever reads it may take one away meanwhile.
fn outbox(folder: &Path) -> (u64, u64) {
    let entries = |path: &Path| std::fs::read_dir(path).into_iter().flatten().flatten();
    let (mut results, mut bytes) = (0, 0);
    let is_result = |entry: &std::fs::DirEntry| {
        let is_hidden = entry.file_name().as_encoded_bytes().starts_with(b".");
        !is_hidden && entry.file_type().is_ok_and(|kind| kind.is_dir())
    };
    for result in entries(folder).filter(is_result) {
        let of_file = |file: std::fs::DirEntry| Some(file.metadata().ok()?.len());
        results += 1;
        bytes += entries(&result.path()).filter_map(of_file).sum::<u64>();
    }
    (results, bytes)
}

/// Asks the endpoint at its first address; with the daemon's ports, where it says them.
fn ask(config: &Config) -> (Daemon, Option<Vec<PortsNow>>) {
    let Some(address) = config.observe.listen.first().copied() else {
        return (Daemon::Unknown, None);
    };
    if address.port() == 0 {
        return (Daemon::Unknown, None);
    }
    let address = of_this_machine(address);
    readiness(address).unwrap_or((Daemon::Silent { address }, None))
}

/// What listens everywhere is asked here.
fn of_this_machine(mut address: SocketAddr) -> SocketAddr {
    match address.ip() {
        IpAddr::V4(ip) if ip.is_unspecified() => address.set_ip(Ipv4Addr::LOCALHOST.into()),
        IpAddr::V6(ip) if ip.is_unspecified() => address.set_ip(Ipv6Addr::LOCALHOST.into()),
        _ => {}
    }
    address
}

fn readiness(address: SocketAddr) -> Option<(Daemon, Option<Vec<PortsNow>>)> {
    let mut stream = TcpStream::connect_timeout(&address, ANSWER_LIMIT).ok()?;
    stream.set_read_timeout(Some(ANSWER_LIMIT)).ok()?;
    stream.set_write_timeout(Some(ANSWER_LIMIT)).ok()?;
    let request = format!("GET /readyz HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).ok()?;
    let mut answer = String::new();
    stream
        .take(ANSWER_BYTES_MAX)
        .read_to_string(&mut answer)
        .ok()?;
    let body = answer.split_once("\r\n\r\n")?.1;
    let body: serde_json::Value = serde_json::from_str(body).ok()?;
    // One of an earlier version says nothing of them.
    let ports = body.get("ports").cloned();
    let ports = ports.and_then(|ports| serde_json::from_value(ports).ok());
    if body.get("ready")?.as_bool()? {
        return Some((Daemon::Ready, ports));
    }
    let word = |reason: &serde_json::Value, key| reason.get(key)?.as_str().map(str::to_owned);
    let told = |reason| {
        Some(format!(
            "{}: {}",
            word(reason, "code")?,
            word(reason, "what")?
        ))
    };
    let reasons = body.get("reasons")?.as_array()?.iter();
    let reasons = reasons.filter_map(told).collect();
    Some((Daemon::NotReady { reasons }, ports))
}

fn show(status: &Status) {
    let standing = &status.standing;
    let row = |what: &str, value: &dyn std::fmt::Display| {
        print::line(format_args!("{what:<22} {value}"));
    };
    row("version", &status.version);
    match &status.daemon {
        Daemon::Unknown => row("daemon", &"not asked; [observe] listen names no port"),
        Daemon::Silent { address } => row("daemon", &format_args!("silent on {address}")),
        Daemon::Ready => row("daemon", &"ready"),
        Daemon::NotReady { reasons } => {
            row("daemon", &format_args!("NOT ready: {}", reasons.join("; ")))
        }
    }
    row("pages", &status.pages.line());
    row("objects", &status.objects);
    if let Some(spool) = &status.spool {
        row("spool", &spool.line());
        if let Some(Lasting { since, what }) = spool.held_up() {
            row(
                "not forwarded",
                &format_args!("{what}, since {}", time(Some(*since))),
            );
        }
    }
    row("last received", &time(standing.last_received));
    row("last published", &time(standing.last_published));
    if standing.bodies_kept_by_clock {
        row(
            "old bodies",
            &"kept: the clock is more than 30 days beyond the newest object",
        );
    }
    for stage in &standing.waiting {
        match stage.oldest {
            None => row(stage.what, &stage.count),
            Some(_) => row(
                stage.what,
                &format_args!("{}, since {}", stage.count, time(stage.oldest)),
            ),
        }
    }
    for (of, trouble) in [
        ("outbox not written", &standing.outbox_unwritable),
        ("results not written", &standing.results_not_written),
        ("issuers", &standing.patients_apart),
    ] {
        if let Some(Lasting { since, what }) = trouble {
            row(of, &format_args!("{what}, since {}", time(Some(*since))));
        }
    }
    for one in &standing.deliveries {
        let name = format!("to {}", one.destination);
        row(&name, &one.line());
    }
    for one in &standing.senders {
        let (name, line) = one.line();
        row(&name, &line);
    }
    for one in &standing.dropped {
        let (name, line) = one.line();
        row(&name, &line);
    }
    for (heading, counts) in [
        ("quarantined by reason", &standing.quarantined_by_reason),
        ("exams by status", &standing.exams_by_status),
    ] {
        if counts.is_empty() {
            row(heading, &"none")
        } else {
            print::line(heading)
        }
        for (code, count) in counts {
            print::line(format_args!("  {code:<40} {count:>8}"));
        }
    }
    for (heading, line) in status.database.lines() {
        row(heading, &line);
    }
    for (heading, line) in standing.members.iter().flat_map(Members::lines) {
        row(&heading, &line);
    }
    let disk = &status.disk;
    row(
        "store",
        &format_args!(
            "{}, free {}",
            size(Some(disk.store_bytes)),
            size(disk.store_free_bytes)
        ),
    );
    row(
        "outbox",
        &format_args!(
            "{} results, {}, free {}",
            disk.outbox_results,
            size(Some(disk.outbox_bytes)),
            size(disk.outbox_free_bytes)
        ),
    );
}

fn size(bytes: Option<u64>) -> String {
    match bytes {
        None => "unknown".to_owned(),
        Some(bytes) => format!("{:.1} MB", bytes as f64 / 1e6),
    }
}
