use super::*;
use crate::assess::Unlabelled;
use crate::domain::RemarkCode;
use crate::domain::*;
use crate::results::samples;
use roxmltree::{Document, Node};
use std::collections::BTreeSet;

fn page_of(known: &crate::results::Known) -> String {
    let result = samples::newest(known);
    page(&result, &trends(&result.content, &samples::all(known)))
}

/// The page as XML: `meta` is the only element of HTML in it that has no end tag (HTML Living
/// Standard 13.1.2, void elements), and XML knows the doctype by another form.
fn xml(page: &str) -> String {
    let body = page.strip_prefix("<!DOCTYPE html>").unwrap();
    let mut parts = body.split("<meta");
    let mut out = parts.next().unwrap().to_owned();
    for part in parts {
        out.push_str("<meta");
        out.push_str(&part.replacen('>', "/>", 1));
    }
    out
}

/// All that a reader sees, blanks drawn together.
fn seen(document: &Document<'_>) -> String {
    let text = document.descendants().filter(Node::is_text);
    let all: String = text.filter_map(|node| node.text()).collect();
    all.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// `RENDER_PAGES=FOLDER` keeps the pages, to be looked at.
fn keep(name: &str, page: &str) {
    if let Some(folder) = std::env::var_os("RENDER_PAGES") {
        let file = std::path::Path::new(&folder).join(format!("{name}.html"));
        std::fs::write(file, page).unwrap();
    }
}

#[test]
fn pages_of_published_results_are_whole() {
    for (name, result) in samples::published() {
        let page = page(
            &result,
            &trends(&result.content, &samples::all(&samples::within())),
        );
        keep(name, &page);
        let xml = xml(&page);
        let seen = seen(&Document::parse(&xml).unwrap());
        for line in crate::render::text::text_of(&result).lines().take(1) {
            assert!(
                line.starts_with("OPTIC") && seen.starts_with("Optic"),
                "{name}"
            );
        }
    }
}

#[test]
fn every_sample_is_one_whole_page() {
    for (name, known) in samples::every().into_iter().chain(samples::long()) {
        let page = page_of(&known);
        keep(name, &page);
        let xml = xml(&page);
        let document = Document::parse(&xml).unwrap();
        let elements = || document.descendants().filter(Node::is_element);
        let named = |tag: &'static str| elements().filter(move |e| e.has_tag_name(tag));
        let root = document.root_element();
        assert_eq!(root.attribute("lang"), Some("en"), "{name}");
        assert_eq!(named("h1").count(), 1, "{name}");
        for head in named("th") {
            assert!(
                matches!(head.attribute("scope"), Some("col" | "row")),
                "{name}"
            );
        }
        let ids: Vec<&str> = elements().filter_map(|e| e.attribute("id")).collect();
        let set: BTreeSet<&str> = ids.iter().copied().collect();
        assert_eq!(ids.len(), set.len(), "{name}: an id stands twice");
        for label in elements().filter_map(|e| e.attribute("aria-labelledby")) {
            assert!(
                label.split(' ').all(|id| set.contains(id)),
                "{name}: {label}"
            );
        }
        assert_eq!(page, page_of(&known), "{name}: the same twice");
    }
}

#[test]
fn the_page_loads_and_runs_nothing() {
    for (name, known) in samples::every() {
        let page = page_of(&known).to_lowercase();
        for word in [
            "http:",
            "https:",
            "href",
            "src=",
            "url(",
            "@import",
            "<script",
            "<link",
            "<iframe",
            "javascript",
            " onload",
            " onclick",
            "normal",
        ] {
            assert!(!page.contains(word), "{name}: {word}");
        }
    }
}

#[test]
fn the_flagged_page_is_stable() {
    samples::golden("flagged.html", &page_of(&samples::flagged()));
}

/// Every number a clinician can find in `result.json` stands in the page.
#[test]
fn the_numbers_of_the_json_stand_in_the_page() {
    for (name, known) in samples::every() {
        let result = samples::newest(&known);
        let page = page_of(&known);
        let xml = xml(&page);
        let document = Document::parse(&xml).unwrap();
        let seen = seen(&document);
        let json: serde_json::Value = serde_json::from_slice(&result.to_bytes().unwrap()).unwrap();
        let mut wanted: Vec<String> = Vec::new();
        for row in ["right", "left", "both"] {
            let row = &json["assessment"]["rows"][row];
            let mut add = |field: &str, form: &dyn Fn(f64) -> String| {
                wanted.extend(row[field].as_f64().map(form));
            };
            for field in ["measured_mm", "expected_mm", "lower_mm", "upper_mm"] {
                add(field, &|v| format!("{v:.2}"));
            }
            // Never a minus zero.
            let zero = |text: String| match text.trim_start_matches(['-', '0', '.']) {
                "" => text.replace('-', "+"),
                _ => text,
            };
            add("change_mm", &|v| zero(format!("{v:+.2}")));
            add("change_percent", &|v| zero(format!("{v:+.1}")));
            add("smallest_change_mm", &|v| format!("{v:.2}"));
            add("sd_mm", &|v| format!("{v:.3}"));
            add("z", &|v| format!("{v:+.2}"));
            add("probability_high", &|v| {
                if v < 0.0005 {
                    "< 0.05".to_owned()
                } else {
                    format!("{:.1}", 100.0 * v)
                }
            });
        }
        for list in ["measurements_used", "measurements_not_used"] {
            for m in json[list].as_array().unwrap() {
                // A mean beside its readings is counted, not shown.
                if m["derivation"] == "single" {
                    wanted.extend(m["value_mm"].as_f64().map(|v| v.to_string()));
                }
            }
        }
        for exam in json["baseline"].as_array().unwrap() {
            for side in ["right_mm", "left_mm"] {
                let values = exam[side].as_array().unwrap();
                wanted.extend(values.iter().map(|v| format!("{:.1}", v.as_f64().unwrap())));
            }
        }
        assert!(wanted.len() >= 5, "{name}");
        for number in wanted {
            assert!(seen.contains(&number), "{name}: {number}");
        }
        for text in ["key", "created_at", "software", "schema", "notice"] {
            assert!(
                seen.contains(json[text].as_str().unwrap()),
                "{name}: {text}"
            );
        }
    }
}

#[test]
fn parameters_of_the_site_that_differ_are_named_with_their_defaults() {
    let mut result = samples::newest(&samples::flagged());
    assert!(page(&result, &[]).contains("Parameters: the defaults of this version."));
    result.content.parameters.z_above = 2.0;
    result.content.parameters.unlabelled = Unlabelled::Ignore;
    result.content.technique.depth_mm = 3.5;
    let page = page(&result, &[]);
    assert!(page.contains("z_above 2.0 (default 1.645)"));
    assert!(page.contains("unlabelled &quot;ignore&quot; (default &quot;provisional&quot;)"));
    assert!(page.contains("depth_mm 3.5 (default 3.0)"));
}

/// A text that breaks out wherever one forgot to escape, and that can be found again.
fn hostile(name: &str) -> String {
    format!("</li><script>{name}</script>&amp;\"'\u{202E}\u{0}")
}

#[test]
fn no_text_of_a_report_breaks_out() {
    let mut result = samples::newest(&samples::not_comparable());
    let content = &mut result.content;
    let mut names = vec![
        "issuer",
        "id",
        "study",
        "accession",
        "operator",
        "maker",
        "model",
    ];
    content.patient.issuer = hostile("issuer");
    content.patient.id = hostile("id");
    content.exam.study_instance_uid = hostile("study");
    content.exam.accession = Some(hostile("accession"));
    content.exam.operator = Some(hostile("operator"));
    content.exam.device.manufacturer = Some(hostile("maker"));
    content.exam.device.model = Some(hostile("model"));
    content.remarks.push(
        Remark::of(RemarkCode::ReportsPooled, hostile("text"))
            .at(hostile("place"))
            .act(hostile("action")),
    );
    names.extend(["text", "place", "action"]);
    let m = &mut content.measurements_not_used[0].value;
    m.place = hostile("item");
    m.value_as_sent = Some(hostile("digits"));
    m.unit_as_sent = Some(hostile("unit"));
    m.remarks[0].text = hostile("reason");
    names.extend(["item", "digits", "unit", "reason"]);
    content
        .measurements_used
        .push(content.measurements_not_used[1].clone());
    content.measurements_used[0].value.unit_as_sent = Some(hostile("used unit"));
    let report = &mut content.reports[0];
    report.sop_instance_uid = hostile("uid");
    report.template = Some(hostile("template"));
    report.content_sha256 = Some(hostile("hash"));
    names.extend(["used unit", "uid", "template", "hash"]);
    let mut baseline = samples::newest(&samples::flagged()).content.baseline;
    baseline[0].operator = Some(hostile("earlier operator"));
    content.baseline = baseline;
    content.not_compared = vec![crate::results::content::NotCompared {
        exam: hostile("exam"),
        date: "2020-01-01".parse().unwrap(),
        time: None,
        reason: crate::assess::Why::Given(hostile("given").into()),
        right_mm: Vec::new(),
        left_mm: Vec::new(),
    }];
    content.would_change.push(hostile("would"));
    content.cautions[0].text = hostile("caution");
    names.extend(["earlier operator", "given", "would", "caution"]);
    result.why.push(hostile("why"));
    result.key = hostile("key");
    result.software = hostile("software");
    result.notice = hostile("notice");
    result.created_at = hostile("created");
    names.extend(["why", "key", "software", "notice", "created"]);

    let mut trend = trends(&result.content, &[]).remove(0);
    trend.points.push(trend.points[0].clone());
    trend.title = hostile("title");
    trend.points[0].note = Some(hostile("note"));
    names.push("title");
    let page = page(&result, &[trend]);
    keep("hostile", &page);
    assert!(!page.contains("<script"));
    assert!(!page.contains(['\u{202E}', '\u{0}']));
    let xml = xml(&page);
    let document = Document::parse(&xml).unwrap();
    let seen = seen(&document);
    for name in names {
        // What cannot be shown stands there as such, the rest as it was sent.
        let shown = format!("</li><script>{name}</script>&amp;\"'\u{FFFD}\u{FFFD}");
        assert!(seen.contains(&shown), "{name}");
    }
}

#[test]
fn the_picture_shows_no_later_exam_and_no_other_person() {
    let all = samples::all(&samples::flagged());
    let third = &all[2];
    let shown = trends(third, &all);
    assert_eq!(shown.len(), 1);
    let days: Vec<String> = shown[0].points.iter().map(|p| p.date.to_string()).collect();
    assert_eq!(days, ["2021-03-02", "2022-02-15", "2023-04-11"]);
    let mut stranger = all[0].clone();
    stranger.patient.birth_date = "1999-09-09".parse().ok();
    assert_eq!(
        trends(third, &[stranger, all[1].clone()])[0].points.len(),
        2
    );
    // The stored newest version of the same exam does not stand in for the one rendered.
    let mut newer = third.clone();
    newer.exam.label = Some(Label::RaisedConfirmed);
    assert_eq!(
        trends(third, &[newer])[0].points[0].label,
        Some(Label::Well)
    );
}

#[test]
fn long_texts_stay_whole() {
    let mut result = samples::newest(&samples::within());
    let content = &mut result.content;
    let unbroken = "W".repeat(400);
    let sentence = "A report may say more than anyone wants to read. ".repeat(40);
    content.exam.operator = Some(unbroken.clone());
    content.baseline[0].operator = Some(unbroken.clone());
    for text in [&unbroken, &sentence] {
        content
            .remarks
            .push(Remark::of(RemarkCode::ReportsPooled, text.as_str()));
    }
    let page = page(
        &result,
        &trends(&result.content, &samples::all(&samples::within())),
    );
    keep("long", &page);
    assert_eq!(page.matches(&unbroken).count(), 3);
    assert!(page.contains(&sentence));
}

#[test]
fn many_exams_leave_the_newest_in_the_picture_and_say_so() {
    let result = samples::newest(&samples::flagged());
    let one = &result.content;
    let others: Vec<Content> = (0..30)
        .map(|n| {
            let mut other = one.clone();
            other.exam.id = format!("E{n}");
            other.exam.performed_at.local -= chrono::TimeDelta::days(40 * (n + 1));
            other
        })
        .collect();
    let trend = trends(one, &others).remove(0);
    assert_eq!(trend.points.len(), 12);
    assert!(trend.title.ends_with("the newest 12 of 31 exams"));
    assert_eq!(trend.points[11].date, one.exam.performed_at.date());
    keep("many", &page(&result, &[trend]));
}

#[test]
fn the_eye_that_alone_is_out_of_bounds_has_a_picture_of_its_own() {
    let known = samples::one_eye_out();
    let result = samples::newest(&known);
    let trends = trends(&result.content, &samples::all(&known));
    assert_eq!(trends.len(), 2);
    let right = result.content.assessment.rows.right.unwrap();
    let (own, last) = (right.comparison.unwrap(), trends[0].points.last().unwrap());
    assert_eq!(last.both_mm, Some(right.measured_mm));
    assert_eq!(last.lower_mm, Some(own.lower_mm));
    assert_eq!(last.upper_mm, Some(own.upper_mm));
    assert_eq!(last.status, Some(own.status));
    assert!(page(&result, &trends).contains("Right eye through time"));
    // In the picture of both eyes the answer is marked where the right one lies.
    let both = trends[1].points.last().unwrap();
    let deciding = both.deciding.unwrap();
    assert_eq!(deciding.eye, Eye::Right);
    assert_eq!(
        (deciding.mm, deciding.upper_mm),
        (right.measured_mm, own.upper_mm)
    );
    assert_eq!(both.status, Some(result.content.assessment.status));
    let mean = result
        .content
        .assessment
        .rows
        .both
        .unwrap()
        .comparison
        .unwrap();
    assert_eq!(deciding.both, mean.status);
}

#[test]
fn a_patient_of_one_eye_has_a_picture_of_that_eye_and_a_first_exam() {
    let known = samples::one_eye();
    let result = samples::newest(&known);
    let trends = trends(&result.content, &samples::all(&known));
    let titles: Vec<&str> = trends.iter().map(|trend| trend.title.as_str()).collect();
    assert_eq!(titles, ["Right eye through time"]);
    let page = page(&result, &trends);
    assert!(!page.contains("Both eyes") && !page.contains("both eyes"));
    assert!(page.contains("first exam") && !page.contains("not compared"));
}

/// Every exam on the page has its day and its time, and a course of days has an axis of hours.
#[test]
fn a_course_of_hours_is_told_in_hours() {
    let known = samples::hours();
    let result = samples::newest(&known);
    let page = page(&result, &trends(&result.content, &samples::all(&known)));
    for time in [
        "2024-05-05 09:00",
        "2024-05-06 06:10",
        "2024-05-06 14:30",
        "2024-05-07 02:40",
    ] {
        assert!(page.contains(time), "{time}");
    }
    for tick in [">06:00<", ">18:00<", ">05-07<", ">14:30<"] {
        assert!(
            page.replace(char::is_whitespace, "").contains(tick),
            "{tick}"
        );
    }
    assert!(!page.contains("a year (95 %"));
}
