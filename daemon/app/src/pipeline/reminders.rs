//! Second notices of rises that nobody has acknowledged.

use super::Pipeline;
use crate::known::content_of;
use crate::outbox::Known;
use crate::routes::destination::Taker;
use chrono::{DateTime, TimeDelta, Utc};
use sheathline_model::results::{Change, Chosen};
use sheathline_store::exam_lines::{self, Due};
use sheathline_store::members::Duty;
use sheathline_store::{StoreError, Tx, deliveries, results};

/// Reminders made in one commit.
const REMINDERS_A_COMMIT: u32 = 64;

impl Pipeline {
    /// Makes a reminder wait for each destination that wants one, of each rise that nobody has
    /// acknowledged for long enough by `now`; of each version once. Returns of how many.
    ///
    /// # Errors
    ///
    /// When the store fails.
    pub fn remind(&self, now: DateTime<Utc>) -> Result<usize, StoreError> {
        let wants = |one: &&Taker| one.wanted.changes.contains(&Change::Reminder);
        let takers: Vec<Taker> = self.destinations.iter().filter(wants).cloned().collect();
        let part = self.share.now();
        if self.remind_minutes == 0 || takers.is_empty() || !part.has(&Duty::Reminders) {
            return Ok(0);
        }
        let before = now - TimeDelta::minutes(self.remind_minutes.into());
        let due = self
            .store
            .read(|conn| exam_lines::reminders_due(conn, before, REMINDERS_A_COMMIT))?;
        if due.is_empty() {
            return Ok(0);
        }
        let reminded = self.store.write(move |tx| {
            part.check(tx, &Duty::Reminders)?;
            due.iter().map(|one| remind(tx, one, &takers, now)).sum()
        })?;
        if reminded > 0 {
            self.publications
                .send_modify(|count| *count = count.wrapping_add(1));
        }
        Ok(reminded)
    }
}

/// Makes the reminders of one version, and notes it in the same transaction. Returns 1, or 0 where
/// there is nothing to remind of: somebody has acknowledged it since, or it was not published yet.
fn remind(tx: &Tx, due: &Due, takers: &[Taker], now: DateTime<Utc>) -> Result<usize, StoreError> {
    let Some(line) = exam_lines::of_exam(tx, &due.exam_id)? else {
        return Ok(0);
    };
    if !exam_lines::is_due(tx, due)? {
        return Ok(0);
    }
    let row = results::version(tx, &due.exam_id, due.version)?;
    let content = row.and_then(|row| content_of(&row).ok());
    let known = content.as_ref().map(|now| Known::of(tx, now, takers));
    let known = known.transpose()?;
    let chosen = match (&known, &content) {
        (Some(known), Some(now)) => known.chosen(now),
        // It cannot be read; its line says what it said.
        _ => Chosen {
            label: line.label,
            department: line.location.as_deref(),
            ..Chosen::by_status(line.status)
        },
    };
    for one in takers {
        let is_wanted = one.wanted.takes(&[Change::Reminder], &chosen, false);
        if is_wanted && !deliveries::remind(tx, &due.exam_id, due.version, &one.name, now)? {
            return Ok(0);
        }
    }
    Ok(usize::from(exam_lines::note_reminded(tx, due)?))
}
