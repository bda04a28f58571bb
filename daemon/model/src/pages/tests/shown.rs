use super::*;
use crate::pages::course::{self, Window};

#[test]
fn the_lists_of_today_say_whom_when_and_how_much() {
    let page = page("today", Place::Today, &today::html(&today(), &tokens()));
    for shown in [
        "Rises that nobody has acknowledged (5)",
        "new rise",
        "rise withdrawn",
        "P-0001",
        "2015-06-01",
        "Ysolde Merrowdene",
        "Iolo Merrowdene",
        "5.90",
        "4.93",
        "+0.97",
        "14 min ago",
        "SIDES MAY BE EXCHANGED",
        "The 2 that wait longest of 5 are shown",
        "href=\"/today?show=rises#rises\"",
        "Show all 5",
        "Could not be compared (4)",
        "First exams: nothing earlier to compare with (4)",
        "the last 7 days: they came on 2024-05-01 or later",
        "no flag does not mean normal",
        "action=\"/exam/E00000001/acknowledge\"",
    ] {
        assert!(page.contains(shown), "{shown}");
    }
    // Each form has a token of its own.
    assert!(page.contains("token-1") && page.contains("token-2"));
    // Nobody who may only read has a button.
    let mut view = today();
    view.may_act = false;
    let page = super::page("today-reader", Place::Today, &today::html(&view, &tokens()));
    assert!(!page.contains("/acknowledge") && !page.contains("#label"));
}

#[test]
fn an_empty_day_is_not_called_a_good_one() {
    let view = today::View {
        rises: List::default(),
        not_compared: List::default(),
        first_exams: List::default(),
        unlabelled: List::default(),
        ..today()
    };
    let page = page("today-empty", Place::Today, &today::html(&view, &tokens()));
    assert!(
        page.contains("None now. That does not say that nobody&#39;s pressure is raised.")
            || page.contains("None now. That does not say that nobody's pressure is raised.")
    );
    assert!(!page.to_lowercase().contains("all is well"));
}

#[test]
fn a_filter_stays_in_the_form_and_is_told() {
    let mut view = today();
    view.filter = Filter {
        period: Period::Done("2024-05-07".parse().ok(), None),
        operator: "Nobody^Else".to_owned(),
        ..view.filter
    };
    let page = page(
        "today-filtered",
        Place::Today,
        &today::html(&view, &tokens()),
    );
    assert!(page.contains("value=\"2024-05-07\""));
    assert!(page.contains("<option value=\"Nobody^Else\" selected>"));
    assert!(page.contains("there may be more, rises too"));
    assert!(page.contains("exams done on 2024-05-07 or later"));
    // What is chosen goes with every link.
    assert!(page.contains("href=\"/today?when=all&amp;operator=Nobody%5EElse\""));
    let show = "/today?from=2024-05-07&amp;operator=Nobody%5EElse&amp;show=unlabelled#unlabelled";
    assert!(page.contains(show), "{page}");
}

/// Without a script: links lead to a list in full, to its other pages, and to what is older.
#[test]
fn long_lists_are_cut_with_links_to_the_rest() {
    let mut view = today();
    view.unlabelled.total = 2_500;
    view.unlabelled.older = 1;
    view.not_compared.older = 10_001;
    let page = |name: &str, view: &today::View| {
        super::page(name, Place::Today, &today::html(view, &tokens()))
    };
    let text = page("today-cut", &view);
    for shown in [
        "The 2 newest of 2500 are shown",
        "href=\"/today?show=unlabelled#unlabelled\">Show 1000 of them",
        "1 older one is not listed",
        "More than 10000 older ones are not listed",
        "href=\"/today?when=all&amp;show=not-compared#not-compared\"",
    ] {
        assert!(text.contains(shown), "{shown}: {text}");
    }
    let whole = |page| today::Whole {
        which: today::Which::Unlabelled,
        page,
    };
    view.whole = Some(whole(2));
    view.unlabelled.skipped = 1_000;
    let text = page("today-page", &view);
    for shown in [
        "Rows 1001 to 1002 of 2500",
        "href=\"/today?show=unlabelled#unlabelled\">Page 1",
        "href=\"/today?show=unlabelled&amp;page=3#unlabelled\">Page 3",
    ] {
        assert!(text.contains(shown), "{shown}: {text}");
    }
    assert!(!text.contains("The 2 newest of 2500"));
    assert_eq!(
        (whole(1).skip(), whole(3).skip(), whole(0).skip()),
        (0, 2_000, 0)
    );
    assert_eq!(whole(u32::MAX).skip(), 999_000);
}

/// Every sample, with the parts of the result's own page: one h1, and the cautions.
#[test]
fn an_exam_page_holds_what_its_result_says() {
    for (name, known) in samples::every() {
        let view = exam(&known);
        let page = page(
            &format!("exam-{name}"),
            Place::Today,
            &exam::html(&view, &tokens()),
        );
        assert_eq!(page.matches("<h1").count(), 1, "{name}");
        for caution in &view.result.content.cautions {
            let start: String = caution
                .text
                .chars()
                .take_while(|c| c.is_ascii_alphanumeric() || *c == ' ')
                .collect();
            assert!(page.contains(start.trim()), "{name}: {}", caution.text);
        }
        for part in [
            "P-0042",
            "2015-06-01",
            "Readings of this exam",
            "Technique",
            "Versions of this result",
            "What was said of this exam",
            "counts no more",
            "/result.pdf",
            "/result.dcm",
        ] {
            assert!(page.contains(part), "{name}: {part}");
        }
        assert!(
            !page.contains("style=") && !page.contains("<style"),
            "{name}"
        );
        if let Some(label) = labelled(&known) {
            assert!(page.contains(&format!("<option value=\"{}\" selected>", label.word())));
        }
    }
}

#[test]
fn only_what_may_be_done_stands_on_the_page() {
    let known = samples::flagged();
    let mut view = exam(&known);
    let forms = |view: &exam::View| {
        let page = page("forms", Place::Today, &exam::html(view, &tokens()));
        let acts = [
            "acknowledge",
            "settle",
            "label",
            "pressure",
            "note",
            "second",
            "leave-out",
            "readings-back",
        ];
        acts.into_iter()
            .filter(|act| page.contains(&format!("/{act}\"><fieldset>")))
            .collect::<Vec<_>>()
    };
    assert_eq!(forms(&view).len(), 8);
    // Of what counts no more nothing is taken back.
    let html = exam::html(&view, &tokens()).into_string();
    assert_eq!(html.matches("/take-back\"").count(), 1, "{html}");
    assert!(html.contains("name=\"entry\" value=\"7\""), "{html}");
    view.has_taken_back = true;
    let html = exam::html(&view, &tokens()).into_string();
    assert!(html.contains("id=\"readings-again\"") && html.contains("id=\"readings-back\""));
    // Of an exam that is told no more nothing is said but that its readings count again.
    view.is_gone = true;
    assert_eq!(forms(&view), ["acknowledge", "readings-back"]);
    let html = exam::html(&view, &tokens()).into_string();
    assert!(html.contains("id=\"readings-again\"") && !html.contains("id=\"readings-back\""));
    view.is_gone = false;
    view.may = May {
        label: true,
        ..May::default()
    };
    assert_eq!(
        forms(&view),
        [
            "acknowledge",
            "settle",
            "label",
            "pressure",
            "note",
            "second"
        ]
    );
    view.rise = None;
    assert_eq!(forms(&view), ["label", "pressure", "note", "second"]);
    view.may = May::default();
    assert_eq!(forms(&view), [""; 0]);
}

#[test]
fn each_eye_stands_beside_its_interval() {
    let page = page(
        "spans",
        Place::Today,
        &exam::html(&exam(&samples::one_eye_out()), &tokens()),
    );
    assert!(
        page.contains("Right eye: measured"),
        "described for who cannot see it"
    );
    // The one that lies outside is filled, the others are rings.
    let picture = page.split("class=\"spans\"").nth(1).unwrap();
    let picture = picture.split("</figure>").next().unwrap();
    assert_eq!(
        picture.matches("<path").count() + picture.matches("<circle").count(),
        3
    );
    assert!(picture.matches("<path").count() >= 1);
    // Nothing was expected of the first exam: there is no picture.
    let first = exam(&samples::no_baseline());
    assert!(
        !super::page("first", Place::Today, &exam::html(&first, &tokens()))
            .contains("class=\"spans\"")
    );
}

#[test]
fn a_patient_page_says_which_exams_serve_and_why_not() {
    for (name, known) in samples::every().into_iter().chain(samples::long()) {
        let view = patient(&known);
        let page = page(
            &format!("patient-{name}"),
            Place::Today,
            &patient::html(&view, &tokens()),
        );
        assert_eq!(page.matches("<h1").count(), 1, "{name}");
        let rows = page.matches("type=\"checkbox\" name=\"exam\"").count();
        assert_eq!(rows, view.exams.len(), "{name}");
        assert!(page.contains("the newest exam"), "{name}");
        let newest = &view.exams.last().unwrap().content;
        let yes = page.matches("<bdi>yes</bdi>").count();
        assert_eq!(yes, newest.baseline.len(), "{name}");
        assert!(page.contains("own threshold"), "{name}");
    }
}

#[test]
fn an_exam_that_was_taken_out_says_so_with_the_reason() {
    let mut view = patient(&samples::flagged());
    view.exams[0].left_out = Some("The child cried.".to_owned());
    let page = page(
        "patient-left-out",
        Place::Today,
        &patient::html(&view, &tokens()),
    );
    assert!(page.contains("no: taken out by a person (The child cried.)"));
}

/// A window of hours, of days and of years: distances are true, ticks few, and what lies outside is
/// not drawn.
#[test]
fn the_axis_of_time_is_true_from_hours_to_years() {
    let known = samples::years();
    let contents = samples::all(&known);
    let contents: Vec<&crate::results::Content> = contents.iter().collect();
    let (points, letters) = course::points(&contents);
    assert_eq!(letters.len(), 1);
    for (span, _, hours) in course::SPANS {
        let window = Window::of(&points, &known.events, span, None);
        let whole = (window.to - window.from).num_hours();
        assert!(
            hours == 0 || (hours..=hours + hours / 10 + 4).contains(&whole),
            "{span}: {whole}"
        );
        let picture = course::picture(&points, &known.events, window).into_string();
        let ticks = picture.matches("y=\"288\"").count();
        assert!((2..=10).contains(&ticks), "{span}: {ticks}");
        let drawn = picture.matches("r=\"4\"").count();
        let inside = points
            .iter()
            .filter(|p| (window.from..=window.to).contains(&p.at))
            .count();
        assert_eq!(drawn, inside, "{span}");
    }
    // An end of one's own.
    let end = "2018-06-01T00:00:00".parse().ok();
    let window = Window::of(&points, &known.events, "1y", end);
    assert!(window.from < "2017-06-03T00:00:00".parse().unwrap());
    assert!(window.to < "2018-07-01T00:00:00".parse().unwrap());
    assert!(
        course::picture(&points, &known.events, window)
            .into_string()
            .contains("shunt revision")
    );
    // Times at the ends of the calendar, and none at all.
    for end in ["-262143-01-01T00:00:00", "+262142-12-31T23:00:00"] {
        let window = Window::of(&points, &[], "5y", end.parse().ok());
        let _ = course::picture(&points, &[], window);
    }
    let _ = course::picture(&[], &[], Window::of(&[], &[], "all", None));
}

#[test]
fn no_text_of_others_breaks_out_of_a_page() {
    let mut view = exam(&samples::not_comparable());
    view.whose.id = hostile("id");
    view.whose.issuer = hostile("issuer");
    view.whose.name = Some(hostile("name"));
    view.rise = Some((Waits::New, hostile("rise")));
    view.versions[0].headline = hostile("headline");
    view.versions[0].verdict = hostile("verdict");
    view.versions[0].why = vec![hostile("why")];
    view.entries[0].by = hostile("by");
    view.entries[0].what = hostile("what");
    view.entries[0].reason = hostile("reason");
    view.pictures[0].title = hostile("title");
    view.pictures[0].lines[0].words = hostile("words");
    view.pictures[0].without = vec![hostile("without")];
    view.stamp = hostile("stamp");
    view.told = Some(hostile("told"));
    view.result.content.exam.operator = Some(hostile("operator"));
    let one = page("hostile-exam", Place::Today, &exam::html(&view, &tokens()));
    let mut view = patient(&samples::flagged());
    view.whose = Whose {
        id: hostile("id"),
        name: Some(hostile("name")),
        ..whose()
    };
    view.by_exam = hostile("by_exam");
    view.span = hostile("span");
    view.exams[0].left_out = Some(hostile("left_out"));
    view.exams[0].content.exam.operator = Some(hostile("operator"));
    view.exams[1].content.exam.id = hostile("exam_id");
    let two = page(
        "hostile-patient",
        Place::Today,
        &patient::html(&view, &tokens()),
    );
    let mut view = today();
    let row = &mut view.rises.rows[0];
    row.whose.id = hostile("id");
    row.operator = Some(hostile("operator"));
    row.doubts = vec![hostile("doubt")];
    row.second = Some(hostile("second"));
    view.filter.operator = hostile("filter");
    view.choices.devices = super::names(&[&hostile("device")]);
    view.choices.locations.has_more = true;
    view.choices.locations.all = vec![hostile("location")];
    view.filter.location = hostile("place");
    view.not_compared.rows[0].why = Some(hostile("why"));
    let three = page(
        "hostile-today",
        Place::Today,
        &today::html(&view, &tokens()),
    );
    for page in [one, two, three] {
        // The one script is ours.
        assert_eq!(page.matches("<script").count(), 1);
        assert!(!page.contains(['\u{202E}', '\u{0}']));
        assert!(page.contains("&lt;/p&gt;&lt;script&gt;"));
    }
}
