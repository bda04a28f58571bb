//! The situations of a ward, each a folder below `fixtures/situations`: through the real program in
//! several orders of arrival, with equal results, and with what must come out.
//!
//! `SITUATION=name` takes only stories whose name holds that text; `UPDATE_GOLDEN=1` writes the pages;
//! `SITUATION_PAGES=FOLDER` keeps page and sheet of each story as HTML and PDF, to be looked at.

mod alike;
mod pages;
pub(crate) mod report;
pub(crate) mod story;

use crate::harness::Site;
use chrono::Utc;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use story::{Must, Said, Story, uid};

/// The issuer and the id of a story's patient, unless it says otherwise.
const PATIENT: &str = "HF-100";

/// One way in which a story can arrive: groups of reports that are handed over together, and the order
/// of what people say.
struct Order {
    name: &'static str,
    groups: Vec<Vec<usize>>,
    said: Vec<usize>,
}

/// As told; the other way round; and in disorder, all at once, each report twice.
fn orders(reports: usize, said: usize) -> Vec<Order> {
    // A step that shares no factor with any small number visits all.
    let disorder = |count: usize| -> Vec<usize> {
        (0..count)
            .map(|n| (n * 7919 + count / 2) % count.max(1))
            .collect()
    };
    let twice = [disorder(reports), disorder(reports)].concat();
    vec![
        Order {
            name: "as told",
            groups: (0..reports).map(|n| vec![n]).collect(),
            said: (0..said).collect(),
        },
        Order {
            name: "the other way round",
            groups: (0..reports).rev().map(|n| vec![n]).collect(),
            said: (0..said).rev().collect(),
        },
        Order {
            name: "all at once, in disorder and twice",
            groups: vec![twice],
            said: disorder(said),
        },
    ]
}

/// What the program tells of a story in the end.
struct Told {
    site: Site,
    /// Newest results that stand, by exam id.
    results: BTreeMap<String, Value>,
}

impl Told {
    fn of(story: &Story, order: &Order) -> Told {
        let more = story.folder.join("site.toml");
        let more = fs::read_to_string(more).unwrap_or_default();
        let site = Site::with(&more);
        let names = story.reports();
        for (at, group) in order.groups.iter().enumerate() {
            let folder = site.path(&format!("arriving-{at}"));
            fs::create_dir(&folder).expect("a folder");
            for (place, report) in group.iter().enumerate() {
                let rows = story.rows_of(names[*report]);
                // Files of one folder are taken by name.
                let path = folder.join(format!("{place:04}.dcm"));
                fs::write(path, report::bytes(&story.name, &rows)).expect("written");
            }
            site.ok("process", &[folder.to_str().expect("UTF-8")]);
        }
        let mut told = Told {
            results: standing(&site),
            site,
        };
        for said in &order.said {
            told.say(story, &story.said[*said]);
        }
        told
    }

    fn say(&mut self, story: &Story, said: &Said) {
        match said.what.as_str() {
            "label" => {
                let exam = self.exam(story, &said.of);
                self.site.ok("label", &["--yes", &exam, &said.value]);
            }
            "event" => {
                let patient = if said.of.is_empty() {
                    PATIENT
                } else {
                    &said.of
                };
                self.site
                    .ok("event", &[patient, &said.day, &said.value, "--yes"]);
            }
            "pressure" => {
                let exam = self.exam(story, &said.of);
                let (value, unit) = said.value.split_once(' ').expect("value and unit");
                self.site.ok("pressure", &[&exam, value, unit]);
            }
            other => panic!("{}: people.csv: {other:?}", story.name),
        }
        self.results = standing(&self.site);
    }

    /// The exam that holds a report, or the readings of a report at a time: `report@HH:MM`.
    fn find(&self, story: &Story, name: &str) -> Option<&Value> {
        let (report, time) = match name.split_once('@') {
            Some((report, time)) => (report, Some(time)),
            None => (name, None),
        };
        let report = uid(&story.name, &format!("report {report}"));
        self.results.values().find(|result| {
            let values = ["measurements_used", "measurements_not_used"];
            let values = values
                .iter()
                .flat_map(|list| result[list].as_array().into_iter().flatten());
            let mut objects = values.map(|value| &value["object"]);
            let at = result["exam"]["performed_at"].as_str().unwrap_or_default();
            let at = at.get(11..16).unwrap_or_default();
            objects.any(|object| *object == *report) && time.is_none_or(|time| time == at)
        })
    }

    fn exam(&self, story: &Story, name: &str) -> String {
        let found = self.find(story, name);
        let found = found.unwrap_or_else(|| panic!("{}: no exam holds {name:?}", story.name));
        found["exam"]["id"].as_str().expect("an id").to_owned()
    }

    /// The page of a result, without what differs from run to run.
    fn page(&self, result: &Value) -> String {
        fs::read_to_string(self.file(result, "result.txt")).expect("result.txt")
    }

    fn file(&self, result: &Value, name: &str) -> PathBuf {
        let folder = format!(
            "{}-v{}",
            result["exam"]["id"].as_str().expect("an id"),
            result["version"]
        );
        self.site.path("outbox").join(folder).join(name)
    }
}

/// The newest results that say something.
fn standing(site: &Site) -> BTreeMap<String, Value> {
    let mut results = site.results();
    results.retain(|_, result| result["assessment"]["reason"] != "withdrawn");
    results
}

/// A page without its first paragraph on versions, which tells of the way there, and without the day on
/// which the reports came.
fn without_way(page: &str) -> String {
    let today = Utc::now().date_naive();
    let page = [Some(today), today.pred_opt()]
        .into_iter()
        .flatten()
        .fold(page.to_owned(), |page, day| {
            page.replace(&day.to_string(), "YYYY-MM-DD")
        });
    let paragraphs = page.split_inclusive("\n\n");
    let there = paragraphs.filter(|paragraph| !paragraph.starts_with("Replaces version"));
    there.collect()
}

fn number(value: &Value) -> String {
    value
        .as_f64()
        .map_or_else(|| "none".to_owned(), |mm| format!("{mm:.2}"))
}

fn word(value: &Value) -> String {
    match value {
        Value::Null => "none".to_owned(),
        Value::String(word) => word.clone(),
        other => other.to_string(),
    }
}

fn words(list: &Value, of: impl Fn(&Value) -> String) -> Vec<String> {
    list.as_array().into_iter().flatten().map(of).collect()
}

/// All remark codes of a result: of the exam, its reports and its values.
fn remarks(result: &Value) -> Vec<String> {
    let code = |remark: &Value| word(&remark["code"]);
    let mut codes = words(&result["remarks"], code);
    for list in ["reports", "measurements_used", "measurements_not_used"] {
        for one in result[list].as_array().into_iter().flatten() {
            codes.extend(words(&one["remarks"], code));
        }
    }
    codes
}

/// What a fact of `must.csv` comes to; `Err` says what is there instead.
fn holds(told: &Told, story: &Story, must: &Must) -> Result<(), String> {
    let wanted = must.value.as_str();
    let equal = |found: String| if found == wanted { Ok(()) } else { Err(found) };
    if must.fact == "exams" {
        return equal(told.results.len().to_string());
    }
    let Some(result) = told.find(story, &must.exam) else {
        return match must.fact.as_str() {
            "no result" => Ok(()),
            _ => Err("no result holds it".to_owned()),
        };
    };
    let assessment = &result["assessment"];
    let id = |name: &str| {
        told.find(story, name)
            .map(|result| word(&result["exam"]["id"]))
    };
    let listed = |codes: Vec<String>, is_wanted: bool| {
        if codes.iter().any(|code| code == wanted) == is_wanted {
            Ok(())
        } else {
            Err(codes.join(" "))
        }
    };
    let page = || {
        without_way(&told.page(result))
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ")
    };
    let row = |name: &str| &assessment["rows"][name];
    match must.fact.as_str() {
        "status" | "reason" | "basis" | "decided_by" | "flagged" => {
            equal(word(&assessment[&must.fact]))
        }
        "notice" | "no notice" => {
            listed(words(&assessment["notices"], word), must.fact == "notice")
        }
        "remark" | "no remark" => listed(remarks(result), must.fact == "remark"),
        "after event" => equal(word(&result["course"]["after_event"]["state"])),
        "since last" => equal(number(&result["course"]["since_last"]["mm"])),
        "flags before" => equal(match &result["course"]["flags"]["count"] {
            Value::Null => "0".to_owned(),
            count => count.to_string(),
        }),
        "label" => equal(word(&result["exam"]["label"])),
        "modality" => equal(word(&result["exam"]["modality"])),
        "performed at" => equal(word(&result["exam"]["performed_at"])),
        "readings" => equal(words(&result["measurements_used"], word).len().to_string()),
        "measured both" => equal(number(&row("both")["measured_mm"])),
        "measured right" => equal(number(&row("right")["measured_mm"])),
        "measured left" => equal(number(&row("left")["measured_mm"])),
        "expected both" => equal(number(&row("both")["expected_mm"])),
        "expected right" => equal(number(&row("right")["expected_mm"])),
        "expected left" => equal(number(&row("left")["expected_mm"])),
        "serves" | "does not serve" => {
            let used = words(&assessment["baseline"], word);
            let (name, why) = match wanted.split_once(": ") {
                Some((name, why)) => (name, Some(why)),
                None => (wanted, None),
            };
            let exam = id(name).ok_or_else(|| format!("no result holds {name:?}"))?;
            let aside = assessment["set_aside"].as_array().into_iter().flatten();
            let reason = aside
                .filter(|one| one["exam"] == *exam)
                .map(|one| word(&one["reason"]))
                .next();
            let found = if used.contains(&exam) {
                "it serves".to_owned()
            } else {
                reason.clone().unwrap_or_else(|| "not named".to_owned())
            };
            let right = match must.fact.as_str() {
                "serves" => used.contains(&exam),
                _ => !used.contains(&exam) && why.is_none_or(|why| reason.as_deref() == Some(why)),
            };
            if right { Ok(()) } else { Err(found) }
        }
        "same exam as" => equal(if id(wanted) == id(&must.exam) {
            wanted.to_owned()
        } else {
            "another exam".to_owned()
        }),
        "other exam than" => equal(if id(wanted) != id(&must.exam) {
            wanted.to_owned()
        } else {
            "the same exam".to_owned()
        }),
        "says" => {
            if page().contains(wanted) {
                Ok(())
            } else {
                Err(page())
            }
        }
        "never says" => {
            if !page().contains(wanted) {
                Ok(())
            } else {
                Err("it says so".to_owned())
            }
        }
        other => Err(format!("there is no fact {other:?}")),
    }
}

/// Tells a story in every order; what is wrong, a line each.
fn tell(story: &Story) -> Vec<String> {
    let mut wrong: Vec<String> = Vec::new();
    let mut first: Option<Told> = None;
    for order in orders(story.reports().len(), story.said.len()) {
        let told = Told::of(story, &order);
        for line in pages::wrong(&told) {
            wrong.push(format!("{}: {}: {line}", story.name, order.name));
        }
        for must in &story.must {
            if let Err(found) = holds(&told, story, must) {
                let Must { exam, fact, value } = must;
                let found: String = found.chars().take(400).collect();
                let line = format!(
                    "{}: {fact} of {exam:?} must be {value:?}; found: {found}",
                    story.name
                );
                if !wrong.contains(&line) {
                    wrong.push(line);
                }
            }
        }
        let Some(first) = &first else {
            first = Some(told);
            continue;
        };
        // What a reader sees; the list of exams that were not used is that of the day it was made.
        let all = |told: &Told| -> BTreeMap<String, (Value, String)> {
            let results = told.results.iter();
            results
                .map(|(id, result)| (id.clone(), (result["seen_key"].clone(), told.page(result))))
                .collect()
        };
        let (one, other) = (all(first), all(&told));
        for (id, (seen, page)) in &one {
            let (also, there) = match other.get(id) {
                Some((also, there)) => (also, there.as_str()),
                None => (&Value::Null, ""),
            };
            assert!(seen.is_string(), "result.json names what is seen");
            if also != seen {
                let mut line = format!("{}: told otherwise, {}", story.name, order.name);
                for (old, new) in page.lines().zip(there.lines()) {
                    if old != new {
                        let _ = write!(line, "\n    {old}\n    {new}");
                    }
                }
                wrong.push(line);
            }
        }
        if other.len() != one.len() {
            wrong.push(format!(
                "{}: {} exams, {} {}",
                story.name,
                one.len(),
                other.len(),
                order.name
            ));
        }
    }
    if let Some(told) = first {
        wrong.extend(pages(story, &told));
    }
    wrong
}

/// The page of the exam that the first line of `must.csv` names, as it stands in the folder.
fn pages(story: &Story, told: &Told) -> Option<String> {
    let named = story.must.iter().find(|must| !must.exam.is_empty())?;
    let result = told.find(story, &named.exam)?;
    if let Some(folder) = std::env::var_os("SITUATION_PAGES") {
        for form in ["html", "pdf"] {
            let to = Path::new(&folder).join(format!("{}.{form}", story.name));
            fs::copy(told.file(result, &format!("result.{form}")), to).expect("kept");
        }
    }
    let (page, path) = (
        without_way(&told.page(result)),
        story.folder.join("page.txt"),
    );
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        fs::write(&path, page).expect("written");
        return None;
    }
    let golden = fs::read_to_string(&path).unwrap_or_default();
    (golden != page).then(|| format!("{}: page.txt differs; it is now\n{page}", story.name))
}

#[test]
fn every_story_comes_out_in_every_order() {
    let only = std::env::var("SITUATION").unwrap_or_default();
    let mut stories = story::all();
    stories.retain(|story| story.name.contains(&only));
    assert!(!stories.is_empty(), "no story is named like {only:?}");
    let (queue, wrong) = (Mutex::new(stories.iter()), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(2, usize::from) {
            scope.spawn(|| {
                loop {
                    let next = queue.lock().expect("no panic").next();
                    let Some(story) = next else { break };
                    // One story that cannot be told does not hide what is wrong with the others.
                    let told = std::panic::catch_unwind(|| tell(story));
                    let told =
                        told.unwrap_or_else(|_| vec![format!("{}: cannot be told", story.name)]);
                    wrong.lock().expect("no panic").extend(told);
                }
            });
        }
    });
    let wrong = wrong.into_inner().expect("no panic");
    println!("{} stories, three orders each", stories.len());
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
