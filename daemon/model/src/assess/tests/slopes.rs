//! Slope and shift over time.

use super::course::{courses, last};
use super::*;
use crate::assess::Unlabelled;
use crate::assess::compare::Case;
use crate::assess::eligible::{Earlier, Events, Session, Since};
use crate::assess::gls::effect;
use crate::assess::trend::{ChangePoint, Trend, trend};
use crate::domain::{Event, EventKind};
use crate::simulate::{self, Scenario};
use nalgebra::{DMatrix, DVector};

/// Independent errors give the textbook's ordinary least squares: slope = Sxy/Sxx, standard error =
/// sigma/sqrt(Sxx) (NIST/SEMATECH e-Handbook 4.4.3.1). Correlated ones: [`slope_and_shift`].
#[test]
fn independent_errors_give_ordinary_least_squares() {
    let x = DVector::from_vec(vec![0.0, 1.0, 2.0, 4.0]);
    let y = DVector::from_vec(vec![5.0, 5.1, 5.1, 5.4]);
    let v = (DMatrix::identity(4, 4) * 0.04_f64)
        .cholesky()
        .expect("a covariance");
    let found = effect(&v, &y, &x).expect("x varies");
    // Mean of x 1.75, Sxx 8.75, Sxy 0.85 (by hand).
    close(found.value, 0.85 / 8.75, 1e-12);
    close(found.se, 0.2 / 8.75_f64.sqrt(), 1e-12);
    assert_eq!(effect(&v, &y, &DVector::from_element(4, 1.0)), None);
}

/// Five exams of an adult with a lasting shift before the fourth.
fn shifted() -> Vec<Exam> {
    let mut exams = vec![
        exam("1", "2020-01-10", &[5.0, 5.1, 5.0], &[5.2, 5.1, 5.2]),
        exam("2", "2020-07-10", &[5.1, 5.1, 5.2], &[5.3, 5.2, 5.3]),
        exam("3", "2021-02-01", &[5.2, 5.1, 5.2], &[5.2, 5.3, 5.3]),
        exam("4", "2022-03-01", &[5.9, 6.0, 5.9], &[6.1, 6.0, 6.1]),
        exam("5", "2022-09-15", &[5.9, 5.8, 5.9], &[6.0, 6.0, 6.1]),
    ];
    exams[1].operator = Some("B".to_owned());
    exams[3].operator = Some("B".to_owned());
    exams
}

fn trend_of(exams: &[Exam]) -> (Option<Trend>, Option<ChangePoint>) {
    let course = last(&adult(), exams);
    (course.trend, course.change_point)
}

/// Expected values: statsmodels 0.15.0 `GLS` with the covariance written out in numpy; standard
/// errors with the covariance as it is, not rescaled.
#[test]
fn slope_and_shift() {
    let (trend, change) = trend_of(&shifted());
    let trend = trend.expect("five exams");
    close(trend.slope_mm_per_year, 0.371_033_308, 1e-8);
    close(trend.se_mm_per_year, 0.085_253_798, 1e-8);
    close(
        trend.upper_mm_per_year,
        0.371_033_308 + 1.959_963_985 * 0.085_253_798,
        1e-8,
    );
    assert!(trend.rising && !trend.event_among);
    let change = change.expect("five exams");
    close(change.shift_mm, 0.795_970_475, 1e-8);
    close(change.se_mm, 0.174_579_284, 1e-8);
    close(change.z, 4.559_363_831, 1e-7);
    assert_eq!(
        (change.last_before, change.first_after),
        (day("2021-02-01"), day("2022-03-01"))
    );
    assert_eq!((change.exams_before, change.exams_after), (3, 2));
    assert!(change.called);
    let said = change.sentence().expect("called");
    assert!(said.contains("None is recorded"), "{said}");
}

/// A step at a recorded event is what everybody knows; what comes after it is looked at on its own.
#[test]
fn neither_is_called_across_a_recorded_event() {
    let mut subject = adult();
    subject.events = vec![Event {
        date: day("2021-06-01"),
        kind: EventKind::ShuntRevision,
    }];
    let course = last(&subject, &shifted());
    assert_eq!((course.trend, course.change_point), (None, None));
    let mut longer = shifted();
    for (id, date) in [("6", "2023-01-10"), ("7", "2023-06-10")] {
        longer.push(exam(id, date, &[5.9, 5.9, 5.9], &[6.0, 6.0, 6.0]));
    }
    let course = last(&subject, &longer);
    let trend = course.trend.expect("four exams since");
    assert_eq!((trend.exams, trend.from), (4, day("2022-03-01")));
    assert!(!trend.rising && !trend.event_among);
    let change = course.change_point.expect("four exams since");
    assert!(!change.called);
}

/// Four exams within a month are a course of days: a slope a year of them would mislead.
#[test]
fn no_slope_is_told_of_exams_that_span_less_than_a_month() {
    let of = |last: &str| {
        let days = ["2023-01-01", "2023-01-08", "2023-01-15", last];
        let mut exams: Vec<Exam> = days
            .iter()
            .map(|day| exam(day, day, &[5.0, 5.1, 5.0], &[5.1, 5.0, 5.1]))
            .collect();
        for one in &mut exams {
            one.label = Some(Label::Well);
        }
        trend_of(&exams)
    };
    let (short, shift) = of("2023-01-30");
    assert_eq!(short, None);
    assert!(shift.is_some(), "a shift is told of days as well");
    let (long, _) = of("2023-01-31");
    assert!(long.is_some_and(|trend| trend.is_long_enough()));
}

/// One wild exam is set aside as baseline and makes neither a slope nor a shift; two that agree do.
#[test]
fn a_lonely_exam_that_was_set_aside_calls_nothing() {
    for label in [Some(Label::Well), None] {
        for at in 0..4 {
            let mut exams: Vec<Exam> = (0..6)
                .map(|n| {
                    let date = format!("{}-01-10", 2018 + n);
                    exam(&n.to_string(), &date, &[5.0, 5.1, 5.0], &[5.1, 5.0, 5.1])
                })
                .collect();
            exams[at].eyes = exam("", "2018-01-10", &[9.4, 9.4, 9.4], &[9.4, 9.3, 9.4]).eyes;
            exams[at].label = label;
            let (trend, change) = trend_of(&exams);
            // Unlabelled and the first of all, nothing can tell it from a level of its own yet.
            if label.is_none() && at == 0 {
                continue;
            }
            let trend = trend.expect("five exams");
            assert_eq!((trend.exams, trend.rising), (5, false), "{label:?} {at}");
            assert!(trend.slope_mm_per_year.abs() < 0.05);
            assert!(!change.expect("five exams").called, "{label:?} {at}");
        }
    }
    let (_, change) = trend_of(&shifted());
    assert_eq!(
        change.map(|one| (one.called, one.exams_after)),
        Some((true, 2))
    );
}

/// An exam in doubt takes no part, and says nothing of a trend itself.
#[test]
fn an_exam_in_doubt_is_no_part_of_a_trend() {
    let mut exams = shifted();
    exams.insert(
        0,
        exam("0", "2019-06-01", &[5.0, 5.1, 5.0], &[5.1, 5.1, 5.2]),
    );
    exams[2].excluded = Some("date-implausible".to_owned());
    assert_eq!(trend_of(&exams).0.map(|trend| trend.exams), Some(5));
    exams[2].excluded = None;
    assert_eq!(trend_of(&exams).0.map(|trend| trend.exams), Some(6));
    exams[5].excluded = Some("date-implausible".to_owned());
    assert_eq!(trend_of(&exams), (None, None));
}

#[test]
fn a_shift_needs_two_exams_after_it_and_four_in_all() {
    let exams = shifted();
    let (_, change) = trend_of(&exams[..4]);
    assert_ne!(change.expect("four exams").exams_after, 1);
    assert_eq!(trend_of(&exams[..3]), (None, None));
}

/// A lasting shift that nobody has labelled is above expected exam after exam, and is still seen.
#[test]
fn unlabelled_exams_after_a_shift_are_looked_at() {
    let mut exams = shifted();
    for exam in &mut exams[3..] {
        exam.label = None;
    }
    let (_, change) = trend_of(&exams);
    assert!(change.expect("five exams").called);
    let ignoring = Parameters {
        unlabelled: Unlabelled::Ignore,
        ..Parameters::default()
    };
    let all = courses(&adult(), &exams, &ignoring);
    assert_eq!(
        all["5"].1.trend.map(|trend| trend.exams),
        Some(4),
        "the site leaves them out"
    );
}

#[test]
fn a_crisis_is_no_part_of_a_trend() {
    let mut exams = shifted();
    exams[4].label = Some(Label::RaisedConfirmed);
    assert_eq!(trend_of(&exams), (None, None));
    exams[4].label = Some(Label::Well);
    exams[3].label = Some(Label::RaisedConfirmed);
    assert_eq!(trend_of(&exams), (None, None), "one exam since the crisis");
}

/// Nothing later than an exam has a say in its course, and the order of the exams has none.
#[test]
fn a_course_knows_nothing_later() {
    let exams = shifted();
    let all = courses(&adult(), &exams, &Parameters::default());
    let mut reversed = exams.clone();
    reversed.reverse();
    assert_eq!(all, courses(&adult(), &reversed, &Parameters::default()));
    for n in 1..exams.len() {
        let some = courses(&adult(), &exams[..n], &Parameters::default());
        for (id, told) in some {
            assert_eq!(told, all[&id]);
        }
    }
}

/// Invented patients of the model. A stable one is called rising in about 1 in 100 (1.0 to 1.1 %)
/// and shifted in 0.4 to 0.7 % upwards, twice that both ways; a lasting shift of 0.8 mm in the
/// middle of eight exams is found in 95 % (a separate implementation, 8,000 patients a row).
#[test]
fn calls_are_as_rare_and_as_sure_as_they_should_be() {
    const PATIENTS: usize = 1200;
    let (mut rising, mut shifted, mut found) = (0, 0, 0);
    for number in 0..PATIENTS {
        let parameters = Parameters::default();
        let invented = simulate::question(Scenario::AdultPool, 7, &parameters, 11, number as u64)
            .expect("asked");
        let (subject, mut exams) = (invented.patient, invented.exams);
        let (slope, shift) = trend_alone(&subject, &exams);
        rising += usize::from(slope.is_some_and(|trend| trend.rising));
        shifted += usize::from(shift.is_some_and(|change| change.called));
        for exam in &mut exams[4..] {
            for length in exam.eyes.right.iter_mut().chain(&mut exam.eyes.left) {
                *length = Millimetres::from_um(length.um() + 800);
            }
        }
        let (_, shift) = trend_alone(&subject, &exams);
        found += usize::from(shift.is_some_and(|change| change.called));
    }
    let share = |count: usize| count as f64 / PATIENTS as f64;
    // Three binomial standard errors.
    close(share(rising), 0.0105, 0.009);
    close(share(shifted), 0.011, 0.010);
    close(share(found), 0.95, 0.02);
}

/// Slope and shift of the last exam, without the comparisons around them.
fn trend_alone(subject: &Subject, exams: &[Exam]) -> (Option<Trend>, Option<ChangePoint>) {
    let parameters = Parameters::default();
    let sessions: Vec<Session<'_>> = exams
        .iter()
        .map(|exam| Session::of(exam, subject, &parameters))
        .collect();
    let (today, before) = sessions.split_last().expect("an exam");
    let earlier: Vec<Earlier<'_>> = before
        .iter()
        .map(|session| Earlier {
            session,
            outcome: None,
            since: Since::default(),
        })
        .collect();
    let case = Case {
        earlier_today: &[],
        today,
        earlier: &earlier,
        same_day: &[],
        events: &Events::of(subject, &exams.iter().collect::<Vec<_>>()),
        dated_events: &subject.events,
        parameters: &parameters,
        heeds_doubts: true,
    };
    trend(&case, None, false)
}
