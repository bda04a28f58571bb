use super::*;

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// An exam whose eyes differ by 0.2 mm around `mm`, with an interval of `half` either side.
fn exam(on: &str, mm: f64, expected: f64, half: f64, status: Status) -> TrendPoint {
    TrendPoint {
        date: date(on),
        right_mm: Some(mm - 0.1),
        left_mm: Some(mm + 0.1),
        both_mm: Some(mm),
        expected_mm: Some(expected),
        lower_mm: Some(expected - half),
        upper_mm: Some(expected + half),
        status: Some(status),
        ..TrendPoint::default()
    }
}

fn first(on: &str, mm: f64) -> TrendPoint {
    TrendPoint {
        expected_mm: None,
        lower_mm: None,
        upper_mm: None,
        label: Some(Label::Well),
        ..exam(on, mm, mm, 0.0, Status::NoBaseline)
    }
}

fn trend(points: Vec<TrendPoint>, events: &[(&str, &str)]) -> Trend {
    Trend {
        title: "Optic nerve sheath, both eyes".to_owned(),
        subtitle: "Compared with own earlier exams; invented values".to_owned(),
        points,
        eye: None,
        events: events
            .iter()
            .map(|(on, what)| (date(on), (*what).to_owned()))
            .collect(),
    }
}

fn three() -> Trend {
    let mut above = exam("2023-09-20", 6.05, 5.48, 0.42, Status::AboveExpected);
    above.note = Some("operator unknown".to_owned());
    trend(
        vec![
            first("2022-04-02", 5.4),
            exam("2023-01-14", 5.52, 5.44, 0.48, Status::WithinExpected),
            above,
        ],
        &[("2022-11-03", "shunt revision")],
    )
}

fn eight() -> Trend {
    let mut not = exam("2019-08-19", 5.2, 5.2, 1.3, Status::NotComparable);
    not.note = Some("interval too wide".to_owned());
    let mut one_eye = exam("2023-03-04", 5.5, 5.45, 0.5, Status::WithinExpected);
    one_eye.left_mm = None;
    let mut well = exam("2024-05-01", 6.6, 5.46, 0.4, Status::WellAboveExpected);
    well.label = Some(Label::RaisedConfirmed);
    let mut after = exam("2024-05-20", 5.9, 5.5, 0.6, Status::WithinExpected);
    after.label = Some(Label::AfterDecompression);
    trend(
        vec![
            first("2016-02-11", 4.9),
            exam("2016-08-30", 5.05, 4.98, 0.5, Status::WithinExpected),
            not,
            exam("2021-12-06", 4.7, 5.3, 0.5, Status::BelowExpected),
            one_eye,
            well,
            after,
            exam("2024-11-12", 5.5, 5.5, 0.5, Status::WithinExpected),
        ],
        &[
            ("2016-03-20", "CSF surgery"),
            ("2024-05-03", "shunt revision"),
            ("2024-05-06", "other: chest infection"),
        ],
    )
}

fn twenty() -> Trend {
    let days = [
        "2015-06-02",
        "2015-06-09",
        "2015-06-23",
        "2015-12-01",
        "2016-06-14",
        "2017-01-10",
        "2018-09-05",
        "2019-03-12",
        "2019-03-14",
        "2019-03-14",
        "2019-03-21",
        "2019-04-02",
        "2019-10-30",
        "2020-05-18",
        "2022-08-03",
        "2023-02-07",
        "2023-08-22",
        "2024-01-09",
        "2024-01-15",
        "2024-06-25",
    ];
    let mut points: Vec<TrendPoint> = days
        .iter()
        .enumerate()
        .map(|(index, on)| {
            let expected = 5.0 + 0.02 * index as f64;
            let wave = [0.05, -0.12, 0.18, -0.02, 0.1][index % 5];
            exam(on, expected + wave, expected, 0.4, Status::WithinExpected)
        })
        .collect();
    points[0] = first("2015-06-02", 5.0);
    points[7].status = Some(Status::AboveExpected);
    points[7].both_mm = Some(5.7);
    points[7].left_mm = Some(5.9);
    points[8].status = Some(Status::WellAboveExpected);
    points[8].both_mm = Some(6.2);
    points[8].label = Some(Label::RaisedConfirmed);
    points[10].label = Some(Label::AfterDecompression);
    points[10].note = Some("one reading only in the left eye".to_owned());
    points[13].status = Some(Status::NotComparable);
    points[15].right_mm = None;
    points[19] = TrendPoint {
        date: date("2024-06-25"),
        status: None,
        note: Some("eye unresolved".to_owned()),
        ..TrendPoint::default()
    };
    trend(
        points,
        &[
            ("2015-06-04", "CSF surgery"),
            ("2019-03-15", "shunt revision"),
            ("2019-03-18", "shunt revision"),
            ("2024-01-09", "other"),
        ],
    )
}

fn crowd() -> Trend {
    let start = date("2021-01-01");
    let points = (0..45)
        .map(|index| TrendPoint {
            date: start + chrono::Days::new(index * index),
            ..exam("2021-01-01", 5.5, 5.4, 0.4, Status::WithinExpected)
        })
        .collect();
    trend(points, &[])
}

fn hostile() -> Trend {
    let text = "</text><script>alert(1)</script>&\"'\u{0}\u{8}\u{202E}]]>\nx".to_owned();
    let mut point = exam("2024-01-01", 5.0, 5.0, 0.4, Status::WithinExpected);
    point.note = Some(text.clone());
    Trend {
        title: text.clone(),
        subtitle: text.clone(),
        eye: None,
        points: vec![point],
        events: vec![(date("2024-02-01"), text)],
    }
}

fn odd() -> Trend {
    let mut wild = exam("1950-01-01", 1e12, -1e12, 1e300, Status::AboveExpected);
    wild.right_mm = Some(f64::NAN);
    wild.left_mm = Some(f64::INFINITY);
    let far = TrendPoint {
        date: NaiveDate::MAX,
        ..wild.clone()
    };
    let early = TrendPoint {
        date: NaiveDate::MIN,
        ..TrendPoint::default()
    };
    trend(vec![wild, far, early], &[])
}

fn samples() -> Vec<(&'static str, Trend)> {
    let two_close = vec![
        first("2024-03-01", 5.4),
        exam("2024-03-08", 5.5, 5.4, 0.5, Status::WithinExpected),
    ];
    let thirteen = Trend {
        points: twenty().points.split_off(7),
        ..twenty()
    };
    vec![
        ("none", trend(Vec::new(), &[("2024-01-01", "CSF surgery")])),
        ("one", trend(vec![first("2024-03-01", 5.4)], &[])),
        ("two-close", trend(two_close, &[])),
        ("three", three()),
        ("eight", eight()),
        ("thirteen", thirteen),
        ("twenty", twenty()),
        ("crowd", crowd()),
        ("hostile", hostile()),
        ("odd", odd()),
    ]
}

/// `TREND_PICTURES=FOLDER` keeps the samples, to be looked at.
#[test]
fn every_sample_is_one_closed_tree_of_elements() {
    for (name, trend) in samples() {
        let svg = svg(&trend);
        if let Some(folder) = std::env::var_os("TREND_PICTURES") {
            let file = std::path::Path::new(&folder).join(format!("trend-{name}.svg"));
            std::fs::write(file, &svg).unwrap();
        }
        well_formed(name, &svg);
        let figure = figure(&trend, "figure-1");
        well_formed(name, &figure);
        assert!(figure.contains("id=\"figure-1-title\"") && !figure.contains("http"));
    }
}

/// Tags match, attributes are quoted, text holds no stray sign (XML 1.0 sections 2.4 and 3.1).
fn well_formed(name: &str, svg: &str) {
    let mut open: Vec<&str> = Vec::new();
    let mut rest = svg;
    let mut roots = 0;
    while let Some((text, tail)) = rest.split_once('<') {
        assert!(!text.contains('>'), "{name}: {text}");
        for part in text.split('&').skip(1) {
            let entity = part.split(';').next().unwrap();
            assert!(
                ["lt", "gt", "amp", "quot", "apos"].contains(&entity),
                "{name}: {text}"
            );
        }
        assert!(
            open.is_empty() == (text.trim().is_empty() && open.is_empty()),
            "{name}"
        );
        let (tag, tail) = tail.split_once('>').unwrap();
        rest = tail;
        if let Some(closed) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(closed), "{name}");
            continue;
        }
        assert_eq!(tag.matches('"').count() % 2, 0, "{name}: {tag}");
        let element = tag.split([' ', '/']).next().unwrap();
        roots += usize::from(open.is_empty());
        let known = [
            "svg", "title", "desc", "line", "rect", "polygon", "polyline", "circle", "text",
        ];
        assert!(known.contains(&element), "{name}: {element}");
        if !tag.ends_with('/') {
            open.push(element);
        }
    }
    assert!(
        open.is_empty() && rest.trim().is_empty() && roots == 1,
        "{name}"
    );
    let allowed = |c: char| !c.is_control() || c == '\n';
    assert!(svg.chars().all(allowed), "{name}");
    assert!(!svg.contains("NaN") && !svg.contains("inf\""), "{name}");
}

/// The texts drawn, without tags: (x, y, size, anchor, downwards, bold, text).
fn texts(svg: &str) -> Vec<(f64, f64, f64, String, bool, bool, String)> {
    svg.split("<text ")
        .skip(1)
        .map(|element| {
            let (tag, tail) = element.split_once('>').unwrap();
            let value = |name: &str| {
                let (_, tail) = tag.split_once(&format!("{name}=\"")).unwrap();
                tail.split('"').next().unwrap().to_owned()
            };
            let number = |name: &str| value(name).parse::<f64>().unwrap();
            let said = tail.split("</text>").next().unwrap().trim();
            let said = said.replace("&apos;", "'").replace("&amp;", "&");
            let x = tag.split("x=\"").nth(1).map(|_| number("x")).unwrap();
            (
                x,
                tag.split(" y=\"")
                    .nth(1)
                    .unwrap()
                    .split('"')
                    .next()
                    .unwrap()
                    .parse()
                    .unwrap(),
                number("font-size"),
                value("text-anchor"),
                tag.contains("rotate(90"),
                tag.contains("font-weight"),
                said,
            )
        })
        .collect()
}

#[test]
fn no_two_texts_cover_each_other_and_all_stay_inside() {
    let pictures = samples().into_iter().flat_map(|(name, trend)| {
        let one_eye = Trend {
            eye: Some(Eye::Left),
            ..trend.clone()
        };
        [svg(&trend), figure(&trend, "a"), svg(&one_eye)].map(|svg| (name, svg))
    });
    for (name, svg) in pictures {
        let size = |side: &str| -> f64 {
            let (_, tail) = svg.split_once(&format!("{side}=\"")).unwrap();
            tail.split('"').next().unwrap().parse().unwrap()
        };
        let (width, height) = (size("width"), size("height"));
        let boxes: Vec<_> = texts(&svg)
            .into_iter()
            .map(|(x, y, size, anchor, downwards, bold, said)| {
                // Widths of DejaVu Sans, one of the widest common fonts, on average.
                let em = if bold { 0.64 } else { 0.57 };
                let long = said.chars().count() as f64 * size * em;
                let (before, after) = match anchor.as_str() {
                    "start" => (0.0, long),
                    "middle" => (long / 2.0, long / 2.0),
                    _ => (long, 0.0),
                };
                let half = size * 0.45;
                let area = if downwards {
                    (x - half, y - before, x + half, y + after)
                } else {
                    (x - before, y - half, x + after, y + half)
                };
                (area, said)
            })
            .collect();
        for (at, ((l, t, r, b), said)) in boxes.iter().enumerate() {
            assert!(
                *l >= 0.0 && *t >= 0.0 && *r <= width && *b <= height,
                "{name}: {said}"
            );
            for ((l2, t2, r2, b2), other) in &boxes[at + 1..] {
                let apart = r <= l2 || r2 <= l || b <= t2 || b2 <= t;
                assert!(apart, "{name}: {said} / {other}");
            }
        }
    }
}

#[test]
fn every_exam_is_named_with_its_date_its_word_and_its_values() {
    for (name, trend) in samples() {
        if name == "odd" {
            continue;
        }
        let svg = svg(&trend);
        let drawn: Vec<String> = texts(&svg).into_iter().map(|text| text.6).collect();
        for point in &trend.points {
            let on = point.date.to_string();
            let in_picture = drawn.iter().filter(|text| **text == on).count();
            let wanted = trend.points.iter().filter(|p| p.date == point.date).count();
            assert_eq!(in_picture, wanted, "{name}: {on}");
            assert!(
                drawn.iter().any(|text| text == word(point.status)),
                "{name}"
            );
            if let Some(mm) = point.both_mm {
                let value = format!("{mm:.2} mm");
                assert!(
                    drawn.iter().any(|text| text.starts_with(&value)),
                    "{name}: {value}"
                );
            }
        }
    }
}

#[test]
fn the_foot_stands_in_every_picture() {
    for (name, trend) in samples() {
        let svg = svg(&trend);
        assert!(texts(&svg).iter().any(|text| text.6 == FOOT), "{name}");
        assert!(svg.contains("role=\"img\""), "{name}");
        // "Normal" is a word the project does not say of a patient.
        assert!(
            !svg.replace("font-weight", "")
                .to_lowercase()
                .contains("normal"),
            "{name}"
        );
    }
}

#[test]
fn the_same_trend_in_any_order_gives_the_same_bytes() {
    for trend in [three(), eight()] {
        let mut turned = trend.clone();
        turned.points.reverse();
        turned.events.reverse();
        assert_eq!(svg(&trend), svg(&trend));
        assert_eq!(svg(&trend), svg(&turned));
    }
}

#[test]
fn hostile_text_stays_text() {
    let svg = svg(&hostile());
    assert!(!svg.contains("<script"));
    assert!(svg.contains("&lt;script&gt;"));
    assert!(!svg.contains(['\u{0}', '\u{8}', '\u{202E}']));
    well_formed("hostile", &svg);
}

#[test]
fn no_exam_is_said() {
    let svg = svg(&Trend::default());
    assert!(texts(&svg).iter().any(|text| text.6 == "No exam to show"));
    assert!(svg.contains("<desc id=\"trend-description\">No exam to show."));
}

#[test]
fn gaps_of_more_than_a_year_are_named() {
    let at = |on: &str| {
        let points = vec![
            first("2020-01-01", 5.4),
            exam(on, 5.4, 5.4, 0.4, Status::WithinExpected),
        ];
        svg(&trend(points, &[]))
    };
    assert!(!at("2020-12-31").contains("o exam for"));
    // 841 days are 2.3 years of 365.25 days.
    let long = at("2022-04-21");
    assert!(
        texts(&long)
            .iter()
            .any(|text| text.6 == "no exam for 2.3 years")
    );
    assert!(long.contains("No exam for 2.3 years."));
}

/// Points of the elements of one kind and colour.
fn shapes<'s>(svg: &'s str, tag: &str, colour: &str) -> Vec<&'s str> {
    svg.lines()
        .filter(|line| line.starts_with(&format!("<{tag} ")) && line.contains(colour))
        .collect()
}

#[test]
fn a_status_is_told_by_shape_and_colour_and_word() {
    // The legend shows every status once, each exam shows its own twice: plot and column.
    let one = |status| svg(&trend(vec![exam("2024-01-01", 5.4, 5.4, 0.4, status)], &[]));
    let discs = |svg: &str| shapes(svg, "circle", "fill=\"#2F558A\"").len();
    assert_eq!(discs(&one(Status::WithinExpected)), 3);
    assert_eq!(discs(&one(Status::AboveExpected)), 1);
    let up = |svg: &str| shapes(svg, "polygon", "#B36200").len();
    assert_eq!(up(&one(Status::AboveExpected)), 3);
    let double = |svg: &str| shapes(svg, "polygon", "#8A1C6B").len();
    assert_eq!(double(&one(Status::WellAboveExpected)), 6);
    let down = |svg: &str| shapes(svg, "polygon", "#0F768A").len();
    assert_eq!(down(&one(Status::BelowExpected)), 3);
    // Nothing compared: hollow eyes, drawn as outlines.
    let hollow = |svg: &str| shapes(svg, "polyline", "#222B35").len();
    assert_eq!(hollow(&one(Status::NotComparable)), 2);
    assert_eq!(hollow(&one(Status::WithinExpected)), 0);
}

#[test]
fn the_interval_is_drawn_to_scale() {
    // Interval 5.0 to 5.8 expected 5.4: the expected line lies in its middle, and a value at the
    // upper limit lies on its upper end.
    let mut point = exam("2024-01-01", 5.8, 5.4, 0.4, Status::WithinExpected);
    point.right_mm = None;
    point.left_mm = None;
    let svg = svg(&trend(vec![point], &[]));
    let bar = shapes(&svg, "rect", "#8FA3B8").pop().unwrap();
    let number = |tag: &str, name: &str| -> f64 {
        let (_, tail) = tag.split_once(&format!(" {name}=\"")).unwrap();
        tail.split('"').next().unwrap().parse().unwrap()
    };
    let (top, height) = (number(bar, "y"), number(bar, "height"));
    let expected = shapes(&svg, "line", "stroke=\"#222B35\"")
        .into_iter()
        .filter(|line| number(line, "x2") - number(line, "x1") == 26.0)
        .map(|line| number(line, "y1"))
        .next_back()
        .unwrap();
    assert!((expected - (top + height / 2.0)).abs() <= 1.0);
    let disc = shapes(&svg, "circle", "fill=\"#2F558A\"");
    let in_plot = disc.iter().map(|tag| number(tag, "cy"));
    assert!(in_plot.into_iter().any(|y| (y - top).abs() <= 1.0));
}

#[test]
fn exams_apart_in_time_are_apart_in_proportion() {
    use super::layout::{Stop, TimeAxis};
    let stop = |day| Stop { day, half: 10.0 };
    let even = TimeAxis::new(&[stop(0.0), stop(300.0), stop(900.0)], 0.0, 900.0);
    assert_eq!(even.xs, [0.0, 300.0, 900.0]);
    assert!(!even.stretched);
    assert_eq!(even.x(600.0), Some(600.0));
    assert_eq!(even.x(-1.0), None);
    assert_eq!(even.x(901.0), None);
    let close = TimeAxis::new(&[stop(0.0), stop(1.0), stop(1000.0)], 0.0, 520.0);
    assert!(close.stretched);
    assert!((close.xs[1] - 20.0).abs() < 1e-6 && (close.xs[2] - 520.0).abs() < 1e-6);
    // Two exams of one day still stand side by side.
    let same = TimeAxis::new(&[stop(5.0), stop(5.0)], 0.0, 100.0);
    assert_eq!(same.xs, [40.0, 60.0]);
}

#[test]
fn flags_hang_so_that_no_pole_crosses_a_label() {
    use super::layout::flags;
    for poles in [
        vec![(100.0, 80.0), (120.0, 80.0), (150.0, 80.0), (400.0, 80.0)],
        vec![(900.0, 150.0), (950.0, 150.0), (990.0, 150.0)],
    ] {
        let hung = flags(&poles, 1000.0);
        for (index, flag) in hung.iter().enumerate() {
            assert!(flag.right <= 1000.0);
            for (other, (pole, _)) in poles.iter().enumerate() {
                let crosses = flag.left < *pole && *pole < flag.right && hung[other].row < flag.row;
                assert!(other == index || !crosses, "{poles:?}: {hung:?}");
            }
        }
    }
    let hung = flags(&[(100.0, 80.0), (300.0, 80.0)], 1000.0);
    assert!(hung.iter().all(|flag| flag.row == 0));
}

#[test]
fn labels_move_apart_and_no_further() {
    use super::layout::apart;
    assert_eq!(apart(&[50.0, 300.0], 40.0, 0.0, 400.0), [50.0, 300.0]);
    assert_eq!(apart(&[100.0, 100.0], 40.0, 0.0, 400.0), [80.0, 120.0]);
    assert_eq!(
        apart(&[0.0, 0.0, 0.0], 40.0, 0.0, 400.0),
        [20.0, 60.0, 100.0]
    );
    assert_eq!(apart(&[390.0, 390.0], 40.0, 0.0, 400.0), [340.0, 380.0]);
    assert!(apart(&[], 40.0, 0.0, 400.0).is_empty());
}

#[test]
fn exams_of_one_day_stand_in_the_order_of_their_times() {
    let at = |time: &str, mm: f64| TrendPoint {
        time: time.parse().ok(),
        ..exam("2024-03-01", mm, 5.0, 0.4, Status::WithinExpected)
    };
    let svg = svg(&trend(
        vec![
            at("18:00:00", 5.3),
            at("06:15:00", 5.1),
            at("10:00:00", 5.2),
        ],
        &[],
    ));
    let all = texts(&svg);
    let place = |said: &str| all.iter().find(|text| text.6 == said).unwrap().0;
    assert!(place("06:15") < place("10:00") && place("10:00") < place("18:00"));
    // In proportion: 3.75 hours and 8 hours.
    let (first, second) = (place("5.10 mm"), place("5.20 mm"));
    assert!(first < second && second < place("5.30 mm"));
    assert!(svg.contains("2024-03-01 06:15: right"));
}

#[test]
fn a_course_shorter_than_a_week_has_hours_on_its_axis() {
    use super::layout::{clock, is_of_hours};
    assert!(is_of_hours(100.0, 106.9) && !is_of_hours(100.0, 107.0));
    let day = f64::from(date("2024-03-01").num_days_from_ce());
    let ticks: Vec<String> = clock(day + 0.2, day + 1.3)
        .into_iter()
        .map(|tick| tick.1)
        .collect();
    assert_eq!(
        ticks,
        [
            "06:00", "09:00", "12:00", "15:00", "18:00", "21:00", "03-02", "03:00", "06:00"
        ]
    );
    assert!(clock(day, day + 6.9).len() <= 14);
    assert!(clock(day + 0.01, day + 0.02).is_empty());
}

#[test]
fn the_band_ends_at_an_event() {
    let points = || {
        vec![
            exam("2023-01-14", 5.5, 5.4, 0.4, Status::WithinExpected),
            exam("2023-06-20", 5.6, 5.5, 0.4, Status::WithinExpected),
        ]
    };
    let bands = |events: &[(&str, &str)]| {
        let svg = svg(&trend(points(), events));
        shapes(&svg, "polygon", "#8FA3B8").len()
    };
    assert_eq!(bands(&[]), 1);
    assert_eq!(bands(&[("2023-03-01", "shunt revision")]), 0);
    // One of the later exam's own day comes before it, one of the earlier exam's day as well.
    assert_eq!(bands(&[("2023-06-20", "shunt revision")]), 0);
    assert_eq!(bands(&[("2023-01-14", "shunt revision")]), 1);
}

#[test]
fn dashed_lines_are_explained_and_only_where_there_are_some() {
    let legend = |trend: &Trend| {
        let svg = figure(trend, "a");
        let all: Vec<String> = texts(&svg).into_iter().map(|text| text.6).collect();
        let has = |said: &str| all.iter().any(|text| text == said);
        (has("event"), has("no exam for over a year"))
    };
    let close = vec![first("2024-03-01", 5.4), first("2024-03-20", 5.4)];
    assert_eq!(legend(&trend(close.clone(), &[])), (false, false));
    assert_eq!(
        legend(&trend(close, &[("2024-03-05", "CSF surgery")])),
        (true, false)
    );
    let far = vec![first("2020-03-01", 5.4), first("2024-03-20", 5.4)];
    assert_eq!(legend(&trend(far, &[])), (false, true));
}

#[test]
fn an_eye_that_decided_is_marked_where_it_lies() {
    let mut point = exam("2024-01-01", 5.0, 5.0, 0.4, Status::AboveExpected);
    point.right_mm = Some(5.8);
    point.deciding = Some(Deciding {
        eye: Eye::Right,
        mm: 5.8,
        expected_mm: 5.0,
        lower_mm: 4.2,
        upper_mm: 5.6,
        both: Status::WithinExpected,
    });
    let svg = svg(&trend(vec![point], &[]));
    let said: Vec<String> = texts(&svg).into_iter().map(|text| text.6).collect();
    for words in ["above, right eye", "5.80 mm", "expected 5.00"] {
        assert!(said.iter().any(|text| text == words), "{words}");
    }
    // The mean has the mark of its own row (legend, plot), the eye that of the answer (legend, plot,
    // column).
    assert_eq!(shapes(&svg, "circle", "fill=\"#2F558A\"").len(), 2);
    assert_eq!(shapes(&svg, "polygon", "#B36200").len(), 3);
    assert!(svg.contains("right eye 5.80 mm where 5.00 was expected"));
}

#[test]
fn an_interval_too_wide_is_hatched_and_joins_no_band() {
    let wide = |too_wide| {
        let mut point = exam("2024-06-01", 5.4, 5.4, 1.5, Status::NotComparable);
        point.too_wide = too_wide;
        let before = exam("2024-03-01", 5.4, 5.4, 0.4, Status::WithinExpected);
        svg(&trend(vec![before, point], &[]))
    };
    let bars = |svg: &str| {
        (
            shapes(svg, "rect", "#8FA3B8").len(),
            shapes(svg, "polygon", "#8FA3B8").len(),
        )
    };
    // Legend and two exams; with a wide one legend and one exam, and no band.
    assert_eq!(bars(&wide(false)), (3, 1));
    assert_eq!(bars(&wide(true)), (2, 0));
    assert!(wide(true).contains("too wide to compare"));
}

#[test]
fn a_picture_that_stands_alone_says_whose_it_is_and_when_it_was_made() {
    let all = crate::results::samples::all(&crate::results::samples::flagged());
    let contents: Vec<&crate::results::Content> = all.iter().collect();
    let alone = of_contents("Patient P1".to_owned(), &contents, &[], None);
    let svg = svg(&alone.made_on(date("2024-05-08")));
    let said: Vec<String> = texts(&svg).into_iter().map(|text| text.6).collect();
    let line = said
        .iter()
        .find(|text| text.contains("born 1980-02-03"))
        .unwrap();
    assert!(
        line.contains("id of NOWHERE") && line.contains("made on 2024-05-08"),
        "{line}"
    );
}

/// On a phone the axis stays in sight: it is the left end of the figure, at the same heights.
#[test]
fn the_axis_alone_is_that_of_the_figure() {
    let (whole, axis) = (figure(&eight(), "a"), axis(&eight()));
    well_formed("axis", &axis);
    let height = |svg: &str| {
        svg.split("height=\"")
            .nth(1)
            .unwrap()
            .split('"')
            .next()
            .unwrap()
            .to_owned()
    };
    assert_eq!(height(&whole), height(&axis));
    let numbers = |svg: &str| -> Vec<(f64, String)> {
        let all = texts(svg).into_iter();
        let ticks = all.filter(|text| text.0 < 70.0 && text.3 == "end");
        ticks.map(|text| (text.1, text.6)).collect()
    };
    assert_eq!(numbers(&whole), numbers(&axis));
    assert!(numbers(&axis).len() > 3 && axis.contains("aria-hidden"));
}

proptest::proptest! {
    /// Whatever the exams, the picture is whole.
    #[test]
    fn any_trend_gives_a_whole_picture(
        exams in proptest::collection::vec((0u64..20_000, proptest::option::of(proptest::num::f64::ANY), 0usize..7), 0..30),
        note in "\\PC{0,40}",
    ) {
        let statuses = [
            Status::WithinExpected, Status::AboveExpected, Status::WellAboveExpected,
            Status::BelowExpected, Status::NoBaseline, Status::NotComparable,
        ];
        let points = exams.iter().map(|(days, mm, status)| TrendPoint {
            date: date("1990-01-01") + chrono::Days::new(*days),
            right_mm: *mm,
            both_mm: *mm,
            lower_mm: mm.map(|mm| mm - 1.0),
            upper_mm: mm.map(|mm| mm + 1.0),
            status: statuses.get(*status).copied(),
            note: Some(note.clone()),
            ..TrendPoint::default()
        }).collect();
        well_formed("any", &svg(&Trend { title: note.clone(), points, ..Trend::default() }));
    }
}
