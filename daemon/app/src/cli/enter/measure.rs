//! `measure`: one measurement that is typed and signed, corrected, or taken back.

use super::{doubts, finish, limits, tell_withdrawn};
use crate::cli::annotate::Who;
use crate::cli::args::{BorderChoice, MeasureArgs};
use crate::cli::{Code, Failure, context, print};
use crate::config::Config;
use crate::entering;
use chrono::Local;
use serde::Serialize;
use sheathline_model::domain::{Border, Device, Eye, Millimetres, PatientKey, Plane, Sex};
use sheathline_model::entered::{DecimalMark, Subject, Typed, TypedReading, Unit, value};
use sheathline_store::{Store, assessment_queue};

/// What `measure --json` prints.
#[derive(Serialize)]
struct Line {
    dry_run: bool,
    /// Kept now; otherwise it was here, or nothing was done.
    new: bool,
    counts_again: bool,
    study_instance_uid: String,
    series_instance_uid: String,
    sop_instance_uid: String,
    doubts: Vec<String>,
}

/// `measure`.
pub(in crate::cli) fn measure(args: &MeasureArgs) -> Result<(), Failure> {
    let who = Who::of(&args.who).map_err(Failure::usage)?;
    let by = who.by("command", None, None);
    let (config, pipeline) = context::beside(&args.config.config)?;
    let observed = context::observed(&config)?;
    let store = pipeline.store();
    if let Some(instance) = &args.withdraw {
        if args.dry_run {
            print::line(format_args!("dry run: {instance} would be taken back"));
            return Ok(());
        }
        let done = entering::take_back_report(store, instance, &by)?;
        finish(&pipeline)?;
        return tell_withdrawn(instance, done, args.json);
    }
    let limits = limits(&config)?;
    let typed = typed(args, &config, store, by.author.name(), &by.reason)?;
    show(&typed);
    let faults = entering::look(store, &typed, &limits)?;
    let (blocking, looked): (Vec<_>, Vec<_>) = faults.into_iter().partition(|one| one.blocking);
    if !blocking.is_empty() {
        return Err(entering::NotEntered::Faults(blocking).into());
    }
    let looked: Vec<String> = looked.iter().map(ToString::to_string).collect();
    let signed = if args.dry_run {
        doubts(&looked, true, true)?;
        print::line("dry run: it would be signed; nothing was kept");
        None
    } else {
        // What is here already was accepted when it was signed.
        if !entering::is_here(store, &typed)? {
            doubts(&looked, args.accept_doubts, false)?;
        }
        Some(entering::sign(store, &observed, &typed, &by, &limits)?)
    };
    let uids = typed.uids();
    if let Some(signed) = &signed {
        let said = match (signed.was_here, signed.counts_again) {
            (false, _) => "signed and kept",
            (true, true) => "it was here and taken back; it counts again",
            (true, false) => "it was here already; nothing was added",
        };
        print::line(format_args!("{said}: report {}", uids.instance));
        finish(&pipeline)?;
    }
    if args.json {
        print::json(&Line {
            dry_run: args.dry_run,
            new: signed.as_ref().is_some_and(|signed| !signed.was_here),
            counts_again: signed.as_ref().is_some_and(|signed| signed.counts_again),
            study_instance_uid: uids.study,
            series_instance_uid: uids.series,
            sop_instance_uid: uids.instance,
            doubts: looked,
        })?;
    }
    Ok(())
}

/// Shown back before it is kept.
fn show(typed: &Typed) {
    let time = typed
        .time
        .map_or(String::new(), |time| time.format(" %H:%M").to_string());
    print::line(format_args!(
        "patient {}|{}, born {}, measured {}{time}",
        typed.subject.patient.issuer, typed.subject.patient.id, typed.subject.birth_date, typed.day
    ));
    for eye in Eye::BOTH {
        let digits: Vec<String> = typed
            .readings(eye)
            .iter()
            .map(TypedReading::digits)
            .collect();
        if !digits.is_empty() {
            print::line(format_args!(
                "  {} eye: {} mm",
                eye.word(),
                digits.join(", ")
            ));
        }
    }
}

fn typed(
    args: &MeasureArgs,
    config: &Config,
    store: &Store,
    author: &str,
    reason: &str,
) -> Result<Typed, Failure> {
    let needed = |what: &str| Failure::usage(format!("{what} is missing"));
    let id = args.patient.clone().ok_or_else(|| needed("PATIENT"))?;
    let sex =
        match args.sex.as_deref() {
            None => None,
            Some(text) => Some(Sex::of_letter(text).ok_or_else(|| {
                Failure::usage(format!("--sex: {text:?} is none; write F, M or O"))
            })?),
        };
    let corrects = match &args.correct {
        Some(instance) => Some(entering::correctable(store, instance)?),
        None => None,
    };
    // What the report says of the patient stays where nobody says otherwise.
    let before = match &args.correct {
        Some(instance) => entering::stated(store, instance)?,
        None => entering::Stated::default(),
    };
    Ok(Typed {
        subject: Subject {
            patient: patient(args, config, store, id)?,
            birth_date: args.birth_date.ok_or_else(|| needed("--birth-date"))?,
            sex: sex.or(before.sex),
            name: args.patient_name.clone().or(before.name),
            accession: args.accession.clone().or(before.accession),
        },
        day: args.on.ok_or_else(|| needed("--on"))?,
        time: args.at,
        right: readings("--right", &args.right, args.unit.into())?,
        left: readings("--left", &args.left, args.unit.into())?,
        border: args.border.map(|border| match border {
            BorderChoice::Outer => Border::Outer,
            BorderChoice::Inner => Border::Inner,
        }),
        operator: args.measured_by.clone(),
        device: Device {
            manufacturer: args.manufacturer.clone(),
            model: args.model.clone(),
            serial: args.serial.clone(),
        },
        author: author.to_owned(),
        signed_at: Local::now().fixed_offset(),
        transcribed: args.transcribed_from.clone(),
        corrects,
        reason: reason.to_owned(),
    })
}

/// The patient of an id: under the issuer that is named, else the one that the store knows or the site
/// gives. Two that differ are never picked from.
fn patient(
    args: &MeasureArgs,
    config: &Config,
    store: &Store,
    id: String,
) -> Result<PatientKey, Failure> {
    if let Some(issuer) = args.issuer.clone() {
        return Ok(PatientKey { issuer, id });
    }
    let default = config.dicom.default_issuer.clone();
    let known = store.read(|view| assessment_queue::with_id(view, &id))?;
    match known.as_slice() {
        [] => Ok(PatientKey {
            issuer: default,
            id,
        }),
        [one] if one.issuer == default => Ok(one.clone()),
        several => {
            let issuers: Vec<String> = several
                .iter()
                .map(|key| format!("{:?}", key.issuer))
                .collect();
            Err(Failure::new(
                Code::Ambiguous,
                format!(
                    "the store knows that id under the issuers {}, and ids without one get {default:?} \
                     here; add --issuer",
                    issuers.join(", ")
                ),
            ))
        }
    }
}

fn readings(option: &str, all: &[String], unit: Unit) -> Result<Vec<TypedReading>, Failure> {
    let wrong = |text: &str, what: String| Failure::usage(format!("{option} {text}: {what}"));
    let read = |text: &String| {
        let mut parts = text.split(':').map(str::trim);
        let mut next = || parts.next().filter(|part| !part.is_empty());
        let (mm, plane, depth, angle) = (next(), next(), next(), next());
        let length = |text: &str, unit| {
            value(text, unit, DecimalMark::Point).map_err(|what| wrong(text, what))
        };
        let (mm, decimals) = length(mm.unwrap_or_default(), unit)?;
        let plane = match plane {
            None => Plane::Unspecified,
            Some("transverse") => Plane::Transverse,
            Some("sagittal") => Plane::Sagittal,
            Some("oblique") => Plane::Oblique,
            Some(other) => {
                let what = format!("{other:?} is no plane; write transverse, sagittal or oblique");
                return Err(wrong(text, what));
            }
        };
        let depth: Option<Millimetres> = match depth {
            Some(depth) => Some(length(depth, Unit::Mm)?.0),
            None => None,
        };
        let angle_deg = match angle {
            Some(angle) => Some(
                angle
                    .parse::<f64>()
                    .map_err(|_| wrong(text, format!("{angle:?} is no angle; write degrees")))?,
            ),
            None => None,
        };
        if parts.next().is_some() {
            let what = "has more than VALUE:PLANE:DEPTH:ANGLE".to_owned();
            return Err(wrong(text, what));
        }
        Ok(TypedReading {
            plane,
            depth,
            angle_deg,
            ..TypedReading::of(mm, decimals)
        })
    };
    all.iter().map(read).collect()
}
