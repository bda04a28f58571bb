//! A run without identities: what holds now, whole and anew each time. There is no history: what became
//! known together would tell which dates are near each other.

use super::cells::Cells;
use super::devices::Known;
use super::key::{MOST_DAYS, Secret, WEEK};
use super::shuffle::Shuffle;
use super::standard::METHODS;
use super::{Deidentified, OLDEST, RULE};
use crate::export::ExportError;
use crate::export::folder::Folder;
use crate::export::holding;
use crate::export::manifest::{Summary, Through};
use crate::export::row::{Row, Transform};
use crate::export::run::{Phase, Watch, through};
use crate::export::said;
use crate::export::tables::Table;
use sheathline_store::Store;
use std::path::Path;

/// What to export.
pub(crate) struct Job<'a> {
    /// From where.
    pub store: &'a Store,
    /// The folder.
    pub to: &'a Path,
    /// The key.
    pub secret: &'a Secret,
    /// Machines whose maker and model are told.
    pub known: &'a Known,
    /// Tells the audit trail that files become visible; `false`: nobody could be told.
    pub tell: &'a dyn Fn() -> bool,
}

/// Runs it; returns how many rows there are, what is said of them, and by which rule the files
/// before were made, if there were any.
///
/// # Errors
/// Why it ended early; the run before still stands, whole.
pub(crate) fn run(
    job: &Job<'_>,
    watch: &mut dyn Watch,
) -> Result<(u64, Summary, Option<u32>), ExportError> {
    let mut folder = Folder::open(job.to, false)?;
    let key_id = job.secret.id();
    if let Some(before) = &folder.manifest.deidentified
        && before.key_id != key_id
    {
        return Err(ExportError::OtherKey {
            path: job.to.to_owned(),
        });
    }
    let rule_before = folder.manifest.deidentified.as_ref();
    let rule_before = rule_before.map(|one| one.rule);
    let until = through(job.store)?;
    let change = Deidentified::new(job.secret, job.known);
    let mut rows = Shuffle::new(&folder.aside()?)?;
    holding::rows(job.store, &until, watch, &mut |row| {
        change.change(row).map_or(Ok(()), |row| rows.add(row))
    })?;
    said::each(job.store, &until, &mut |one| {
        change.change(one.now()).map_or(Ok(()), |row| rows.add(row))
    })?;
    let mut view = folder.view()?;
    for table in Table::ALL {
        view.begin(table, String::new())?;
    }
    let mut cells = Cells::default();
    let mut last: Option<Row> = None;
    rows.each(|row| {
        // Of rows that only name, each exam says one.
        if row.table.is_named_only() && last.as_ref() == Some(&row) {
            return Ok(());
        }
        cells.count(&row);
        if row.table.is_named_only() {
            last = Some(row.clone());
        }
        view.write(row)
    })?;
    let summary = Summary {
        methods: METHODS.to_vec(),
        rule: RULE,
        key_id,
        days_back: (WEEK, MOST_DAYS),
        days_step: WEEK,
        oldest_years: OLDEST,
        counted: cells.counted(),
    };
    folder.manifest.deidentified = Some(summary.clone());
    // How far the store goes tells what came between two exports, and its keys are made without a
    // secret.
    let rows = folder.replace(view, Through::default(), job.tell)?;
    watch.shown(Phase::Current, rows);
    Ok((rows, summary, rule_before))
}
