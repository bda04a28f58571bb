//! What is in the store: `explain`, `history`, `quarantine`.

use super::args::{ExplainArgs, HistoryArgs, QuarantineArgs};
use super::offline::{self, show_remark};
use super::{Code, Failure, context, past, print, working};
use crate::acts::{NotOne, patient_of};
use crate::known::{content_of, known};
use crate::parcel;
use crate::pipeline;
use serde::Serialize;
use sheathline_model::domain::{Eye, Source};
use sheathline_model::history::Exam;
use sheathline_model::render::{text, trend};
use sheathline_model::results::{self, Known, Site};
use sheathline_model::results::{Content, envelope};
use sheathline_store::objects::{self, ObjectId};
use sheathline_store::readings::{self, StoredReading};
use sheathline_store::results::ResultRow;
use sheathline_store::{Store, StoreError};

/// The exam that an exam id or a Study Instance UID names.
pub(super) fn exam_named(store: &Store, site: &Site, name: &str) -> Result<Exam, Failure> {
    told(store, site, name, None).map(|(exam, _)| exam)
}

/// The same with everything known of its patient. Where `report` is given, the exam holds it.
fn told(
    store: &Store,
    site: &Site,
    name: &str,
    report: Option<&str>,
) -> Result<(Exam, Known), Failure> {
    let key = patient_of(store, name)?;
    let known = store.read(|conn| known(conn, &key))?;
    let holds = |exam: &Exam| {
        let mut reports = exam.objects.iter();
        report.is_none_or(|uid| reports.any(|one| one.sop_instance_uid == uid))
    };
    let of_study = |exam: &Exam| exam.study_instance_uid == name && holds(exam);
    let mut exams = results::exams(&known, site);
    exams.retain(|exam| exam.id == name || of_study(exam));
    match exams.len() {
        0 => Err(NotOne::WithoutValues { name: name.into() }.into()),
        1 => Ok((exams.remove(0), known)),
        n => {
            let each: Vec<String> = exams.iter().map(named_in_full).collect();
            Err(Failure::new(
                Code::Ambiguous,
                format!(
                    "{} holds {n} exams; name one of them by its exam id:\n  {}",
                    report.map_or_else(|| format!("study {name}"), |uid| format!("report {uid}")),
                    each.join("\n  ")
                ),
            ))
        }
    }
}

/// An exam as one of several of its study: id, day and time, and what was measured.
fn named_in_full(exam: &Exam) -> String {
    let at = exam.performed_at.local.format("%Y-%m-%d %H:%M");
    let of = |eye: Eye| {
        exam.readings()
            .filter(|one| one.eye.eye() == Some(eye))
            .count()
    };
    let label = exam.label.map_or("", |label| label.word());
    let (right, left) = (of(Eye::Right), of(Eye::Left));
    let line = format!(
        "{} of {at}, readings {right} right and {left} left {label}",
        exam.id
    );
    line.trim_end().to_owned()
}

fn holds_sheath(stored: &[StoredReading]) -> bool {
    stored.iter().any(|one| one.reading.holds_sheath_values())
}

/// What `explain --json` prints of one object.
#[derive(Serialize)]
struct ObjectStory<'a> {
    object: i64,
    source: String,
    received_at: String,
    repeats: u32,
    body_sha256: &'a str,
    bytes_missing: Option<&'static str>,
    disposition: &'a str,
    reading: &'a sheathline_model::domain::ObjectReading,
}

impl<'a> From<&'a StoredReading> for ObjectStory<'a> {
    fn from(stored: &'a StoredReading) -> Self {
        ObjectStory {
            object: stored.id.0,
            source: stored.source.to_string(),
            received_at: stored.received_at.to_rfc3339(),
            repeats: stored.repeats,
            body_sha256: &stored.body_sha256,
            bytes_missing: stored.missing.map(|(missing, _)| missing.word()),
            disposition: stored.disposition.word(),
            reading: &stored.reading,
        }
    }
}

/// `explain`: one object by SOP Instance UID, or an exam with all its objects and arithmetic.
pub(super) fn explain(args: &ExplainArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let store = context::guest(&config)?;
    let stored = store.read(|conn| readings::by_sop_instance(conn, &args.uid))?;
    let exam = match stored.first() {
        Some(first) => first
            .reading
            .exam
            .as_ref()
            .map(|exam| exam.study_instance_uid.clone()),
        None => Some(args.uid.clone()),
    };
    for object in &stored {
        show_object(object, args.json)?;
    }
    let Some(name) = exam else { return Ok(()) };
    let site = context::site(&config);
    let report = stored.first().map(|_| args.uid.as_str());
    let (exam, known) = match told(&store, &site, &name, report) {
        Ok(told) => told,
        Err(failure) if stored.is_empty() || holds_sheath(&stored) => return Err(failure),
        Err(_) => return Ok(()),
    };
    let objects = store.read(|conn| readings::by_study(conn, &exam.study_instance_uid))?;
    for object in objects
        .iter()
        .filter(|one| !stored.iter().any(|shown| shown.id == one.id))
    {
        show_object(object, args.json)?;
    }
    let rows = store.read(|conn| sheathline_store::results::versions(conn, &exam.id))?;
    let working = results::working(&known, &site, &exam.id)?;
    let now = results::of_patient(&known, &site)?;
    let now = now.into_iter().find(|content| content.exam.id == exam.id);
    if args.json {
        for row in &rows {
            print::json(&version_line(row)?)?;
        }
        return working.map_or(Ok(()), |assessment| print::json(&assessment));
    }
    for row in &rows {
        let published = row
            .published_at
            .map_or("not yet".into(), |at| at.to_rfc3339());
        print::line(format_args!(
            "version {} of {}: {}; in the outbox: {published}",
            row.version,
            row.exam_id,
            row.why.join("; ")
        ));
    }
    if let Some(last) = rows.last() {
        let told = store.read(|conn| parcel::envelope(conn, last));
        let told = told?;
        print::line("");
        print::lines(text::text_of(&told).trim_end());
        if let Some(now) = &now {
            past::origin(&told.content, now);
        }
    }
    if let Some(arithmetic) = working.and_then(|assessment| assessment.arithmetic) {
        print::line("");
        working::show(&arithmetic);
    }
    Ok(())
}

fn show_object(stored: &StoredReading, json: bool) -> Result<(), Failure> {
    if json {
        return print::json(&ObjectStory::from(stored));
    }
    print::line(format_args!(
        "object {}: {}, received {} from {}, repeated {} times",
        stored.id,
        stored.disposition.word().replace('_', " "),
        stored
            .received_at
            .to_rfc3339_opts(chrono::SecondsFormat::Secs, true),
        stored.source,
        stored.repeats
    ));
    let reading = &stored.reading;
    print::line(format_args!(
        "  SOP Instance UID {}, template {}, {} values, bytes SHA-256 {}",
        reading.sop_instance_uid.as_deref().unwrap_or("unreadable"),
        offline::read_by(reading, "none"),
        reading.measurements.len(),
        stored.body_sha256
    ));
    if let Some((missing, since)) = stored.missing {
        print::line(format_args!(
            "  bytes {} since {}: it keeps this reading and cannot be read again with other templates",
            missing.word(),
            since.date_naive()
        ));
    }
    for remark in &reading.remarks {
        show_remark("  ", remark);
    }
    for (m, remark) in reading
        .measurements
        .iter()
        .flat_map(|m| m.remarks.iter().map(move |r| (m, r)))
    {
        show_remark(&format!("  item {} ", m.place), remark);
    }
    Ok(())
}

/// One line of `history --json`.
#[derive(Serialize)]
struct VersionLine {
    schema: &'static str,
    exam_id: String,
    version: u32,
    key: String,
    supersedes: Option<u32>,
    why: Vec<String>,
    content: Content,
}

fn version_line(row: &ResultRow) -> Result<VersionLine, Failure> {
    let content = content_of(row)?;
    Ok(VersionLine {
        schema: envelope::schema_of(&content),
        exam_id: row.exam_id.clone(),
        version: row.version,
        key: row.key.clone(),
        supersedes: row.supersedes,
        why: row.why.clone(),
        content,
    })
}

/// `history`: a patient's exams, oldest first.
pub(super) fn history(args: &HistoryArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let store = context::guest(&config)?;
    let key = context::patient(&store, &args.patient)?;
    let rows = store.read(|conn| crate::known::latest_results(conn, &key))?;
    let mut exams: Vec<(ResultRow, Content)> = rows
        .into_iter()
        .map(|row| Ok((row.clone(), content_of(&row)?)))
        .collect::<Result<_, StoreError>>()?;
    // An exam whose date is in doubt is not the newest one.
    exams.sort_by_key(|(row, content)| {
        let sound = !content.is_date_doubted();
        (sound, content.exam.performed_at, row.exam_id.clone())
    });
    if args.json {
        for (row, _) in &exams {
            print::json(&version_line(row)?)?;
        }
    } else {
        past::table(&exams);
    }
    if let Some(path) = &args.output {
        let events = store.read(|conn| known(conn, &key))?.events;
        let contents: Vec<&Content> = exams.iter().map(|(_, content)| content).collect();
        // Widths of other imaging read differently and would look like rises; where a day is in
        // doubt, nobody knows where it belongs.
        let (others, contents): (Vec<_>, Vec<_>) = contents
            .into_iter()
            .partition(|content| content.exam.modality.is_foreign() || content.is_date_doubted());
        let eye: Option<Eye> = args.eye.into();
        let what = eye.map_or(String::new(), |eye| format!(", {} eye", eye.word()));
        let title = format!("Optic nerve sheath{what}, patient {}", key.id);
        let picture = trend::of_contents(title, &contents, &events, eye);
        let svg = trend::svg(&picture.made_on(chrono::Utc::now().date_naive()));
        context::write(path, svg.as_bytes()).map_err(|e| Failure::at(path, e))?;
        if !args.json {
            print::line(format_args!("drawn: {}", path.display()));
            if !others.is_empty() {
                print::line(format_args!(
                    "not drawn: {} measured otherwise than by ultrasound or of doubtful date",
                    others.len()
                ));
            }
        }
    }
    Ok(())
}

/// `quarantine`: the list, or one object and its bytes.
pub(super) fn quarantine(args: &QuarantineArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let store = context::guest(&config)?;
    let mut list = store.read(readings::quarantined)?;
    if let Some(name) = &args.sender {
        let sender = Source::named(name);
        list.retain(|stored| stored.source == sender);
    }
    if let Some(number) = args.object {
        list.retain(|stored| stored.id == ObjectId(number));
        if list.is_empty() {
            return Err(Failure::new(
                Code::NotFound,
                format!("object {number} is not in quarantine"),
            ));
        }
        if let Some(path) = &args.output {
            let bytes = store.read(|conn| objects::body(conn, ObjectId(number)))?;
            context::write(path, &bytes).map_err(|e| Failure::at(path, e))?;
        }
    }
    for stored in &list {
        show_object(stored, args.json)?;
    }
    if list.is_empty() && !args.json {
        match &args.sender {
            Some(name) => print::line(format_args!("nothing of {name} is in quarantine")),
            None => print::line("quarantine is empty"),
        }
    }
    Ok(())
}

/// Adds up what became of everything received.
pub(crate) fn sum(store: &Store) -> Result<pipeline::Sum, Failure> {
    store.read(pipeline::sum).map_err(Failure::from)
}
