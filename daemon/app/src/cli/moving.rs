//! `move`: the store to another file or database.

use super::args::MoveArgs;
use super::{Failure, context, opening, print};
use crate::config::{Config, StorePlace};
use serde::Serialize;
use sheathline_store::Store;
use sheathline_store::moving::{self, Measured, Told};
use std::fs;

/// What `move --json` prints of each table.
#[derive(Serialize)]
struct Table {
    table: &'static str,
    rows: u64,
    bytes: u64,
    sha256: String,
}

/// The last line of `move --json`.
#[derive(Serialize)]
struct Sum {
    moved_from: String,
    moved_to: String,
    rows: u64,
    bytes: u64,
    dry_run: bool,
}

pub(super) fn move_store(args: &MoveArgs) -> Result<(), Failure> {
    let (from, into) = (
        context::config(&args.config.config)?,
        context::config(&args.into)?,
    );
    let (here, there) = (place(&from)?, place(&into)?);
    if here == there {
        return Err(Failure::usage(format!(
            "{here}: both configurations name this store; --into names the one to go on with (a \
             variable SHEATHLINE__STORE__... counts for both)"
        )));
    }
    for config in [&from, &into] {
        context::as_its_account(config)?;
    }
    let all = if args.dry_run {
        let store = context::guest(&from)?;
        moving::measure(&store)?
    } else {
        let source = match from.store.place() {
            StorePlace::File(path) => Store::open_to_move_from(path)?,
            StorePlace::Server(server) => {
                Store::open_server_to_move_from(&opening::settings(&server)?)?
            }
        };
        let target = match into.store.place() {
            StorePlace::File(path) => {
                if let Some(folder) = path.parent() {
                    fs::create_dir_all(folder).map_err(|error| Failure::at(folder, error))?;
                }
                Store::open_to_move_into(path)?
            }
            StorePlace::Server(server) => {
                Store::open_server_to_move_into(&opening::settings(&server)?)?
            }
        };
        moving::run(&source, &target, tell)?
    };
    let (mut rows, mut bytes) = (0, 0);
    for one in &all {
        rows += one.rows;
        bytes += one.bytes;
        print::line(format_args!(
            "{}: {} rows, {} bytes, SHA-256 {}",
            one.table,
            one.rows,
            one.bytes,
            hex(one)
        ));
        if args.json {
            print::json(&Table {
                table: one.table,
                rows: one.rows,
                bytes: one.bytes,
                sha256: hex(one),
            })?;
        }
    }
    let (would, next) = if args.dry_run {
        ("would be moved", "")
    } else {
        ("moved", "; go on with that configuration alone")
    };
    print::line(format_args!(
        "{rows} rows of {bytes} bytes {would} from {here} to {there}{next}"
    ));
    if args.json {
        print::json(&Sum {
            moved_from: here,
            moved_to: there,
            rows,
            bytes,
            dry_run: args.dry_run,
        })?;
    }
    Ok(())
}

/// Where the store of a configuration is.
fn place(config: &Config) -> Result<String, Failure> {
    let path = match config.store.place() {
        StorePlace::File(path) => path,
        StorePlace::Server(server) => return Ok(opening::settings(&server)?.place()),
    };
    let whole = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    Ok(whole.display().to_string())
}

fn tell(told: Told<'_>) {
    match told {
        Told::Anew => print::note("the store was changed since it was last moved: begun anew"),
        Told::Copied { table, rows } => print::note(format_args!("{table}: {rows} rows copied")),
        Told::Same(one) => print::note(format_args!("{}: the same at both places", one.table)),
    }
}

fn hex(one: &Measured) -> String {
    one.sha256
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}
