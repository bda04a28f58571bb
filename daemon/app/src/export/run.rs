//! One run: what became known since the last one as further parts of the history, then the current
//! view anew.

use super::ExportError;
use super::cell::Cell;
use super::fhir;
use super::files::Files;
use super::folder::Folder;
use super::holding;
use super::manifest::{File, Format, Through};
use super::row::{Held, Row, Transform, key_of};
use super::said::{self, Newest};
use super::tables::{Table, of_object, of_result};
use super::walk;
use sheathline_model::legible;
use sheathline_store::{Store, annotations, readings, results};
use std::collections::BTreeSet;
use std::path::Path;

/// Rows of what people said in memory at a time. They come patient after patient.
const SAID_MAX: usize = 20_000;

/// What to export, and how.
pub(crate) struct Job<'a> {
    /// From where.
    pub store: &'a Store,
    /// The folder.
    pub to: &'a Path,
    /// Whether rows stand as they are in the store, with identities.
    pub identified: bool,
    /// What is done to each row on its way.
    pub transform: &'a dyn Transform,
    /// Versions of results in one part of the history: what a run that is cut off has to repeat.
    pub part: u32,
    /// Whether FHIR resources are written as well.
    pub fhir: bool,
    /// Tells the audit trail that files become visible; `false`: nobody could be told.
    pub tell: &'a dyn Fn() -> bool,
}

/// Who watches a run.
pub(crate) trait Watch {
    /// A phase begins; so many steps are ahead of it.
    fn begin(&mut self, phase: Phase, steps: u64);
    /// Steps were made.
    fn step(&mut self, steps: u64);
    /// Files became visible with so many rows.
    fn shown(&mut self, phase: Phase, rows: u64);
}

/// What a run is at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Phase {
    /// Writing what became known since the last run.
    History,
    /// Writing the current view.
    Current,
    /// Writing FHIR resources.
    Fhir,
}

/// What a run did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Done {
    /// Parts added to the history.
    pub parts: u32,
    /// Rows added to it.
    pub rows: u64,
    /// Rows of the current view; `None`: it stood already.
    pub current: Option<u64>,
    /// FHIR resources written; `None`: not asked for, or they stood already.
    pub fhir: Option<u64>,
    /// Damaged versions left out in this run; later versions make them good.
    pub damaged: u64,
}

/// Runs it.
///
/// # Errors
/// Why it ended early. Parts that became visible stay, and the next run goes on behind them.
pub(crate) fn run(job: &Job<'_>, watch: &mut dyn Watch) -> Result<Done, ExportError> {
    let folder = Folder::open(job.to, job.identified)?;
    check_store(job.store, &folder)?;
    let mut run = Run {
        job,
        until: through(job.store)?,
        named: Named::of(&folder)?,
        said: Newest::of(&folder)?,
        folder,
        watch,
    };
    let mut done = Done::default();
    run.history(&mut done)?;
    if run.folder.manifest.current_through.as_ref() != Some(&run.until) {
        let rows = run.current()?;
        run.watch.shown(Phase::Current, rows);
        done.current = Some(rows);
    }
    if job.fhir && run.folder.manifest.fhir_through.as_ref() != Some(&run.until) {
        let rows = fhir::write(job, &mut run.folder, &run.until, run.watch)?;
        run.watch.shown(Phase::Fhir, rows);
        done.fhir = Some(rows);
    }
    Ok(done)
}

struct Run<'r> {
    job: &'r Job<'r>,
    /// How far the store went at the start; what comes later is left to the next run.
    until: Through,
    named: Named,
    said: Newest,
    folder: Folder,
    watch: &'r mut dyn Watch,
}

/// How far the store goes now.
pub(super) fn through(store: &Store) -> Result<Through, ExportError> {
    Ok(store.read(|conn| {
        let result = results::newest_number(conn)?;
        let (reading, object) = readings::newest_change(conn)?;
        Ok(Through {
            result,
            result_key: results::key_at(conn, result)?.unwrap_or_default(),
            reading,
            reading_object: object.0,
            entry: annotations::newest_number(conn)?,
        })
    })?)
}

/// The store must have what the folder knows: a store that was restored from an older copy gives the
/// same numbers to other things.
fn check_store(store: &Store, folder: &Folder) -> Result<(), ExportError> {
    let known = &folder.manifest.through;
    let (key, object) = store.read(|conn| {
        let key = results::key_at(conn, known.result)?;
        Ok((key, readings::changed_object(conn, known.reading)?))
    })?;
    let same_result = known.result == 0 || key.as_ref() == Some(&known.result_key);
    let same_object = known.reading == 0 || object.map(|one| one.0) == Some(known.reading_object);
    if same_result && same_object {
        Ok(())
    } else {
        Err(ExportError::OtherStore {
            path: folder.path().to_owned(),
        })
    }
}

impl Run<'_> {
    fn history(&mut self, done: &mut Done) -> Result<(), ExportError> {
        let (from, until) = (&self.folder.manifest.through, &self.until);
        let ahead = (until.result - from.result) + (until.reading - from.reading);
        self.watch
            .begin(Phase::History, u64::try_from(ahead).unwrap_or(0));
        while self.folder.manifest.through != self.until {
            let mut through = self.folder.manifest.through.clone();
            let mut part = self.folder.part()?;
            self.readings(&mut part, &mut through)?;
            let damaged = self.results(&mut part, &mut through)?;
            self.said(&mut part, &mut through)?;
            let rows = self.folder.add(part, through, damaged, &self.job.tell)?;
            self.watch.shown(Phase::History, rows);
            done.parts += 1;
            done.rows += rows;
            done.damaged += damaged;
        }
        Ok(())
    }

    /// Objects of one part.
    fn readings(&mut self, part: &mut Files, through: &mut Through) -> Result<(), ExportError> {
        let mut left = i64::from(self.job.part.max(1));
        while left > 0 && through.reading < self.until.reading {
            let page = walk::readings_after(self.job.store, through.reading, self.until.reading)?;
            for one in &page {
                through.reading = one.change.number;
                through.reading_object = one.change.object.0;
                if let Some(received) = &one.received {
                    self.put(part, of_object(received))?;
                }
            }
            self.must_go_on(page.len())?;
            left -= page.len() as i64;
            self.watch.step(page.len() as u64);
        }
        Ok(())
    }

    /// Results of one part. Returns how many are damaged.
    fn results(&mut self, part: &mut Files, through: &mut Through) -> Result<u64, ExportError> {
        let mut damaged = 0;
        let mut left = i64::from(self.job.part.max(1));
        while left > 0 && through.result < self.until.result {
            let page = walk::versions(self.job.store, through.result, self.until.result)?;
            for step in &page {
                through.result = step.number;
                through.result_key.clone_from(&step.row.key);
                let Some(told) = &step.told else {
                    damaged += 1;
                    continue;
                };
                let mut held = Held::default();
                if let Some(before) = &step.before {
                    held.next(of_result(before), before.version, before.recorded_at);
                }
                for row in held.next(of_result(told), told.version, told.recorded_at) {
                    self.put(part, row)?;
                }
            }
            self.must_go_on(page.len())?;
            left -= page.len() as i64;
            self.watch.step(page.len() as u64);
        }
        Ok(damaged)
    }

    /// What people said, once the results that name the exams are told.
    fn said(&mut self, part: &mut Files, through: &mut Through) -> Result<(), ExportError> {
        let entry = self.until.entry;
        if (Through {
            entry,
            ..through.clone()
        }) != self.until
        {
            return Ok(());
        }
        let transform = self.job.transform;
        let newest = &mut self.said;
        let mut rows = Vec::new();
        said::each(self.job.store, &self.until, &mut |one| {
            let added = newest.added(one).into_iter();
            rows.extend(added.filter_map(|row| transform.change(row)));
            if rows.len() < SAID_MAX {
                Ok(())
            } else {
                in_order(&mut rows, part)
            }
        })?;
        in_order(&mut rows, part)?;
        through.entry = entry;
        Ok(())
    }

    /// What a store had at the start it keeps; one that does not is another by now.
    fn must_go_on(&self, found: usize) -> Result<(), ExportError> {
        match found {
            0 => Err(ExportError::OtherStore {
                path: self.folder.path().to_owned(),
            }),
            _ => Ok(()),
        }
    }

    /// Writes a row as it shall be seen; of rows that only name, each once.
    fn put(&mut self, to: &mut Files, row: Row) -> Result<(), ExportError> {
        match self.job.transform.change(row) {
            Some(row) if row.table.is_named_only() && !self.named.add(&row) => Ok(()),
            Some(row) => to.write(row),
            None => Ok(()),
        }
    }

    fn current(&mut self) -> Result<u64, ExportError> {
        let job = self.job;
        let mut view = self.folder.view()?;
        for table in Table::ALL {
            view.begin(table, String::new())?;
        }
        let mut write = |row: Row| match job.transform.change(row) {
            Some(row) if row.table.is_named_only() => Ok(()),
            Some(row) => view.write(row),
            None => Ok(()),
        };
        holding::rows(job.store, &self.until, self.watch, &mut write)?;
        self.said.rows(&self.folder, &mut |row| view.write(row))?;
        for row in self.named.rows() {
            view.write(row)?;
        }
        self.folder.replace(view, self.until.clone(), &job.tell)
    }
}

/// Writes rows by the time they became known, since they are filed by month.
fn in_order(rows: &mut Vec<Row>, part: &mut Files) -> Result<(), ExportError> {
    rows.sort_by_key(|row| row.recorded_at);
    rows.drain(..).try_for_each(|row| part.write(row))
}

/// Rows of operators and devices that stand in the history: few, so they are kept in memory.
struct Named {
    keys: BTreeSet<(Table, Vec<String>)>,
    rows: Vec<Row>,
}

impl Named {
    /// Those that a folder holds.
    fn of(folder: &Folder) -> Result<Self, ExportError> {
        let mut named = Named {
            keys: BTreeSet::new(),
            rows: Vec::new(),
        };
        let files = folder.manifest.history.iter();
        for file in files.filter(|one| one.table.is_named_only() && one.format == Format::Csv) {
            for row in rows_of(folder, file)? {
                named.add(&row);
            }
        }
        Ok(named)
    }

    /// Whether it was not there yet.
    fn add(&mut self, row: &Row) -> bool {
        let is_new = self.keys.insert((row.table, key_of(row)));
        if is_new {
            self.rows.push(row.clone());
        }
        is_new
    }

    fn rows(&self) -> impl Iterator<Item = Row> {
        self.rows.iter().cloned()
    }
}

/// Rows of a file of the history, from its CSV.
pub(super) fn rows_of(folder: &Folder, file: &File) -> Result<Vec<Row>, ExportError> {
    let path = folder.path().join(&file.path);
    let unreadable = |why: String| ExportError::Manifest {
        path: path.clone(),
        why: format!("is not what was written ({why})"),
    };
    let columns = file.table.all_columns();
    let mut reader =
        csv::Reader::from_path(&path).map_err(|error| unreadable(error.to_string()))?;
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| unreadable(error.to_string()))?;
        let cells = columns.iter().zip(&record);
        let cells: Option<Vec<Cell>> = cells
            .map(|(column, text)| Cell::read(column.kind, legible::from_cell(text)))
            .collect();
        let row = cells.and_then(|cells| Row::of_all_cells(file.table, cells));
        rows.push(row.ok_or_else(|| unreadable("a row of other columns".to_owned()))?);
    }
    Ok(rows)
}

#[cfg(test)]
mod tests;
