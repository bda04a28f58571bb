//! The shape of a store on a server, its number, and the way from each shape to the next.

use super::connection::Connection;
use crate::StoreError;
use std::path::PathBuf;

/// The steps from an empty database to the newest shape, each with the number of the shape it leads to: the
/// number that a file of the same shape has. The first is whole.
pub(crate) const STEPS: &[(i64, &str)] = &[(11, include_str!("schema/011.sql"))];

/// The newest shape this program knows.
pub(crate) const KNOWN: i64 = match STEPS.last() {
    Some((shape, _)) => *shape,
    None => 0,
};

/// What belongs to a server alone: the shape, who owns the store, and the last commit of each who changes it.
pub(super) const ROOM: &str = "
    create table shape (
        program text   collate \"C\" primary key check (program = 'sheathline'),
        number  bigint not null
    );
    insert into shape (program, number) values ('sheathline', 0);
    create table owner (
        only_one bigint primary key check (only_one = 1),
        epoch    bigint not null,
        -- Milliseconds of the server's clock.
        until    bigint not null,
        pid      bigint
    );
    insert into owner (only_one, epoch, until) values (1, 0, 0);
    create table last_commit (
        changer text   collate \"C\" primary key,
        number  bigint not null,
        at      bigint not null
    );";

/// A table that is there; the one that says what the others are, if it is.
pub(super) const TABLES: &str = "select table_name from information_schema.tables
    where table_schema = current_schema()
    order by case when table_name = 'shape' then 0 else 1 end limit 1";

/// The columns of that one.
pub(super) const COLUMNS: &str = "select column_name from information_schema.columns
    where table_schema = current_schema() and table_name = 'shape' order by column_name";

/// How often two that begin at once may meet each other.
const MEETINGS: usize = 20;

/// The shape of the store: 0 where there is none. Changes nothing.
pub(super) fn found(connection: &Connection, place: &str) -> Result<i64, StoreError> {
    found_below(connection, place, KNOWN)
}

fn found_below(connection: &Connection, place: &str, known: i64) -> Result<i64, StoreError> {
    let path = PathBuf::from(place);
    let (tables, _) = connection.simple(TABLES)?;
    match tables.first().map(Option::as_deref) {
        None => return Ok(0),
        Some(Some("shape")) => {}
        Some(_) => return Err(StoreError::Foreign { path }),
    }
    let (columns, _) = connection.simple(COLUMNS)?;
    if columns
        .iter()
        .map(Option::as_deref)
        .ne([Some("number"), Some("program")])
    {
        return Err(StoreError::Foreign { path });
    }
    let (numbers, _) =
        connection.simple("select number from shape where program = 'sheathline'")?;
    match numbers
        .first()
        .and_then(|cell| cell.as_deref()?.parse().ok())
    {
        None => Err(StoreError::Foreign { path }),
        Some(found) if found > known => Err(StoreError::Newer { path, found, known }),
        Some(found) => Ok(found),
    }
}

/// Brings the store to the newest shape: all steps that lack and their number in one transaction.
pub(super) fn bring_up(connection: &Connection, place: &str) -> Result<(), StoreError> {
    bring_up_by(connection, place, STEPS)
}

/// The same with other steps.
pub(super) fn bring_up_by(
    connection: &Connection,
    place: &str,
    steps: &[(i64, &str)],
) -> Result<(), StoreError> {
    let known = steps.last().map_or(0, |(shape, _)| *shape);
    let mut met = 0;
    loop {
        let done = begin(connection, place, known).and_then(|()| step_up(connection, steps));
        match done {
            Ok(()) => return Ok(()),
            // Two that make the same table at once: one of them is told that it is there. It looks again.
            Err(StoreError::Refused(_)) if met < MEETINGS && is_there(connection) => met += 1,
            Err(error) => return Err(error),
        }
    }
}

/// Makes the table that everything else is made under the lock of.
fn begin(connection: &Connection, place: &str, known: i64) -> Result<(), StoreError> {
    if found_below(connection, place, known)? == 0 && !is_there(connection) {
        connection
            .simple(&format!("begin; {ROOM} commit"))
            .inspect_err(|_| {
                let _ = connection.simple("rollback");
            })?;
    }
    Ok(())
}

fn is_there(connection: &Connection) -> bool {
    let look = "select 1 from information_schema.tables
                where table_schema = current_schema() and table_name = 'shape'";
    connection
        .simple(look)
        .is_ok_and(|(rows, _)| !rows.is_empty())
}

fn step_up(connection: &Connection, steps: &[(i64, &str)]) -> Result<(), StoreError> {
    let stepped = || -> Result<(), StoreError> {
        let (cells, _) = connection
            .simple("begin; select number from shape where program = 'sheathline' for update")?;
        let from: i64 = cells
            .first()
            .and_then(|cell| cell.as_deref()?.parse().ok())
            .ok_or_else(|| StoreError::Work("the store lost the number of its shape".to_owned()))?;
        for (shape, step) in steps.iter().filter(|(shape, _)| *shape > from) {
            connection.simple(step)?;
            connection.simple(&format!("update shape set number = {shape}"))?;
        }
        connection.simple("commit")?;
        Ok(())
    };
    stepped().inspect_err(|_| {
        let _ = connection.simple("rollback");
    })
}
