//! Whether the rows of all tables belong together: what a database that was put back by its own means, in
//! part or from several times, would break without breaking any one row.

use super::Verified;
use crate::view::View;
use crate::{StoreError, meta};

/// Rows of a table that name a row of another one: table, its column, the other table, its column.
const NAMED: &[[&str; 4]] = &[
    ["object", "gist", "gist", "id"],
    ["object_blocking", "object_id", "object", "id"],
    ["reading_change", "object_id", "object", "id"],
    ["archived", "object_id", "object", "id"],
    ["delivery", "result_id", "result", "id"],
    ["entry", "corrects", "entry", "id"],
    ["brought", "bringing", "bringing", "number"],
    ["exam_line", "exam_id", "result", "exam_id"],
];

/// Facts that are the number of a row to which something was done, and the table of that row. Rows of
/// these tables never go.
const DONE_UP_TO: &[[&str; 2]] = &[
    ["audit_told", "object"],
    ["audit_told_entry", "entry"],
    ["audit_told_statement", "id_statement"],
    ["spread_statement", "id_statement"],
];

/// Looks at the rows of all tables.
pub(super) fn look(view: &View, done: &mut Verified) -> Result<(), StoreError> {
    for [table, column, of, key] in NAMED {
        let sql = format!(
            "select count(*) from {table} one where one.{column} is not null
             and not exists (select 1 from {of} other where other.{key} = one.{column})"
        );
        tell(view, done, table, &sql, |rows| {
            format!("{rows} of its rows name a row of {of} that is not there")
        })?;
    }
    // Readings of an object are counted from 1, and none is ever taken out.
    let sql = "select count(*) from (select object_id from reading_change group by object_id
               having min(version) <> 1 or max(version) <> count(*)) as broken";
    tell(view, done, "reading_change", sql, |objects| {
        format!(
            "of {objects} objects the readings that became known are not counted from 1 without a gap"
        )
    })?;
    let sql = "select count(*) from object one where one.disposition is not null
               and not exists (select 1 from reading_change other where other.object_id = one.id)";
    tell(view, done, "reading_change", sql, |objects| {
        format!("{objects} objects were read, and it is not noted when")
    })?;
    for [name, table] in DONE_UP_TO {
        let Some(number) = meta::get(view, name)?.and_then(|text| text.parse::<i64>().ok()) else {
            continue;
        };
        let sql = format!("select coalesce(max(id), 0) from {table}");
        let last: i64 = view.prepare(sql).one((), |row| row.get(0))?;
        if number > last {
            let how = format!(
                "{name} says that something was done up to number {number}, and the last one here is {last}: \
                 what came after is gone, it was put back from an earlier time"
            );
            done.add(format!("table {table}"), how);
        }
    }
    if !meta::counts_commits(view)? {
        let sql = "select count(*) from object";
        tell(view, done, "meta", sql, |objects| {
            format!("it counts no commits, and there are {objects} objects")
        })?;
    }
    Ok(())
}

/// A damage, where the answer is not nought.
fn tell(
    view: &View,
    done: &mut Verified,
    table: &str,
    sql: &str,
    how: impl Fn(i64) -> String,
) -> Result<(), StoreError> {
    let number: i64 = view.prepare(sql).one((), |row| row.get(0))?;
    if number != 0 {
        done.add(format!("table {table}"), how(number));
    }
    Ok(())
}
