//! A clinic of invented patients, devices and operators: what its statistics see, and what they do
//! not see when nothing changes.

use super::super::charts::Rule;
use super::*;
use crate::assess::{Exam, KnownErrors, Modality, PerEye, Subject as Person};
use crate::domain::{Border, Millimetres, Moment};
use chrono::{Days, NaiveDate};

/// The day on which one device starts to read high.
const CHANGE: u64 = 900;
/// Days that the clinic is open.
const OPEN: u64 = 1400;

fn first_day() -> NaiveDate {
    NaiveDate::from_ymd_opt(2021, 1, 4).unwrap()
}

/// Patients who come about every hundred days, to four operators and three devices with offsets of
/// their own. Device `d1` reads `high` mm more from [`CHANGE`] on; the other numbers are those of the
/// model.
pub(super) fn clinic(seed: u64, patients: u64, high: f64) -> Vec<Patient> {
    let p = Parameters::default();
    let mut dice = Dice::of(&[5, seed]);
    let operators: Vec<f64> = (0..4).map(|_| dice.normal(p.sigma_o)).collect();
    let devices: Vec<f64> = (0..3).map(|_| dice.normal(p.sigma_d)).collect();
    let patient = |number: u64| {
        let mut dice = Dice::of(&[6, seed, number]);
        let level = 5.5 + dice.normal(0.6);
        let asymmetry = dice.normal(p.sigma_a) / 2.0;
        let mut day = dice.below(500);
        let (mut exams, mut told) = (Vec::new(), BTreeMap::new());
        let mut drift = 0.0;
        while day < OPEN {
            let (operator, device) = (dice.below(4) as usize, dice.below(3) as usize);
            let late = if device == 1 && day >= CHANGE {
                high
            } else {
                0.0
            };
            let common = dice.normal(p.sigma_s * p.rho_s.sqrt());
            let shared = level + drift + operators[operator] + devices[device] + late + common;
            let mut eye = |side: f64| -> Vec<Millimetres> {
                let own = dice.normal(p.sigma_s * (1.0 - p.rho_s).sqrt());
                let mut reading = || shared + side * asymmetry + own + dice.normal(p.sigma_w);
                (0..3)
                    .map(|_| Millimetres::from_mm((reading() * 10.0).round() / 10.0).unwrap())
                    .collect()
            };
            let eyes = PerEye {
                right: eye(1.0),
                left: eye(-1.0),
            };
            let id = format!("E{seed}-{number}-{day}");
            let date = first_day() + Days::new(day);
            let repeats =
                [&eyes.right, &eyes.left].map(|eye| eye.iter().map(|one| one.mm()).collect());
            told.insert(
                id.clone(),
                Reported {
                    performed_at: Some(Moment {
                        local: date.and_hms_opt(9, 30, 0).unwrap(),
                        offset_s: Some(3600),
                    }),
                    repeats: repeats.to_vec(),
                    values: 6,
                    without_eye: usize::from(device == 2),
                    without_depth: 6 * usize::from(device == 2),
                    with_angle: 4,
                    oblique: usize::from(device == 0),
                },
            );
            exams.push(Exam {
                id,
                date,
                time: None,
                label: Some(Label::Well),
                operator: Some(format!("Operator {operator}")),
                device: Some(format!("Maker|Model|d{device}")),
                definition: Some(Border::Outer),
                eyes,
                planes: PerEye::default(),
                modality: Modality::Ultrasound,
                excluded: None,
                step_mm: PerEye::default(),
                eyeball_mm: PerEye::default(),
                known: KnownErrors::default(),
            });
            let gap = 60 + dice.below(80);
            drift += dice.normal((p.q * gap as f64 / 365.25).sqrt());
            day += gap;
        }
        let history = History {
            patient: Person {
                id: format!("P{number}"),
                birth_date: NaiveDate::from_ymd_opt(1980, 1, 1),
                events: Vec::new(),
            },
            exams,
        };
        Patient {
            answers: assess_all(&history, &p).unwrap(),
            told,
            history,
        }
    };
    (0..patients).map(patient).collect()
}

pub(super) fn statistics<'a>(
    patients: impl IntoIterator<Item = &'a Patient>,
    period: Period,
) -> Statistics {
    let mut all = Collector::new(Parameters::default(), period).unwrap();
    for patient in patients {
        let times = patient.told.iter().map(|(id, told)| {
            let at = told.performed_at.unwrap().local.and_utc();
            // Arrives after half an hour of UTC, result two minutes later.
            let received = at - chrono::TimeDelta::minutes(30);
            let made = Some(received + chrono::TimeDelta::minutes(2));
            let received = Some(received);
            (id.clone(), turnaround::Times { received, made })
        });
        all.add(patient, &times.collect()).unwrap();
    }
    all.finish().unwrap()
}

fn chart_of<'a>(found: &'a Statistics, device: &str) -> &'a charts::Chart {
    let of = Subject::Device(Some(device.into()));
    found.charts.iter().find(|chart| chart.of == of).unwrap()
}

/// A probe that reads 0.3 mm high from a known day on: the chart of its device says so, after as many
/// exams as the tables of the rules say for a shift of that size, and dates it.
#[test]
fn a_probe_that_starts_to_read_high_is_caught() {
    const SEEDS: usize = 10;
    let change = first_day() + Days::new(CHANGE);
    let mut lengths: BTreeMap<Rule, Vec<f64>> = BTreeMap::new();
    let (mut shifts, mut since, mut elsewhere) = (Vec::new(), Vec::new(), 0);
    for seed in 0..SEEDS as u64 {
        let found = statistics(&clinic(seed, 110, 0.3), Period::default());
        let run = chart_of(&found, "Maker|Model|d1").run.yes().unwrap();
        // Weeks of the change itself hold exams of both sorts; the day is a Friday.
        let after = |point: &&charts::Point| point.week > change - Days::new(7);
        let before = run.points.iter().find(after).unwrap().exam - 1;
        let new = run.points.iter().filter(|point| point.exam > before);
        shifts.extend(new.take(15).filter_map(|point| point.q));
        for (rule, _) in Rule::ALL {
            let own = run.signals.iter().filter(|one| one.rule == rule);
            let later = own.filter(|one| one.exam > before && one.higher);
            if let Some(first) = later.min_by_key(|one| one.exam) {
                let taken = (first.exam - before) as f64;
                lengths.entry(rule).or_default().push(taken);
                if rule == Rule::Cusum {
                    since.push((first.since_week - change).num_days().abs());
                }
            }
        }
        for other in ["Maker|Model|d0", "Maker|Model|d2"] {
            let run = chart_of(&found, other).run.yes().unwrap();
            let soon = change + Days::new(60);
            let told = run
                .signals
                .iter()
                .filter(|one| one.higher && one.week > change);
            elsewhere += told.filter(|one| one.week < soon).count();
        }
    }
    let shift = lengths::mean(&shifts).0;
    for rule in [Rule::Ewma, Rule::Cusum] {
        let all = &lengths[&rule];
        assert_eq!(all.len(), SEEDS, "{rule:?} missed it");
        let (found, error) = lengths::mean(all);
        let expected = lengths::average(rule, shift);
        println!(
            "{rule:?}: shift {shift:.2} SD, {found:.1} ({error:.1}) exams, tables {expected:.1}"
        );
        close(found, expected, 4.0 * error);
    }
    // Dated to within three weeks in most.
    assert!(
        since.iter().filter(|days| **days <= 21).count() * 4 >= SEEDS * 3,
        "{since:?}"
    );
    // Twenty charts of sixty days: hardly a signal.
    assert!(elsewhere <= 6, "{elsewhere}");
}

/// A clinic in which nothing changes signals as often as its charts promise, although its devices and
/// operators read apart and patients come again and again.
#[test]
fn an_unchanged_clinic_signals_by_chance_alone() {
    let (mut seen, mut expected, mut flagged, mut exams) = (0, 0.0, 0, 0);
    for seed in 20..26 {
        let found = statistics(&clinic(seed, 110, 0.0), Period::default());
        for chart in &found.charts {
            // The department's chart is of the same exams as those of its devices.
            if chart.of.kind() == "device" {
                let run = chart.run.yes().unwrap();
                seen += run.signals.len();
                expected += run.signals_by_chance;
            }
        }
        flagged += found.promise.flagged.count;
        exams += found.promise.flagged.of;
    }
    println!("signals {seen}, by chance {expected:.1}; flagged {flagged} of {exams}");
    // A chance shift is told by two rules at once, so counts scatter wider than Poisson's.
    close(
        f64::from(seen as u32),
        expected,
        2.0 * 4.0 * expected.sqrt(),
    );
    close(flagged as f64 / exams as f64, 0.05, 0.012);
}

/// Whatever order persons come in, the numbers are the same.
#[test]
fn the_order_of_persons_changes_nothing() {
    let mut patients = clinic(40, 60, 0.3);
    let there = statistics(&patients, Period::default());
    patients.reverse();
    patients.rotate_left(7);
    let back = statistics(&patients, Period::default());
    let text = |found: &Statistics| {
        let lines = found
            .lines()
            .map(|line| serde_json::to_string(&line).unwrap());
        lines.collect::<Vec<_>>().join("\n")
    };
    assert_eq!(text(&there), text(&back));
}

/// What the clinic was made with comes out: offsets of operators and devices, shares, times, counts.
#[test]
fn the_numbers_are_those_of_the_clinic() {
    let patients = clinic(41, 150, 0.0);
    let found = statistics(&patients, Period::default());
    let exams: usize = patients.iter().map(|one| one.history.exams.len()).sum();
    assert_eq!(
        (found.seen.patients, found.seen.exams, found.seen.well),
        (150, exams, exams)
    );

    let p = Parameters::default();
    let mut dice = Dice::of(&[5, 41]);
    let truth: Vec<f64> = (0..7)
        .map(|at| dice.normal(if at < 4 { p.sigma_o } else { p.sigma_d }))
        .collect();
    assert_eq!(found.offsets.len(), 7);
    let offset = |one: &Against| one.offset.yes().unwrap().offset_mm;
    let mut held = 0;
    for (kind, truth) in [("operator", &truth[..4]), ("device", &truth[4..])] {
        // Only differences can be known: the common level is the patients'.
        let mean = truth.iter().sum::<f64>() / truth.len() as f64;
        let own: Vec<_> = found
            .offsets
            .iter()
            .filter(|one| one.of.kind() == kind)
            .collect();
        let shrunk = own.iter().map(|one| offset(one)).sum::<f64>() / own.len() as f64;
        for (one, truth) in own.iter().zip(truth) {
            close(offset(one) - shrunk, truth - mean, 0.05);
            let interval = one.offset.yes().unwrap().interval;
            held += usize::from(interval.holds(truth - mean));
        }
    }
    // Seven intervals of 95 %.
    assert!(held >= 6, "{held}");

    let all = &found.repeatability[0];
    let readings = all.readings.yes().unwrap();
    assert_eq!((all.exams, readings.values), (exams, 6 * exams));
    // Rounding to 0.1 mm adds 0.01 / 12.
    close(readings.s_w, (0.04_f64 + 0.01 / 12.0).sqrt(), 0.003);

    let by_device: Vec<_> = found
        .technique
        .iter()
        .map(|one| (one.of.words(), one.without_depth.count))
        .collect();
    assert_eq!(by_device.len(), 4);
    assert!(by_device.iter().all(|(name, count)| (*count > 0) == (name == "the department" || name.ends_with("d2"))));
    assert_eq!(found.technique[0].oblique.of, 4 * exams);

    let t = &found.turnaround;
    assert_eq!(
        (t.exams, t.from_exam.exams, t.from_arrival.exams),
        (exams, exams, exams)
    );
    // 09:30 at +01:00 is 08:30 UTC; it came at 09:00, and the result two minutes later.
    close(t.from_exam.median_minutes.yes().unwrap().value, 32.0, 1e-9);
    close(
        t.from_arrival.ninth_tenth_minutes.yes().unwrap().value,
        2.0,
        1e-9,
    );

    let shares = &found.compared;
    assert_eq!(
        (
            shares.without_baseline.count,
            shares.without_baseline_later.count
        ),
        (150, 0)
    );
    let learning: usize = found.learning.iter().map(|one| one.exams).sum();
    assert_eq!((found.learning.len(), learning), (4, exams));
    for one in &found.learning {
        let last = one.blocks.last().unwrap();
        assert_eq!(last.to_exam, one.exams);
        close(one.shown().next().unwrap().1.s_w, 0.2, 0.06);
    }
}

/// Every patient counts once in a band, however often they came.
#[test]
fn a_patient_counts_once_in_a_band() {
    let mut patients = clinic(42, 40, 0.0);
    let widen = |patient: &mut Patient| {
        for exam in &mut patient.history.exams {
            for eye in [&mut exam.eyes.right, &mut exam.eyes.left] {
                eye.iter_mut()
                    .for_each(|mm| *mm = Millimetres::from_um(mm.um() + 4000));
            }
        }
        patient.answers = assess_all(&patient.history, &Parameters::default()).unwrap();
    };
    widen(&mut patients[0]);
    // Nineteen others are seen once only.
    for patient in &mut patients[1..20] {
        patient.history.exams.truncate(1);
    }
    let found = statistics(&patients, Period::default());
    let patients_in: usize = found.reference.iter().map(|band| band.patients).sum();
    // All are over forty from 2020 on, so there is one band; each in it once.
    assert_eq!((found.reference.len(), patients_in), (1, 40));
    let spread = found.reference[0].spread.yes().unwrap();
    let means: Vec<f64> = patients
        .iter()
        .map(|patient| {
            let wide = patient.history.exams.iter().map(|exam| {
                let all = exam.eyes.right.iter().chain(&exam.eyes.left);
                all.map(|mm| mm.mm()).sum::<f64>() / 6.0
            });
            wide.sum::<f64>() / patient.history.exams.len() as f64
        })
        .collect();
    // Medians stand in where readings disagree, so not to the last digit.
    close(spread.mean_mm, means.iter().sum::<f64>() / 40.0, 0.01);
    assert!(
        found.reference[0].p5_mm.yes().is_none(),
        "forty are not seventy-two"
    );
    assert!(!found.reference[0].published.is_empty());
}

/// Exams before the period are what later ones are set against, and nothing else.
#[test]
fn a_period_counts_its_own_exams() {
    let patients = clinic(43, 60, 0.3);
    let from = first_day() + Days::new(CHANGE);
    let found = statistics(
        &patients,
        Period {
            from: Some(from),
            to: None,
        },
    );
    let all = statistics(&patients, Period::default());
    let inside: usize = patients
        .iter()
        .flat_map(|one| &one.history.exams)
        .filter(|exam| exam.date >= from)
        .count();
    assert_eq!(found.seen.exams, inside);
    assert_eq!(found.turnaround.exams, inside);
    let (one, whole) = (
        chart_of(&found, "Maker|Model|d1"),
        chart_of(&all, "Maker|Model|d1"),
    );
    assert_eq!(one.exams, whole.exams);
    let signals = &one.run.yes().unwrap().signals;
    assert!(!signals.is_empty() && signals.iter().all(|one| one.week + Days::new(6) >= from));
    assert!(
        found
            .learning
            .iter()
            .zip(&all.learning)
            .all(|(a, b)| a == b),
        "practice has no period"
    );
}

/// Clocks: what cannot be told is left out with its reason, never counted as quick or slow.
#[test]
fn times_that_cannot_be_told_are_left_out() {
    use super::super::turnaround::{BACKFILL_DAYS, Clock, Times};
    let at = |text: &str| -> Moment { serde_json::from_value(text.into()).unwrap() };
    let utc = |text: &str| Some(text.parse().unwrap());
    let times = |received: &str, made: &str| Times {
        received: utc(received),
        made: utc(made),
    };
    let day = times("2024-05-01T10:00:00Z", "2024-05-01T10:03:00Z");
    let mut clock = Clock::default();
    clock.add(Some(at("2024-05-01T11:30:00+02:00")), day);
    // Without an offset, at midnight, after its result, long ago, without a result.
    clock.add(Some(at("2024-05-01T09:30:00")), day);
    clock.add(Some(at("2024-05-01T00:00:00+02:00")), day);
    clock.add(Some(at("2024-05-01T11:30:00+01:00")), day);
    clock.add(Some(at("2024-04-20T11:30:00+02:00")), day);
    clock.add(
        Some(at("2024-05-01T11:30:00+02:00")),
        Times { made: None, ..day },
    );
    // Our own clock was set back between arrival and result.
    clock.add(
        Some(at("2024-05-01T11:30:00+02:00")),
        times("2024-05-01T10:00:00Z", "2024-05-01T09:50:00Z"),
    );
    let found = clock.finish();
    assert_eq!(
        (found.exams, found.brought_in_later, found.without_result),
        (7, 1, 1)
    );
    let way = &found.from_exam;
    assert_eq!(
        (
            way.exams,
            way.without_offset,
            way.without_time,
            way.clock_wrong
        ),
        (2, 1, 1, 1)
    );
    let way = &found.from_arrival;
    assert_eq!(
        (
            way.exams,
            way.without_offset,
            way.without_time,
            way.clock_wrong
        ),
        (4, 0, 0, 1)
    );
    assert_eq!(
        way.median_minutes,
        Enough::No(NotEnough { have: 4, needed: 6 })
    );
    assert_eq!(BACKFILL_DAYS, 7);
}
