//! One reading into the store, beside what is there already.

use chrono::Utc;
use sheathline_model::domain::{
    Disposition, ObjectReading, PatientKey, Remark, RemarkCode, Severity, Source,
};
use sheathline_model::watch::{Report, Sender};
use sheathline_store::heard;
use sheathline_store::namesakes::{self, Born};
use sheathline_store::objects::{self, ObjectId, Slim};
use sheathline_store::readings::{self, StoredDisposition};
use sheathline_store::watched::{self, Began};
use sheathline_store::{StoreError, Tx, assessment_queue};

/// What became of an object that was read.
pub(super) struct Filed {
    pub(super) disposition: StoredDisposition,
    /// Code of the remark that put it into quarantine.
    pub(super) reason: Option<String>,
    /// Whether something at the eye was left unread.
    pub(super) left_unread: bool,
    /// Codes that nobody explains, each once.
    pub(super) unexplained: usize,
    /// Whose report it is, where it is known by whom it was sent, and what it began.
    pub(super) sender: Option<(Sender, Began)>,
}

/// Files what was read, and marks the patient whose results may change.
pub(super) fn file(
    tx: &Tx,
    id: ObjectId,
    source: &Source,
    reading: &ObjectReading,
    slim: Option<&Slim>,
) -> Result<Filed, StoreError> {
    let mut reading = reading.clone();
    // The object may have been filed under another patient when other rules read it.
    let before = readings::patient_of(tx, id)?;
    let hints = Hints::before(
        tx,
        [
            before.as_ref(),
            reading.patient.as_ref().map(|one| &one.key),
        ],
    )?;
    let disposition = place_among_equals(tx, id, &mut reading)?;
    let late = overtaken_by(tx, id, &reading)?;
    readings::finish_read(tx, id, &reading, disposition)?;
    heard::note(tx, id)?;
    // What nobody understands or trusts is kept as it came.
    if let Some(slim) = slim.filter(|_| reading.disposition != Disposition::Quarantined) {
        objects::slim_down(tx, id, slim)?;
    }
    let mut remarks = reading.remarks.iter().rev();
    let reason = remarks
        .find(|remark| remark.severity == Severity::Blocking)
        .filter(|_| disposition == Disposition::Quarantined.into())
        .map(|remark| remark.code.to_string());
    let sender = match disposition {
        StoredDisposition::Repeat => None,
        StoredDisposition::As(_) => sender(tx, id, source, &reading)?,
    };
    let mut remarks = reading.remarks.iter();
    let left_unread = remarks.any(|remark| {
        let is_one = matches!(
            remark.code,
            RemarkCode::LeftUnread | RemarkCode::ValuesUnread
        );
        is_one && remark.severity > Severity::Info
    });
    let unexplained = reading.unexplained.len();
    let after = reading.patient.map(|patient| patient.key);
    for key in before.iter().chain(after.iter()) {
        assessment_queue::mark_dirty(tx, key, Utc::now())?;
    }
    for later in late {
        send_back(tx, later)?;
    }
    hints.mark_changed(tx)?;
    Ok(Filed {
        disposition,
        reason,
        left_unread,
        unexplained,
        sender,
    })
}

/// Notes with its sender what a report brought.
fn sender(
    tx: &Tx,
    id: ObjectId,
    source: &Source,
    reading: &ObjectReading,
) -> Result<Option<(Sender, Began)>, StoreError> {
    let machine = reading.machine.clone().unwrap_or_default();
    let Some(sender) = Sender::of(source, &machine) else {
        return Ok(None);
    };
    let began = watched::note(tx, &sender, id, Report::of(id.0, reading))?;
    Ok(Some((sender, began)))
}

/// What others may be hinted at of the ids that an object touches, as it was before.
struct Hints(Vec<(PatientKey, Vec<Born>)>);

impl Hints {
    fn before<const N: usize>(
        tx: &Tx,
        keys: [Option<&PatientKey>; N],
    ) -> Result<Hints, StoreError> {
        let mut hints: Vec<(PatientKey, Vec<Born>)> = Vec::new();
        for key in keys.into_iter().flatten() {
            if hints.iter().all(|(known, _)| known != key)
                && !namesakes::others(tx, key)?.is_empty()
            {
                hints.push((key.clone(), namesakes::born(tx, key)?));
            }
        }
        Ok(Hints(hints))
    }

    /// Marks everybody of the same id where something else can be hinted at now.
    fn mark_changed(self, tx: &Tx) -> Result<(), StoreError> {
        for (key, before) in self.0 {
            if namesakes::born(tx, &key)? != before {
                for other in namesakes::others(tx, &key)? {
                    assessment_queue::mark_dirty(tx, &other, Utc::now())?;
                }
            }
        }
        Ok(())
    }
}

/// The objects that came later under the same SOP Instance UID and were read earlier, where that matters:
/// they were compared with another first content than this one, or with none.
fn overtaken_by(
    tx: &Tx,
    id: ObjectId,
    reading: &ObjectReading,
) -> Result<Vec<ObjectId>, StoreError> {
    let Some(uid) = reading.sop_instance_uid.as_deref() else {
        return Ok(Vec::new());
    };
    let content = reading.content_sha256.as_deref();
    if readings::first_content(tx, uid, id)?.is_some()
        || readings::was_filed_as(tx, id, uid, content)?
    {
        return Ok(Vec::new());
    }
    readings::filed_after(tx, uid, id)
}

/// Sends an object back to be read that was read too early: what it said counts no longer, as if it had
/// not been read yet.
fn send_back(tx: &Tx, id: ObjectId) -> Result<(), StoreError> {
    // What is damaged is found when it is read again.
    if let Ok(Some(before)) = readings::reading_of(tx, id) {
        let machine = before.reading.machine.unwrap_or_default();
        if let Some(sender) = Sender::of(&before.source, &machine) {
            watched::note(tx, &sender, id, None)?;
        }
    }
    let patient = readings::patient_of(tx, id)?;
    let hints = Hints::before(tx, [patient.as_ref()])?;
    readings::read_anew(tx, id)?;
    if let Some(key) = patient {
        assessment_queue::mark_dirty(tx, &key, Utc::now())?;
    }
    hints.mark_changed(tx)
}

/// First content wins: the same content again is a repeat, another one under the same SOP
/// Instance UID goes to quarantine.
fn place_among_equals(
    tx: &Tx,
    id: ObjectId,
    reading: &mut ObjectReading,
) -> Result<StoredDisposition, StoreError> {
    let own = reading.disposition.into();
    let Some(uid) = reading.sop_instance_uid.as_deref() else {
        return Ok(own);
    };
    let Some(first) = readings::first_content(tx, uid, id)? else {
        return Ok(own);
    };
    if first == reading.content_sha256 {
        return Ok(StoredDisposition::Repeat);
    }
    let hash = |content: &Option<String>| content.clone().unwrap_or_else(|| "none".into());
    reading.remarks.push(
        Remark::of(
            RemarkCode::SameUidOtherContent,
            format!(
                "SOP Instance UID {uid} was received before with another content: first {}, now {}.",
                hash(&first),
                hash(&reading.content_sha256),
            ),
        )
        .at("(0008,0018)")
        .act("The first one stays in use. Find out which is right; a correction needs a UID of its own."),
    );
    reading.disposition = Disposition::Quarantined;
    Ok(reading.disposition.into())
}
