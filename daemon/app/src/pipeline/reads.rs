//! Waiting objects into readings, new ones before those that are read again under new rules.

use super::filing::{Filed, file};
use super::{OBJECTS_A_COMMIT, Pipeline, PipelineError};
use crate::decoding::{self, Effort};
use chrono::Utc;
use sheathline_model::domain::{ObjectReading, Remark, RemarkCode, Source};
use sheathline_model::reading::Assumed;
use sheathline_model::watch::{Sender, Since};
use sheathline_model::{reading, sr};
use sheathline_store::StoreError;
use sheathline_store::members::Duty;
use sheathline_store::objects::{self, ObjectId, Slim, Unread};
use sheathline_store::watched::Began;

/// Bytes of objects after which a commit takes no further one: a clip can be as large as a thousand
/// reports, and all of a commit are in memory at once.
const BYTES_A_COMMIT: usize = 32 << 20;

impl Pipeline {
    /// Reads some waiting objects, oldest first, in one commit. Returns how many.
    ///
    /// # Errors
    ///
    /// When the store fails. An object that cannot be understood is no error: it is quarantined.
    pub fn read_some(&self) -> Result<usize, PipelineError> {
        let part = self.share.now();
        if !part.has_buckets() && !part.has(&Duty::Upkeep) {
            return Ok(0);
        }
        let (waiting, is_again) = self.store.read(|conn| {
            let (mut bodies, mut bytes) = (Vec::new(), 0);
            let fresh = match part.membership() {
                None => objects::next_unread(conn, OBJECTS_A_COMMIT)?,
                Some(member) => objects::next_unread_of(conn, member, OBJECTS_A_COMMIT)?,
            };
            let again = if fresh.is_empty() && part.has(&Duty::Upkeep) {
                objects::next_again(conn, OBJECTS_A_COMMIT)?
            } else {
                None
            };
            let is_again = again.is_some();
            for one in again.unwrap_or(fresh) {
                let body = match objects::body(conn, one.id) {
                    Ok(body) => Ok(body),
                    Err(lost @ (StoreError::Damaged { .. } | StoreError::Dropped { .. })) => {
                        Err(lost.to_string())
                    }
                    Err(error) => return Err(error),
                };
                bytes += body.as_ref().map_or(0, Vec::len);
                bodies.push((one, body));
                if bytes > BYTES_A_COMMIT {
                    break;
                }
            }
            Ok((bodies, is_again))
        })?;
        let last = waiting.last().map(|(one, _)| one.id);
        let readings = waiting
            .into_iter()
            .map(|(one, body)| {
                Ok(match body {
                    Ok(body) => {
                        let read = self.read(&one, &body)?;
                        (one.id, one.source, Some(read))
                    }
                    Err(why) => {
                        tracing::error!(code = "object-bytes-missing", id = %one.id, %why);
                        (one.id, one.source, None)
                    }
                })
            })
            .collect::<Result<Vec<_>, StoreError>>()?;
        let count = readings.len();
        if count > 0 || is_again {
            let filed = self.store.write(move |tx| {
                let mut filed = Vec::new();
                if is_again {
                    part.check(tx, &Duty::Upkeep)?;
                }
                for (id, source, read) in &readings {
                    // Its new reader reads it as well.
                    if !is_again && !part.still_has(tx, &objects::bucket(*id))? {
                        continue;
                    }
                    let done = match read {
                        Some((reading, slim)) => file(tx, *id, source, reading, slim.as_ref())?,
                        // What was read of it before stays in use.
                        None if objects::note_damaged(tx, *id, Utc::now())? => continue,
                        None => file(tx, *id, source, &without_bytes(), None)?,
                    };
                    filed.push((*id, source.clone(), done));
                }
                if is_again {
                    objects::note_read_again(tx, last)?;
                }
                Ok(filed)
            })?;
            self.tell(&filed, is_again);
        }
        Ok(count)
    }

    /// Counts what was read. An object that comes into quarantine is a line in the log, once.
    fn tell(&self, filed: &[(ObjectId, Source, Filed)], is_again: bool) {
        let metrics = &self.observed.metrics;
        for (id, source, done) in filed {
            metrics.read(done.disposition);
            if let Some((sender, began)) = &done.sender {
                tell_began(sender, began);
            }
            if is_again {
                continue;
            }
            metrics.sent(source, done.disposition, done.left_unread, done.unexplained);
            if let Some(reason) = &done.reason {
                metrics.quarantined(reason);
                tracing::warn!(code = "object-quarantined", %id, reason);
            }
        }
    }

    /// What was read from an object, and the body to keep in its place if it is a picture whose
    /// pixels nobody wants.
    fn read(
        &self,
        object: &Unread,
        body: &[u8],
    ) -> Result<(ObjectReading, Option<Slim>), StoreError> {
        let syntax = object.transfer_syntax.as_deref();
        let assumed = Assumed {
            default_issuer: &object.default_issuer,
            fallback_charset: self.rules.charsets.of(&object.source),
            ae_title: object.source.ae_title(),
        };
        let _turn = decoding::own_turn(Effort::of(body, syntax));
        let mut reading = reading::read_object(body, syntax, assumed, &self.rules);
        if let Some(received) = &object.content_sha256 {
            reading.content_sha256 = Some(received.clone());
        }
        let slim = if self.keep_pixels || reading.image.is_none() {
            None
        } else {
            sr::without_pixels(body, syntax, &self.rules.limits)
        };
        Ok((reading, slim.map(|slim| Slim::new(&slim)).transpose()?))
    }
}

/// A line in the log when the reports of a sender become worse.
fn tell_began(sender: &Sender, began: &Began) {
    let Sender { source, machine } = sender;
    if let Some(Since { reports, .. }) = began.stopped {
        tracing::warn!(code = "values-stopped", %source, %machine, reports);
    }
    if let Some(Since { reports, .. }) = began.grew {
        tracing::warn!(code = "unexplained-grew", %source, %machine, reports);
    }
}

/// The reading of an object that was never read and whose bytes are lost.
fn without_bytes() -> ObjectReading {
    ObjectReading::quarantined(
        Remark::of(
            RemarkCode::StoredBytesMissing,
            "The stored bytes are damaged or gone.",
        )
        .act("Have the object sent again, and check the disk if they are damaged."),
    )
}
