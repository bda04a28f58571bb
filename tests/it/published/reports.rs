//! Rows that reports answer: structured reports in, published results out.

use super::functions::holds;
use super::row::{Found, Row, or_none};
use crate::harness::{Site, lines, program};
use crate::situations::{report, story};
use chrono::{Days, NaiveDate};
use serde_json::Value;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

/// Cells of a report that differ from the usual ones.
pub(super) type Cells = Vec<(&'static str, String)>;

/// The day of birth of who has an age.
const BORN: &str = "2000-01-01";

/// A report of the right eye.
pub(super) fn cells(day: &str, right: &str) -> Cells {
    [("day", day), ("time", "10:00"), ("right", right)]
        .map(|(name, cell)| (name, cell.to_owned()))
        .to_vec()
}

fn with(mut cells: Cells, more: &[(&'static str, &str)]) -> Cells {
    cells.extend(more.iter().map(|(name, cell)| (*name, (*cell).to_owned())));
    cells
}

/// The day on which who was born on [`BORN`] is so old.
fn at_age(years: f64) -> String {
    let born: NaiveDate = BORN.parse().expect("a date");
    (born + Days::new((years * 365.25).round() as u64)).to_string()
}

fn write(folder: &Path, name: &str, cells: &Cells) -> String {
    let named = [("report", name.to_owned())].into_iter();
    let row = story::Row::of(named.chain(cells.iter().cloned()));
    let path = folder.join(format!("{name}.dcm"));
    fs::write(&path, report::bytes("published", &[&row])).expect("written");
    path.display().to_string()
}

/// A site with more settings that has processed reports, and its results by day.
pub(super) fn told(more: &str, reports: &[Cells]) -> (Site, Vec<Value>) {
    let site = Site::with(more);
    let folder = site.path("reports");
    fs::create_dir(&folder).expect("a folder");
    for (at, cells) in reports.iter().enumerate() {
        write(&folder, &format!("report{at}"), cells);
    }
    site.ok("process", &[folder.to_str().expect("UTF-8")]);
    let results = by_day(&site);
    assert_eq!(results.len(), reports.len(), "a result for each report");
    (site, results)
}

fn by_day(site: &Site) -> Vec<Value> {
    let mut results: Vec<Value> = site.results().into_values().collect();
    results.sort_by_key(|one| one["exam"]["performed_at"].to_string());
    results
}

fn newest(site: &Site) -> Value {
    by_day(site).pop().expect("a result")
}

fn id(result: &Value) -> &str {
    result["exam"]["id"].as_str().expect("an id")
}

/// The page of a result.
fn page(site: &Site, result: &Value) -> String {
    let folder = format!("{}-v{}", id(result), result["version"]);
    let path = site.path("outbox").join(folder).join("result.txt");
    fs::read_to_string(path).expect("result.txt")
}

fn right(result: &Value) -> &Value {
    &result["assessment"]["rows"]["right"]
}

/// What every row on a comparison may expect.
fn verdict(result: &Value) -> Found {
    let assessment = &result["assessment"];
    Found::from([
        ("status", assessment["status"].clone()),
        ("reason", or_none(&assessment["reason"])),
        ("flagged", assessment["flagged"].clone()),
        ("measured_mm", right(result)["measured_mm"].clone()),
        ("change_mm", or_none(&right(result)["change_mm"])),
    ])
}

fn doubted(result: &Value) -> Value {
    holds(&result["assessment"]["notices"], "nerve_suspected").into()
}

/// One reading as `read` understands it, and what the result of its exam says.
pub(super) fn reading(row: &Row) -> Found {
    let day = row.get("age").and_then(Value::as_f64).map(at_age);
    let mut cells = cells(day.as_deref().unwrap_or("2023-05-04"), row.text("reading"));
    cells.extend(day.map(|_| ("born", BORN.to_owned())));
    for name in ["unit", "angle"] {
        let given = row.get(name).and_then(Value::as_str);
        cells.extend(given.map(|given| (name, given.to_owned())));
    }
    let (site, results) = told("", &[cells.clone()]);
    let file = write(&site.path("reports"), "report0", &cells);
    // Exit code 1 where nothing of it can be used.
    let output = program().args(["read", "--json", &file]).output();
    let text = String::from_utf8(output.expect("runs").stdout).expect("UTF-8");
    let read = &lines(&text)[0]["measurements"][0];
    let remarks = read["remarks"].as_array().into_iter().flatten();
    let join = |field: &str| {
        let all = remarks.clone().filter_map(|one| one[field].as_str());
        all.collect::<Vec<&str>>().join(" ")
    };
    let of_report = results[0]["reports"][0]["remarks"].as_array();
    let mut of_report = of_report.into_iter().flatten();
    let told_unknown = of_report.any(|one| one["code"] == "angle-unknown");
    let mut found = verdict(&results[0]);
    found.extend([
        ("value_mm", read["value_mm"].clone()),
        ("used", read["usable"].clone()),
        ("angle", or_none(&read["geometry"]["angle_deg"])),
        ("remarks", join("code").into()),
        ("says", join("text").into()),
        ("told_unknown", told_unknown.into()),
    ]);
    found
}

/// A result of somebody of an age, with the published figures beside it.
fn beside(width: &str, age: f64, more: &[(&'static str, &str)]) -> Value {
    let cells = with(cells(&at_age(age), width), &[("born", BORN)]);
    let (site, _) = told("[context]\nshow = true\n", &[with(cells, more)]);
    newest(&site)
}

/// Entries of a list whose source names a paper.
fn of<'a>(list: &'a Value, paper: &'a str) -> impl Iterator<Item = &'a Value> {
    let all = list.as_array().into_iter().flatten();
    all.filter(move |one| {
        let source = one["source"].as_str();
        source.is_some_and(|source| source.contains(paper))
    })
}

/// z of a width beside published series.
pub(super) fn norm(row: &Row) -> Found {
    let result = beside(row.text("width"), row.number("age"), &[]);
    let context = &result["context"];
    let z = row.texts("of").into_iter().map(|paper| {
        let series = of(&context["norms"], paper).next();
        or_none(&series.unwrap_or_else(|| panic!("{paper}: {context}"))["z"])
    });
    let keys = context.as_object().expect("figures").keys();
    let mut shown: Vec<&str> = keys.map(String::as_str).collect();
    shown.sort_unstable();
    let mut found = verdict(&result);
    found.insert("z", z.collect::<Vec<Value>>().into());
    found.insert("shown", shown.join(" ").into());
    found
}

/// The published curve at an age.
pub(super) fn curve(row: &Row) -> Found {
    let result = beside("4.0", row.number("age"), &[]);
    let mut norms = result["context"]["norms"].as_array().into_iter().flatten();
    let curve = norms
        .find(|one| one["centre"] == "curve")
        .expect("the curve");
    Found::from([("curve_mm", curve["centre_mm"].clone())])
}

/// The published cutoffs of a paper at ages.
pub(super) fn cutoffs(row: &Row) -> Found {
    let each = row.numbers("ages").into_iter().map(|age| {
        let result = beside("4.0", age, &[]);
        let cutoffs = of(&result["context"]["cutoffs"], row.text("of"));
        Value::from(cutoffs.map(|one| one["mm"].clone()).collect::<Vec<Value>>())
    });
    Found::from([("cutoffs_mm", each.collect::<Vec<Value>>().into())])
}

/// Sheath by eyeball.
pub(super) fn eyeball(row: &Row) -> Found {
    let more = [("right_eyeball", row.text("eyeball"))];
    let result = beside(row.text("sheath"), 30.0, &more);
    let ratio = &result["companions"]["eyeball"]["right"]["ratio"];
    Found::from([("ratio", ratio.clone())])
}

/// The nerve that a sheath has by a published share; and whether that nerve, measured, is doubted.
pub(super) fn nerve(row: &Row) -> Found {
    let (sheath, nerve) = (row.text("sheath"), row.text("nerve"));
    let result = beside(sheath, 30.0, &[]);
    let mut shares = of(&result["context"]["ratios"], row.text("of"));
    let share = shares.find(|one| one["what"] == "nerve / sheath");
    let share = share.expect("the share")["value"]
        .as_f64()
        .expect("a number");
    let width: f64 = sheath.parse().expect("mm");
    let (_, results) = told(
        "",
        &[cells("2023-01-10", sheath), cells("2023-05-04", nerve)],
    );
    Found::from([
        ("nerve_mm", (share * width).into()),
        ("doubted", doubted(&results[1])),
    ])
}

/// Growth between two ages, as told and as it moves the expected value.
pub(super) fn growth(row: &Row) -> Found {
    let slope = row.get("growth_g").and_then(Value::as_f64);
    let more = slope.map(|slope| format!("[baseline]\ngrowth_g = {slope}\n"));
    let reports = ["then", "now"].map(|when| {
        let day = at_age(row.number(when));
        with(cells(&day, "4.0 4.0 4.0"), &[("born", BORN)])
    });
    let (_, results) = told(&more.unwrap_or_default(), &reports);
    let growth = &results[1]["course"]["growth"];
    let expected = right(&results[1])["expected_mm"]
        .as_f64()
        .expect("compared");
    Found::from([
        ("growth_mm", growth["expected_mm"].clone()),
        ("sd_mm", growth["sd_mm"].clone()),
        ("expected_rises_by_mm", (expected - 4.0).into()),
    ])
}

/// A baseline in the first weeks of life.
pub(super) fn newborn(row: &Row) -> Found {
    let reports = ["baseline_days", "now_days"].map(|when| {
        let born: NaiveDate = BORN.parse().expect("a date");
        let day = born + Days::new(row.number(when) as u64);
        with(cells(&day.to_string(), "3.6 3.6 3.7"), &[("born", BORN)])
    });
    let (site, results) = told("", &reports);
    site.ok("label", &["--yes", id(&results[0]), "well"]);
    verdict(&newest(&site))
}

/// Ways to write a unit of pressure.
const PRESSURES: [&str; 8] = [
    "mmHg", "mm Hg", "mm[Hg]", "cmH2O", "cm[H2O]", "mmH2O", "mm[H2O]", "kPa",
];

/// What of the forbidden words stands anywhere in what the program publishes of exams, in all forms; beside
/// those of the row any unit of pressure.
pub(super) fn never(row: &Row) -> Found {
    let widths = row.texts("widths");
    let widths = std::iter::once(row.text("baseline")).chain(widths);
    let reports = widths.enumerate().map(|(at, width)| {
        let day = format!("2023-{:02}-01", 2 * at + 1);
        let three = [width; 3].join(" ");
        with(cells(&day, &three), &[("left", &three)])
    });
    let (site, results) = told("", &reports.collect::<Vec<Cells>>());
    let mut published = String::new();
    for result in &results {
        let folder = format!("{}-v{}", id(result), result["version"]);
        for file in ["result.json", "result.txt", "result.html", "result.csv"] {
            let path = site.path("outbox").join(&folder).join(file);
            let text = fs::read_to_string(&path).expect("a form");
            let _ = writeln!(published, "{text}");
        }
        for form in ["hl7", "fhir"] {
            let file = site.path(form);
            let to = file.to_str().expect("UTF-8");
            site.ok("render", &["--form", form, "-o", to, id(result)]);
            let text = fs::read_to_string(&file).expect("a form");
            let _ = writeln!(published, "{text}");
        }
    }
    let words = row.texts("never").into_iter().chain(PRESSURES);
    let told = words.filter(|word| stands(&published, word));
    Found::from([("told", told.collect::<Vec<&str>>().into())])
}

/// Whether a word stands in a text, not as part of a longer number.
fn stands(text: &str, word: &str) -> bool {
    let digit = |c: Option<char>| c.is_some_and(|c| c.is_ascii_digit() || c == '.');
    let mut places = text.match_indices(word);
    places.any(|(at, _)| {
        let before = text.get(..at).and_then(|text| text.chars().next_back());
        let after = text
            .get(at + word.len()..)
            .and_then(|text| text.chars().next());
        let numeral = |c: char| c.is_ascii_digit();
        let goes_before = digit(before) && word.starts_with(numeral);
        let goes_on = after.is_some_and(numeral) && word.ends_with(numeral);
        !(goes_before || goes_on)
    })
}

#[test]
fn a_word_is_found_but_not_in_a_longer_number() {
    for (text, word, found) in [
        ("about 14.53 mmHg", "14.53", true),
        ("about 14.53 mmHg", "mmHg", true),
        ("0.14.53", "14.53", false),
        ("14.531", "14.53", false),
        ("x=314.53", "14.53", false),
        ("14.531 and 14.53", "14.53", true),
        ("sensitivity", "sensitivity", true),
        ("none", "kPa", false),
    ] {
        assert_eq!(stands(text, word), found, "{text}, {word}");
    }
}

/// Planes that differ.
pub(super) fn planes(row: &Row) -> Found {
    let before = with(
        cells("2023-01-10", row.text("baseline")),
        &[("plane", row.text("baseline_plane"))],
    );
    let now = with(
        cells("2023-05-04", row.text("now")),
        &[("plane", row.text("plane"))],
    );
    let (site, results) = told("", &[before, now]);
    site.ok("label", &["--yes", id(&results[0]), "well"]);
    let result = newest(&site);
    let mut found = verdict(&result);
    let shown = page(&site, &result).contains(row.text("baseline"));
    found.insert("shows_earlier", shown.into());
    found
}

/// A baseline so many days after an operation.
pub(super) fn washout(row: &Row) -> Found {
    let operated: NaiveDate = "2023-01-01".parse().expect("a date");
    let day = operated + Days::new(row.number("days_after") as u64);
    let reports = [
        cells(&day.to_string(), "5.6 5.7"),
        cells("2023-03-01", "5.6 5.7 5.7"),
    ];
    let (site, results) = told("", &reports);
    site.ok("label", &["--yes", id(&results[0]), row.text("label")]);
    site.ok("event", &["HF-100", &operated.to_string(), "csf_surgery"]);
    let result = newest(&site);
    let mut aside = result["assessment"]["set_aside"]
        .as_array()
        .into_iter()
        .flatten();
    let why = aside.find(|one| one["exam"] == results[0]["exam"]["id"]);
    let mut found = verdict(&result);
    found.insert("why", why.map_or(Value::Null, |one| one["reason"].clone()));
    found
}

/// Who is told of the open fontanelle.
pub(super) fn infant(row: &Row) -> Found {
    let told = row.numbers("ages").into_iter().map(|age| {
        let result = beside("4.0", age, &[]);
        let mut cautions = result["cautions"].as_array().into_iter().flatten();
        cautions.any(|one| one["code"] == "open-fontanelle")
    });
    Found::from([("fontanelle", told.collect::<Vec<bool>>().into())])
}

/// Before an operation, and the day after it.
pub(super) fn fall(row: &Row) -> Found {
    let reports = [
        cells("2023-04-30", row.text("before")),
        cells("2023-05-02", row.text("after")),
    ];
    let (site, _) = told("", &reports);
    site.ok("event", &["HF-100", "2023-05-01", "csf_surgery"]);
    let result = newest(&site);
    let mut found = verdict(&result);
    let change = &result["course"]["since_last"]["mm"];
    found.insert("change_mm", or_none(change));
    let named = page(&site, &result).contains("2023-05-01");
    found.insert("names_operation", named.into());
    found
}
