//! `datapackage.json`: the tables as Frictionless describes them (Data Package and Table Schema,
//! version 1), generated from the list of columns.

use super::cell::Kind;
use super::column::Described;
use super::deidentify::rules;
use super::manifest::{File, Format, Manifest};
use super::tables::Table;
use serde_json::{Map, Value, json};
use sheathline_model::results::cautions::NOT_A_DEVICE;

/// The package of what a manifest names.
#[must_use]
pub(crate) fn package(manifest: &Manifest) -> Value {
    let resources = Table::ALL.into_iter().flat_map(|table| {
        let of = |files: &[File]| -> Vec<String> {
            let csv = files.iter();
            let csv = csv.filter(|one| one.table == table && one.format == Format::Csv);
            csv.map(|one| one.path.clone()).collect()
        };
        [
            resource(
                table,
                View::Current,
                &of(&manifest.current),
                manifest.identified,
            ),
            resource(
                table,
                View::History,
                &of(&manifest.history),
                manifest.identified,
            ),
        ]
    });
    let resources: Vec<Value> = resources.flatten().collect();
    json!({
        "profile": "tabular-data-package",
        "name": "sheathline-export",
        "title": "Optic nerve sheath measurements and their comparisons",
        "description": format!(
            "One row of one key in each table; those ending in _history hold every row that ever \
             became known, of which the highest row_version holds. The same rows stand beside as \
             Parquet. {NOT_A_DEVICE}"
        ),
        "identified": manifest.identified,
        "resources": resources,
    })
}

#[derive(Clone, Copy, PartialEq)]
enum View {
    Current,
    History,
}

impl View {
    fn name(self, table: Table) -> String {
        match self {
            View::Current => table.name().to_owned(),
            View::History => format!("{}_history", table.name()),
        }
    }
}

fn resource(table: Table, view: View, paths: &[String], identified: bool) -> Option<Value> {
    let path = match paths {
        [] => return None,
        [one] => json!(one),
        many => json!(many),
    };
    Some(json!({
        "profile": "tabular-data-resource",
        "name": view.name(table),
        "path": path,
        "title": table.about(),
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": { "delimiter": ",", "lineTerminator": "\r\n", "doubleQuote": true, "header": true },
        "schema": schema(table, view, identified),
    }))
}

fn schema(table: Table, view: View, identified: bool) -> Value {
    let mut columns = table.all_columns();
    // What is left out is empty.
    for column in columns.iter_mut().filter(|_| !identified) {
        column.is_required &= rules::action(table, column) != rules::Action::LeaveOut;
    }
    let keys = columns.iter().filter(|column| column.is_key);
    let mut key: Vec<&str> = keys.map(|column| column.name).collect();
    // In the history a key comes once for each version.
    let is_alone = key.len() == 1 && view == View::Current;
    let fields = columns.iter();
    let fields: Vec<Value> = fields
        .map(|column| field(column, is_alone && column.is_key))
        .collect();
    if view == View::History {
        key.push("row_version");
    }
    let foreign: Vec<Value> = table
        .foreign()
        .iter()
        .map(|one| {
            json!({
                "fields": one.fields,
                "reference": { "resource": view.name(one.table), "fields": one.there },
            })
        })
        .collect();
    json!({
        "fields": fields,
        "missingValues": [""],
        "primaryKey": key,
        "foreignKeys": foreign,
    })
}

fn field(column: &Described, is_unique: bool) -> Value {
    let mut constraints = Map::new();
    if column.is_required {
        constraints.insert("required".into(), json!(true));
    }
    if is_unique {
        constraints.insert("unique".into(), json!(true));
    }
    if !column.words.is_empty() {
        constraints.insert("enum".into(), json!(column.words));
    }
    let bound = |bound: f64| match column.kind {
        Kind::Integer => json!(bound as i64),
        _ => json!(bound),
    };
    if let Some(least) = column.least {
        constraints.insert("minimum".into(), bound(least));
    }
    if let Some(most) = column.most {
        constraints.insert("maximum".into(), bound(most));
    }
    let mut field = Map::new();
    let mut put = |name: &str, value: Value| field.insert(name.to_owned(), value);
    put("name", json!(column.name));
    put("type", json!(kind(column.kind)));
    put("description", json!(column.about));
    if let Some(unit) = column.unit {
        put("unit", json!(unit));
    }
    put("privacy", json!(column.class.word()));
    if !constraints.is_empty() {
        put("constraints", Value::Object(constraints));
    }
    Value::Object(field)
}

fn kind(kind: Kind) -> &'static str {
    match kind {
        Kind::Text => "string",
        Kind::Integer => "integer",
        Kind::Number => "number",
        Kind::Flag => "boolean",
        Kind::Date => "date",
        Kind::Clock | Kind::Instant => "datetime",
    }
}
