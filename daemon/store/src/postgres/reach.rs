//! One try to reach a server, for whoever sets it up: how far it came, and what to do about it.

use super::abilities::{self, Ability};
use super::settings::Settings;
use std::error::Error as _;
use std::fmt;
use std::io::{self, ErrorKind};
use std::time::Duration;
use tokio_postgres::error::SqlState;
use tokio_postgres::{Client, Config, Error, NoTls};
use tokio_postgres_rustls::MakeRustlsConnect;

/// How long the whole try may take.
const LIMIT: Duration = Duration::from_secs(15);

/// A server that took our sign-in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reached {
    /// Whether our account may make tables where they would be made.
    pub may_create: bool,
    /// The setting `synchronous_commit` of our connections.
    pub synchronous_commit: String,
    /// What it does of that which the store needs.
    pub abilities: Vec<Ability>,
}

/// What kept us from it.
#[derive(Debug)]
pub enum Hindrance {
    /// The password or a file for TLS cannot be read here.
    File,
    /// The name leads to no address.
    Name,
    /// Nothing listens there.
    Refused,
    /// Nothing answers there.
    Silent,
    /// The server speaks no TLS.
    TlsNotOffered,
    /// The handshake failed.
    Tls(rustls::Error),
    /// The handshake failed in another way.
    TlsCut,
    /// The server takes no sign-in of this account from here, or none without TLS.
    NotAllowed,
    /// The password is wrong or missing, or the certificate is not of this account.
    SignIn,
    /// There is no such database.
    NoDatabase,
    /// Our account may not connect to it.
    MayNotConnect,
    /// It has as many connections as it takes.
    Crowded,
    /// It is starting or stopping.
    NotYet,
    /// It takes no changes.
    ReadOnly,
    /// Something else.
    Other,
}

/// Why a server was not reached.
#[derive(Debug)]
pub struct NotReached {
    /// What kept us from it.
    pub hindrance: Hindrance,
    /// In the words of the system or the server.
    words: String,
}

impl fmt::Display for NotReached {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words)
    }
}

impl NotReached {
    fn new(hindrance: Hindrance, words: impl Into<String>) -> Self {
        NotReached {
            hindrance,
            words: words.into(),
        }
    }
}

/// What to do, for everything but a handshake that failed, which says it itself.
impl Hindrance {
    /// In words.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Hindrance::File => "mend the file that [store] names",
            Hindrance::Name => {
                "check the spelling of the host in [store] url, and the DNS of this machine"
            }
            Hindrance::Refused => {
                "check host and port in [store] url, whether the server runs, and its listen_addresses"
            }
            Hindrance::Silent => "check the address; a firewall may be in between",
            Hindrance::TlsNotOffered => {
                "switch it on there (ssl = on in postgresql.conf); nothing was sent in the clear"
            }
            Hindrance::Tls(_) => "",
            Hindrance::TlsCut => "look at the log of the server; is something else on this port?",
            Hindrance::NotAllowed => {
                "add a line for this account, database and address to pg_hba.conf there (hostssl with TLS, \
                 host without) and reload the server"
            }
            Hindrance::SignIn => {
                "check the account in [store] url and the password in password_file or \
                 SHEATHLINE_STORE_PASSWORD"
            }
            Hindrance::NoDatabase => {
                "have it made: CREATE DATABASE sheathline OWNER sheathline ENCODING 'UTF8' TEMPLATE template0"
            }
            Hindrance::MayNotConnect => "have it granted: GRANT CONNECT ON DATABASE ... TO ...",
            Hindrance::Crowded => "raise max_connections there, or lower [store] connections",
            Hindrance::NotYet => "wait until it is up",
            Hindrance::ReadOnly => {
                "name the primary in [store] url, or all hosts with commas between: the one that takes changes \
                 is used"
            }
            Hindrance::Other => "read the words; they are the server's or the system's",
        }
    }
}

/// Goes the way to a server once: name, connection, TLS, sign-in, rights. Waits, so not for use inside
/// async code.
///
/// # Errors
/// The first step that fails.
pub fn reach(settings: &Settings) -> Result<Reached, NotReached> {
    let of_file = |error: io::Error| NotReached::new(Hindrance::File, error.to_string());
    let config = settings.config().map_err(of_file)?;
    let tls = settings.tls().map_err(of_file)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| NotReached::new(Hindrance::Other, error.to_string()))?;
    let way = async {
        match tls {
            Some(tls) => signed_in(&config, MakeRustlsConnect::new((*tls).clone())).await,
            None => signed_in(&config, NoTls).await,
        }
    };
    let within = runtime.block_on(async { tokio::time::timeout(LIMIT, way).await });
    match within {
        Ok(Ok(reached)) => Ok(reached),
        Ok(Err(error)) => Err(judged(&error)),
        Err(_) => Err(NotReached::new(
            Hindrance::Silent,
            format!("no answer within {LIMIT:?}"),
        )),
    }
}

async fn signed_in<T>(config: &Config, tls: T) -> Result<Reached, Error>
where
    T: tokio_postgres::tls::MakeTlsConnect<tokio_postgres::Socket>,
    T::Stream: Send + 'static,
{
    let (client, connection) = config.connect(tls).await?;
    let connection = tokio::spawn(connection);
    let reached = asked(&client).await;
    drop(client);
    // Its end was asked for; how it came does not matter.
    let _ = connection.await;
    reached
}

async fn asked(client: &Client) -> Result<Reached, Error> {
    let row = client
        .query_one(
            "select coalesce(has_schema_privilege(current_schema(), 'CREATE'), false), \
             current_setting('synchronous_commit')",
            &[],
        )
        .await?;
    Ok(Reached {
        may_create: row.try_get(0)?,
        synchronous_commit: row.try_get(1)?,
        abilities: abilities::tried(client, &abilities::probes()).await?,
    })
}

/// What an error of the client means. Its kinds are private, so the errors beneath tell.
fn judged(error: &Error) -> NotReached {
    if let Some(said) = error.as_db_error() {
        return NotReached::new(of_state(said.code()), said.message().to_owned());
    }
    let Some(source) = error.source() else {
        return NotReached::new(Hindrance::Other, error.to_string());
    };
    let is_handshake = error.to_string().contains("TLS");
    let Some(io) = source.downcast_ref::<io::Error>() else {
        let hindrance = if is_handshake {
            Hindrance::TlsNotOffered
        } else {
            Hindrance::Other
        };
        return NotReached::new(hindrance, source.to_string());
    };
    let of_tls = io.get_ref().and_then(|inner| inner.downcast_ref());
    if let Some(error) = of_tls.cloned() {
        // Names out of a certificate may be in the words.
        let words = rustls::Error::to_string(&error)
            .escape_default()
            .to_string();
        return NotReached::new(Hindrance::Tls(error), words);
    }
    let hindrance = match io.kind() {
        _ if is_handshake => Hindrance::TlsCut,
        ErrorKind::ConnectionRefused | ErrorKind::NotFound => Hindrance::Refused,
        ErrorKind::TimedOut | ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => {
            Hindrance::Silent
        }
        ErrorKind::PermissionDenied if io.get_ref().is_some() => Hindrance::ReadOnly,
        // What looks up names has no kind of its own for one that is unknown.
        _ if io.to_string().contains("lookup address") => Hindrance::Name,
        _ => Hindrance::Other,
    };
    NotReached::new(hindrance, io.to_string())
}

fn of_state(state: &SqlState) -> Hindrance {
    match state.code() {
        "28000" => Hindrance::NotAllowed,
        "28P01" => Hindrance::SignIn,
        "3D000" => Hindrance::NoDatabase,
        "42501" => Hindrance::MayNotConnect,
        "53300" => Hindrance::Crowded,
        "57P03" => Hindrance::NotYet,
        "25006" => Hindrance::ReadOnly,
        _ => Hindrance::Other,
    }
}
