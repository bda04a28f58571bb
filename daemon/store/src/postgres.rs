//! The store on a server that speaks the protocol of PostgreSQL: the one room that names its library.
//!
//! Connections live on one thread of the room (`room`); whoever asks waits on its own. One connection
//! changes the store, several read it (`readers`). Whoever changes it holds one row until
//! the commit, so that changes of several daemons come one after another, and numbers follow the order of
//! commits.

pub mod abilities;
mod connection;
mod failures;
mod opening;
mod ownership;
pub mod probe;
pub mod reach;
mod room;
pub(crate) mod schema;
#[cfg(any(test, feature = "tests"))]
pub mod served;
mod settings;
mod statement;
#[cfg(test)]
mod tests;
mod values;

pub(crate) use opening::{open_as_guest, open_as_member, open_as_owner, open_to_look};
pub use settings::Settings;

use crate::error::Kind;
use crate::session::{Each, Session, Step, Value};
use crate::{StoreError, View};
use connection::Connection;
use failures::{away, crossed};
use ownership::Fence;
use std::any::Any;
use std::cell::{Cell, RefCell};
use std::time::{Duration, Instant};

/// Between two tries to reach a server that is away: at first, and at last.
const TRY_AGAIN: (Duration, Duration) = (Duration::from_millis(50), Duration::from_secs(1));

/// The time of the server in milliseconds, as SQL.
const NOW: &str = "cast(extract(epoch from clock_timestamp()) * 1000 as bigint)";

/// A connection to the server, made anew when it is lost.
#[derive(Debug)]
pub(crate) struct Server {
    settings: Settings,
    connection: RefCell<Option<Connection>>,
    is_in_transaction: Cell<bool>,
    changed: Cell<u64>,
    /// What was changed before the transaction under way.
    changed_before: Cell<u64>,
    /// Since when nothing answers.
    away_since: Cell<Option<Instant>>,
    /// Of a connection that changes.
    changer: Option<Changer>,
    /// What it calls itself, once that is more than the name of the program.
    called: RefCell<Option<String>>,
}

/// Who changes the store through a connection.
#[derive(Debug)]
pub(crate) struct Changer {
    /// A random word of this connection: letters and digits.
    name: String,
    /// How many commits it tried.
    tried: Cell<u64>,
    /// What must still hold in each of its transactions.
    fence: Option<Fence>,
}

impl Changer {
    fn new(fence: Option<Fence>) -> Result<Changer, StoreError> {
        let mut bytes = [0; 16];
        rustls::crypto::ring::default_provider()
            .secure_random
            .fill(&mut bytes)
            .map_err(|_| StoreError::Work("the system gives no random bytes".to_owned()))?;
        let name = bytes
            .iter()
            .fold(String::new(), |hex, byte| format!("{hex}{byte:02x}"));
        Ok(Changer {
            name,
            tried: Cell::new(0),
            fence,
        })
    }
}

impl Server {
    fn connected(settings: &Settings, changer: Option<Changer>) -> Result<Server, StoreError> {
        Ok(Server {
            connection: RefCell::new(Some(connect(settings, changer.is_some(), None)?)),
            settings: settings.clone(),
            is_in_transaction: Cell::new(false),
            changed: Cell::new(0),
            changed_before: Cell::new(0),
            away_since: Cell::new(None),
            changer,
            called: RefCell::default(),
        })
    }

    /// Uses the connection that there is.
    fn with<T>(
        &self,
        work: impl FnOnce(&Connection) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let held = self.connection.borrow();
        let connection = held.as_ref().ok_or_else(|| away("not connected"))?;
        let done = work(connection);
        if connection.is_over() {
            // The server undoes what was under way. Whether it did what was asked last is looked up where
            // that matters.
            self.is_in_transaction.set(false);
            return done.and_then(|_| Err(away("the connection was lost")));
        }
        done
    }

    /// Connects anew if the connection is over.
    fn ensure(&self) -> Result<(), StoreError> {
        let is_there = self
            .connection
            .borrow()
            .as_ref()
            .is_some_and(|one| !one.is_over());
        if !is_there {
            *self.connection.borrow_mut() = None;
            let called = self.called.borrow();
            let connection = connect(&self.settings, self.changer.is_some(), called.as_deref())?;
            *self.connection.borrow_mut() = Some(connection);
        }
        Ok(())
    }

    /// Does what begins something, on a new connection where the old one is gone; tries again while the
    /// server is away, for as long as the settings say since it went.
    fn patiently<T>(
        &self,
        work: impl Fn(&Connection) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let mut pause = TRY_AGAIN.0;
        loop {
            match self.ensure().and_then(|()| self.with(&work)) {
                Err(StoreError::Away { why }) => {
                    let since = self.away_since.get().unwrap_or_else(Instant::now);
                    self.away_since.set(Some(since));
                    // What it answered with was no transaction.
                    *self.connection.borrow_mut() = None;
                    if since.elapsed() >= self.settings.patience() {
                        return Err(StoreError::Away { why });
                    }
                    std::thread::sleep(jittered(pause));
                    pause = (pause * 2).min(TRY_AGAIN.1);
                }
                done => {
                    self.away_since.set(None);
                    return done;
                }
            }
        }
    }

    fn begin_reading(&self) -> Result<(), StoreError> {
        let begin = |connection: &Connection| {
            connection.simple("begin isolation level repeatable read read only")
        };
        let first = self.ensure().and_then(|()| self.with(begin));
        let begun = match first {
            // A connection that lay idle may have gone meanwhile; a new one says whether the server is there.
            Err(StoreError::Away { .. }) => self.ensure().and_then(|()| self.with(begin)),
            done => done,
        };
        begun.map(|_| self.is_in_transaction.set(true))
    }

    /// Begins to change, alone: the row of the count of commits is held until the end.
    fn begin_changing(&self) -> Result<(), StoreError> {
        let fence = self
            .changer
            .as_ref()
            .and_then(|changer| changer.fence.as_ref());
        let look = fence.map_or_else(|| "select 0".to_owned(), Fence::look);
        let begin = format!("begin isolation level read committed; {LOCK}; {look}");
        let (cells, _) = self.patiently(|connection| {
            connection.simple(&begin).inspect_err(|_| {
                // A lock that is not got in time leaves a transaction.
                let _ = connection.simple("rollback");
                connection.mended();
            })
        })?;
        self.is_in_transaction.set(true);
        let found = match cells.as_slice() {
            [Some(_), found] => found.as_deref(),
            _ => {
                self.roll_back()?;
                return Err(corrupt("it counts no commits"));
            }
        };
        if let Some(fence) = fence
            && let Err(error) = fence.holds(found)
        {
            self.roll_back()?;
            return Err(error);
        }
        self.changed_before.set(self.changed.get());
        Ok(())
    }

    /// Commits. A word of its own goes with each commit, by which it is found again should the server go
    /// away meanwhile.
    fn commit(&self) -> Result<(), StoreError> {
        let changer = self.changer.as_ref();
        let changer = changer.filter(|_| self.changed.get() != self.changed_before.get());
        let Some(changer) = changer else {
            // Nothing to be found again; what is lost with it is nothing.
            self.with(|connection| connection.simple("commit"))?;
            self.is_in_transaction.set(false);
            return Ok(());
        };
        let number = changer.tried.get() + 1;
        changer.tried.set(number);
        let name = &changer.name;
        let renewal = changer
            .fence
            .as_ref()
            .map_or_else(|| "select 0".to_owned(), Fence::renewal);
        let commit = format!(
            "insert into last_commit (changer, number, at) values ('{name}', {number}, {NOW})
             on conflict (changer) do update set number = excluded.number, at = excluded.at;
             {renewal}; commit"
        );
        match self.with(|connection| connection.simple(&commit)) {
            Ok(_) => {
                self.is_in_transaction.set(false);
                Ok(())
            }
            // The server said why, and is still there: nothing was stored.
            Err(error) if self.is_in_transaction.get() => Err(not_committed(error)),
            Err(StoreError::Away { why }) => self.find_commit(changer, number, &why),
            Err(error) => self.find_commit(changer, number, &error.to_string()),
        }
    }

    /// Whether a commit was stored of which no answer came. Whoever changes holds the row of the count, so
    /// once it is got, the lost transaction is over, one way or the other.
    fn find_commit(&self, changer: &Changer, number: u64, why: &str) -> Result<(), StoreError> {
        let name = &changer.name;
        let look = format!(
            "begin isolation level read committed; {LOCK};
             select number from last_commit where changer = '{name}'; rollback"
        );
        let began = Instant::now();
        loop {
            let found = self.patiently(|connection| {
                connection.simple(&look).inspect_err(|_| {
                    let _ = connection.simple("rollback");
                })
            });
            match found {
                Ok((cells, _)) => {
                    let found = cells.get(1).and_then(Option::as_deref);
                    return if found == Some(number.to_string().as_str()) {
                        Ok(())
                    } else {
                        Err(crossed(format!(
                            "the connection was lost before the commit ({why})"
                        )))
                    };
                }
                // The lost transaction still holds the row: the server has not noticed yet.
                Err(error) if is_crossed(&error) && began.elapsed() < self.settings.patience() => {}
                Err(_) => {
                    return Err(StoreError::Unsure {
                        why: why.to_owned(),
                    });
                }
            }
        }
    }

    fn roll_back(&self) -> Result<(), StoreError> {
        let done = self.with(|connection| {
            connection.simple("rollback")?;
            connection.mended();
            Ok(())
        });
        self.is_in_transaction.set(false);
        done
    }

    /// Counts what was changed.
    fn count(&self, met: u64) {
        self.changed.set(self.changed.get().wrapping_add(met));
    }
}

/// How long whoever changes the store may do nothing in the middle of it: nobody else changes it meanwhile.
/// Shorter than a member is believed alive, so that the others need not wait for longer than that.
const ABANDONED: &str = "set idle_in_transaction_session_timeout = '15s'";

/// A new connection, which is called so from the start.
fn connect(
    settings: &Settings,
    is_changer: bool,
    name: Option<&str>,
) -> Result<Connection, StoreError> {
    let connection = Connection::open(settings)?;
    if is_changer {
        connection.simple(ABANDONED)?;
    }
    if let Some(name) = name {
        connection.simple(&called(name))?;
    }
    Ok(connection)
}

/// The statement by which a connection calls itself so.
fn called(name: &str) -> String {
    let plain = |one: &char| one.is_ascii_alphanumeric() || *one == ' ';
    let plain: String = name.chars().filter(plain).collect();
    format!("set application_name = '{plain}'")
}

/// The row that whoever changes holds until the commit.
const LOCK: &str = "select value from meta where name = 'commits' for update";

impl Session for Server {
    fn ask(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError> {
        if !statement::only_reads(sql) {
            let why =
                "a view of the store was asked to change it; internal error; please report it";
            return Err(StoreError::Work(why.to_owned()));
        }
        self.with(|connection| connection.ask(sql, values, false, each))?;
        Ok(())
    }

    fn tell(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError> {
        if statement::only_reads(sql) {
            return self.ask(sql, values, each);
        }
        let met = self.with(|connection| connection.ask(sql, values, true, each))?;
        self.count(met.unwrap_or(0));
        Ok(())
    }

    fn change(&self, sql: &str, values: &[Value<'_>]) -> Result<usize, StoreError> {
        let met = self.with(|connection| connection.change(sql, values))?;
        self.count(met);
        usize::try_from(met).map_err(|_| corrupt("a change met more rows than there can be"))
    }

    fn run(&self, sql: &str) -> Result<(), StoreError> {
        let (_, met) = self.with(|connection| connection.simple(sql))?;
        self.count(met);
        Ok(())
    }

    fn now(&self) -> Result<i64, StoreError> {
        let (cells, _) = self.with(|connection| connection.simple(&format!("select {NOW}")))?;
        let now = cells.first().and_then(|cell| cell.as_deref()?.parse().ok());
        now.ok_or_else(|| corrupt("the server tells no time"))
    }

    fn number_on(&self, table: &str, column: &str) -> Result<(), StoreError> {
        let sql = number_on(table, column);
        self.with(|connection| connection.simple(&sql)).map(|_| ())
    }

    fn call_itself(&self, name: &str) -> Result<(), StoreError> {
        *self.called.borrow_mut() = Some(name.to_owned());
        self.with(|connection| connection.simple(&called(name)))
            .map(|_| ())
    }

    fn step(&self, step: Step) -> Result<(), StoreError> {
        match step {
            Step::BeginReading => self.begin_reading(),
            Step::BeginChanging => self.begin_changing(),
            // Their answers are nothing to wait for: a way there and back for each change is saved.
            Step::BeginOne => self.with(|connection| {
                connection.defer("savepoint change");
                Ok(())
            }),
            Step::KeepOne => self.with(|connection| {
                if connection.is_broken() {
                    let why = "a change went on after the database refused part of it";
                    return Err(StoreError::NotCommitted {
                        why: why.to_owned(),
                    });
                }
                connection.defer("release savepoint change");
                Ok(())
            }),
            Step::UndoOne => self.with(|connection| {
                connection.simple("rollback to savepoint change; release savepoint change")?;
                connection.mended();
                Ok(())
            }),
            Step::Commit => self.commit(),
            Step::RollBack => self.roll_back(),
        }
    }

    fn is_in_transaction(&self) -> bool {
        self.is_in_transaction.get()
    }

    fn rows_changed(&self) -> u64 {
        self.changed.get()
    }

    fn as_any(&self) -> &dyn Any {
        self
    }

    fn into_any(self: Box<Self>) -> Box<dyn Any> {
        self
    }
}

/// The statement after which numbers of a table go on behind its highest.
fn number_on(table: &str, column: &str) -> String {
    format!(
        "select setval(pg_get_serial_sequence('{table}', '{column}'),
                       coalesce(max({column}), 1), max({column}) is not null) from {table}"
    )
}

/// A connection to read by.
pub(crate) fn connect_reader(settings: &Settings) -> Result<View, StoreError> {
    Ok(View::new(Box::new(Server::connected(settings, None)?)))
}

/// Whether an owner or a member is believed alive.
pub(crate) fn has_owner(view: &View) -> Result<bool, StoreError> {
    view.prepare(format!(
        "select 1 from owner where until > {NOW} union all select 1 from member where until > {NOW}"
    ))
    .exists(())
}

fn corrupt(why: &str) -> StoreError {
    StoreError::Damaged {
        what: why.to_owned(),
    }
}

fn is_crossed(error: &StoreError) -> bool {
    matches!(error, StoreError::Refused(refusal) if refusal.kind() == Kind::Crossed)
}

/// A commit that the server refused with words.
fn not_committed(error: StoreError) -> StoreError {
    match error {
        StoreError::Refused(refusal) if !matches!(refusal.kind(), Kind::Crossed) => {
            StoreError::NotCommitted {
                why: refusal.to_string(),
            }
        }
        other => other,
    }
}

/// Somewhere between half of it and all of it: those that wait do not come back at one instant.
fn jittered(pause: Duration) -> Duration {
    let mut byte = [0];
    // Without random bytes all of it is waited.
    let _ = rustls::crypto::ring::default_provider()
        .secure_random
        .fill(&mut byte);
    let [byte] = byte;
    pause / 2 + pause / 2 * u32::from(byte) / 255
}
