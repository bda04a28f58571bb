//! What the audit trail is told of objects, statements about ids, what people say, and results: before
//! the store notes that it was, so that a crash between the two tells it again.

use super::{Pipeline, PipelineError};
use crate::observe;
use crate::observe::audit::message::Outcome;
use crate::observe::audit::{Event, Facts};
use crate::outbox;
use chrono::{DateTime, Utc};
use sheathline_model::annotations::Entry;
use sheathline_model::domain::{Disposition, PatientKey};
use sheathline_model::results::Content;
use sheathline_store::annotations;
use sheathline_store::audited::{Audited, Untold};
use sheathline_store::facts::{self, ObjectFacts};
use sheathline_store::identity::{self, Recorded};
use sheathline_store::members::Duty;
use sheathline_store::readings::StoredDisposition;
use sheathline_store::results::ResultRow;
use sheathline_store::{StoreError, View};

/// Objects or statements told of at a time.
const OBJECTS_A_TIME: u32 = 64;

impl Pipeline {
    /// Begins to tell the audit trail, if there is one, of the objects and statements to come.
    ///
    /// # Errors
    ///
    /// When the store fails.
    pub fn begin_audit(&self) -> Result<(), PipelineError> {
        match self.observed.trail {
            Some(_) => Ok(self.store.write(|tx| {
                facts::AUDITED.begin(tx)?;
                identity::AUDITED.begin(tx)?;
                annotations::AUDITED.begin(tx)
            })?),
            None => Ok(()),
        }
    }

    /// Tells of every object that was read since it last did; `false` if the trail cannot be written,
    /// which it has told in the log by itself.
    pub(super) fn tell_read(&self) -> Result<bool, PipelineError> {
        let event = |one: &ObjectFacts| Some((one.received_at, received(one)));
        self.tell_rows(facts::AUDITED, facts::untold, |one| one.id.0, event)
    }

    /// Tells of every statement about ids that was recorded since it last did, by whichever process;
    /// `false` if the trail cannot be written, which it has told in the log by itself.
    ///
    /// # Errors
    ///
    /// When the store fails.
    pub fn tell_stated(&self) -> Result<bool, PipelineError> {
        let event = |one: &Untold<Recorded>| match &one.what {
            Some(recorded) => Some((one.at, observe::identity(recorded))),
            None => {
                tracing::error!(code = "statement-damaged", number = one.id);
                None
            }
        };
        self.tell_rows(identity::AUDITED, identity::untold, |one| one.id, event)
    }

    /// Tells of everything that people said since it last did, to whichever process; `false` if the
    /// trail cannot be written, which it has told in the log by itself.
    ///
    /// # Errors
    ///
    /// When the store fails.
    pub fn tell_said(&self) -> Result<bool, PipelineError> {
        let event = |one: &Untold<Entry>| match &one.what {
            Some(entry) => Some((one.at, said(entry))),
            None => {
                tracing::error!(code = "entry-damaged", number = one.id);
                None
            }
        };
        self.tell_rows(
            annotations::AUDITED,
            annotations::untold,
            |one| one.id,
            event,
        )
    }

    /// Tells of rows after the last one told of, some at a time, until none is left. A row without an
    /// event is damaged, and holds up no other.
    fn tell_rows<R>(
        &self,
        audited: Audited,
        untold: impl Fn(&View, u32) -> Result<Vec<R>, StoreError>,
        number: impl Fn(&R) -> i64,
        event: impl Fn(&R) -> Option<(DateTime<Utc>, Event)>,
    ) -> Result<bool, PipelineError> {
        let Some(trail) = &self.observed.trail else {
            return Ok(true);
        };
        let part = self.share.now();
        if !part.has(&Duty::Trail) {
            return Ok(true);
        }
        // What is left is told at the next start.
        while !self.is_hurried() {
            let rows = self.store.read(|conn| untold(conn, OBJECTS_A_TIME))?;
            let Some(last) = rows.last().map(&number) else {
                return Ok(true);
            };
            let events: Vec<_> = rows.iter().filter_map(&event).collect();
            if !trail.write(&events) {
                return Ok(false);
            }
            let part = part.clone();
            self.store.write(move |tx| {
                part.check(tx, &Duty::Trail)?;
                audited.note(tx, last)
            })?;
        }
        Ok(true)
    }

    /// Tells of results that stand in the outbox.
    pub(super) fn tell_published(&self, rows: &[ResultRow]) -> bool {
        let Some(trail) = &self.observed.trail else {
            return true;
        };
        let now = Utc::now();
        let published = |row: &ResultRow| {
            let content: Option<Content> = serde_json::from_str(&row.content).ok();
            let patient = content.as_ref().map(|content| PatientKey {
                issuer: content.patient.issuer.clone(),
                id: content.patient.id.clone(),
            });
            Event::Published {
                folder: self.outbox.clone(),
                facts: Facts {
                    patient: Some(patient.unwrap_or_else(|| row.patient.clone())),
                    study: content.map(|content| content.exam.study_instance_uid),
                    instance: None,
                    number: Some(outbox::folder_name(&row.exam_id, row.version)),
                },
            }
        };
        let events: Vec<_> = rows.iter().map(|row| (now, published(row))).collect();
        trail.write(&events)
    }
}

fn said(entry: &Entry) -> Event {
    let by = &entry.by;
    Event::Said {
        author: match by.author.name() {
            "" => by.author.kind().to_owned(),
            name => name.to_owned(),
        },
        entered_by: by.entered_by.clone(),
        entry: entry.id,
        act: entry.act,
        corrects: entry.corrects,
        kind: entry.said.kind().word(),
        patient: entry.patient.clone(),
        study: entry
            .said
            .about()
            .map(|about| about.study_instance_uid.clone()),
    }
}

fn received(object: &ObjectFacts) -> Event {
    Event::Received {
        source: object.source.clone(),
        is_repeat: false,
        outcome: match object.disposition {
            Some(StoredDisposition::As(Disposition::Quarantined)) => {
                Outcome::Minor("kept in quarantine")
            }
            Some(_) => Outcome::Success,
            None => Outcome::Serious("its row in the store is damaged"),
        },
        facts: observe::facts(object),
    }
}
