//! `template confirm`: a person answers for each proposal and each open code of a draft.
//!
//! The dictionary is written after every answer, whole and at once, so that whatever ends this keeps
//! what was answered; beginning again asks for the rest.

use crate::cli::args::ConfirmArgs;
use crate::cli::{Code, Failure, context, print};
use chrono::{SecondsFormat, Utc};
use serde::Serialize;
use sheathline_model::draft::confirm::{HELP, Question, Sheet};
use sheathline_model::legible;
use std::collections::BTreeMap;
use std::fs;
use std::io::{self, BufRead, IsTerminal, Read, Write};
use std::path::{Path, PathBuf};

/// Longest answer, bytes: a pipe may hold anything.
const LONGEST: u64 = 1024;

/// What became of a draft, as JSON.
#[derive(Serialize)]
struct Confirmed {
    output: String,
    answered: usize,
    left_open: usize,
    /// Codes that the dictionary had already.
    known: usize,
}

pub(super) fn run(args: &ConfirmArgs) -> Result<(), Failure> {
    let draft = context::text_of(&args.draft)?;
    let before = match fs::read_to_string(&args.output) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => String::new(),
        Err(error) => return Err(Failure::at(&args.output, error)),
    };
    let name = args.draft.display().to_string();
    let output = args.output.display().to_string();
    let mut sheet = Sheet::open((&name, &draft), (&output, &before))
        .map_err(|mistakes| context::all(&mistakes))?;
    if sheet.known > 0 {
        print::line(format_args!(
            "{} are answered in {output} already",
            sheet.known
        ));
    }
    let by = args.by.clone().unwrap_or_else(context::user);
    let by = legible::short(&by, 80);
    let asked = ask_all(&mut sheet, &args.output, &by);
    let left_open = sheet.questions().len() - sheet.answered();
    if sheet.answered() > 0 || !before.is_empty() {
        tell_how_to_use(&args.output, &sheet, left_open)?;
    } else {
        print::line("nothing was answered, so nothing is written");
    }
    if args.json {
        print::json(&Confirmed {
            output,
            answered: sheet.answered(),
            left_open,
            known: sheet.known,
        })?;
    }
    asked?;
    let doubts = sheet.doubts();
    if doubts.is_empty() {
        return Ok(());
    }
    let lines: Vec<String> = doubts.iter().map(ToString::to_string).collect();
    Err(Failure::new(Code::CheckFailed, lines.join("\n")))
}

fn ask_all(sheet: &mut Sheet, path: &Path, by: &str) -> Result<(), Failure> {
    let count = sheet.questions().len();
    let mut input = io::stdin().lock();
    let is_person = io::stdin().is_terminal();
    for at in 0..count {
        let Some(question) = sheet.questions().get(at).cloned() else {
            break;
        };
        ask(&question, at + 1, count);
        loop {
            let Some(text) = answer(&mut input)? else {
                return Ok(());
            };
            if ["?", "help"].contains(&text.as_str()) {
                print::lines(HELP);
                continue;
            }
            let taken = match question.answer(&text) {
                Ok(None) => break,
                Ok(Some(says)) => take(sheet, at, says, by),
                Err(why) => Err(why),
            };
            match taken {
                Ok(()) => {
                    write_whole(path, &sheet.dictionary())?;
                    break;
                }
                Err(why) if is_person => print::lines(format_args!(
                    "not taken: {why}\nanswer again, or empty to leave it open"
                )),
                // The next line was written for the next question, whose side may be another.
                Err(why) => {
                    return Err(Failure::new(
                        Code::CheckFailed,
                        format!(
                            "the answer {text:?} to {}, {} of {count}, is not taken: {why}. Nothing after \
                             it is taken either; what was answered before is kept",
                            question.name(),
                            at + 1
                        ),
                    ));
                }
            }
        }
    }
    Ok(())
}

/// Takes an answer, or says why it cannot be meant.
fn take(
    sheet: &mut Sheet,
    at: usize,
    says: BTreeMap<String, String>,
    by: &str,
) -> Result<(), String> {
    let now = Utc::now().to_rfc3339_opts(SecondsFormat::Secs, true);
    let told = format!("Confirmed {now} by {by}");
    sheet.give(at, says, &told).map_err(|mistakes| {
        let told = mistakes.into_iter().map(|mistake| match mistake.instead {
            Some(instead) => format!("{}; {instead}", mistake.what),
            None => mistake.what,
        });
        told.collect::<Vec<String>>().join("; ")
    })
}

/// Shows one question. What a sender wrote stays on its line.
fn ask(question: &Question, number: usize, count: usize) {
    let mut meanings: Vec<String> = question
        .meanings
        .iter()
        .take(6)
        .map(|text| format!("\"{}\"", legible::short(text, 120)))
        .collect();
    if question.meanings.len() > meanings.len() {
        meanings.push(format!(
            "and {} more",
            question.meanings.len() - meanings.len()
        ));
    }
    print::line("");
    print::line(format_args!(
        "[{number} of {count}] {} {}",
        question.name(),
        meanings.join(", ")
    ));
    for comment in &question.comments {
        print::line(format_args!("    {comment}"));
    }
    let proposal = question.proposal();
    if !proposal.is_empty() {
        print::line(format_args!("  proposed: {proposal}"));
    }
    print::line(format_args!("  {}", question.ways()));
}

/// One line of the person; `None` at the end of the input.
fn answer(input: &mut impl BufRead) -> Result<Option<String>, Failure> {
    let mut line = Vec::new();
    let read = input.take(LONGEST).read_until(b'\n', &mut line)?;
    if read == 0 {
        return Ok(None);
    }
    Ok(Some(String::from_utf8_lossy(&line).trim().to_owned()))
}

/// Writes beside the file and puts that in its place: what is there is whole at every instant.
fn write_whole(path: &Path, text: &str) -> Result<(), Failure> {
    let failed = |error| Failure::at(path, error);
    // What a link leads to is replaced, and keeps who may read it.
    let real = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let path = real.as_path();
    let beside = beside(path);
    let mut file = fs::File::create(&beside).map_err(failed)?;
    if let Ok(there) = fs::metadata(path) {
        file.set_permissions(there.permissions()).map_err(failed)?;
    }
    file.write_all(text.as_bytes()).map_err(failed)?;
    file.sync_all().map_err(failed)?;
    fs::rename(&beside, path).map_err(failed)
}

/// A name beside a file, in its folder, so that it can take its place.
fn beside(path: &Path) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    path.with_file_name(name)
}

fn tell_how_to_use(path: &Path, sheet: &Sheet, left_open: usize) -> Result<(), Failure> {
    let path = fs::canonicalize(path).map_err(|error| Failure::at(path, error))?;
    let shown = path.display().to_string();
    print::line(format_args!(
        "{shown}: {} answered, {left_open} left open",
        sheet.answered()
    ));
    print::line("to put it in force, name it in the configuration and reload:");
    print::line(format_args!(
        "[templates] dictionaries = [{}]",
        toml::Value::from(shown)
    ));
    print::line(
        "or, for one sender alone, in its [[receive.dicom.sender]] or in a [[templates.sender]]",
    );
    Ok(())
}
