//! From a configuration file to the things a command works with.

use super::args::PatientArg;
pub(super) use super::opening::{as_its_account, guest};
pub(crate) use super::opening::{owner, reception};
use super::{Code, Failure};
use crate::config::{Config, Effective, Layer, Setting, environment};
use crate::deliver::syslog::{self, Forwarder};
use crate::duties::Publishing;
use crate::observe::audit::message::Node;
use crate::observe::{Observed, Trail};
use crate::pipeline::{self, Beside, Pipeline};
use crate::receive::folder::file::{NotRead, read_whole};
use crate::routes::destination::Taker;
use crate::trial;
use sheathline_model::domain::{Millimetres, Mistake, PatientKey};
use sheathline_model::reading::{Charsets, Rules};
use sheathline_model::results::Site;
use sheathline_model::template::{Files, Templates};
use sheathline_net::connect::node::TlsFiles;
use sheathline_store::{Store, assessment_queue};
use std::fs;
use std::io::{self, ErrorKind, Write};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Reads a file of text that the command line names.
pub(super) fn text_of(path: &Path) -> Result<String, Failure> {
    text(path, Code::Usage, "the command line")
}

/// Reads a file of text; the failure names it and who named it.
fn text(path: &Path, code: Code, named_by: &str) -> Result<String, Failure> {
    fs::read_to_string(path).map_err(|error| {
        let failure = match error.kind() {
            ErrorKind::InvalidData => Failure::new(code, "is not UTF-8; save it as UTF-8"),
            _ => Failure::of(code, error).advised(&format!("; {named_by} names it")),
        };
        failure.told_of(path.display())
    })
}

/// Reads a whole object of at most `limit` bytes. A link that the user names is followed; a pipe or
/// a device is refused, so that nothing waits for ever.
pub(super) fn bytes_of(path: &Path, limit: u64) -> Result<Vec<u8>, Failure> {
    bytes_unless(path, limit, |_| ())
}

/// The same; `told` is told why a file that is there was not read.
pub(super) fn bytes_unless(
    path: &Path,
    limit: u64,
    told: impl FnOnce(&NotRead),
) -> Result<Vec<u8>, Failure> {
    let real = fs::canonicalize(path).map_err(|error| Failure::at(path, error))?;
    read_whole(&real, limit).map_err(|error| {
        told(&error);
        Failure::at(path, error)
    })
}

/// Writes a file that holds patient data: a new one is for the user and their group.
pub(super) fn write(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut options = fs::OpenOptions::new();
    options.write(true).create(true).truncate(true).mode(0o640);
    options.open(path)?.write_all(bytes)
}

/// Writes a new file; one that is there may be one that somebody works on, and is left as it is.
pub(super) fn write_new(path: &Path, text: &str) -> Result<(), Failure> {
    let failed = |error: io::Error| match error.kind() {
        ErrorKind::AlreadyExists => Failure::new(
            Code::Refused,
            format!(
                "{} exists and is left as it is; name a new file, or move that one away",
                path.display()
            ),
        ),
        _ => Failure::at(path, error),
    };
    let mut file = fs::File::create_new(path).map_err(failed)?;
    file.write_all(text.as_bytes()).map_err(failed)?;
    file.sync_all().map_err(failed)
}

/// Files of tokens and passwords that other accounts can read, each in words.
pub(super) fn readable_tokens(config: &Config) -> Vec<String> {
    let files = config.token_files().into_iter();
    let readable = files.filter(|(_, _, path)| {
        fs::metadata(path).is_ok_and(|facts| facts.permissions().mode() & 0o007 != 0)
    });
    readable
        .map(|(table, key, path)| {
            let path = path.display();
            format!("{table} {key}: {path} can be read by every account; chmod o= {path}")
        })
        .collect()
}

/// Every mistake on a line of its own.
pub(super) fn all(mistakes: &[Mistake]) -> Failure {
    let lines: Vec<String> = mistakes.iter().map(Mistake::to_string).collect();
    Failure::configuration(lines.join("\n"))
}

/// Loads a configuration file with what lies over it; relative paths start at the folder of the
/// file, in every layer.
pub(crate) fn config(path: &Path) -> Result<Config, Failure> {
    let mut config = Effective::of(&layers(path)?).map_err(|m| all(&m))?.config;
    config.resolve(folder_of(path));
    Ok(config)
}

pub(super) fn folder_of(path: &Path) -> &Path {
    path.parent().unwrap_or(Path::new(""))
}

/// The sources of a configuration, the strongest last: the file, `conf.d/*.toml` beside it by name,
/// the environment.
pub(super) fn layers(path: &Path) -> Result<Vec<Layer>, Failure> {
    const BESIDE: &str = "the folder conf.d beside the configuration";
    let layer = |file: &Path, named_by| -> Result<Layer, Failure> {
        Ok(Layer {
            name: file.display().to_string(),
            text: text(file, Code::Configuration, named_by)?,
        })
    };
    let mut layers = vec![layer(path, "--config or SHEATHLINE_CONFIG")?];
    let more = folder_of(path).join("conf.d");
    if more.is_dir() {
        for file in trial::toml_files(&more, BESIDE).map_err(Failure::configuration)? {
            layers.push(layer(&file, BESIDE)?);
        }
    }
    layers.extend(environment(variables()));
    Ok(layers)
}

/// The variables of the environment that are text.
pub(super) fn variables() -> impl Iterator<Item = (String, String)> {
    std::env::vars_os()
        .filter_map(|(name, value)| Some((name.into_string().ok()?, value.into_string().ok()?)))
}

/// Templates, dictionaries and limits of a configuration, from the files it names.
pub(crate) fn rules(config: &Config) -> Result<Rules, Failure> {
    rules_of(config, &[])
}

/// The same; what the settings come from tells the line that names a file.
pub(super) fn rules_of(config: &Config, origins: &[Setting]) -> Result<Rules, Failure> {
    let (files, mut missing) = template_files(config, origins)?;
    match Templates::of_files(&files) {
        Ok(templates) if missing.is_empty() => rules_with(config, templates),
        // Every mistake at once: of the files that are there too.
        loaded => {
            missing.extend(
                loaded
                    .err()
                    .into_iter()
                    .flatten()
                    .map(|one| one.to_string()),
            );
            Err(Failure::configuration(missing.join("\n")))
        }
    }
}

/// The files of templates and dictionaries that a configuration names, and why some of the
/// dictionaries cannot be read.
pub(super) fn template_files(
    config: &Config,
    origins: &[Setting],
) -> Result<(Files, Vec<String>), Failure> {
    trial::files(config, origins).map_err(Failure::configuration)
}

/// Limits and assumptions of a configuration with these templates.
pub(super) fn rules_with(config: &Config, templates: Templates) -> Result<Rules, Failure> {
    let length = |mm: f64| {
        Millimetres::from_mm(mm)
            .ok_or_else(|| Failure::configuration(format!("{mm} is no length in millimetres")))
    };
    Ok(Rules {
        templates,
        technique: config.technique,
        plausible: (
            length(config.baseline.plausible_min)?,
            length(config.baseline.plausible_max)?,
        ),
        documents: config.documents,
        charsets: charsets(config),
        presentation_states: config.templates.presentation_states,
        limits: sheathline_model::sr::Limits::default(),
    })
}

fn charsets(config: &Config) -> Charsets {
    let of_all = &config.dicom.fallback_charset;
    let senders = config.dicom.sender.iter().map(|sender| {
        let own = sender.fallback_charset.as_ref().unwrap_or(of_all);
        (sender.ae_title.clone(), own.clone())
    });
    Charsets {
        folder: config.folder.fallback_charset.clone(),
        dicom: of_all.clone(),
        senders: senders.collect(),
    }
}

/// Who runs this, for the audit trail.
pub(super) fn user() -> String {
    format!("uid {}", rustix::process::getuid().as_raw())
}

/// Advice for an outbox that cannot be had.
pub(super) const OUTBOX: &str = "; [outbox] folder names it";

/// What of the configuration a result depends on.
pub(super) fn site(config: &Config) -> Site {
    Site {
        parameters: config.baseline,
        technique: config.technique,
        roster: config.readers.roster(),
        context: config.context.show,
    }
}

/// Who is told what a process does: numbers, and the audit trail if the configuration names one.
///
/// # Errors
/// The trail cannot be begun; or as [`as_its_account`], since whoever asks for this will write.
pub(crate) fn observed(config: &Config) -> Result<Observed, Failure> {
    as_its_account(config)?;
    let node = || Node {
        ae_title: config.dicom.ae_title.clone(),
        process: std::process::id(),
    };
    let path = config.observe.audit.as_deref();
    Ok(Observed {
        trail: path.map(|path| Trail::open(path, node())).transpose()?,
        ..Observed::default()
    })
}

/// The syslog server of a configuration, if it names one.
pub(super) fn syslog(config: &Config) -> Option<syslog::Server> {
    let settings = &config.observe.syslog;
    Some(syslog::Server {
        host: settings.host.clone()?,
        port: settings.port,
        tls: TlsFiles {
            ca: settings.ca.clone(),
            certificate: settings.certificate.clone(),
            key: settings.key.clone(),
        },
        timeout: Duration::from_secs(settings.timeout_s),
    })
}

/// Begins to send the audit trail to the syslog server of a configuration, if it names one.
pub(super) fn forwarder(
    config: &Config,
    store: &Store,
    observed: &Observed,
) -> Result<Option<Forwarder>, Failure> {
    let (Some(server), Some(trail)) = (syslog(config), &config.observe.audit) else {
        return Ok(None);
    };
    let started = Forwarder::start(server, trail, store, observed);
    started.map(Some).map_err(Failure::from)
}

/// The names of the destinations of a configuration.
pub(super) fn destinations(config: &Config) -> Vec<String> {
    let all = config.destinations().into_iter();
    all.map(|(destination, _)| destination.name).collect()
}

/// Those that take results, with what each wants.
fn takers(config: &Config) -> Vec<Taker> {
    let all = config.destinations().into_iter();
    let takers = all.filter(|(destination, _)| destination.way.takes_results());
    takers
        .map(|(destination, _)| Taker {
            name: destination.name,
            wanted: destination.wanted,
        })
        .collect()
}

/// The names of those that take the reports that people typed.
fn entered_to(config: &Config) -> Vec<String> {
    let all = config.destinations().into_iter();
    let takers = all.filter(|(destination, _)| destination.way.takes_entered());
    takers.map(|(destination, _)| destination.name).collect()
}

/// The pipeline of a configuration over an open store.
pub(crate) fn pipeline(
    config: &Config,
    store: Store,
    observed: Observed,
) -> Result<Pipeline, Failure> {
    let folder = config.outbox.folder.clone();
    let pipeline = Pipeline::new(
        store,
        rules(config)?,
        site(config),
        folder,
        Beside {
            text: config.outbox.text,
            html: config.outbox.html,
            pdf: config.outbox.pdf,
            csv: config.outbox.csv,
        },
    )
    .keeping_pixels(config.store.keep_pixels)
    .keeping_bodies(config.store.keep_bodies_days)
    .delivering_to(takers(config))
    .bringing_entered_to(entered_to(config))
    .reminding_after(config.pages.remind_minutes)
    .publishing(if config.outbox.shared {
        Publishing::ByOne
    } else {
        Publishing::ByEach
    })
    .observed_by(observed);
    pipeline.begin_audit()?;
    Ok(pipeline)
}

/// A short name of the rules by which this configuration makes results.
pub(super) fn rules_word(config: &Config) -> Result<String, Failure> {
    Ok(pipeline::rules_word(&rules(config)?, &site(config)))
}

/// The configuration and the pipeline of a command that changes something beside the daemon, or
/// without one.
pub(super) fn beside(path: &Path) -> Result<(Config, Pipeline), Failure> {
    let config = config(path)?;
    let pipeline = pipeline(&config, guest(&config)?, observed(&config)?)?;
    Ok((config, pipeline))
}

/// The patient an id names, told apart by issuer where that is needed.
pub(super) fn patient(store: &Store, named: &PatientArg) -> Result<PatientKey, Failure> {
    let mut keys = store.read(|conn| assessment_queue::with_id(conn, &named.patient))?;
    if let Some(issuer) = &named.issuer {
        keys.retain(|key| key.issuer == *issuer);
    }
    let issuers: Vec<String> = keys.iter().map(|key| format!("{:?}", key.issuer)).collect();
    let mut keys = keys.into_iter();
    match (keys.next(), keys.next()) {
        (Some(key), None) => Ok(key),
        (None, _) => Err(Failure::new(
            Code::NotFound,
            "the store holds no object of that patient; ids are compared as they are, \
             with case and leading zeros",
        )),
        (Some(_), Some(_)) => Err(Failure::new(
            Code::Ambiguous,
            format!(
                "that id names {} patients; add --issuer, one of {}",
                issuers.len(),
                issuers.join(", ")
            ),
        )),
    }
}

/// Regular files at and below the paths, sorted; a path that does not exist is a failure.
pub(super) fn files(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Failure> {
    let mut found = Vec::new();
    let mut folders: Vec<PathBuf> = Vec::new();
    for path in paths {
        let kind = fs::metadata(path)
            .map_err(|error| Failure::of(Code::Usage, error).told_of(path.display()))?;
        if kind.is_dir() {
            folders.push(path.clone())
        } else {
            found.push(path.clone())
        }
    }
    while let Some(folder) = folders.pop() {
        let failed = |error| Failure::at(&folder, error);
        for entry in fs::read_dir(&folder).map_err(failed)? {
            let entry = entry.map_err(failed)?;
            // Links inside a folder are not followed: they may lead in circles or elsewhere.
            let kind = entry.file_type().map_err(failed)?;
            if kind.is_dir() {
                folders.push(entry.path());
            } else if kind.is_file() {
                found.push(entry.path());
            }
        }
    }
    found.sort();
    Ok(found)
}
