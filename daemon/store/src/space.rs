//! Room that dropped bodies left in the file, given back to the disk.

use super::sqlite::opening::open_as_owner;
use super::sqlite::schema::STORE;
use super::view::View;
use super::{Mode, STEP_PAUSE, Store, StoreError, place};
use std::path::Path;

/// Pages given back in one transaction: a few milliseconds for whoever waits to write.
const PAGES_A_STEP: u32 = 256;

/// SQLite's `auto_vacuum` value for giving pages back when asked.
const INCREMENTAL: i64 = 2;

/// Gives the free pages of the store back to the disk; returns how many bytes.
///
/// Works in small steps beside a running owner. A store made before version 4 of its shape cannot
/// do that yet: it is written anew once, which needs the store to itself and as much free room as
/// it is large.
///
/// # Errors
/// The store cannot be opened or written, or is in use and has to be written anew.
pub fn compact(path: &Path) -> Result<u64, StoreError> {
    let store = Store::open(path, Mode::Guest)?;
    let kind = store.read(|view| number(view, "auto_vacuum"))?;
    if kind != INCREMENTAL {
        drop(store);
        return write_anew(path);
    }
    let (mut free, size) = store.read(free_pages)?;
    let mut given_back = 0;
    while free > 0 {
        let left = store.write(|tx| {
            let step = format!("PRAGMA incremental_vacuum({PAGES_A_STEP})");
            tx.prepare(step).each((), |_| Ok(()))?;
            Ok(free_pages(tx)?.0)
        })?;
        if left >= free {
            break;
        }
        given_back += (free - left) * size;
        free = left;
        std::thread::sleep(STEP_PAUSE);
    }
    Ok(given_back)
}

fn free_pages(view: &View) -> Result<(u64, u64), StoreError> {
    let number = |pragma| Ok::<_, StoreError>(number(view, pragma)?.try_into().unwrap_or(0));
    Ok((number("freelist_count")?, number("page_size")?))
}

fn number(view: &View, pragma: &str) -> Result<i64, StoreError> {
    view.prepare(format!("PRAGMA {pragma}"))
        .one((), |row| row.get(0))
}

fn write_anew(path: &Path) -> Result<u64, StoreError> {
    let path = &place::real(path);
    let bytes = || std::fs::metadata(path).map_or(0, |facts| facts.len());
    let (_lock, tx) = open_as_owner(path, &STORE)?;
    let before = bytes();
    // The copy that VACUUM makes is as large as the store: not in memory.
    tx.execute_batch("PRAGMA temp_store = FILE; PRAGMA auto_vacuum = INCREMENTAL; VACUUM;")?;
    tx.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)")?;
    Ok(before.saturating_sub(bytes()))
}
