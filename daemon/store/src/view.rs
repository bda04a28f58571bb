//! What the topics are given to work with: a [`View`] to read by, and a [`Tx`], which changes too.
//!
//! Which database stands behind them is known to the room of its [`Session`] alone.

use crate::StoreError;
use crate::error::{Kind, Refusal};
use crate::session::{Each, Row, Session, Step, Values};
use std::borrow::Cow;
use std::ops::{ControlFlow, Deref};

/// What each connection calls itself.
pub(crate) const PROGRAM: &str = "sheathline";

/// One consistent state of the store, to be read.
#[derive(Debug)]
pub struct View {
    session: Box<dyn Session>,
}

/// A change of the store that is under way: it reads as a [`View`] does, its own changes included, and
/// writes. Whatever takes a `View` can therefore not change anything:
///
/// ```compile_fail,E0308
/// use sheathline_store::{Store, meta};
/// fn set(store: &Store) {
///     store.read(|view| meta::set(view, "a", "b")).ok();
/// }
/// ```
#[derive(Debug)]
pub struct Tx {
    view: View,
}

impl Deref for Tx {
    type Target = View;

    fn deref(&self) -> &View {
        &self.view
    }
}

impl View {
    pub(crate) fn new(session: Box<dyn Session>) -> View {
        View { session }
    }

    /// The connection, taken back.
    pub(crate) fn into_session(self) -> Box<dyn Session> {
        self.session
    }

    /// The connection behind.
    pub(crate) fn session(&self) -> &dyn Session {
        &*self.session
    }

    /// The time of the database, in milliseconds since 1970.
    ///
    /// # Errors
    /// The database cannot be asked.
    pub fn now(&self) -> Result<i64, StoreError> {
        self.session.now()
    }

    /// A question.
    pub(crate) fn prepare<'v>(&'v self, sql: impl Into<Cow<'v, str>>) -> Statement<'v> {
        Statement {
            session: self.session(),
            sql: sql.into(),
            may_change: false,
        }
    }
}

impl Tx {
    /// Shows the database who changes it: [`PROGRAM`], or that and a member.
    pub(crate) fn sign(&self, name: &str) -> Result<(), StoreError> {
        self.view.session.call_itself(name)
    }

    pub(crate) fn new(session: Box<dyn Session>) -> Tx {
        Tx {
            view: View::new(session),
        }
    }

    /// The connection, to be closed.
    pub(crate) fn into_session(self) -> Box<dyn Session> {
        self.view.session
    }

    /// A question or a change.
    pub(crate) fn prepare<'v>(&'v self, sql: impl Into<Cow<'v, str>>) -> Statement<'v> {
        Statement {
            may_change: true,
            ..self.view.prepare(sql)
        }
    }

    /// Makes one change; returns how many rows it met.
    pub(crate) fn execute(&self, sql: &str, values: impl Values) -> Result<usize, StoreError> {
        self.session.change(sql, &values.all())
    }

    /// Runs several statements.
    pub(crate) fn execute_batch(&self, sql: &str) -> Result<(), StoreError> {
        self.session.run(sql)
    }

    /// One step of its transaction.
    pub(crate) fn step(&self, step: Step) -> Result<(), StoreError> {
        self.session.step(step)
    }
}

/// A statement, to be given its values.
pub(crate) struct Statement<'v> {
    session: &'v dyn Session,
    sql: Cow<'v, str>,
    may_change: bool,
}

impl Statement<'_> {
    fn run(&self, values: impl Values, each: &mut Each<'_>) -> Result<(), StoreError> {
        let values = values.all();
        if self.may_change {
            self.session.tell(&self.sql, &values, each)
        } else {
            self.session.ask(&self.sql, &values, each)
        }
    }

    /// Hands over every row.
    pub(crate) fn each(
        &self,
        values: impl Values,
        mut take: impl FnMut(&Row<'_>) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        self.run(values, &mut |row| {
            take(row).map(|()| ControlFlow::Continue(()))
        })
    }

    /// The first row of which something is made.
    pub(crate) fn find_map<T>(
        &self,
        values: impl Values,
        mut make: impl FnMut(&Row<'_>) -> Result<Option<T>, StoreError>,
    ) -> Result<Option<T>, StoreError> {
        let mut found = None;
        self.run(values, &mut |row| {
            found = make(row)?;
            Ok(match found {
                Some(_) => ControlFlow::Break(()),
                None => ControlFlow::Continue(()),
            })
        })?;
        Ok(found)
    }

    /// What is made of each row.
    pub(crate) fn all<T>(
        &self,
        values: impl Values,
        mut make: impl FnMut(&Row<'_>) -> Result<T, StoreError>,
    ) -> Result<Vec<T>, StoreError> {
        let mut found = Vec::new();
        self.each(values, |row| {
            found.push(make(row)?);
            Ok(())
        })?;
        Ok(found)
    }

    /// What is made of the first row, if there is one.
    pub(crate) fn first<T>(
        &self,
        values: impl Values,
        mut make: impl FnMut(&Row<'_>) -> Result<T, StoreError>,
    ) -> Result<Option<T>, StoreError> {
        self.find_map(values, |row| make(row).map(Some))
    }

    /// What is made of the first row, which there is.
    pub(crate) fn one<T>(
        &self,
        values: impl Values,
        make: impl FnMut(&Row<'_>) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let none = || Refusal::new(Kind::Other, "Query returned no rows".to_owned());
        self.first(values, make)?
            .ok_or_else(|| StoreError::Refused(none()))
    }

    /// Whether there is a row.
    pub(crate) fn exists(&self, values: impl Values) -> Result<bool, StoreError> {
        Ok(self.first(values, |_| Ok(()))?.is_some())
    }

    /// Makes the change; returns how many rows it met.
    pub(crate) fn execute(&self, values: impl Values) -> Result<usize, StoreError> {
        self.session.change(&self.sql, &values.all())
    }
}
