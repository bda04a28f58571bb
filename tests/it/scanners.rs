//! A new scanner: from nothing read to all read, by the commands and the answers of a person.
//!
//! `fixtures/scanners` holds ten invented scanners of different habits and some whose texts mislead.
//! What the person knows of each code is written there from intent; a proposal is taken only where it
//! says just that. `UPDATE_GOLDEN=1` writes the transcripts anew.

use crate::harness::{Site, fixture, lines, program};
use serde_json::Value;
use sheathline_model::draft::confirm::{Question, Sheet};
use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Output, Stdio};

/// What may be typed for a whole scanner, line ends and all.
const TYPED: usize = 60;

/// An invented scanner.
struct Scanner {
    name: String,
    folder: PathBuf,
    about: Value,
}

fn scanners(hostile: bool) -> Vec<Scanner> {
    let folders = fs::read_dir(fixture("scanners")).expect("folder");
    let mut all: Vec<Scanner> = folders
        .map(|entry| {
            let folder = entry.expect("entry").path();
            let about = fs::read(folder.join("about.json")).expect("about.json");
            Scanner {
                name: folder.file_name().expect("name").to_string_lossy().into(),
                about: serde_json::from_slice(&about).expect("JSON"),
                folder,
            }
        })
        .filter(|one| one.about["hostile"] == hostile)
        .collect();
    all.sort_by(|a, b| a.name.cmp(&b.name));
    all
}

/// One value as read: place, eye, millimetres.
type Read = (String, String, String);

impl Scanner {
    fn reports(&self) -> Vec<String> {
        let values = self.about["values"].as_object().expect("values");
        let paths = values.keys().map(|name| self.folder.join(name));
        paths
            .map(|path| path.to_str().expect("path").to_owned())
            .collect()
    }

    /// Values that must be read, by file.
    fn values(&self) -> Vec<Vec<Read>> {
        let text = |value: &Value| value.as_str().expect("text").to_owned();
        let of_file = |values: &Value| {
            let values = values.as_array().expect("list").iter();
            let read = |one: &Value| (text(&one["place"]), text(&one["eye"]), text(&one["mm"]));
            values.map(read).collect()
        };
        let values = self.about["values"].as_object().expect("values");
        values.values().map(of_file).collect()
    }

    /// What the person who knows the scanner types: the shortest that says what they know.
    fn knowing(&self, question: &Question) -> String {
        let Some(known) = self.about["knows"][question.name()].as_str() else {
            return String::new();
        };
        let meant = question.answer(known).expect("a word of the trade");
        let short = ["y", "r", "l"].into_iter();
        let same = |answer: &&str| question.answer(answer).is_ok_and(|said| said == meant);
        short.clone().find(same).unwrap_or(known).to_owned()
    }
}

/// Somebody who takes whatever is proposed.
fn blind(question: &Question) -> String {
    let takes = |answer: &&str| matches!(question.answer(answer), Ok(Some(_)));
    let side = question.eye.as_deref().map_or("y", |eye| &eye[..1]);
    [side, "y"].into_iter().find(takes).unwrap_or("").to_owned()
}

fn run(args: &[&str]) -> Output {
    program().args(args).output().expect("the program runs")
}

fn text(output: &Output) -> String {
    let both = [output.stdout.as_slice(), &output.stderr].concat();
    String::from_utf8_lossy(&both).into_owned()
}

/// Usable sheath values of reports, with a dictionary or none.
fn read(reports: &[String], dictionary: Option<&str>) -> Vec<Vec<Read>> {
    let mut args = vec!["read", "--json"];
    args.extend(dictionary.iter().flat_map(|file| ["--dictionary", file]));
    args.extend(reports.iter().map(String::as_str));
    let output = run(&args);
    let read = lines(&String::from_utf8(output.stdout).expect("UTF-8"));
    assert_eq!(read.len(), reports.len(), "every report has its line");
    let of_report = |line: &Value| {
        let values = line["measurements"].as_array().expect("list").iter();
        let used =
            values.filter(|one| one["usable"] == true && one["quantity"] == "sheath_diameter");
        used.map(|one| {
            let text = |key: &str| one[key].as_str().expect("text").to_owned();
            (text("place"), text("eye"), one["value_mm"].to_string())
        })
        .collect()
    };
    read.iter().map(of_report).collect()
}

/// Drafts a dictionary, answers every question, and returns it with what was typed and a transcript.
fn explained(
    scanner: &Scanner,
    site: &Site,
    person: impl Fn(&Question) -> String,
) -> (PathBuf, usize, String) {
    let draft = site.path(&format!("{}-draft.toml", scanner.name));
    let dictionary = site.path(&format!("{}.toml", scanner.name));
    let named = |path: &Path| path.to_str().expect("path").to_owned();
    let mut args = vec!["template".to_owned(), "draft".to_owned()];
    args.extend(scanner.reports());
    args.extend(["--output".to_owned(), named(&draft)]);
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    let output = run(&args);
    assert!(
        output.status.success(),
        "{}: {}",
        scanner.name,
        text(&output)
    );

    let drafted = fs::read_to_string(&draft).expect("the draft");
    let sheet = Sheet::open(("draft.toml", &drafted), ("", "")).expect("a draft");
    let answers: Vec<String> = sheet.questions().iter().map(person).collect();
    let mut confirm = program()
        .args(["template", "confirm", &named(&draft)])
        .args(["--output", &named(&dictionary), "--by", "K. Orrin"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program runs");
    let typed: String = answers.iter().map(|answer| format!("{answer}\n")).collect();
    let mut input = confirm.stdin.take().expect("standard input");
    input.write_all(typed.as_bytes()).expect("typed");
    drop(input);
    let output = confirm.wait_with_output().expect("the program ends");
    let transcript = transcript(&text(&output), &answers, site);
    (dictionary, typed.chars().count(), transcript)
}

/// What stood on the terminal, with what was typed at the end of each question.
fn transcript(printed: &str, answers: &[String], site: &Site) -> String {
    let folder = site.path("");
    let printed = printed.replace(folder.to_str().expect("path"), "");
    let mut answers = answers.iter();
    let mut shown = String::new();
    let mut before = "";
    for line in printed.lines() {
        // An answer is typed below the line that says what can be answered, which a blank line or
        // the end of the questions follows.
        let asked = before.starts_with("  ") && !before.starts_with("    ");
        if asked
            && !line.starts_with(' ')
            && let Some(answer) = answers.next()
        {
            writeln!(shown, "> {answer}").expect("text");
        }
        writeln!(shown, "{line}").expect("text");
        before = line;
    }
    shown
}

/// Every scanner goes from nothing to everything, in fewer than sixty typed characters.
#[test]
fn a_new_scanner_is_explained_in_a_few_answers() {
    let site = Site::new();
    let mut told = String::from("typed  scanner\n");
    for scanner in scanners(false) {
        let reports = scanner.reports();
        let nothing = vec![Vec::new(); reports.len()];
        assert_eq!(read(&reports, None), nothing, "{}: before", scanner.name);
        let (dictionary, typed, transcript) =
            explained(&scanner, &site, |question| scanner.knowing(question));
        let file = dictionary.to_str().expect("path");
        let check = run(&["template", "check", file]);
        assert!(
            check.status.success(),
            "{}: {}\n{transcript}",
            scanner.name,
            text(&check)
        );
        let after = read(&reports, Some(file));
        assert_eq!(
            after,
            scanner.values(),
            "{}: after\n{transcript}",
            scanner.name
        );
        assert!(
            typed < TYPED,
            "{}: {typed} typed\n{transcript}",
            scanner.name
        );
        writeln!(told, "{typed:5}  {}", scanner.name).expect("text");
        if let Ok(folder) = std::env::var("TRANSCRIPTS") {
            let path = Path::new(&folder).join(format!("{}.txt", scanner.name));
            fs::write(path, transcript).expect("transcript");
        }
    }
    let golden = fixture("scanners.txt");
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        fs::write(&golden, &told).expect("golden");
    }
    let kept = fs::read_to_string(&golden).unwrap_or_default();
    assert_eq!(told, kept, "UPDATE_GOLDEN=1 writes it anew");
}

/// Texts that mislead: neither whoever takes every proposal nor who knows the scanner gets a value
/// of the wrong eye.
#[test]
fn a_scanner_that_misleads_never_gives_a_wrong_side() {
    let mut misled = scanners(true);
    assert!(misled.len() >= 6, "the misleading scanners");
    misled.extend(scanners(false));
    for scanner in misled {
        let reports = scanner.reports();
        for knows in [false, true] {
            let person = |question: &Question| {
                if knows {
                    scanner.knowing(question)
                } else {
                    blind(question)
                }
            };
            let site = Site::new();
            let (dictionary, _, transcript) = explained(&scanner, &site, person);
            if !dictionary.exists() {
                continue;
            }
            let file = dictionary.to_str().expect("path");
            for (used, right) in read(&reports, Some(file)).iter().zip(scanner.values()) {
                let wrong: Vec<_> = used.iter().filter(|one| !right.contains(one)).collect();
                assert!(
                    wrong.is_empty(),
                    "{} (knows: {knows}): {wrong:?}\n{transcript}",
                    scanner.name
                );
            }
        }
    }
}
