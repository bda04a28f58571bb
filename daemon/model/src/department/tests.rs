//! Estimates against published answers, worked numbers, statsmodels, and a known truth.
//!
//! `fixtures/department/published.json` holds data and printed answers with their sources.

use super::components::Components;
use super::interval::{mean_square_interval, sd_interval, wilson};
use super::offsets::{Sizes, offsets};
use super::pairs::{Stop, stable};
use super::*;
use crate::assess::{History, Parameters, assess_all};
use crate::domain::{Eye, Label};
use crate::simulate::{Dice, Scenario, question};
use serde_json::Value;
use std::collections::BTreeMap;

mod clinic;
pub(crate) mod known;
mod lengths;
mod numbers;
mod pages;

fn published(id: &str) -> Value {
    let text = include_str!("../../../../fixtures/department/published.json");
    let all: Value = serde_json::from_str(text).unwrap();
    all[id].clone()
}

fn groups(data: &Value) -> Vec<Vec<f64>> {
    serde_json::from_value(data.clone()).unwrap()
}

/// The named answers of a published check, each within its tolerance.
#[track_caller]
fn agrees(check: &Value, found: &[(&str, f64)]) {
    for (name, found) in found {
        let expected = check["expected"][name].as_f64().unwrap();
        let tolerance = &check["tolerance"];
        let tolerance = tolerance.as_f64().or(tolerance[name].as_f64()).unwrap();
        assert!(
            (found - expected).abs() <= tolerance,
            "{name}: {found} is not {expected} within {tolerance}"
        );
    }
}

#[track_caller]
fn close(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found} is not {expected} within {tolerance}"
    );
}

#[test]
fn peak_flow_of_children() {
    let check = published("peak_flow_1996");
    let a = Anova::of(&groups(&check["data"])).unwrap();
    agrees(
        &check,
        &[
            ("ss_between", a.ss_between),
            ("ss_within", a.ss_within),
            ("ms_within", a.ms_within),
            ("F", a.f().unwrap()),
            ("s_w", a.s_w),
            ("repeatability", a.repeatability),
        ],
    );
}

#[test]
fn two_meters_read_twice() {
    let check = published("peak_flow_meters_1986");
    let wright = Anova::of(&groups(&check["data"]["wright"])).unwrap();
    let mini = Anova::of(&groups(&check["data"]["mini"])).unwrap();
    agrees(
        &check,
        &[
            ("var_wright", wright.ms_within),
            ("var_mini", mini.ms_within),
            ("s_w_wright", wright.s_w),
            ("s_w_mini", mini.s_w),
        ],
    );
}

/// AtmWtAg has seven equal leading digits: sums of squares in one pass fail it.
#[test]
fn certified_values_of_nist() {
    for id in ["nist_strd_SiRstv", "nist_strd_AtmWtAg"] {
        let check = published(id);
        let a = Anova::of(&groups(&check["data"])).unwrap();
        agrees(
            &check,
            &[
                ("ss_between", a.ss_between),
                ("ms_between", a.ms_between.unwrap()),
                ("F", a.f().unwrap()),
                ("ss_within", a.ss_within),
                ("s_w", a.s_w),
            ],
        );
    }
}

#[test]
fn intraclass_correlation_of_six_targets() {
    let check = published("six_targets_1979");
    let a = Anova::of(&groups(&check["data"])).unwrap();
    agrees(&check, &[("ICC11", a.icc1.unwrap())]);
}

/// Groups of unequal size; the numbers were made with scipy.
#[test]
fn groups_of_unequal_size() {
    let data = [vec![5.1, 5.3, 5.2], vec![4.8, 4.7], vec![5.5, 5.9, 5.6]];
    let a = Anova::of(&data).unwrap();
    close(a.ms_between.unwrap(), 0.513542, 5e-7);
    close(a.ms_within, 0.022333, 5e-7);
    close(a.s_w, 0.1494, 5e-5);
    close(a.s_w_interval.low, 0.0933, 5e-5);
    close(a.s_w_interval.high, 0.3665, 5e-5);
    close(a.icc1.unwrap(), 0.8934, 5e-5);
    close(a.repeatability, 0.4142, 5e-5);
}

#[test]
fn nothing_to_analyse_is_no_analysis() {
    assert_eq!(Anova::of(&[]), None);
    assert_eq!(Anova::of(&[vec![5.0], vec![]]), None);
    let one = Anova::of(&[vec![5.0, 5.2]]).unwrap();
    assert_eq!((one.ms_between, one.icc1), (None, None));
}

#[test]
fn score_intervals_of_a_share() {
    let check = published("wilson_1998");
    let Value::Object(data) = &check["data"] else {
        panic!("no data")
    };
    let tolerance = check["tolerance"].as_f64().unwrap();
    for (name, counts) in data {
        let count = |at: usize| counts[at].as_u64().unwrap() as usize;
        let found = wilson(count(0), count(1));
        let expected = &check["expected"][name];
        close(found.low, expected[0].as_f64().unwrap(), tolerance);
        close(found.high, expected[1].as_f64().unwrap(), tolerance);
    }
}

/// Chi-square quantiles with 10 degrees, 3.247 and 20.483, from any printed table.
#[test]
fn chi_square_intervals() {
    let mean_square = mean_square_interval(10);
    close(mean_square.low, 0.3247, 5e-5);
    close(mean_square.high, 2.0483, 5e-5);
    let sd = sd_interval(20.483, 10.0);
    close(sd.low, 1.0, 5e-5);
}

fn run(stops: &[(&str, f64)]) -> Vec<Stop> {
    let stop = |(operator, y): &(&str, f64)| Stop {
        operator: Subject::Operator(Some((*operator).into())),
        device: Subject::Device(None),
        y: *y,
    };
    stops.iter().map(stop).collect()
}

/// Operators alone: devices are taken to read alike.
fn of_operators(operator: f64, exam: f64) -> Sizes {
    Sizes {
        operator,
        device: 0.0,
        exam,
    }
}

/// Worked by hand: sigma_o 0.15, sigma_e 0.20.
#[test]
fn offsets_of_three_operators() {
    let runs = [
        run(&[("A", 5.1), ("B", 5.4)]),
        run(&[("A", 6.0), ("B", 6.2), ("C", 5.8)]),
        run(&[("B", 4.9), ("C", 4.6)]),
    ];
    let found = offsets(&runs, of_operators(0.15, 0.20));
    let expected = [
        ("A", -0.0279, 0.1231),
        ("B", 0.1169, 0.1172),
        ("C", -0.0890, 0.1231),
    ];
    assert_eq!(found.len(), 3);
    for (one, (operator, offset, error)) in found.iter().zip(expected) {
        assert_eq!(one.of.words(), operator);
        close(one.offset_mm, offset, 5e-5);
        close(one.standard_error_mm, error, 5e-5);
    }
    assert!(offsets(&runs, of_operators(0.0, 0.20)).is_empty());
    assert!(offsets(&[], of_operators(0.15, 0.20)).is_empty());
}

/// `fixtures/department/offsets.py` asks MixedLM of statsmodels.
#[test]
fn offsets_agree_with_statsmodels() {
    let text = include_str!("../../../../fixtures/department/offsets.json");
    let expected: Value = serde_json::from_str(text).unwrap();
    let exams: Vec<(u32, String, f64)> = serde_json::from_value(expected["exams"].clone()).unwrap();
    let mut runs: BTreeMap<u32, Vec<Stop>> = BTreeMap::new();
    for (patient, operator, y) in exams {
        runs.entry(patient)
            .or_default()
            .extend(run(&[(&operator, y)]));
    }
    let number = |name: &str| expected[name].as_f64().unwrap();
    let runs: Vec<_> = runs.into_values().collect();
    let found = offsets(&runs, of_operators(number("sigma_o"), number("sigma_e")));
    assert_eq!(found.len(), 6);
    for one in found {
        let of = |what: &str| expected[what][one.of.words()].as_f64().unwrap();
        close(one.offset_mm, of("offsets"), 1e-8);
        close(one.standard_error_mm, of("standard_errors"), 1e-8);
    }
}

/// Operators and devices side by side, also where some exams name none.
#[test]
fn offsets_of_operators_and_devices_agree_with_statsmodels() {
    let text = include_str!("../../../../fixtures/department/offsets.json");
    let expected: Value = serde_json::from_str::<Value>(text).unwrap()["crossed"].clone();
    let number = |name: &str| expected[name].as_f64().unwrap();
    let sizes = Sizes {
        operator: number("sigma_o"),
        device: number("sigma_d"),
        exam: number("sigma_e"),
    };
    for (exams, answers) in [
        ("exams", ""),
        ("exams_with_blanks", "_with_blanks"),
        ("exams", "_of_operators_alone"),
    ] {
        let alone = answers == "_of_operators_alone";
        type Row = (u32, Option<String>, Option<String>, f64);
        let exams: Vec<Row> = serde_json::from_value(expected[exams].clone()).unwrap();
        let mut runs: BTreeMap<u32, Vec<Stop>> = BTreeMap::new();
        for (patient, operator, device, y) in exams {
            runs.entry(patient).or_default().push(Stop {
                operator: Subject::Operator(operator.map(Into::into)),
                device: Subject::Device(device.filter(|_| !alone).map(Into::into)),
                y,
            });
        }
        let mut runs: Vec<_> = runs.into_values().collect();
        let found = offsets(&runs, sizes);
        assert_eq!(found.len(), if alone { 5 } else { 9 });
        for one in &found {
            let of = |what: &str| {
                let answers = &expected[format!("{what}{answers}")];
                answers[one.of.words()].as_f64().unwrap()
            };
            close(one.offset_mm, of("offsets"), 1e-8);
            close(one.standard_error_mm, of("standard_errors"), 1e-8);
            if !alone {
                let here = of("standard_errors_here");
                close(one.standard_error_here_mm, here, 1e-8);
            }
        }
        // The order of patients has no say.
        runs.reverse();
        for (one, other) in found.iter().zip(offsets(&runs, sizes)) {
            close(one.offset_mm, other.offset_mm, 1e-12);
        }
    }
}

/// Persons of the simulator with two well exams each, the second one assessed.
fn persons(scenario: Scenario, count: u64, seed: u64) -> Vec<Patient> {
    let now = Parameters::default();
    let person = |number| {
        let mut asked = question(scenario, 1, &now, seed, number).unwrap();
        asked.exams[1].label = Some(Label::Well);
        let history = History {
            patient: asked.patient,
            exams: asked.exams,
        };
        let told = |exam: &crate::assess::Exam| Reported {
            repeats: Eye::BOTH
                .map(|eye| exam.eyes.of(eye).iter().map(|length| length.mm()).collect())
                .to_vec(),
            ..Reported::default()
        };
        Patient {
            answers: assess_all(&history, &now).unwrap(),
            told: history
                .exams
                .iter()
                .map(|exam| (exam.id.clone(), told(exam)))
                .collect(),
            history,
        }
    };
    (0..count).map(person).collect()
}

/// Many pairs bring back the sizes that the patients were made with.
#[test]
fn the_truth_of_a_noisy_site_is_found() {
    let now = Parameters::default();
    let found = calibrate(&persons(Scenario::NoisySite, 4000, 1), &now).unwrap();
    assert_eq!((found.patients, found.pairs), (4000, 4000));
    let p = found.proposed(&now);
    // About three standard errors of each.
    close(p.sigma_w, 0.30, 0.006);
    close(p.sigma_s, 0.25, 0.035);
    close(p.rho_s, 0.50, 0.12);
    close(p.sigma_o, 0.25, 0.035);
    close(p.sigma_d, 0.25, 0.03);
    for proposal in &found.proposals {
        assert!(proposal.data_share > 0.9, "{proposal:?}");
    }
    let promise = found.promise;
    assert_eq!(promise.exams, 4000);
    // One in seven is flagged instead of one in twenty, and both checks notice.
    assert!(promise.flagged_interval.unwrap().low > 0.13);
    assert!(promise.mean_square_z.unwrap() > promise.mean_square_interval.unwrap().high);
    assert!(promise.variance_factor > 1.5);
}

#[test]
fn a_site_as_assumed_keeps_its_parameters_and_its_promise() {
    let now = Parameters::default();
    let found = calibrate(&persons(Scenario::AdultPool, 2000, 2), &now).unwrap();
    let p = found.proposed(&now);
    close(p.sigma_w, now.sigma_w, 0.006);
    close(p.sigma_s, now.sigma_s, 0.03);
    close(p.sigma_o, now.sigma_o, 0.035);
    close(p.sigma_d, now.sigma_d, 0.035);
    let promise = found.promise;
    assert!(promise.flagged_interval.unwrap().holds(0.05), "{promise:?}");
    let usual = promise.mean_square_interval.unwrap();
    assert!(usual.holds(promise.mean_square_z.unwrap()), "{promise:?}");
}

/// Ten pairs move little, and none move nothing.
#[test]
fn few_pairs_leave_the_present_values() {
    let now = Parameters::default();
    let nothing = calibrate(&[], &now).unwrap();
    assert_eq!(nothing.proposed(&now), now);
    assert_eq!(nothing.promise.flagged_share, None);
    let few = calibrate(&persons(Scenario::NoisySite, 10, 3), &now).unwrap();
    for proposal in few.proposals.iter().filter(|p| p.name != "sigma_w") {
        assert!(proposal.data_share < 0.25, "{proposal:?}");
    }
}

#[test]
fn events_and_unlabelled_exams_make_no_pair() {
    let now = Parameters::default();
    let pairs = |change: &dyn Fn(&mut Patient)| {
        let mut all = persons(Scenario::AdultPool, 1, 4);
        change(&mut all[0]);
        stable(&all, &now).unwrap().pairs.len()
    };
    assert_eq!(pairs(&|_| {}), 1);
    assert_eq!(pairs(&|p| p.history.exams[0].label = None), 0);
    assert_eq!(
        pairs(&|p| p.history.exams[1].label = Some(Label::RaisedConfirmed)),
        0
    );
    assert_eq!(
        pairs(&|p| p.history.exams[1].label = Some(Label::RaisedRuledOut)),
        1
    );
    assert_eq!(pairs(&|p| p.history.exams[0].eyes.left.clear()), 0);
    let between = |p: &mut Patient| {
        let date = p.history.exams[0].date + chrono::Days::new(30);
        let kind = crate::domain::EventKind::ShuntRevision;
        let event = crate::domain::Event { date, kind };
        p.history.patient.events.push(event);
    };
    assert_eq!(pairs(&between), 0);
}

/// The model's own changes, put in exactly, come out as its own parameters.
#[test]
fn the_components_of_the_present_model_are_a_fixed_point() {
    let now = Parameters::default();
    let all = persons(Scenario::AdultPool, 200, 5);
    let mut pairs = stable(&all, &now).unwrap().pairs;
    let session = now.sigma_s * now.sigma_s;
    for pair in &mut pairs {
        let if_so = |differs: Option<bool>, sd: f64| if differs.unwrap() { sd * sd } else { 0.0 };
        let shared = now.rho_s * session
            + if_so(pair.operator_differs, now.sigma_o)
            + if_so(pair.device_differs, now.sigma_d);
        // Changes with exactly the mean product and the mean squared difference.
        let product = 2.0 * shared + pair.drift;
        let difference = 4.0 * (1.0 - now.rho_s) * session + pair.reading_variance;
        let mean = (product + difference / 4.0).sqrt();
        pair.change = [
            mean + difference.sqrt() / 2.0,
            mean - difference.sqrt() / 2.0,
        ];
        // Drift of 36 to 584 days at q = 0.0025 a year.
        let days = pair.drift / 0.0025 * 365.25;
        assert!((35.9..=584.1).contains(&days), "{days}");
    }
    let found = Components::of(&pairs, &now).unwrap();
    close(found.sigma_s(), now.sigma_s, 1e-9);
    close(found.rho_s().unwrap(), now.rho_s, 1e-9);
    close(found.operator.variance, now.sigma_o * now.sigma_o, 1e-9);
    close(found.device.variance, now.sigma_d * now.sigma_d, 1e-9);
}

/// Repeatability coefficients of children and the SD behind them: Ultraschall Med,
/// doi:10.1055/s-0034-1385012 (0.34 and 0.46 mm, SD worked out 0.1227 and 0.1660); J Emerg Med 2022,
/// doi:10.1016/j.jemermed.2022.04.014 (standard error of measurement 0.10, 0.41, 0.42; smallest
/// detectable difference 0.277, 1.136, 1.164).
#[test]
fn published_repeatability_follows_from_the_published_sd() {
    for (sd, repeatability) in [
        (0.1227, 0.34),
        (0.1660, 0.46),
        (0.10, 0.277),
        (0.41, 1.136),
        (0.42, 1.164),
    ] {
        // Two readings so far apart that their SD is the published one.
        let apart = sd * 2.0_f64.sqrt();
        let a = Anova::of(&[vec![5.0, 5.0 + apart], vec![6.0, 6.0 + apart]]).unwrap();
        close(a.s_w, sd, 1e-9);
        close(a.repeatability, repeatability, 0.0007);
    }
}
