//! How often a stable person whose exams nobody has labelled is flagged, and how often a rise is found:
//! invented patients drawn from the model.

use super::*;
use crate::simulate::Dice;
use chrono::Days;

/// False flags and +0.8 mm found, in percent.
#[derive(Debug, Clone, Copy)]
struct Rates {
    flagged: f64,
    found: f64,
}

/// So many earlier exams, 40 to 500 days apart, by five operators with four devices; in a share of the
/// patients the first one was taken in a crisis of +0.8 mm.
fn unlabelled(earlier: usize, crisis: f64, dice: &mut Dice) -> Question {
    let p = Parameters::default();
    let level = 5.5 + dice.normal(0.6);
    let asymmetry = dice.normal(p.sigma_a);
    let operators: Vec<f64> = (0..5).map(|_| dice.normal(p.sigma_o)).collect();
    let devices: Vec<f64> = (0..4).map(|_| dice.normal(p.sigma_d)).collect();
    let ill = dice.uniform() < crisis;
    let (mut date, mut drift) = (day("2015-01-01"), 0.0);
    let exams = (0..=earlier).map(|number| {
        if number > 0 {
            let days = 40 + dice.below(461);
            date = date + Days::new(days);
            drift += dice.normal((p.q * days as f64 / 365.25).sqrt());
        }
        let (operator, device) = (dice.below(5) as usize, dice.below(4) as usize);
        let shared = level
            + drift
            + operators[operator]
            + devices[device]
            + dice.normal((p.rho_s * p.sigma_s * p.sigma_s).sqrt())
            + if number == 0 && ill { 0.8 } else { 0.0 };
        let mut eye = |side: f64| -> Vec<f64> {
            let own = dice.normal(((1.0 - p.rho_s) * p.sigma_s * p.sigma_s).sqrt());
            let true_mm = shared + side * asymmetry / 2.0 + own;
            let mut reading = || true_mm + dice.normal(p.sigma_w);
            (0..3).map(|_| (reading() * 10.0).round() / 10.0).collect()
        };
        let (right, left) = (eye(1.0), eye(-1.0));
        let mut exam = exam(&number.to_string(), &date.to_string(), &right, &left);
        exam.label = None;
        exam.operator = Some(operator.to_string());
        exam.device = Some(device.to_string());
        exam
    });
    let exams: Vec<Exam> = exams.collect();
    question(adult(), exams)
}

fn rates(earlier: usize, crisis: f64, patients: u64) -> Rates {
    let count = |from: u64| {
        let (mut flagged, mut found) = (0_u64, 0_u64);
        for number in (from..patients).step_by(2) {
            let mut dice = Dice::of(&[17, earlier as u64, (crisis * 100.0) as u64, number]);
            let mut question = unlabelled(earlier, crisis, &mut dice);
            flagged += u64::from(assess(&question).expect("an answer").flagged);
            let today = question.exams.last_mut().expect("an exam");
            for length in today.eyes.right.iter_mut().chain(&mut today.eyes.left) {
                *length = Millimetres::from_um(length.um() + 800);
            }
            found += u64::from(assess(&question).expect("an answer").flagged);
        }
        (flagged, found)
    };
    let (one, other) = std::thread::scope(|scope| {
        let other = scope.spawn(|| count(1));
        (count(0), other.join().expect("counted"))
    });
    let percent = |count: u64| 100.0 * count as f64 / patients as f64;
    Rates {
        flagged: percent(one.0 + other.0),
        found: percent(one.1 + other.1),
    }
}

/// Published nowhere: worked out beforehand by a separate program, 6,000 patients a row, with a Monte
/// Carlo error of 0.3 and 0.5; so many here. The bounds are three errors of both.
#[test]
#[ignore = "minutes"]
fn unlabelled_people_are_flagged_as_seldom_as_worked_out() {
    let table = [
        (2, 0.0, 5.6, 83.0),
        (3, 0.0, 5.5, 88.0),
        (5, 0.0, 5.0, 92.0),
        (2, 0.3, 5.5, 76.0),
        (3, 0.3, 5.2, 84.0),
        (5, 0.3, 5.1, 90.0),
    ];
    for (earlier, crisis, flagged, found) in table {
        let rates = rates(earlier, crisis, 6000);
        println!("{earlier} exams, first in a crisis {crisis}: {rates:.2?}");
        close(rates.flagged, flagged, 3.0 * 0.3 * f64::sqrt(2.0));
        close(rates.found, found, 3.0 * 0.5 * f64::sqrt(2.0));
    }
}

/// The same, fewer, whenever tests run: under 7 percent, and most rises are found.
#[test]
fn unlabelled_people_are_seldom_flagged() {
    let rates = rates(3, 0.0, 600);
    assert!(rates.flagged < 7.0 + 3.0 * 0.9, "{rates:?}");
    assert!(rates.found > 88.0 - 3.0 * 1.4, "{rates:?}");
}
