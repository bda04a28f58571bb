//! The commands as a user meets them: what they print, and how they end.

use super::harness::{Site, fixture, lines, program};
use super::objects::Report;
use serde_json::{Value, json};
use std::ffi::OsStr;
use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn run(args: &[&str]) -> Output {
    program().args(args).output().expect("the program runs")
}

fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}

/// Every key of one line of `read --json`, as it is published.
#[test]
fn read_prints_one_line_an_object_with_the_published_names() {
    let path = fixture("sr/tid1500/report.dcm").display().to_string();
    let output = run(&["read", "--json", &path]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let line = &lines(&stdout(&output))[0];
    assert_eq!(line["path"], path);
    assert_eq!(line["disposition"], "accepted");
    assert!(
        line["template"]
            .as_str()
            .is_some_and(|name| name.starts_with("tid1500@"))
    );
    for name in ["id", "issuer", "birth_date", "sex"] {
        assert!(line["patient"].get(name).is_some(), "patient.{name}");
    }
    for name in ["study_instance_uid", "performed_at", "operator", "device"] {
        assert!(line["exam"].get(name).is_some(), "exam.{name}");
    }
    let measurement = &line["measurements"][0];
    for name in [
        "quantity",
        "eye",
        "value_mm",
        "value_as_sent",
        "unit_as_sent",
        "plane",
        "depth_mm",
        "derivation",
        "usable",
        "place",
        "rule",
        "concept",
        "geometry",
        "remarks",
    ] {
        assert!(measurement.get(name).is_some(), "measurement.{name}");
    }
}

/// The line of a file that starts the nth `[[measure]]`, as `read` names it.
fn row_of(path: &Path, nth: usize) -> String {
    let text = fs::read_to_string(path).expect("a file");
    let (line, _) = (1..)
        .zip(text.lines())
        .filter(|(_, line)| *line == "[[measure]]")
        .nth(nth)
        .expect("so many rules");
    let name = path.file_name().and_then(OsStr::to_str).expect("a name");
    format!("{name}:{line}")
}

/// Every value names the rule that took it: of a template, or of a site dictionary, which goes
/// first. Text and JSON say the same.
#[test]
fn read_names_the_rule_that_took_each_value() {
    let template = |name: &str| fixture("../sr-templates").join(format!("{name}.toml"));
    let site = Site::new();
    let dictionary = site.path("ours.toml");
    let rules = "\n# Ours.\n[[measure]]\nquantity = \"nerve_diameter\"\nconcept = [\"height\"]\n\
                 structure = [\"sheath\"]\n\n[[measure]]\nquantity = \"sheath_diameter\"\n\
                 concept = [\"diameter\"]\nstructure = [\"sheath\"]\n";
    fs::write(&dictionary, rules).expect("written");
    let ours = dictionary.to_str().expect("path");
    let known = fixture("sr/flat-codes/dictionary.toml");
    let known = known.to_str().expect("path");
    // The fifth rule of the template takes widths of the sheath, the first what is named so.
    for (case, dictionaries, rule) in [
        ("tid1500", vec![], row_of(&template("tid1500"), 4)),
        ("tid1500", vec![ours], row_of(&dictionary, 1)),
        (
            "general-anatomy",
            vec![],
            row_of(&template("sections-by-side"), 4),
        ),
        (
            "flat-codes",
            vec![known, ours],
            row_of(&template("coded-values"), 0),
        ),
    ] {
        let path = fixture("sr").join(case).join("report.dcm");
        let path = path.to_str().expect("path");
        let mut args = vec!["read", path];
        for dictionary in &dictionaries {
            args.extend(["--dictionary", dictionary]);
        }
        let text = stdout(&run(&args));
        args.push("--json");
        let values = lines(&stdout(&run(&args)))[0]["measurements"].clone();
        let values = values.as_array().expect("measurements");
        assert!(values.len() >= 2, "{case}");
        for value in values {
            assert_eq!(value["rule"], rule.as_str(), "{case}");
            let place = value["place"].as_str().expect("a place");
            let told = text
                .lines()
                .map(|line| line.split_whitespace().collect::<Vec<_>>());
            let mut told = told.filter(|words| words.first() == Some(&place));
            assert!(told.any(|words| words.contains(&rule.as_str())), "{text}");
        }
    }
}

#[test]
fn read_ends_with_1_when_something_cannot_be_understood() {
    let path = fixture("sr/truncated/report.dcm").display().to_string();
    let output = run(&["read", "--json", &path]);
    assert_eq!(output.status.code(), Some(1));
    let remark = &lines(&stdout(&output))[0]["remarks"][0];
    assert!(
        remark["code"]
            .as_str()
            .is_some_and(|code| code.starts_with("gate-"))
    );
    assert_eq!(remark["severity"], "blocking");
    assert!(remark["place"].is_string() && remark["action"].is_string());
}

fn ask(question: &Value) -> Output {
    let mut child = program()
        .args(["assess", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program runs");
    let mut input = child.stdin.take().expect("standard input");
    writeln!(input, "{question}").expect("written");
    drop(input);
    child.wait_with_output().expect("ends")
}

/// The worked example of one baseline exam: 0.2525 and 1.9805 follow from the closed form
/// sd^2 = 2 v + q t with v = rho s^2 + (1 - rho) s^2/2 + w/2, redone here.
#[test]
fn assess_answers_a_question_and_takes_parameters() {
    let mut question = json!({
        "patient": {"id": "P1", "birth_date": "1980-01-01", "events": []},
        "exams": [
            {"id": "e1", "date": "2023-01-10", "label": "well", "operator": "A", "device": "X",
             "eyes": {"right": [5.2, 5.3, 5.1], "left": [5.3, 5.4, 5.2]}},
            {"id": "e9", "date": "2023-06-01", "operator": "A", "device": "X",
             "eyes": {"right": [5.7, 5.8, 5.6], "left": [5.8, 5.9, 5.7]}}
        ],
        "assess": "e9"
    });
    let output = ask(&question);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let answer = &lines(&stdout(&output))[0];
    assert_eq!(answer["status"], "above_expected");
    let reading = 0.2_f64.powi(2) / 3.0 + 0.1_f64.powi(2) / 12.0;
    let v = 0.5 * 0.18_f64.powi(2) + 0.5 * 0.18_f64.powi(2) / 2.0 + reading / 2.0;
    let sd = (2.0 * v + 0.0025 * 142.0 / 365.25).sqrt();
    let both = &answer["rows"]["both"];
    assert!((both["sd_mm"].as_f64().expect("sd") - sd).abs() < 1e-6);
    assert!((both["z"].as_f64().expect("z") - 0.5 / sd).abs() < 1e-5);

    question["parameters"] = json!({"z_above": 2.0, "z_well": 2.5});
    let output = ask(&question);
    assert_eq!(lines(&stdout(&output))[0]["status"], "within_expected");

    question["parameters"] = json!({"z_abvoe": 2.0});
    let output = ask(&question);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("z_abvoe"), "{}", stderr(&output));
}

#[test]
fn check_config_names_every_mistake_and_ends_with_2() {
    let dir = tempfile::tempdir().expect("folder");
    let path = dir.path().join("site.toml");
    fs::write(
        &path,
        "[receive.dicom]\nprot = 104\nae_title = \"\"\n\n[baselin]\nq = 1\n",
    )
    .expect("file");
    let output = run(&["check-config", &path.display().to_string()]);
    assert_eq!(output.status.code(), Some(2));
    let text = stdout(&output);
    for place in [":2:1: ", ":3:", ":5:"] {
        assert!(text.contains(place), "{place} in {text}");
    }
    fs::write(&path, "").expect("file");
    assert_eq!(
        run(&["check-config", &path.display().to_string()])
            .status
            .code(),
        Some(0)
    );
    assert_eq!(
        run(&["check-config", "/nowhere/site.toml"]).status.code(),
        Some(2)
    );
}

/// What a script sees of a failure: one line of JSON with a code that does not change.
#[test]
fn with_json_a_failure_is_one_line_with_its_code() {
    let site = Site::new();
    let path = fixture("sr/tid1500/report.dcm").display().to_string();
    site.ok("process", &[&path]);
    for (command, args, exit, code) in [
        ("history", &["nobody"][..], 1, "not-found"),
        ("explain", &["1.2.3"], 1, "not-found"),
        ("quarantine", &["99"], 1, "not-found"),
        ("export", &["--to", "out"], 2, "usage"),
        ("read", &["/nowhere/a.dcm"], 2, "usage"),
    ] {
        let output = site.run(command, &[args, &["--json"]].concat());
        assert_eq!(output.status.code(), Some(exit), "{command}");
        let said = lines(&stderr(&output));
        assert_eq!(said.len(), 1, "{command}");
        assert_eq!(said[0]["code"], code, "{command}");
        let words = said[0]["error"].as_str().expect("words");
        let plain = stderr(&site.run(command, args));
        assert_eq!(plain.trim_end(), format!("sheathline: {words}"));
    }
    fs::write(site.config(), "[stor]\n").expect("written");
    let output = site.run("status", &["--json"]);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(lines(&stderr(&output))[0]["code"], "configuration");
}

#[test]
fn a_dictionary_with_a_mistake_is_a_mistake_of_the_configuration() {
    let site = Site::with("[templates]\ndictionaries = [\"codes.toml\"]\n");
    fs::write(
        site.path("codes.toml"),
        "[[term]]\ncode = \"X\"\nscheme = \"99X\"\nsays = { eey = \"left\" }\n",
    )
    .expect("file");
    let output = run(&["check-config", &site.config().display().to_string()]);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("codes.toml:4:"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn quarantine_keeps_the_bytes_and_says_what_to_do() {
    let site = Site::new();
    let broken = fixture("sr/truncated/report.dcm");
    let output = site.run("process", &[&broken.display().to_string()]);
    assert_eq!(
        output.status.code(),
        Some(0),
        "quarantine is an answer, not a failure"
    );
    assert!(stdout(&output).contains("in quarantine 1"));
    let list = site.json("quarantine", &["--json"]);
    assert_eq!(list.len(), 1);
    let remark = &list[0]["reading"]["remarks"][0];
    assert!(remark["action"].is_string(), "{remark}");
    let number = list[0]["object"].to_string();
    let saved = site.path("saved.dcm");
    site.ok(
        "quarantine",
        &[&number, "--save", &saved.display().to_string()],
    );
    assert_eq!(
        fs::read(saved).expect("saved"),
        fs::read(broken).expect("broken")
    );
    assert_eq!(site.run("quarantine", &["99"]).status.code(), Some(1));
}

/// First content wins: the same UID with other content never changes a result.
#[test]
fn another_content_under_a_known_uid_goes_to_quarantine_with_both_hashes() {
    let site = Site::new();
    let (first, second) = (site.path("first"), site.path("second"));
    for folder in [&first, &second] {
        fs::create_dir(folder).expect("folder");
    }
    let report = Report::numbered(1);
    let other = Report {
        tenths: 9,
        ..report.clone()
    };
    site.ok("process", &[&report.write(&first).display().to_string()]);
    let before = site.results();
    site.ok("process", &[&other.write(&second).display().to_string()]);
    assert_eq!(site.results(), before);
    let list = site.json("quarantine", &["--json"]);
    let remark = &list[0]["reading"]["remarks"];
    let remark = remark
        .as_array()
        .expect("remarks")
        .iter()
        .find(|r| r["code"] == "same-uid-other-content");
    let text = remark.expect("the remark")["text"]
        .as_str()
        .expect("text")
        .to_owned();
    let hashes = text
        .split([' ', ',', '.'])
        .filter(|word| word.len() == 64)
        .count();
    assert_eq!(hashes, 2, "{text}");
}

/// DCMTK's dcmconv writes the same report in other transfer syntaxes; they are one report.
#[test]
fn one_report_in_four_transfer_syntaxes_is_one_report() {
    let site = Site::new();
    for case in [
        "tid1500",
        "tid1500-implicit",
        "tid1500-big-endian",
        "tid1500-deflated",
    ] {
        let path = fixture(&format!("sr/{case}/report.dcm"))
            .display()
            .to_string();
        site.ok("process", &[&path]);
    }
    let path = fixture("sr/tid1500/report.dcm").display().to_string();
    let sum = &site.json("process", &["--json", &path])[0]["sum"];
    assert_eq!(
        sum,
        &json!({
            "received": 5, "in_results": 1, "no_sheath_measurement": 0, "quarantined": 0,
            "repeats": 4, "waiting": 0
        })
    );
    assert_eq!(site.all_results().len(), 1);
}

#[test]
fn history_and_explain_tell_of_one_exam() {
    let site = Site::new();
    let folder = site.path("reports");
    fs::create_dir(&folder).expect("folder");
    for (n, date) in [(1, "20230101"), (2, "20240101")] {
        Report {
            patient: "T-9".into(),
            date: date.into(),
            ..Report::numbered(n)
        }
        .write(&folder);
    }
    site.ok("process", &[&folder.display().to_string()]);
    let svg = site.path("trend.svg");
    let exams = site.json(
        "history",
        &["T-9", "--json", "--svg", &svg.display().to_string()],
    );
    assert_eq!(exams.len(), 2);
    let picture = fs::read_to_string(svg).expect("picture");
    assert!(picture.contains("2023-01-01") && picture.contains("2024-01-01"));
    let table = site.ok("history", &["T-9"]);
    assert!(table.contains("within_expected"), "{table}");

    let exam = exams[1]["exam_id"].as_str().expect("exam id");
    let story = site.ok("explain", &[exam]);
    for part in [
        "SOP Instance UID 2.25.10002",
        "first result of this exam",
        "ARITHMETIC",
        "weight",
    ] {
        assert!(story.contains(part), "{part} in {story}");
    }
    let by_report = site.ok("explain", &["2.25.10002"]);
    assert!(by_report.contains(exam), "{by_report}");
    assert_eq!(site.run("explain", &["1.2.3"]).status.code(), Some(1));
    assert_eq!(site.run("history", &["T-10"]).status.code(), Some(1));
}

/// The new dictionary of a site's first day: what was kept is read again, nothing is sent again.
#[test]
fn objects_are_read_again_when_the_dictionary_changes() {
    let site = Site::with("[templates]\ndictionaries = [\"codes.toml\"]\n");
    let codes = site.path("codes.toml");
    fs::write(&codes, "").expect("file");
    let report = fixture("sr/local-codes/report.dcm").display().to_string();
    site.ok("process", &[&report]);
    assert_eq!(site.all_results().len(), 0);
    fs::copy(fixture("sr/local-codes/dictionary.toml"), &codes).expect("copied");
    site.ok("process", &[&report]);
    assert_eq!(site.all_results().len(), 1);
}

#[test]
fn a_second_owner_of_one_store_is_refused() {
    let site = Site::new();
    let daemon = site.serve();
    let path = fixture("sr/tid1500/report.dcm").display().to_string();
    let output = site.run("process", &[&path]);
    assert_eq!(output.status.code(), Some(1));
    assert!(
        stderr(&output).contains("in use by process"),
        "{}",
        stderr(&output)
    );
    assert_eq!(daemon.stop(), Some(0));
}

/// A closed pipe, as `sheathline … | head` makes one, is no failure.
#[test]
fn a_closed_pipe_ends_quietly() {
    let path = fixture("sr").display().to_string();
    let bin = env!("CARGO_BIN_EXE_sheathline");
    let output = Command::new("bash")
        .args(["-c", &format!("{bin} read --json {path} | head -n 1")])
        .output()
        .expect("bash");
    assert_eq!(stderr(&output), "");
}

/// Whatever a report holds, a terminal is told nothing by it but text: no command of ECMA-48, no mark of
/// direction (UAX #9), no line that the program did not write.
#[test]
fn no_command_lets_a_report_drive_the_terminal() {
    let site = Site::new();
    let mut report = Report::numbered(1);
    let mut bytes = report.bytes();
    // The person who measured, in as many bytes; ISO_IR 192 is UTF-8 (PS3.3 C.12.1.1.2).
    let text = fs::read_to_string(site.config()).expect("configuration");
    let folder = "path = \"drop\"\n";
    let text = text.replace(
        folder,
        &format!("{folder}fallback_charset = \"ISO_IR 192\"\n"),
    );
    fs::write(site.config(), text).expect("written");
    let name = b"Invented^Sonographer";
    let mut hostile = "I\u{202E}\u{1B}[2J\u{9B}1m\u{200B}".as_bytes().to_vec();
    hostile.resize(name.len(), b'x');
    let places: Vec<usize> = (0..bytes.len() - name.len())
        .filter(|at| bytes[*at..].starts_with(name))
        .collect();
    assert!(!places.is_empty());
    for at in places {
        bytes[at..at + name.len()].copy_from_slice(&hostile);
    }
    let path = site.path("hostile.dcm");
    fs::write(&path, &bytes).expect("written");
    report.patient = "T-1\u{1B}]0;owned\u{7}".to_owned();
    report.uid.push('7');
    report.study.push('7');
    let other = report.write(&site.path("."));
    let paths = [path.display().to_string(), other.display().to_string()];
    site.ok("process", &[&paths[0], &paths[1]]);
    let exams: Vec<String> = site.results().into_keys().collect();
    assert_eq!(exams.len(), 2);
    let harmless = |what: &str, bytes: &[u8]| {
        let text = String::from_utf8(bytes.to_vec()).expect("UTF-8");
        let bad = |c: &char| {
            c.is_control() && *c != '\n' || matches!(c, '\u{202A}'..='\u{202E}' | '\u{200B}')
        };
        assert_eq!(text.chars().find(bad), None, "{what}: {text:?}");
        text
    };
    for exam in &exams {
        for command in [
            &["explain", exam.as_str()][..],
            &["explain", exam, "--json"],
        ] {
            let output = site.run(command[0], &command[1..]);
            assert!(output.status.success(), "{output:?}");
            harmless(&command.join(" "), &output.stdout);
        }
        let folder = site.path(&format!("outbox/{exam}-v1"));
        for file in ["result.txt", "result.html"] {
            harmless(file, &fs::read(folder.join(file)).expect("published"));
        }
    }
    for (command, args) in [
        ("department", &[][..]),
        ("history", &["T-1"]),
        ("history", &["no\u{1B}[2Jbody"]),
        ("quarantine", &[]),
        ("status", &[]),
    ] {
        let output = site.run(command, args);
        harmless(command, &[output.stdout, output.stderr].concat());
    }
    let read = site.run("read", &[&paths[0], &paths[1]]);
    harmless("read", &[read.stdout.clone(), read.stderr].concat());
    // For a program the text is what it was.
    let read = site.run("read", &["--json", &paths[0]]);
    let text = harmless("read --json", &read.stdout);
    let operator = lines(&text)[0]["exam"]["operator"].clone();
    assert!(
        operator
            .as_str()
            .is_some_and(|name| name.contains('\u{202E}')),
        "{operator}"
    );
}

/// A daemon or a command that somebody starts by hand, with the umask of a login shell: what holds
/// patient data is not for everybody, in whichever folder it lies.
#[test]
fn nobody_else_can_read_what_is_written() {
    use std::os::unix::fs::PermissionsExt;
    let site = Site::new();
    let text = fs::read_to_string(site.config()).expect("configuration");
    let text = text.replace(
        "path = \"store.sqlite\"",
        "path = \"data/here/store.sqlite\"",
    );
    fs::write(site.config(), text.replace("\"outbox\"", "\"out/box\"")).expect("written");
    let report = Report::numbered(1).write(&site.path("."));
    let run = |line: &str| {
        let mut shell = Command::new("sh");
        let ran = shell
            .arg("-c")
            .arg(format!("umask 022; exec \"$0\" {line}"));
        let ran = ran.arg(program().get_program()).current_dir(site.path("."));
        let output = ran.output().expect("sh");
        assert!(output.status.success(), "{output:?}");
    };
    run(&format!("process --config site.toml {}", report.display()));
    let names = fs::read_dir(site.path("out/box")).expect("made");
    let mut names = names.map(|entry| entry.expect("entry").file_name());
    let exam = names.find_map(|name| name.to_str()?.strip_suffix("-v1").map(str::to_owned));
    let exam = exam.expect("a result");
    run(&format!(
        "render {exam} --config site.toml --form pdf -o one.pdf"
    ));
    run("department --config site.toml --html page.html");
    let mut seen = 0;
    let mut rest = ["data", "out", "one.pdf", "page.html"]
        .map(|name| site.path(name))
        .to_vec();
    while let Some(path) = rest.pop() {
        let facts = path.symlink_metadata().expect("there");
        let mode = facts.permissions().mode() & 0o777;
        assert_eq!(mode & 0o027, 0, "{}: {mode:o}", path.display());
        if facts.is_dir() {
            let entries = fs::read_dir(&path).expect("readable");
            rest.extend(entries.map(|entry| entry.expect("entry").path()));
        }
        seen += 1;
    }
    assert!(seen > 10, "{seen}");
}

/// Told with its line and no mistake; ports of this machine alone and lists of addresses are quiet.
#[test]
fn open_ports_and_readable_tokens_are_warned_of() {
    use std::os::unix::fs::PermissionsExt;
    let site = Site::new();
    let config = site.config().display().to_string();
    let check = || {
        let output = run(&["check-config", &config]);
        assert_eq!(output.status.code(), Some(0), "{output:?}");
        stderr(&output)
    };
    assert_eq!(check(), "");
    let text = fs::read_to_string(site.config()).expect("configuration");
    let open = text.replace("listen = \"127.0.0.1:0\"", "listen = \"0.0.0.0:0\"");
    let token = "[receive.web]\nlisten = \"127.0.0.1:0\"\nbearer = \"tokens\"\n";
    fs::write(site.config(), format!("{open}{token}")).expect("written");
    fs::write(site.path("tokens"), "a-token-of-some-length\n").expect("written");
    let allow = |mode| {
        fs::set_permissions(site.path("tokens"), fs::Permissions::from_mode(mode)).expect("set");
    };
    allow(0o644);
    let said = check();
    assert!(
        said.contains("site.toml:2: [receive.dicom] 0.0.0.0:0 takes objects"),
        "{said}"
    );
    assert!(
        said.contains("tokens can be read by every account"),
        "{said}"
    );
    let daemon = site.serve();
    let codes: Vec<String> = daemon
        .log()
        .iter()
        .filter_map(|line| Some(line["fields"]["code"].as_str()?.to_owned()))
        .collect();
    for code in ["port-open-to-all", "token-file-readable"] {
        assert!(codes.iter().any(|one| one == code), "{code}: {codes:?}");
    }
    assert_eq!(daemon.stop(), Some(0));
    allow(0o640);
    let listed = open.replacen(
        "0.0.0.0:0\"",
        "0.0.0.0:0\"\naddresses_allowed = [\"192.0.2.0/24\"]",
        1,
    );
    fs::write(site.config(), format!("{listed}{token}")).expect("written");
    assert_eq!(check(), "");
}
