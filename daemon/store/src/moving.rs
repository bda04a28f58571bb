//! A store that moves from one database to another: all rows as they are, with their numbers.
//!
//! The store that is moved stays the store until the other one is whole and was compared: every table is
//! hashed on both sides, through their sessions. Until then the other one opens for nobody. What is there
//! already is noted with the rows themselves, so a move can be cut off at any instant and goes on with the
//! same call. If anything was stored meanwhile, it begins again.

pub(crate) mod mark;
mod rows;
pub(crate) mod tables;

pub use rows::Measured;

use crate::{Place, Store, StoreError, View, meta};
use chrono::{SecondsFormat, Utc};
use mark::{Coming, Gone, How};
use rows::{Cell, Page};
use tables::{MOVED, Table};

/// Why a store was not moved.
#[derive(Debug, thiserror::Error)]
pub enum MoveError {
    /// What is moved, or where it goes, failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A store lies where it would go.
    #[error(
        "{to}: holds something already ({what}); name an empty place, or one that does not exist yet"
    )]
    Taken {
        /// Where it would go.
        to: String,
        /// What is there.
        what: String,
    },
    /// Something was stored while it was moved.
    #[error(
        "{from}: something was stored while it was moved; it stays the store as it is. Stop what uses \
         it, and run `sheathline move` again: it begins anew"
    )]
    Changed {
        /// What was moved.
        from: String,
    },
    /// What came is not what went.
    #[error(
        "{to}: these tables are not what they are at {from}: {tables}. The store stays at {from}; look \
         at the disk of both, and run `sheathline move` again: it begins anew"
    )]
    Different {
        /// What was moved.
        from: String,
        /// Where it went.
        to: String,
        /// Names of tables.
        tables: String,
    },
}

/// What is told on the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Told<'t> {
    /// What was copied before cannot be used any more.
    Anew,
    /// Rows of a table are there, in all of this run.
    Copied {
        /// The table.
        table: &'t str,
        /// So many.
        rows: u64,
    },
    /// A table is the same at both places.
    Same(&'t Measured),
}

/// What is in every table.
///
/// # Errors
/// The store cannot be read.
pub fn measure(store: &Store) -> Result<Vec<Measured>, StoreError> {
    store.read(|view| {
        MOVED
            .iter()
            .map(|table| rows::measure(view, table))
            .collect()
    })
}

/// Moves the store `from` to the empty store `to`; both are opened to be moved. Returns what was moved.
/// `told` hears of every step.
///
/// # Errors
/// One of the two cannot be read or written, was changed meanwhile, or is not the same in the end.
pub fn run(
    from: &Store,
    to: &Store,
    mut told: impl FnMut(Told<'_>),
) -> Result<Vec<Measured>, MoveError> {
    let ways = Ways {
        from,
        to,
        place: place(from),
        to_place: place(to),
    };
    let gone = from.read(mark::gone)?;
    let coming = to.read(mark::coming)?;
    if let Some(gone) = gone {
        // Cut off between the two last steps: only the last one is left.
        if gone.to == ways.to_place && coming.is_some_and(|one| one.how == How::Compared) {
            let all = measure(to)?;
            ways.finish()?;
            return Ok(all);
        }
        return Err(MoveError::Store(StoreError::Moved {
            place: ways.place,
            to: gone.to,
            at: gone.at,
        }));
    }
    let commits = from.read(meta::commits)?;
    let there = ways.begin(coming, commits, &mut told)?;
    ways.copy(commits, there, &mut told)?;
    let all = ways.compare(commits, &mut told)?;
    ways.leave(commits)?;
    ways.finish()?;
    Ok(all)
}

/// What a place is called, the same whichever folder a command runs in.
fn place(store: &Store) -> String {
    match store.place() {
        Place::Server(server) => server.clone(),
        Place::File(path) => {
            let whole = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
            whole.display().to_string()
        }
    }
}

/// From where to where.
struct Ways<'w> {
    from: &'w Store,
    to: &'w Store,
    place: String,
    to_place: String,
}

/// Where to go on: that many tables are there, and of the next one the rows up to a key.
type There = (usize, Vec<Cell>);

impl Ways<'_> {
    fn begin(
        &self,
        coming: Option<Coming>,
        commits: u64,
        told: &mut impl FnMut(Told<'_>),
    ) -> Result<There, MoveError> {
        let first = self.coming(commits, copying(MOVED.first(), &[]));
        let Some(coming) = coming else {
            if let Some(what) = self.to.read(held)? {
                return Err(MoveError::Taken {
                    to: self.to_place.clone(),
                    what: format!("rows in the table {what}"),
                });
            }
            self.to.write(move |tx| mark::set_coming(tx, &first))?;
            return Ok((0, Vec::new()));
        };
        if coming.from != self.place {
            return Err(MoveError::Taken {
                to: self.to_place.clone(),
                what: format!("what was moved so far from {}", coming.from),
            });
        }
        if coming.commits == commits
            && let Some(there) = stands(&coming.how)
        {
            return Ok(there);
        }
        told(Told::Anew);
        self.to.write(move |tx| {
            let tables: Vec<&str> = others().map(|table| table.name).collect();
            tx.session().empty(&tables)?;
            meta::clear_all(tx)?;
            mark::set_coming(tx, &first)
        })?;
        Ok((0, Vec::new()))
    }

    fn coming(&self, commits: u64, how: How) -> Coming {
        Coming {
            from: self.place.clone(),
            commits,
            how,
        }
    }

    /// Reads of what is moved, unless it is another by now.
    fn read<T>(
        &self,
        commits: u64,
        work: impl FnOnce(&View) -> Result<T, StoreError>,
    ) -> Result<T, MoveError> {
        let found = self.from.read(|view| {
            let same = meta::commits(view)? == commits;
            same.then(|| work(view)).transpose()
        })?;
        found.ok_or_else(|| self.changed())
    }

    fn changed(&self) -> MoveError {
        MoveError::Changed {
            from: self.place.clone(),
        }
    }

    fn copy(
        &self,
        commits: u64,
        (tables, mut after): There,
        told: &mut impl FnMut(Told<'_>),
    ) -> Result<(), MoveError> {
        for table in MOVED.iter().skip(tables) {
            let mut copied = 0;
            loop {
                let Page { rows, last } =
                    self.read(commits, |view| rows::page(view, table, &after))?;
                let Some(last) = last else { break };
                copied += rows.len() as u64;
                let mark = self.coming(commits, copying(Some(table), &last));
                self.to.write(move |tx| {
                    rows::put(tx, table, &rows)?;
                    mark::set_coming(tx, &mark)
                })?;
                after = last;
            }
            after.clear();
            if let Some(column) = table.numbers() {
                self.to
                    .write(move |tx| tx.session().number_on(table.name, column))?;
            }
            told(Told::Copied {
                table: table.name,
                rows: copied,
            });
        }
        Ok(())
    }

    fn compare(
        &self,
        commits: u64,
        told: &mut impl FnMut(Told<'_>),
    ) -> Result<Vec<Measured>, MoveError> {
        let (mut all, mut different) = (Vec::new(), Vec::new());
        for table in MOVED {
            let here = self.read(commits, |view| rows::measure(view, table))?;
            let there = self.to.read(|view| rows::measure(view, table))?;
            if here == there {
                told(Told::Same(&here));
            } else {
                different.push(table.name);
            }
            all.push(here);
        }
        let is_same = different.is_empty();
        let how = if is_same {
            How::Compared
        } else {
            How::Different
        };
        let mark = self.coming(commits, how);
        self.to.write(move |tx| mark::set_coming(tx, &mark))?;
        if is_same {
            return Ok(all);
        }
        Err(MoveError::Different {
            from: self.place.clone(),
            to: self.to_place.clone(),
            tables: different.join(", "),
        })
    }

    /// The store is here no more. Where it goes it opens for nobody yet, so it is never at two places.
    fn leave(&self, commits: u64) -> Result<(), MoveError> {
        let mark = Gone {
            to: self.to_place.clone(),
            at: Utc::now().to_rfc3339_opts(SecondsFormat::Secs, true),
        };
        let has_left = self.from.write(move |tx| {
            let same = meta::commits(tx)? == commits;
            same.then(|| mark::set_gone(tx, &mark)).transpose()
        })?;
        has_left.ok_or_else(|| self.changed())
    }

    /// The store is there.
    fn finish(&self) -> Result<(), MoveError> {
        let least = self.from.read(meta::commits)?;
        let done = self.to.write(move |tx| {
            mark::has_come(tx)?;
            meta::raise_commits(tx, least)
        });
        Ok(done?)
    }
}

fn copying(table: Option<&Table>, after: &[Cell]) -> How {
    How::Copying {
        table: table.map_or("", |table| table.name).to_owned(),
        after: after.iter().map(Cell::word).collect(),
    }
}

/// Where to go on after what is noted; `None`: not from there.
fn stands(how: &How) -> Option<There> {
    match how {
        How::Copying { table, after } => {
            let tables = MOVED.iter().position(|one| one.name == table)?;
            let after: Option<Vec<Cell>> = after.iter().map(|word| Cell::of_word(word)).collect();
            Some((tables, after?))
        }
        // Cut off before the store left: it is compared again, nothing is copied.
        How::Compared => Some((MOVED.len(), Vec::new())),
        How::Different => None,
    }
}

/// All but the facts about the store itself, each before those that its rows name.
fn others() -> impl Iterator<Item = &'static Table> {
    MOVED.iter().rev().filter(|table| table.name != meta::TABLE)
}

/// A table that holds rows, if one does.
fn held(view: &View) -> Result<Option<&'static str>, StoreError> {
    for table in others() {
        if rows::page(view, table, &[])?.last.is_some() {
            return Ok(Some(table.name));
        }
    }
    Ok(None)
}
