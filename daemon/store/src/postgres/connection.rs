//! One connection to a server.

use super::failures::{away, crossed, ends, of, words};
use super::room::{handle, wait};
use super::settings::Settings;
use super::statement::numbered;
use super::values::{Got, Sent};
use crate::StoreError;
use crate::session::{Each, Row, Value};
use futures_util::TryStreamExt;
use futures_util::future::join;
use std::cell::{Cell, RefCell};
use std::fmt;
use std::pin::pin;
use std::time::Duration;
use tokio::runtime::Handle;
use tokio_postgres::{Client, NoTls, SimpleQueryMessage, Statement};
use tokio_postgres_rustls::MakeRustlsConnect;

/// Statements a connection keeps prepared, as one to a file does.
const STATEMENTS_KEPT: usize = 64;

/// What a server may take for one statement, for a lock, and how long a transaction may do nothing; and the
/// question whether it stores something before it says so.
pub(super) const LIMITS: &str = "set statement_timeout = '60s'; set lock_timeout = '10s'; \
                      set idle_in_transaction_session_timeout = '60s'; show synchronous_commit";

/// Longer than a server takes by its own limits: then nobody is there.
const ANSWER_LIMIT: Duration = Duration::from_secs(75);

/// All hosts, one after another, each with its own limit.
const CONNECT_LIMIT: Duration = Duration::from_secs(30);

/// One connection to a server.
pub(super) struct Connection {
    room: Handle,
    client: Client,
    /// Those used last come last.
    statements: RefCell<Vec<(String, Statement)>>,
    /// Rows are being handed over: whoever asks meanwhile would wait for ever.
    hands_over: Cell<bool>,
    is_over: Cell<bool>,
    /// Statements without an answer that anybody waits for: they go with the next one, on one way.
    deferred: RefCell<String>,
    /// The server refused something: it takes nothing more of the transaction but its undoing.
    is_broken: Cell<bool>,
}

/// While a row is looked at; also one that panics looks no more.
struct Inside<'c>(&'c Cell<bool>);

impl Inside<'_> {
    fn of(mark: &Cell<bool>) -> Inside<'_> {
        mark.set(true);
        Inside(mark)
    }
}

impl Drop for Inside<'_> {
    fn drop(&mut self) {
        self.0.set(false);
    }
}

impl fmt::Debug for Connection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Connection")
    }
}

impl Connection {
    /// Connects.
    pub(super) fn open(settings: &Settings) -> Result<Connection, StoreError> {
        let room = handle().map_err(|error| away(error.to_string()))?;
        let config = settings
            .config()
            .map_err(|error| away(format!("its password cannot be read: {error}")))?;
        let tls = settings
            .tls()
            .map_err(|error| away(format!("a file for TLS does not serve: {error}")))?;
        let connecting = async {
            let client = match tls {
                Some(tls) => {
                    let (client, connection) = config
                        .connect(MakeRustlsConnect::new((*tls).clone()))
                        .await?;
                    // Ends when the client is dropped; what ends it is told to whoever waits.
                    room.spawn(async move { drop(connection.await) });
                    client
                }
                None => {
                    let (client, connection) = config.connect(NoTls).await?;
                    room.spawn(async move { drop(connection.await) });
                    client
                }
            };
            let probed = client.simple_query(LIMITS).await?;
            Ok((client, probed))
        };
        let connected: Result<(Client, Vec<SimpleQueryMessage>), tokio_postgres::Error> =
            wait(&room, CONNECT_LIMIT, connecting).ok_or_else(|| away("no answer in time"))?;
        // Whatever stands in the way of a connection: nothing was changed.
        let (client, probed) = connected.map_err(|error| away(words(&error)))?;
        let is_off = |message: &SimpleQueryMessage| match message {
            SimpleQueryMessage::Row(row) => row.get(0) == Some("off"),
            _ => false,
        };
        if probed.iter().any(is_off) {
            return Err(StoreError::Work(format!(
                "{}: synchronous_commit is off for this user or database: the server says that \
                 something is stored before it is; set it to on",
                settings.place()
            )));
        }
        Ok(Connection {
            room,
            client,
            statements: RefCell::default(),
            hands_over: Cell::new(false),
            is_over: Cell::new(false),
            deferred: RefCell::default(),
            is_broken: Cell::new(false),
        })
    }

    /// Whether nothing more can be asked here.
    pub(super) fn is_over(&self) -> bool {
        self.is_over.get() || self.client.is_closed()
    }

    /// Runs statements without values; tells the first column of each row, and how many rows were met.
    pub(super) fn simple(&self, sql: &str) -> Result<(Vec<Option<String>>, u64), StoreError> {
        self.refuse_inside()?;
        let before = self.deferred.take();
        let answer = self.wait(self.client.simple_query(&format!("{before}{sql}")))?;
        let (mut cells, mut met) = (Vec::new(), 0);
        for message in answer {
            match message {
                SimpleQueryMessage::Row(row) => cells.push(row.get(0).map(str::to_owned)),
                SimpleQueryMessage::CommandComplete(count) => met += count,
                _ => {}
            }
        }
        Ok((cells, met))
    }

    /// Runs a statement with the next one, before it. Should it fail then, all of the transaction is to be
    /// run again.
    pub(super) fn defer(&self, sql: &str) {
        let mut deferred = self.deferred.borrow_mut();
        deferred.push_str(sql);
        deferred.push_str("; ");
    }

    /// Whether the server refused something of the transaction under way.
    pub(super) fn is_broken(&self) -> bool {
        self.is_broken.get()
    }

    /// What was refused is undone.
    pub(super) fn mended(&self) {
        self.is_broken.set(false);
    }

    /// Hands over row after row until `each` has enough. Where `to_its_end`, the rest is read and left
    /// out; otherwise the server is left with it. Tells how many rows were met, if it came to its end.
    pub(super) fn ask(
        &self,
        sql: &str,
        values: &[Value<'_>],
        to_its_end: bool,
        each: &mut Each<'_>,
    ) -> Result<Option<u64>, StoreError> {
        self.refuse_inside()?;
        let statement = self.prepared(sql)?;
        let sent = values.iter().map(|value| Sent(*value));
        let sent: Vec<Sent<'_>> = sent.collect();
        let rows = self.wait_behind(self.client.query_raw(&statement, &sent))?;
        let mut rows = pin!(rows);
        let mut has_enough = false;
        let mut failed = None;
        loop {
            // One by one: what is read ahead is what the connection holds, not all of the answer.
            let Some(row) = self.wait(rows.as_mut().try_next())? else {
                break;
            };
            if has_enough {
                continue;
            }
            let done = Got::new(row).and_then(|row| {
                let _inside = Inside::of(&self.hands_over);
                each(&Row(&row))
            });
            match done {
                Ok(flow) => has_enough = flow.is_break(),
                Err(error) => {
                    has_enough = true;
                    failed = Some(error);
                }
            }
            if has_enough && !to_its_end {
                break;
            }
        }
        let met = rows.rows_affected();
        failed.map_or(Ok(met), Err)
    }

    /// Makes a change; tells how many rows it met.
    pub(super) fn change(&self, sql: &str, values: &[Value<'_>]) -> Result<u64, StoreError> {
        self.refuse_inside()?;
        let statement = self.prepared(sql)?;
        let sent: Vec<Sent<'_>> = values.iter().map(|value| Sent(*value)).collect();
        self.wait_behind(self.client.execute_raw(&statement, &sent))
    }

    fn prepared(&self, sql: &str) -> Result<Statement, StoreError> {
        let mut kept = self.statements.borrow_mut();
        if let Some(at) = kept.iter().position(|(text, _)| text == sql) {
            let found = kept.remove(at);
            let statement = found.1.clone();
            kept.push(found);
            return Ok(statement);
        }
        let statement = self.wait_behind(self.client.prepare(&numbered(sql)))?;
        if kept.len() >= STATEMENTS_KEPT {
            kept.remove(0);
        }
        kept.push((sql.to_owned(), statement.clone()));
        Ok(statement)
    }

    /// Waits for an answer, and for those of what was deferred before it.
    fn wait_behind<T>(
        &self,
        answer: impl Future<Output = Result<T, tokio_postgres::Error>>,
    ) -> Result<T, StoreError> {
        let before = self.deferred.take();
        if before.is_empty() {
            return self.wait(answer);
        }
        // They are sent in this order, and answered in it.
        let (first, second) =
            self.wait(async { Ok(join(self.client.batch_execute(&before), answer).await) })?;
        self.heard(first).map_err(|error| match error {
            StoreError::Away { .. } => error,
            error => crossed(error.to_string()),
        })?;
        self.heard(second)
    }

    fn wait<T>(
        &self,
        answer: impl Future<Output = Result<T, tokio_postgres::Error>>,
    ) -> Result<T, StoreError> {
        match wait(&self.room, ANSWER_LIMIT, answer) {
            Some(answer) => self.heard(answer),
            None => {
                self.is_over.set(true);
                Err(away("no answer in time"))
            }
        }
    }

    /// What an answer means for the connection.
    fn heard<T>(&self, answer: Result<T, tokio_postgres::Error>) -> Result<T, StoreError> {
        answer.map_err(|error| {
            if ends(&error) {
                self.is_over.set(true);
            }
            if error.as_db_error().is_some() {
                self.is_broken.set(true);
            }
            of(&error)
        })
    }

    fn refuse_inside(&self) -> Result<(), StoreError> {
        if self.hands_over.get() {
            let why = "a question was asked while another one was being answered; internal error; \
                       please report it";
            return Err(StoreError::Work(why.to_owned()));
        }
        Ok(())
    }
}
