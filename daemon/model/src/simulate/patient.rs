//! One invented, stable patient.

use super::dice::Dice;
use super::scenario::{DEVICES, Design, OPERATORS, People, SPACING_DAYS, Scenario, Sizes};
use crate::assess::{Exam, KnownErrors, Modality, Parameters, PerEye, Question, Subject};
use crate::domain::{Label, Millimetres};
use chrono::{Days, NaiveDate};

/// Mean and SD of the widths of healthy people, mm, as the simple cutoffs meet them. The comparison
/// itself does not depend on them.
pub(super) const LEVEL_MM: (f64, f64) = (5.5, 0.6);
/// SD of a gross reading error, mm.
const GROSS_MM: f64 = 0.8;
pub(super) const DAYS_PER_YEAR: f64 = 365.25;

/// A question about an exam at which nothing has changed, after so many well baseline exams.
pub(super) fn invent(
    scenario: Scenario,
    baseline_exams: usize,
    p: &Parameters,
    dice: &mut Dice,
) -> Question {
    let design = scenario.design();
    let sizes = design.sizes.unwrap_or(Sizes::of(p));
    let born = NaiveDate::default();
    let first = born + Days::new(design.first_age_days);
    // Operators and devices are drawn anew for each patient, so that patients are independent.
    let (operators, devices, draw) = match design.people {
        People::Pool => (OPERATORS, DEVICES, true),
        People::Same => (1, 1, true),
        People::AlwaysOthers => (baseline_exams + 1, DEVICES, false),
        People::AllOthers => (baseline_exams + 1, baseline_exams + 1, false),
    };
    let mut operators = Crew::of(operators, draw, sizes.operator, dice);
    let mut devices = Crew::of(
        devices,
        design.people != People::AllOthers,
        sizes.device,
        dice,
    );
    let wrong = dice.below(baseline_exams as u64) as usize;
    let mut level = LEVEL_MM.0 + dice.normal(LEVEL_MM.1);
    let asymmetry = dice.normal(p.sigma_a);
    let growth = p.growth_g + dice.normal(p.growth_sd);
    let mut date = first;
    let mut exams = Vec::with_capacity(baseline_exams + 1);
    for number in 0..=baseline_exams {
        let today = number == baseline_exams;
        let days = match number {
            0 => 0,
            _ if today => {
                let (least, most) = design.gap_days;
                least + dice.below(most - least + 1)
            }
            _ => SPACING_DAYS,
        };
        date = date + Days::new(days);
        level += dice.normal((p.q * days as f64 / DAYS_PER_YEAR).sqrt());
        let log_age = |at: NaiveDate| {
            let years = (at - born).num_days() as f64 / DAYS_PER_YEAR;
            libm::log(years.clamp(p.growth_min, p.growth_stop))
        };
        let (operator, operator_mm) = operators.next(dice);
        let (device, device_mm) = devices.next(dice);
        let fault = match today {
            true => design.operator_shift_mm,
            false if number == wrong => design.wrong_exam_mm,
            false => 0.0,
        };
        let session = sizes.session * sizes.session;
        let shared = level
            + growth * (log_age(date) - log_age(first))
            + operator_mm
            + device_mm
            + fault
            + error(&design, dice, (p.rho_s * session).sqrt());
        let eyes = [1.0, -1.0].map(|side| {
            let own = error(&design, dice, ((1.0 - p.rho_s) * session).sqrt());
            readings(
                &design,
                dice,
                shared + side * asymmetry / 2.0 + own,
                &sizes,
                p,
            )
        });
        exams.push(Exam {
            label: (!today).then_some(Label::Well),
            ..exam(number, date, operator, device, eyes)
        });
    }
    Question {
        patient: Subject {
            id: "invented".to_owned(),
            birth_date: Some(born),
            events: Vec::new(),
        },
        exams,
        assess: baseline_exams.to_string(),
        parameters: *p,
    }
}

/// An exam without a label and with nothing known beside its readings, right eye first.
pub(super) fn exam(
    number: usize,
    date: NaiveDate,
    operator: usize,
    device: usize,
    [right, left]: [Vec<Millimetres>; 2],
) -> Exam {
    Exam {
        id: number.to_string(),
        date,
        time: None,
        label: None,
        operator: Some(operator.to_string()),
        device: Some(device.to_string()),
        definition: None,
        eyes: PerEye { right, left },
        planes: PerEye::default(),
        modality: Modality::Ultrasound,
        excluded: None,
        step_mm: PerEye::default(),
        eyeball_mm: PerEye::default(),
        known: KnownErrors::default(),
    }
}

fn error(design: &Design, dice: &mut Dice, sd: f64) -> f64 {
    if design.heavy {
        dice.heavy(sd)
    } else {
        dice.normal(sd)
    }
}

pub(super) fn readings(
    design: &Design,
    dice: &mut Dice,
    eye: f64,
    sizes: &Sizes,
    p: &Parameters,
) -> Vec<Millimetres> {
    let step = p.resolution.max(0.001);
    (0..design.readings)
        .filter_map(|_| {
            let mut value = eye + error(design, dice, sizes.reading);
            if design.gross_share > 0.0 && dice.uniform() < design.gross_share {
                value += dice.normal(GROSS_MM);
            }
            Millimetres::from_mm((value / step).round() * step)
        })
        .collect()
}

/// Offsets of those who take turns.
pub(super) struct Crew {
    offsets: Vec<f64>,
    /// Draw for each exam, or go on to the next one.
    draw: bool,
    met: usize,
}

impl Crew {
    pub(super) fn of(size: usize, draw: bool, sd: f64, dice: &mut Dice) -> Self {
        Crew {
            offsets: (0..size).map(|_| dice.normal(sd)).collect(),
            draw,
            met: 0,
        }
    }

    /// Number and offset of the next one.
    pub(super) fn next(&mut self, dice: &mut Dice) -> (usize, f64) {
        let number = if self.draw {
            dice.below(self.offsets.len() as u64) as usize
        } else {
            self.met
        };
        self.met += 1;
        (number, self.offsets.get(number).copied().unwrap_or(0.0))
    }
    /// Every offset becomes another by so much.
    pub(super) fn wander(&mut self, sd: f64, dice: &mut Dice) {
        if sd > 0.0 {
            for offset in &mut self.offsets {
                *offset += dice.normal(sd);
            }
        }
    }
}
