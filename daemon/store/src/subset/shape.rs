//! The tables of the store and which of their columns may be empty.

use crate::bare::{Bare, Cell};
use crate::{Mode, Store};
use std::collections::BTreeMap;
use tempfile::TempDir;

/// Tables, each with its columns and whether a column may be empty.
pub(crate) struct Shape(BTreeMap<String, BTreeMap<String, bool>>);

impl Shape {
    /// As a new store has them.
    pub(crate) fn newest() -> Shape {
        let folder = TempDir::new().expect("a folder");
        let path = folder.path().join("store.db");
        drop(Store::open(&path, Mode::Owner).expect("opens"));
        let file = Bare::open(&path).expect("opens");
        let columns = "select t.name, c.name, c.\"notnull\" = 0 and c.pk = 0
            from sqlite_schema as t join pragma_table_info(t.name) as c where t.type = 'table'";
        let mut tables = BTreeMap::<String, BTreeMap<String, bool>>::new();
        for row in file.rows(columns).expect("read") {
            let [Cell::Text(table), Cell::Text(column), Cell::Integer(may)] = &row[..] else {
                panic!("{row:?}");
            };
            let columns = tables.entry(table.clone()).or_default();
            columns.insert(column.clone(), *may != 0);
        }
        Shape(tables)
    }

    pub(crate) fn has(&self, table: &str) -> bool {
        self.0.contains_key(table)
    }

    /// Whether a column may be empty; `None`: the table has none of this name.
    pub(crate) fn may_be_null(&self, table: &str, column: &str) -> Option<bool> {
        self.0.get(table)?.get(column).copied()
    }
}
