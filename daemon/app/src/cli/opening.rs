//! The one way to the store of a configuration, whichever kind it is: a file or a server.

use super::{Code, Failure};
use crate::config::{Config, PASSWORD_VARIABLE, ServerSettings, StorePlace};
use crate::intake::Reception;
use crate::outbox;
use sheathline_net::connect::{node::TlsFiles, tls};
use sheathline_store::postgres;
use sheathline_store::spool::{Limits, Spool};
use sheathline_store::verify::Looker;
use sheathline_store::{Mode, Store, StoreError};
use std::fs;
use std::io::{self, ErrorKind};
use std::os::unix::fs::DirBuilderExt;
use std::path::Path;

/// Opens the store for the one process that receives and assesses.
pub(crate) fn owner(config: &Config) -> Result<Store, Failure> {
    as_its_account(config)?;
    if let StorePlace::File(path) = config.store.place() {
        refuse_orphans(path, &config.outbox.folder)?;
        if let Some(folder) = path.parent() {
            made(folder).map_err(|failure| failure.advised("; ").advised(STORE))?;
        }
    }
    opened(config, Mode::Owner)
}

fn made(folder: &Path) -> Result<(), Failure> {
    fs::DirBuilder::new()
        .recursive(true)
        .mode(0o750)
        .create(folder)
        .map_err(|error| Failure::at(folder, error))
}

/// Where what is received goes first, for the one process that receives. A spool that the configuration
/// does not ask for any more is opened as well while it holds anything: that was acknowledged.
pub(crate) fn reception(config: &Config, store: &Store) -> Result<Reception, Failure> {
    let store = store.clone();
    let path = config.store.spool_file();
    let spools = config.store.spools();
    if !spools && !path.exists() {
        return Ok(Reception::Store(store));
    }
    of_its_account(&path)?;
    if let (true, Some(folder)) = (spools, path.parent()) {
        made(folder).map_err(|failure| failure.advised(SPOOL))?;
    }
    let spool = spool(config, Mode::Owner)?;
    if spools {
        return Ok(Reception::Spool { spool, store });
    }
    let standing = spool.standing()?;
    let left = standing
        .waiting
        .objects
        .saturating_add(standing.aside.objects);
    if left == 0 {
        return Ok(Reception::Store(store));
    }
    tracing::info!(
        code = "spool-left",
        objects = left,
        "a spool of before is emptied into the store; what comes now goes there directly"
    );
    Ok(Reception::Emptying { spool, store })
}

/// The spool of a configuration.
pub(in crate::cli) fn spool(config: &Config, mode: Mode) -> Result<Spool, Failure> {
    let limit = config.store.spool_limit_mb.saturating_mul(1_000_000);
    Spool::open(&config.store.spool_file(), mode, Limits::of_bytes(limit))
        .map_err(|error| Failure::from(error).advised(SPOOL))
}

/// Opens the store for a daemon: alone where it is a file, among equals where it is on a server.
pub(in crate::cli) fn daemon(config: &Config) -> Result<Store, Failure> {
    match config.store.place() {
        StorePlace::File(_) => owner(config),
        StorePlace::Server(_) => {
            as_its_account(config)?;
            opened(config, Mode::Member)
        }
    }
}

/// Opens the store beside a daemon that may be running.
pub(in crate::cli) fn guest(config: &Config) -> Result<Store, Failure> {
    opened(config, Mode::Guest)
}

/// As [`guest`], before the first daemon as well: a store that is not there yet, or whose making was cut
/// off, is made.
pub(in crate::cli) fn guest_or_first(config: &Config) -> Result<Store, Failure> {
    match open(config, Mode::Guest) {
        Ok(store) => Ok(store),
        Err(NotOpened::Store(StoreError::Missing { .. } | StoreError::Outdated { .. })) => {
            drop(owner(config)?);
            guest(config)
        }
        Err(why) => Err(why.into()),
    }
}

/// Opens the store to look at every byte of it.
pub(in crate::cli) fn looker(config: &Config) -> Result<Looker, Failure> {
    match config.store.place() {
        StorePlace::File(path) => Ok(Looker::open(path)?),
        StorePlace::Server(server) => {
            Looker::open_server(&settings(&server)?).map_err(|error| NotOpened::Store(error).into())
        }
    }
}

/// The file of the store, for a command that works on files alone; `instead` says what a site with a
/// server does.
pub(in crate::cli) fn file<'c>(
    config: &'c Config,
    command: &str,
    instead: &str,
) -> Result<&'c Path, Failure> {
    match config.store.place() {
        StorePlace::File(path) => Ok(path),
        StorePlace::Server(_) => Err(Failure::usage(format!(
            "`{command}` works on a store that is a file, and [store] names a server; {instead}"
        ))),
    }
}

/// The way to a server. Password and files for TLS are read anew for each connection.
///
/// # Errors
/// The url is none.
pub(in crate::cli) fn settings(server: &ServerSettings<'_>) -> Result<postgres::Settings, Failure> {
    let settings = postgres::Settings::of_url(server.url)
        .map_err(|why| Failure::configuration(format!("[store] url: {why}")))?;
    let settings = settings.readers(server.connections);
    let settings = match server.password_file.map(Path::to_owned) {
        Some(file) => settings.with_password_from(move || password(&file)),
        None => match std::env::var(PASSWORD_VARIABLE) {
            Ok(password) => settings.with_password(&password),
            Err(_) => settings,
        },
    };
    let Some(tls) = &server.tls else {
        return Ok(settings);
    };
    let files = TlsFiles {
        ca: tls.ca.map(Path::to_owned),
        certificate: tls.certificate.map(Path::to_owned),
        key: tls.key.map(Path::to_owned),
    };
    let client = move || match tls::client(&files) {
        Ok(client) => Ok(client.config),
        Err(failure) => Err(io::Error::new(
            ErrorKind::InvalidInput,
            format!("[store] {}", failure.words),
        )),
    };
    // What is wrong with a file now is told before anything is tried.
    client().map_err(|error| Failure::of(Code::Configuration, error))?;
    Ok(settings.encrypted_from(client))
}

/// The password as it is now, without the end of its line.
///
/// # Errors
/// The file cannot be read, or is empty. The words name the file and nothing of its content.
fn password(file: &Path) -> io::Result<String> {
    let of_file = |kind, why: &dyn std::fmt::Display| {
        let words = format!("{}: {why}; [store] password_file names it", file.display());
        io::Error::new(kind, words)
    };
    let text = fs::read_to_string(file).map_err(|error| of_file(error.kind(), &error))?;
    let line = text.strip_suffix('\n').unwrap_or(&text);
    let line = line.strip_suffix('\r').unwrap_or(line);
    if line.is_empty() {
        return Err(of_file(ErrorKind::InvalidData, &"holds no password"));
    }
    Ok(line.to_owned())
}

/// A new store beside results of another one: its folder was moved or is not mounted, and every
/// patient would begin without a baseline. With a server this is left to the claim of the outbox, which
/// refuses the folder of another store; what was made in the database until then is empty.
fn refuse_orphans(path: &Path, outbox: &Path) -> Result<(), Failure> {
    // Where one was made the store itself says that it is gone.
    if path.exists() || sheathline_store::was_made(path) {
        return Ok(());
    }
    outbox::marked_by(outbox).map_or(Ok(()), |by| {
        Err(Failure::new(Code::Outbox, format!(
            "{}: there is no store here, and the outbox {} belongs to another store, of {by}. If that \
             is the one that was here, put it back, mount its disk, or restore a copy \
             (`sheathline restore`). Otherwise name another folder in [outbox]; to begin with nothing, \
             delete {} in this one",
            path.display(),
            outbox.display(),
            outbox::LOCK_FILE
        )))
    })
}

/// What root writes into the store or the outbox of another account, that account cannot use. A server
/// has no file here, so the outbox speaks for it.
///
/// # Errors
/// This process is root's and the store, or the folder that it will be in, is not.
pub(in crate::cli) fn as_its_account(config: &Config) -> Result<(), Failure> {
    of_its_account(config.store.file().unwrap_or(&config.outbox.folder))
}

/// The same for one path.
fn of_its_account(ours: &Path) -> Result<(), Failure> {
    use std::os::unix::fs::MetadataExt;
    let there = ours.ancestors().find_map(|path| fs::metadata(path).ok());
    let is_ours = there.is_none_or(|there| there.uid() == 0);
    if is_ours || !rustix::process::geteuid().is_root() {
        return Ok(());
    }
    let path = ours.display();
    Err(Failure::usage(format!(
        "{path}: belongs to another account, which could not use what root writes there; run this as \
         that account: runuser -u sheathline -- sheathline ..."
    )))
}

const STORE: &str = "[store] path names it";

/// Advice for a spool that cannot be had.
const SPOOL: &str = "; [store] spool names it";

/// Why there is no open store.
enum NotOpened {
    Configuration(Failure),
    Store(StoreError),
}

impl From<NotOpened> for Failure {
    fn from(why: NotOpened) -> Self {
        match why {
            NotOpened::Configuration(failure) => failure,
            // No new start mends that.
            NotOpened::Store(error @ StoreError::Foreign { .. }) => {
                Failure::of(Code::Configuration, error)
            }
            NotOpened::Store(error @ StoreError::Away { .. }) => Failure::from(error)
                .advised("; `sheathline check-config` says how far the way to it is open"),
            NotOpened::Store(error) => Failure::from(error),
        }
    }
}

fn opened(config: &Config, mode: Mode) -> Result<Store, Failure> {
    open(config, mode).map_err(Failure::from)
}

fn open(config: &Config, mode: Mode) -> Result<Store, NotOpened> {
    match config.store.place() {
        StorePlace::File(path) if path.is_dir() => {
            let path = path.display();
            Err(NotOpened::Configuration(Failure::configuration(format!(
                "{path}: is a folder; {STORE}, and must name a file"
            ))))
        }
        StorePlace::File(path) => Store::open(path, mode).map_err(NotOpened::Store),
        StorePlace::Server(server) => {
            let settings = settings(&server).map_err(NotOpened::Configuration)?;
            Store::open_server(&settings, mode).map_err(NotOpened::Store)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_is_one_line_and_is_read_each_time() {
        let folder = tempfile::TempDir::new().expect("a folder");
        let file = folder.path().join("password");
        for (text, read) in [
            ("secret\n", Some("secret")),
            ("secret\r\n", Some("secret")),
            ("new", Some("new")),
            (" with blanks \n", Some(" with blanks ")),
            ("\n", None),
            ("", None),
        ] {
            fs::write(&file, text).expect("written");
            assert_eq!(password(&file).ok().as_deref(), read, "{text:?}");
        }
        let why = password(&folder.path().join("none")).expect_err("missing");
        assert!(why.to_string().contains("password_file names it"), "{why}");
    }

    #[test]
    fn a_command_of_the_file_says_what_to_do_instead() {
        let text = "[store]\nkind = \"postgresql\"\nurl = \"postgresql://s@db.example/s\"\n";
        let config = Config::from_text("site.toml", text).expect("a configuration");
        let why = file(&config, "backup", "use pg_dump").expect_err("a server");
        assert_eq!(why.code(), Code::Usage);
        assert!(why.to_string().contains("use pg_dump"), "{why}");
        assert!(file(&Config::default(), "backup", "").is_ok());
    }
}
