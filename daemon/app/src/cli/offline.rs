//! Commands that need no store: `read`, `assess`.

use super::args::{AssessArgs, ReadArgs};
use super::waiting::Waiting;
use super::{Code, Failure, context, print};
use crate::config::Config;
use serde::Serialize;
use sheathline_model::assess::{self, Question};
use sheathline_model::domain::{Disposition, ObjectReading, Severity, Source};
use sheathline_model::reading::{self, Assumed, Rules};
use std::io::Read;
use std::path::Path;

/// One line of `read --json`: the reading and the file it came from.
#[derive(Serialize)]
struct ReadLine<'a> {
    path: String,
    #[serde(flatten)]
    reading: &'a ObjectReading,
}

/// `read`: exit 1 when an object was quarantined.
pub(super) fn read(args: &ReadArgs) -> Result<(), Failure> {
    let mut config = match &args.config.config {
        Some(path) => context::config(path)?,
        None => Config::default(),
    };
    config
        .templates
        .dictionaries
        .extend(args.dictionary.iter().cloned());
    let rules = context::rules(&config)?;
    let source = args.sender.source();
    note_of_nobody(&config, source.as_ref());
    let source = source.unwrap_or(Source::File);
    let mut refused = 0;
    let mut not_read = Vec::new();
    let mut waiting = Waiting::default();
    for path in context::files(&args.paths)? {
        let bytes = match context::bytes_of(&path, config.folder.max_object_bytes) {
            Ok(bytes) => bytes,
            // The others are read all the same.
            Err(why) => {
                not_read.push(format!("not read: {why}"));
                continue;
            }
        };
        let reading = reading::read_object(&bytes, None, assumed(&config, &rules, &source), &rules);
        refused += usize::from(reading.disposition == Disposition::Quarantined);
        if let Some((path, reading)) = waiting.unless_drawn(path, reading) {
            show(&path, &reading, args.json)?;
        }
    }
    for (path, reading) in waiting.measured(&rules) {
        show(&path, &reading, args.json)?;
    }
    if refused > 0 {
        not_read.push(format!(
            "{refused} of the objects cannot be understood or trusted"
        ));
    }
    if not_read.is_empty() {
        Ok(())
    } else {
        Err(Failure::new(Code::CheckFailed, not_read.join("\n")))
    }
}

/// Files have no AE title, so that what goes by one is not in force for them.
pub(super) fn note_of_nobody(config: &Config, source: Option<&Source>) {
    let scoped = config.scoped_dictionaries();
    let mut by_title = scoped.iter().map(|one| &one.conditions.ae_titles);
    if source.is_none() && by_title.any(|titles| !titles.is_empty()) {
        print::note(
            "files come from nobody: dictionaries by AE title are not in force for them; --sender NAME \
             reads them as those of a sender",
        );
    }
}

/// What is assumed of reports that come from a source.
pub(super) fn assumed<'a>(config: &'a Config, rules: &'a Rules, source: &'a Source) -> Assumed<'a> {
    Assumed {
        default_issuer: config.issuer_of(source).unwrap_or_default(),
        fallback_charset: rules.charsets.of(source),
        ae_title: source.ae_title(),
    }
}

/// What was read of one file, as a line of JSON or as text.
pub(super) fn show(path: &Path, reading: &ObjectReading, json: bool) -> Result<(), Failure> {
    if json {
        let path = path.display().to_string();
        return print::json(&ReadLine { path, reading });
    }
    show_reading(path, reading);
    Ok(())
}

/// The template that read an object, with the dictionaries that explained something of it.
pub(super) fn read_by(reading: &ObjectReading, none: &str) -> String {
    let template = reading.template.as_deref().unwrap_or(none);
    if reading.dictionaries.is_empty() {
        template.to_owned()
    } else {
        format!(
            "{template}, explained by {}",
            reading.dictionaries.join(", ")
        )
    }
}

fn show_reading(path: &Path, reading: &ObjectReading) {
    let template = read_by(reading, "no template");
    let word = match reading.disposition {
        Disposition::Accepted => "accepted",
        Disposition::AcceptedWithRemarks => "accepted with remarks",
        Disposition::NoSheathMeasurement => "no sheath measurement",
        Disposition::Quarantined => "quarantined",
    };
    print::line(format_args!("{}: {word} ({template})", path.display()));
    for m in &reading.measurements {
        let value = m
            .value_mm
            .map_or("no value".to_owned(), |value| value.to_string());
        let used = if m.usable { "" } else { ", not used" };
        let by = match m.modality {
            modality if modality.is_foreign() => format!(", by {}", modality.title()),
            _ => String::new(),
        };
        let rule = m.rule.as_deref().unwrap_or("-");
        print::line(format_args!(
            "  {:<10} {:<10} {:<12} {rule:<24} {value}{by}{used}",
            m.place,
            m.eye.word(),
            format!("{:?}", m.plane).to_lowercase()
        ));
        for remark in &m.remarks {
            show_remark("      ", remark);
        }
    }
    for remark in &reading.remarks {
        show_remark("  ", remark);
    }
}

/// A remark on one line, what can be done on the next.
pub(super) fn show_remark(indent: &str, remark: &sheathline_model::domain::Remark) {
    let severity = match remark.severity {
        Severity::Info => "note",
        Severity::Caution => "caution",
        Severity::Blocking => "blocking",
    };
    let place = remark
        .place
        .as_deref()
        .map_or(String::new(), |at| format!(" at {at}"));
    print::line(format_args!(
        "{indent}{severity} {}{place}: {}",
        remark.code, remark.text
    ));
    if let Some(action) = &remark.action {
        print::line(format_args!("{indent}  what to do: {action}"));
    }
}

/// `assess`: one answer a line; exit 1 when a question had none.
pub(super) fn assess(args: &AssessArgs) -> Result<(), Failure> {
    let mut failed = Vec::new();
    for file in &args.files {
        let name = file.display();
        let text = if file.as_os_str() == "-" {
            let mut text = String::new();
            std::io::stdin().read_to_string(&mut text)?;
            text
        } else {
            context::text_of(file)?
        };
        for (number, line) in (1..)
            .zip(text.lines())
            .filter(|(_, line)| !line.trim().is_empty())
        {
            match answer(line, args.arithmetic) {
                Ok(assessment) => print::json(&assessment)?,
                Err(why) => failed.push(format!("{name}:{number}: {why}")),
            }
        }
    }
    if failed.is_empty() {
        Ok(())
    } else {
        Err(Failure::new(Code::CheckFailed, failed.join("\n")))
    }
}

fn answer(line: &str, arithmetic: bool) -> Result<assess::Assessment, String> {
    let question: Question = serde_json::from_str(line).map_err(|error| error.to_string())?;
    let asked = if arithmetic {
        assess::explain
    } else {
        assess::assess
    };
    asked(&question).map_err(|error| error.to_string())
}
