//! The rules about unlabelled exams, events and doubts, kept on invented patients.
//!
//! Every rate of the table in `assess/README.md`, and how far the rules reach their aims:
//!
//!     SHEATHLINE_TABLE_PATIENTS=8000 cargo test --release -p sheathline-model --lib ward -- --nocapture
//!
//! `SHEATHLINE_TABLE_ROWS=labelled,revision_same:2` prints these rows of the table alone.

use super::*;

/// So many a row when nobody says otherwise: a few seconds, and bounds that only a broken rule misses.
const FEW: u64 = 100;

pub(super) fn ward_plan() -> Plan {
    let asked = std::env::var("SHEATHLINE_TABLE_PATIENTS").ok();
    Plan {
        patients: asked.and_then(|n| n.parse().ok()).unwrap_or(FEW),
        ..plan(1)
    }
}

fn ward(situation: Situation, exams: usize) -> SituationRow {
    run_situation(&ward_plan(), situation, exams, &TWO, &|_| {}).unwrap()
}

/// Four standard errors of a share.
fn slack(share: f64) -> f64 {
    4.0 * (share * (1.0 - share) / ward_plan().patients as f64).sqrt()
}

#[track_caller]
fn at_most(what: &str, seen: f64, most: f64) {
    assert!(seen <= most + slack(most), "{what}: {seen} is over {most}");
}

#[track_caller]
fn at_least(what: &str, seen: f64, least: f64) {
    assert!(
        seen >= least - slack(least),
        "{what}: {seen} is under {least}"
    );
}

/// Whether a row is asked for; all are when nobody says which.
pub(super) fn is_asked(situation: Situation, exams: usize) -> bool {
    let Ok(rows) = std::env::var("SHEATHLINE_TABLE_ROWS") else {
        return true;
    };
    let name = situation.word();
    let one = format!("{name}:{exams}");
    rows.split(',').any(|row| row == name || row == one)
}

/// Prints the whole table; run by hand.
#[test]
#[ignore = "minutes"]
fn the_ward_table() {
    for situation in Situation::ALL {
        let all = situation.usual_exams().iter();
        for exams in all.filter(|exams| is_asked(situation, **exams)) {
            let row = ward(situation, *exams);
            let shares = |all: [f64; 5]| all.map(|one| format!("{:6.2}", 100.0 * one)).concat();
            let told = row.told.map(|one| match one {
                Some(one) => format!("{:6.1}", 100.0 * one),
                None => "     -".to_owned(),
            });
            println!(
                "{:<18} {exams} |{} |{} |{}",
                row.situation,
                shares(row.flagged),
                told.concat(),
                shares(row.doubted)
            );
        }
    }
}

#[test]
fn a_failed_revision_within_a_week_is_found() {
    let same = ward(Situation::FailedRevisionSame, 2);
    let [_, _, found, ..] = same.flagged;
    at_least("+0.6 mm, one operator and device", found, 0.80);
    let turns = ward(Situation::FailedRevisionTurns, 2);
    let [_, _, found, ..] = turns.flagged;
    at_least("+0.6 mm, people and devices take turns", found, 0.55);
    for row in [same, turns] {
        let [stable, ..] = row.told;
        at_most("wider again though stable", stable.unwrap(), 0.05);
    }
}

/// With labels about one exam in twenty, whatever the number of earlier ones.
#[test]
fn with_labels_one_exam_in_twenty_is_flagged() {
    for exams in Situation::Labelled.usual_exams() {
        let [stable, ..] = ward(Situation::Labelled, *exams).flagged;
        at_most("flagged", stable, 0.055);
        at_least("flagged", stable, 0.045);
    }
}

#[test]
fn nobody_labelled_and_yet_seldom_flagged() {
    for situation in [Situation::Unlabelled, Situation::CrisisFirst] {
        let row = ward(situation, 2);
        let [stable, _, _, found, _] = row.flagged;
        at_most(row.situation, stable, 0.07);
        at_least(row.situation, found, 0.73);
    }
}

/// A creeping rise is flagged as early as if each day were the first; where exams serve at once it is not.
/// (Of a baseline of one unlabelled exam that is not so in about one of a hundred: a low day before the rise
/// is seen speaks against that exam, and nothing is left.)
#[test]
fn a_creeping_rise_does_not_hide_itself() {
    let told = |provisional_after_days| {
        let plan = Plan {
            patients: 25,
            parameters: Parameters {
                provisional_after_days,
                ..Parameters::default()
            },
            ..ward_plan()
        };
        let row = run_situation(&plan, Situation::Creep, 3, &TWO, &|_| {}).unwrap();
        let [.., told] = row.told;
        told.unwrap()
    };
    assert_eq!(told(Parameters::default().provisional_after_days), 1.0);
    assert!(told(0) < 0.95);
}

/// The table of a seed is the same with any number of hands.
#[test]
fn a_seed_is_a_table_of_situations() {
    let with = |hands: &dyn Hands, seed| {
        let plan = Plan {
            patients: 251,
            seed,
            ..ward_plan()
        };
        run_situation(&plan, Situation::CrisisFirst, 2, hands, &|_| {}).unwrap()
    };
    let one = with(&Alone, 7);
    assert_eq!(one, with(&TWO, 7));
    assert_ne!(one, with(&TWO, 8));
    assert_eq!(one.patients, 251);
}

/// In every situation the exams come in order, each is unlike the one before, and a rise moves nothing but
/// what is measured once it has come.
#[test]
fn a_rise_changes_the_exams_that_show_it_alone() {
    let p = Parameters::default();
    for situation in Situation::ALL {
        for number in 0..20 {
            let invented = |rise_mm| {
                let mut dice = Dice::of(&[5, number]);
                let recipe = recipe::Recipe::of(situation, 3, &p, &mut dice);
                (history::history(&recipe, rise_mm, &p, &mut dice), recipe)
            };
            let (stable, recipe) = invented(0.0);
            let (risen, _) = invented(1.0);
            assert_eq!(recipe.visits.last().unwrap().rise, 1.0);
            let exams = stable.exams.iter().zip(&risen.exams);
            for ((before, after), visit) in exams.zip(&recipe.visits) {
                // The share that stays of a rise, and what was only there without one.
                let mm = visit.rise * (1.0 - recipe.leans) - visit.unwell_mm * visit.rise;
                let right = |exam: &crate::assess::Exam| exam.eyes.right.clone();
                for (one, other) in right(before).iter().zip(right(after)) {
                    assert!((other.mm() - one.mm() - mm).abs() < 0.101, "{situation:?}");
                }
            }
            let days: Vec<_> = stable.exams.iter().map(|e| (e.date, e.time)).collect();
            assert!(days.is_sorted_by(|a, b| a < b), "{situation:?}: {days:?}");
        }
    }
}

#[test]
fn every_situation_has_its_own_name() {
    for situation in Situation::ALL {
        assert_eq!(Situation::named(situation.word()), Some(situation));
        assert_eq!(Scenario::named(situation.word()), None);
    }
}
