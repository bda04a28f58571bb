//! What doubts cost people who are well, and how often a rise is missed for them.

use super::*;
use crate::assess::{History, Notice, assess_all};
use crate::simulate::{Scenario, question as invented};

const DOUBTS: [Notice; 3] = [
    Notice::NerveSuspected,
    Notice::SameAsEarlierExam,
    Notice::SidesExchangedSuspected,
];

/// Flags of one variant at no rise and at +0.5 and +0.8 mm.
#[derive(Default)]
struct Found([u64; 3]);

const RISES_MM: [f64; 3] = [0.0, 0.5, 0.8];

impl Found {
    fn add(&mut self, question: &Question) {
        for (rise, found) in RISES_MM.iter().zip(&mut self.0) {
            let mut asked = question.clone();
            let today = asked.exams.last_mut().unwrap();
            for mm in today.eyes.right.iter_mut().chain(&mut today.eyes.left) {
                *mm = Millimetres::from_um(mm.um() + (rise * 1000.0) as i64);
            }
            *found += u64::from(assess(&asked).unwrap().flagged);
        }
    }
}

/// Nobody labelled, five earlier exams: as it is, and with every doubted exam brought back by a label.
fn costs(patients: u64) -> (f64, [[f64; 3]; 2], [u64; 3], u64) {
    let (mut barred, mut free) = (Found::default(), Found::default());
    let (mut told, mut exams) = ([0; 3], 0);
    for number in 0..patients {
        let mut asked =
            invented(Scenario::AdultPool, 5, &Parameters::default(), 23, number).unwrap();
        for exam in &mut asked.exams {
            exam.label = None;
        }
        let history = History {
            patient: asked.patient.clone(),
            exams: asked.exams.clone(),
        };
        let all = assess_all(&history, &asked.parameters).unwrap();
        exams += all.len() as u64;
        let mut doubted = Vec::new();
        for (id, answer) in &all {
            for (notice, count) in DOUBTS.iter().zip(&mut told) {
                *count += u64::from(answer.notices.contains(notice));
            }
            if answer.notices.iter().any(|notice| notice.is_doubt()) && *id != asked.assess {
                doubted.push(id.clone());
            }
        }
        barred.add(&asked);
        for exam in &mut asked.exams {
            if doubted.contains(&exam.id) {
                exam.label = Some(Label::Well);
            }
        }
        free.add(&asked);
    }
    let share = |found: Found| found.0.map(|count| count as f64 / patients as f64);
    let doubts = told.iter().sum::<u64>() as f64 / exams as f64;
    (doubts, [share(barred), share(free)], told, exams)
}

#[test]
fn doubts_cost_people_who_are_well_next_to_nothing() {
    let (doubts, [barred, free], ..) = costs(250);
    assert!(doubts < 0.01, "{doubts}");
    for (barred, free) in barred.iter().zip(free) {
        assert!((barred - free).abs() <= 0.012, "{barred} {free}");
    }
}

/// The numbers for the manual; takes minutes.
#[test]
#[ignore = "a measurement"]
fn what_doubts_cost() {
    let (_, [barred, free], told, exams) = costs(6000);
    println!("{DOUBTS:?}: {told:?} of {exams} exams");
    println!(
        "flagged at +0, +0.5, +0.8: {barred:?}; with every doubted exam brought back {free:?}"
    );
}
