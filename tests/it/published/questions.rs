//! Rows that `assess` answers: exams in, a comparison out.

use super::functions::holds;
use super::row::{Found, Row};
use crate::harness::program;
use serde_json::{Value, json};
use std::io::Write;
use std::process::Stdio;

/// An exam called well, by one operator with one machine.
fn exam(id: &str, date: &str, right: &[f64], left: &[f64]) -> Value {
    json!({"id": id, "date": date, "label": "well", "operator": "A", "device": "X",
           "eyes": {"right": right, "left": left}})
}

/// What the program says of the last of an adult's exams.
fn asked(exams: &[Value], parameters: &Value) -> Value {
    let last = &exams.last().expect("an exam")["id"];
    let patient = json!({"id": "P1", "birth_date": "1980-01-01"});
    let question =
        json!({"patient": patient, "exams": exams, "assess": last, "parameters": parameters});
    let mut child = program()
        .args(["assess", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the program runs");
    let mut input = child.stdin.take().expect("standard input");
    writeln!(input, "{question}").expect("asked");
    drop(input);
    let output = child.wait_with_output().expect("an answer");
    assert!(output.status.success(), "{question}");
    serde_json::from_slice(&output.stdout).expect("JSON")
}

/// The row of both eyes, or of the only one.
fn leading(answer: &Value) -> &Value {
    let rows = &answer["rows"];
    let names = ["both", "right", "left"];
    let mut rows = names.iter().map(|name| &rows[*name]);
    rows.find(|row| !row.is_null()).expect("a row")
}

fn number(row: &Value, name: &str) -> f64 {
    row[name]
        .as_f64()
        .unwrap_or_else(|| panic!("{name}: {row}"))
}

fn mm(text: &Value) -> f64 {
    text.as_str().expect("a text").parse().expect("mm")
}

/// Errors without rounding and drift, limits at 95 % two-sided.
fn plain(more: &Value) -> Value {
    let mut all =
        json!({"resolution": 0.0, "q": 0.0, "max_smallest_change": 100.0, "z_above": 1.96});
    let (all_of, more) = (all.as_object_mut(), more.as_object());
    all_of
        .expect("a table")
        .extend(more.expect("a table").clone());
    all
}

/// One eye read once at two exams whose errors are those of the session alone, so many mm.
fn two_sessions(sd: f64) -> Value {
    let exams = [
        exam("b", "2023-01-01", &[5.0], &[]),
        exam("t", "2023-02-01", &[5.0], &[]),
    ];
    let parameters = plain(&json!({"sigma_s": sd, "sigma_w": 0.001, "z_well": 4.0}));
    leading(&asked(&exams, &parameters)).clone()
}

/// The smallest change of two sessions is 1.96 sqrt(2) SD of one; what a paper gives as that, or as 1.96 SD of
/// the difference, is turned back by the program's own numbers for an SD of 1 mm.
pub(super) fn repeatability(row: &Row) -> Found {
    let one = two_sessions(1.0);
    let (smallest, sd) = (number(&one, "smallest_change_mm"), number(&one, "sd_mm"));
    let each = |name: &str, by: &dyn Fn(f64) -> f64| -> Value {
        let numbers = row.numbers(name).into_iter();
        numbers.map(by).collect::<Vec<f64>>().into()
    };
    let mut found = Found::new();
    if row.get("repeatability").is_some() {
        found.insert("sd_mm", each("repeatability", &|given| given / smallest));
    }
    if row.get("limits").is_some() {
        found.insert("sd_mm", each("limits", &|given| given / smallest));
        let difference = |given| given / (smallest / sd);
        found.insert("sd_difference_mm", each("limits", &difference));
    }
    if row.get("sd_difference").is_some() {
        found.insert("sd_mm", each("sd_difference", &|given| given / sd));
    }
    if row.get("sem").is_some() {
        let detectable = |sd| number(&two_sessions(sd), "smallest_change_mm");
        found.insert("detectable_mm", each("sem", &detectable));
    }
    found
}

/// The smallest change of one eye by the errors of its readings and of the exam.
pub(super) fn reference_change(row: &Row) -> Found {
    let smallest = |readings: f64, z: f64| {
        let readings = vec![5.0; readings as usize];
        let exams = [
            exam("b", "2023-01-01", &readings, &[]),
            exam("t", "2023-02-01", &readings, &[]),
        ];
        let errors = json!({"sigma_w": row.number("reading_sd"), "sigma_s": row.number("own_sd"), "z_above": z});
        number(
            leading(&asked(&exams, &plain(&errors))),
            "smallest_change_mm",
        )
    };
    let each = row.numbers("readings").into_iter().map(|readings| {
        let of = row.numbers("z").into_iter().map(|z| smallest(readings, z));
        Value::from(of.collect::<Vec<f64>>())
    });
    Found::from([("smallest_mm", each.collect::<Vec<Value>>().into())])
}

/// The smallest change at the default errors of reading, session and observer.
pub(super) fn smallest(row: &Row) -> Found {
    let readings = vec![5.0; row.number("readings") as usize];
    let fellow: &[f64] = if row.number("eyes") > 1.0 {
        &readings
    } else {
        &[]
    };
    let earlier = row.number("exams") as usize;
    let others = row.get("others").and_then(Value::as_bool) == Some(true);
    let exams = (0..=earlier).map(|at| {
        let date = format!("2023-0{}-01", at + 1);
        let mut one = exam(&at.to_string(), &date, &readings, fellow);
        if others {
            one["operator"] = json!(at.to_string());
        }
        one
    });
    let answer = asked(&exams.collect::<Vec<Value>>(), &plain(&json!({})));
    let found = leading(&answer);
    let sd = number(found, "sd_mm");
    Found::from([
        ("change_sd_mm", sd.into()),
        // Of two sessions with equal errors.
        ("session_mm", (sd / 2_f64.sqrt()).into()),
        ("smallest_mm", number(found, "smallest_change_mm").into()),
        ("z_of_forty", (0.40 / sd).into()),
    ])
}

/// Changes held against a limit of exactly 0.40 mm, and against the default ones.
pub(super) fn exact_change(row: &Row) -> Found {
    let pairs = row
        .list("changes")
        .iter()
        .map(|pair| (mm(&pair[0]), mm(&pair[1])));
    let forty =
        json!({"sigma_s": 0.2, "sigma_w": 0.2, "z_above": 1.0, "resolution": 0.0, "q": 0.0});
    let one_reading = |(then, now): (f64, f64), parameters: &Value| {
        let exams = [
            exam("b", "2023-01-01", &[then], &[]),
            exam("t", "2023-02-01", &[now], &[]),
        ];
        asked(&exams, parameters)
    };
    let five_exams = |(then, now): (f64, f64)| {
        let exams = (1..=6).map(|month| {
            let value = if month == 6 { now } else { then };
            exam(
                &month.to_string(),
                &format!("2023-0{month}-01"),
                &[value; 3],
                &[value; 3],
            )
        });
        asked(&exams.collect::<Vec<Value>>(), &json!({}))
    };
    let mut all: Vec<Found> = Vec::new();
    for pair in pairs {
        let limited = one_reading(pair, &forty);
        let limit = number(leading(&limited), "smallest_change_mm");
        assert!((limit - 0.4).abs() < 1e-9, "the limit is {limit}");
        all.push(Found::from([
            ("change_mm", leading(&limited)["change_mm"].clone()),
            ("reaches_a_limit_of_forty", limited["flagged"].clone()),
            (
                "flagged_by_one_reading",
                one_reading(pair, &json!({}))["flagged"].clone(),
            ),
            ("flagged_by_five_exams", five_exams(pair)["flagged"].clone()),
        ]));
    }
    let first = all.first().expect("a pair").clone();
    assert!(all.iter().all(|one| *one == first), "pairs differ: {all:?}");
    first
}

/// One eye read once, at the baseline and today.
pub(super) fn change(row: &Row) -> Found {
    let value = |name: &str| -> f64 { row.text(name).parse().expect("mm") };
    let exams = [
        exam("b", "2023-01-01", &[value("baseline")], &[]),
        exam("t", "2023-02-01", &[value("now")], &[]),
    ];
    let answer = asked(&exams, &json!({}));
    let found = leading(&answer);
    let share = number(found, "measured_mm") / number(found, "expected_mm");
    Found::from([
        ("change_percent", found["change_percent"].clone()),
        ("share", share.into()),
        (
            "nerve_suspected",
            holds(&answer["notices"], "nerve_suspected").into(),
        ),
        ("flagged", answer["flagged"].clone()),
    ])
}

/// Both eyes today, beside what was usual for them.
pub(super) fn asymmetry(row: &Row) -> Found {
    let value = |name: &str| -> f64 { row.text(name).parse().expect("mm") };
    let today = exam("t", "2023-02-01", &[value("right"); 3], &[value("left"); 3]);
    let answers = row.list("usual").iter().map(|usual| {
        let base = exam("b", "2023-01-01", &[mm(&usual[0]); 3], &[mm(&usual[1]); 3]);
        asked(&[base, today.clone()], &json!({}))
    });
    let answers: Vec<Value> = answers.collect();
    let rows = &answers.first().expect("an answer")["rows"];
    let measured = |eye: &str| number(&rows[eye], "measured_mm");
    let told = answers
        .iter()
        .map(|one| holds(&one["notices"], "eye_asymmetry_changed"));
    let flagged = answers.iter().map(|one| one["flagged"].clone());
    Found::from([
        ("mean_mm", measured("both").into()),
        (
            "difference_mm",
            (measured("right") - measured("left")).into(),
        ),
        ("asymmetry", told.collect::<Vec<bool>>().into()),
        ("flagged", flagged.collect::<Vec<Value>>().into()),
    ])
}
