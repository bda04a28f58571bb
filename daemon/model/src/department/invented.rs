//! An invented department, for tests: five operators, one of whom reads 0.3 mm high.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "only tests come here"
)]

use super::{Patient, Reported};
use crate::assess::{Exam, History, KnownErrors, Modality, Parameters, PerEye, Subject as Person};
use crate::domain::{Label, Millimetres, Moment};
use crate::simulate::Dice;
use chrono::{Days, NaiveDate};
use std::collections::BTreeMap;

const OPERATORS: u64 = 5;
/// How far operator 0 reads above the four others, who read alike.
const HIGH_MM: f64 = 0.3;

/// Patients of the department, each with so many exams labelled well, with so many devices that read
/// apart as the parameters say.
#[must_use]
pub fn department(seed: u64, patients: u64, exams: u64, devices: u64) -> Vec<Patient> {
    let p = Parameters::default();
    let mut dice = Dice::of(&[16]);
    let reads: Vec<f64> = (0..devices).map(|_| dice.normal(p.sigma_d)).collect();
    let patient = |number: u64| {
        let mut dice = Dice::of(&[17, seed, number]);
        let (mut level, side) = (5.5 + dice.normal(0.6), dice.normal(p.sigma_a) / 2.0);
        let mut day = NaiveDate::from_ymd_opt(2021, 1, 4).unwrap();
        let mut told = BTreeMap::new();
        let mut all = Vec::new();
        for at in 0..exams {
            let operator = dice.below(OPERATORS);
            let device = dice.below(devices) as usize;
            let offset = reads[device] + if operator == 0 { HIGH_MM } else { 0.0 };
            let shared = level + offset + dice.normal(p.sigma_s * p.rho_s.sqrt());
            let mut eye = |side: f64| -> Vec<Millimetres> {
                let own = shared + side + dice.normal(p.sigma_s * (1.0 - p.rho_s).sqrt());
                let mut reading = || own + dice.normal(p.sigma_w);
                (0..3)
                    .map(|_| Millimetres::from_mm((reading() * 10.0).round() / 10.0).unwrap())
                    .collect()
            };
            let eyes = PerEye {
                right: eye(side),
                left: eye(-side),
            };
            let repeats =
                [&eyes.right, &eyes.left].map(|eye| eye.iter().map(|one| one.mm()).collect());
            let id = format!("E{at}");
            told.insert(
                id.clone(),
                Reported {
                    performed_at: Some(Moment {
                        local: day.and_hms_opt(9, 30, 0).unwrap(),
                        offset_s: None,
                    }),
                    repeats: repeats.to_vec(),
                    ..Reported::default()
                },
            );
            all.push(Exam {
                id,
                date: day,
                time: None,
                label: Some(Label::Well),
                operator: Some(format!("Operator {operator}")),
                device: Some(format!("Maker|Model|{device}")),
                definition: None,
                eyes,
                planes: PerEye::default(),
                modality: Modality::Ultrasound,
                excluded: None,
                step_mm: PerEye::default(),
                eyeball_mm: PerEye::default(),
                known: KnownErrors::default(),
            });
            day = day + Days::new(120);
            level += dice.normal((p.q * 120.0 / 365.25).sqrt());
        }
        Patient {
            history: History {
                patient: Person {
                    id: number.to_string(),
                    birth_date: NaiveDate::from_ymd_opt(1980, 1, 1),
                    events: Vec::new(),
                },
                exams: all,
            },
            answers: BTreeMap::new(),
            told,
        }
    };
    (0..patients).map(patient).collect()
}
