//! The exams of one invented patient as a recipe tells.

use super::dice::Dice;
use super::patient::{Crew, DAYS_PER_YEAR, LEVEL_MM, exam, readings};
use super::recipe::{Measured, Recipe, Visit};
use super::scenario::{DEVICES, Design, OPERATORS, People, Sizes};
use crate::assess::{Exam, History, Parameters, Subject};
use crate::domain::{Event, EventKind, Millimetres};
use chrono::{Days, NaiveDate, NaiveTime};

/// Age at the first exam.
const ADULT_DAYS: u64 = 10_950;
/// Width of the nerve divided by that of its sheath: BMC Neurol 2015, doi:10.1186/s12883-015-0361-x
/// (0.63, 0.59 to 0.67).
const NERVE: f64 = 0.63;

/// The exams, with a rise of so many mm. Equal dice make equal errors, whatever the rise.
pub(super) fn history(recipe: &Recipe, rise_mm: f64, p: &Parameters, dice: &mut Dice) -> History {
    let sizes = Sizes::of(p);
    let born = NaiveDate::default();
    let count = recipe.visits.len();
    let (operators, devices, draw) = match recipe.people {
        People::Pool => (OPERATORS, DEVICES, true),
        People::Same => (1, 1, true),
        People::AlwaysOthers => (count, DEVICES, false),
        People::AllOthers => (count, count, false),
    };
    let mut operators = Crew::of(operators, draw, sizes.operator, dice);
    let draw_device = draw || recipe.people == People::AlwaysOthers;
    let mut devices = Crew::of(devices, draw_device, sizes.device, dice);
    let mut person = || Person {
        level: LEVEL_MM.0 + dice.normal(LEVEL_MM.1),
        asymmetry: dice.normal(p.sigma_a),
    };
    let (mut own, other) = (person(), person());
    let mut exams: Vec<Exam> = Vec::with_capacity(count);
    let mut seen: Option<[f64; 2]> = None;
    let mut day = 0;
    for (number, visit) in recipe.visits.iter().enumerate() {
        let years = (visit.day - day) as f64 / DAYS_PER_YEAR;
        day = visit.day;
        own.level += dice.normal((p.q * years).sqrt());
        operators.wander(recipe.wanders_mm * years.sqrt(), dice);
        let (operator, operator_mm) = operators.next(dice);
        let (device, device_mm) = devices.next(dice);
        let session = sizes.session * sizes.session;
        let errors = operator_mm + device_mm + dice.normal((p.rho_s * session).sqrt());
        let widths = true_widths(visit, &own, &other, rise_mm);
        let mut last = seen.into_iter().flatten();
        let eyes = widths.map(|width| {
            let true_mm = width + errors + dice.normal(((1.0 - p.rho_s) * session).sqrt());
            let leans = last
                .next()
                .map_or(0.0, |last| recipe.leans * (last - true_mm));
            readings(&Design::default(), dice, true_mm + leans, &sizes, p)
        });
        seen = Some(eyes.each_ref().map(|eye| mean(eye)));
        let date = born + Days::new(ADULT_DAYS + visit.day);
        exams.push(Exam {
            time: visit
                .hour
                .and_then(|hour| NaiveTime::from_hms_opt(hour, 0, 0)),
            label: visit.label,
            ..exam(number, date, operator, device, eyes)
        });
    }
    let revision = |day: &u64| Event {
        date: born + Days::new(ADULT_DAYS + day),
        kind: EventKind::ShuntRevision,
    };
    History {
        patient: Subject {
            id: "invented".to_owned(),
            birth_date: Some(born),
            events: recipe.revisions.iter().map(revision).collect(),
        },
        exams,
    }
}

/// What one person's sheaths measure in health.
struct Person {
    level: f64,
    asymmetry: f64,
}

/// Right and left, without error of any kind.
fn true_widths(visit: &Visit, own: &Person, other: &Person, rise_mm: f64) -> [f64; 2] {
    let rise = rise_mm * visit.rise;
    let unwell = if rise > 0.0 { 0.0 } else { visit.unwell_mm };
    let of = |person: &Person| {
        [1.0, -1.0].map(|side| {
            person.level + side * person.asymmetry / 2.0 + visit.wider_mm + unwell + rise
        })
    };
    match visit.measured {
        Measured::Sheath => of(own),
        Measured::Nerve => of(own).map(|mm| NERVE * mm),
        Measured::Exchanged => {
            let [right, left] = of(own);
            [left, right]
        }
        Measured::AnotherPerson => of(other),
    }
}

fn mean(eye: &[Millimetres]) -> f64 {
    eye.iter().map(|length| length.mm()).sum::<f64>() / eye.len().max(1) as f64
}
