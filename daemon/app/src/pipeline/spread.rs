//! From what was stated of two ids to everybody whom it concerns.

use super::{Pipeline, PipelineError};
use chrono::Utc;
use sheathline_store::members::Duty;
use sheathline_store::{assessment_queue, identity};

/// Ids marked in one commit, so that what is received never waits long for it.
const IDS_A_COMMIT: usize = 512;

impl Pipeline {
    /// Marks everybody whom new statements about ids concern.
    pub(super) fn spread_stated(&self) -> Result<(), PipelineError> {
        let part = self.share.now();
        if !part.has(&Duty::Ids) {
            return Ok(());
        }
        let Some(concerned) = self.store.read(identity::concerned)? else {
            return Ok(());
        };
        if concerned.unsettled {
            tracing::warn!(
                code = "merges-unsettled",
                "merges of ids lead in a circle or to several ends; they are not applied"
            );
        }
        // First those that have gone: whatever marks one of them from now on is seen by itself, and
        // what marked it before is seen by the survivor, who is marked after it.
        let gone = concerned.gone.into_iter().map(|key| (key, Mark::Gone));
        let assessed = concerned.assessed.into_iter();
        let all: Vec<_> = gone
            .chain(assessed.map(|key| (key, Mark::Assessed)))
            .collect();
        let mut chunks = all.chunks(IDS_A_COMMIT).peekable();
        while let Some(some) = chunks.next() {
            // What is left is done by the next start.
            if self.is_hurried() {
                break;
            }
            let some = some.to_vec();
            let last = chunks.peek().is_none().then_some(concerned.last);
            let part = part.clone();
            self.store.write(move |tx| {
                part.check(tx, &Duty::Ids)?;
                for (key, mark) in &some {
                    match mark {
                        Mark::Gone => assessment_queue::unmark(tx, key)?,
                        Mark::Assessed => assessment_queue::mark_dirty(tx, key, Utc::now())?,
                    }
                }
                last.map_or(Ok(()), |last| identity::note_spread(tx, last))
            })?;
        }
        Ok(())
    }
}

#[derive(Clone, Copy)]
enum Mark {
    /// Somebody else is assessed for it.
    Gone,
    Assessed,
}
