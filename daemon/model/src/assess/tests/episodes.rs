//! The patient's own threshold.

use super::*;
use crate::assess::threshold::{Episode, Place, Threshold, ThresholdEstimate, posterior};
use crate::assess::{Course, History, Status, assess_all, assess_with_course};
use proptest::prelude::*;

fn episode(change_mm: f64, sd_mm: f64, raised: bool) -> Episode {
    Episode {
        exam: "e".to_owned(),
        date: day("2023-01-01"),
        time: None,
        change_mm,
        sd_mm,
        raised,
        level_mm: 5.0,
        baseline_from: day("2022-01-10"),
        baseline_to: day("2022-03-10"),
        opening_pressure: None,
    }
}

const OUT_010: (f64, f64, bool) = (0.10, 0.30, false);
const OUT_032: (f64, f64, bool) = (0.32, 0.33, false);
const OUT_045: (f64, f64, bool) = (0.45, 0.30, false);
const YES_091: (f64, f64, bool) = (0.91, 0.33, true);
const YES_110: (f64, f64, bool) = (1.10, 0.30, true);

fn episodes(of: &[(f64, f64, bool)]) -> Vec<Episode> {
    of.iter()
        .map(|(change, sd, raised)| episode(*change, *sd, *raised))
        .collect()
}

#[track_caller]
fn estimated(of: &[(f64, f64, bool)], expected: [f64; 4]) {
    let e: ThresholdEstimate = posterior(&episodes(of)).expect("an estimate");
    // The grid of 0.01 mm against the continuous integral.
    close(e.lower_mm, expected[0], 2e-4);
    close(e.median_mm, expected[1], 2e-4);
    close(e.upper_mm, expected[2], 2e-4);
    close(e.information, expected[3], 2e-4);
}

/// Expected values: scipy 1.17.1, the density integrated by `integrate.quad` and its quantiles
/// found by `optimize.brentq`.
#[test]
fn the_belief_agrees_with_integration() {
    estimated(&[OUT_032], [0.249_181, 0.664_486, 1.111_184, 0.290_112]);
    estimated(
        &[OUT_032, YES_091],
        [0.186_216, 0.555_480, 0.924_276, 0.481_315],
    );
    estimated(
        &[OUT_010, OUT_032, YES_091, YES_110],
        [0.249_600, 0.566_956, 0.884_688, 0.617_319],
    );
    estimated(
        &[OUT_010, OUT_032, OUT_045, YES_091, YES_110],
        [0.370_871, 0.654_018, 0.944_261, 0.687_351],
    );
}

/// Without an episode the belief is the assumption: normal(0.5, 0.4), 10 to 90 % -0.01 to 1.01.
#[test]
fn nothing_seen_leaves_the_assumption() {
    estimated(
        &[],
        [0.5 - 1.281_552 * 0.4, 0.5, 0.5 + 1.281_552 * 0.4, 0.0],
    );
}

/// An estimate before five episodes would mostly repeat the assumption (information under 70 %).
#[test]
fn an_estimate_needs_five_episodes_of_both_kinds() {
    let of = |list: &[(f64, f64, bool)]| Threshold::of(&episodes(list), None).unwrap();
    assert_eq!(
        of(&[OUT_010, OUT_032, YES_091, YES_110]).estimate,
        None,
        "four are too few"
    );
    assert!(
        of(&[OUT_010, OUT_032, OUT_045, YES_091, YES_110])
            .estimate
            .is_some()
    );
    let all_out = of(&[OUT_010, OUT_032, OUT_045, OUT_010, OUT_032, OUT_045]);
    assert_eq!(all_out.estimate, None, "one kind alone gives no estimate");
    assert_eq!(Threshold::of(&[], None), None);
}

#[test]
fn each_case_has_its_words() {
    let say = |list: &[(f64, f64, bool)]| Threshold::of(&episodes(list), None).unwrap().sentence();
    let one = say(&[OUT_032]);
    assert!(
        one.contains(
            "ruled out at changes up to +0.32 mm (1 episode; this one on 2023-01-01, counted \
                      from the 5.00 mm that the exams of 2022-01-10 to 2022-03-10 predict)"
        ),
        "{one}"
    );
    assert!(one.contains("It was never confirmed"), "{one}");
    let two = say(&[OUT_032, YES_091]);
    assert!(
        two.contains("confirmed from +0.91 mm on (1 episode;"),
        "{two}"
    );
    assert!(two.contains("What lies between is not known"), "{two}");
    let four = say(&[OUT_010, OUT_032, YES_091, YES_110]);
    assert!(four.contains("+0.32 mm (2 episodes;"), "{four}");
    assert!(!four.contains("estimated"), "{four}");
    let five = say(&[OUT_010, OUT_032, OUT_045, YES_091, YES_110]);
    assert!(
        five.contains("estimated at +0.65 mm (10 to 90 %: +0.37 to +0.94)"),
        "{five}"
    );
    let confirmed = say(&[YES_091]);
    assert!(
        confirmed.contains("not known whether smaller changes also"),
        "{confirmed}"
    );
    let overlap = say(&[(0.95, 0.3, false), YES_091]);
    assert!(overlap.contains("overlap"), "{overlap}");
    for text in [one, two, four, five, confirmed, overlap] {
        assert!(text.ends_with("This never changes the status."), "{text}");
    }
}

fn history(exams: Vec<Exam>) -> History {
    History {
        patient: adult(),
        exams,
    }
}

/// Two well exams, one episode of each kind, and a visit that nobody has labelled.
fn visits() -> Vec<Exam> {
    let mut exams = vec![
        exam("b1", "2022-01-10", &[5.0, 5.1, 5.0], &[5.1, 5.0, 5.1]),
        exam("b2", "2022-03-10", &[5.1, 5.0, 5.1], &[5.0, 5.1, 5.0]),
        exam("out", "2022-06-01", &[5.3, 5.3, 5.4], &[5.3, 5.4, 5.3]),
        exam("yes", "2022-09-01", &[6.1, 6.0, 6.1], &[6.0, 6.1, 6.0]),
        exam("now", "2022-12-01", &[5.7, 5.8, 5.7], &[5.7, 5.7, 5.8]),
    ];
    exams[2].label = Some(Label::RaisedRuledOut);
    exams[3].label = Some(Label::RaisedConfirmed);
    exams[4].label = None;
    exams
}

fn course(exams: Vec<Exam>, id: &str) -> (Assessment, Course) {
    let mut all = assess_with_course(&history(exams), &Parameters::default()).unwrap();
    all.remove(id).expect("the exam")
}

#[test]
fn the_bracket_is_made_of_the_exams_own_comparisons() {
    let all = assess_with_course(&history(visits()), &Parameters::default()).unwrap();
    let (now, course) = &all["now"];
    let bracket = course.threshold.as_ref().expect("two episodes");
    assert_eq!((bracket.ruled_out, bracket.confirmed), (1, 1));
    let change = |id: &str| both(&all[id].0).change_mm;
    close(bracket.highest_ruled_out_mm.unwrap(), change("out"), 1e-12);
    close(bracket.lowest_confirmed_mm.unwrap(), change("yes"), 1e-12);
    let today = bracket.today.expect("a comparison");
    assert_eq!(today.place, Place::Inside);
    close(today.change_mm, both(now).change_mm, 1e-12);
    close(
        today.over_ruled_out_mm.unwrap(),
        both(now).change_mm - change("out"),
        1e-12,
    );
    assert!(today.over_confirmed_mm.unwrap() < 0.0);
    // An exam is no episode of its own, and knows nothing of later ones.
    let first = &all["out"].1;
    assert_eq!(first.threshold, None);
    let second = all["yes"].1.threshold.as_ref().unwrap();
    assert_eq!((second.ruled_out, second.confirmed), (1, 0));
    assert_eq!(second.today, None, "nothing is known of the other side");
}

/// Each change is counted from the level that its own time led one to expect, which is named: after an
/// event there is another one.
#[test]
fn an_episode_names_its_level() {
    let mut exams = visits();
    exams.insert(
        4,
        exam("n", "2022-11-01", &[5.5, 5.5, 5.5], &[5.5, 5.5, 5.5]),
    );
    exams.push(exam(
        "later",
        "2023-02-01",
        &[6.4, 6.4, 6.4],
        &[6.4, 6.4, 6.4],
    ));
    exams[6].label = Some(Label::RaisedConfirmed);
    exams.push(exam(
        "last",
        "2023-06-01",
        &[5.6, 5.6, 5.6],
        &[5.6, 5.6, 5.6],
    ));
    let all = assess_with_course(&history(exams), &Parameters::default()).unwrap();
    let threshold = all["last"].1.threshold.as_ref().expect("three episodes");
    let of = |id: &str| {
        let mut all = threshold.episodes.iter();
        all.find(|one| one.exam == id).expect("the episode").clone()
    };
    for id in ["out", "yes", "later"] {
        let (told, answer) = (of(id), &all[id].0);
        close(told.level_mm, both(answer).expected_mm, 1e-12);
        close(told.change_mm, both(answer).change_mm, 1e-12);
    }
    assert!(
        of("later").level_mm > of("yes").level_mm + 0.2,
        "a new level"
    );
    assert_eq!(of("yes").baseline_to, day("2022-06-01"));
    assert_eq!(of("later").baseline_to, day("2022-12-01"));
    let said = threshold.sentence();
    assert!(
        said.contains("this one on 2023-02-01, counted from the 5.58 mm that"),
        "{said}"
    );
}

#[test]
fn an_episode_without_a_comparison_does_not_count() {
    let mut exams = visits();
    exams.drain(..2);
    let (_, course) = course(exams, "now");
    let bracket = course.threshold;
    // The confirmed exam is compared with the ruled-out one, which itself had no baseline.
    assert_eq!(bracket.map(|b| (b.ruled_out, b.confirmed)), Some((0, 1)));
}

#[test]
fn excluded_and_well_exams_are_no_episodes() {
    let mut exams = visits();
    exams[2].excluded = Some("birth_date_differs".to_owned());
    exams[3].label = Some(Label::Well);
    let (_, course) = course(exams, "now");
    assert_eq!(course.threshold, None);
}

proptest! {
    /// The bracket spans what was given, and the place agrees with the two distances.
    #[test]
    fn a_place_agrees_with_its_distances(
        list in proptest::collection::vec((-1.0_f64..2.0, 0.1_f64..0.6, any::<bool>()), 1..12),
        change in -1.5_f64..2.5,
    ) {
        let today = comparison_of(change);
        let bracket = Threshold::of(&episodes(&list), Some(&today)).unwrap();
        prop_assert_eq!(bracket.ruled_out + bracket.confirmed, list.len());
        let both = bracket.ruled_out > 0 && bracket.confirmed > 0;
        prop_assert_eq!(bracket.today.is_some(), both);
        prop_assert!(!bracket.sentence().contains("NaN"));
        let Some(today) = bracket.today else { return Ok(()) };
        let over: Vec<f64> = today.over_ruled_out_mm.into_iter().chain(today.over_confirmed_mm).collect();
        let place = if over.iter().all(|mm| *mm > 0.0) {
            Place::Above
        } else if over.iter().all(|mm| *mm < 0.0) {
            Place::Below
        } else {
            Place::Inside
        };
        prop_assert_eq!(today.place, place);
        if let Some(e) = bracket.estimate {
            prop_assert!(list.len() >= 5);
            prop_assert!(e.lower_mm < e.median_mm && e.median_mm < e.upper_mm);
            prop_assert!(e.information > 0.0 && e.information < 1.0);
        }
        prop_assert!(!bracket.sentence().contains("NaN"));
    }

    /// A confirmed episode lowers the estimate, one that was ruled out raises it.
    #[test]
    fn episodes_move_the_estimate_their_way(
        list in proptest::collection::vec((-1.0_f64..2.0, 0.1_f64..0.6, any::<bool>()), 0..8),
        more in (-1.0_f64..2.0, 0.1_f64..0.6),
    ) {
        let before = posterior(&episodes(&list)).unwrap().median_mm;
        let with = |raised| {
            let mut all = episodes(&list);
            all.push(episode(more.0, more.1, raised));
            posterior(&all).unwrap().median_mm
        };
        prop_assert!(with(true) <= before + 1e-9);
        prop_assert!(with(false) >= before - 1e-9);
    }
}

/// A comparison that found the given change.
fn comparison_of(change_mm: f64) -> Comparison {
    Comparison {
        expected_mm: 5.0,
        sd_mm: 0.3,
        z: change_mm / 0.3,
        lower_mm: 4.5,
        upper_mm: 5.5,
        change_mm,
        change_percent: 20.0 * change_mm,
        eight_of_ten_mm: 0.0,
        smallest_change_mm: 0.5,
        probability_high: 0.5,
        status: Status::WithinExpected,
    }
}

/// What stands beside a comparison leaves the comparison alone.
#[test]
fn statuses_are_the_same_with_and_without_a_course() {
    let plain = assess_all(&history(visits()), &Parameters::default()).unwrap();
    let told = assess_with_course(&history(visits()), &Parameters::default()).unwrap();
    let told: std::collections::BTreeMap<_, _> = told
        .into_iter()
        .map(|(id, (answer, _))| (id, answer))
        .collect();
    assert_eq!(plain, told);
}
