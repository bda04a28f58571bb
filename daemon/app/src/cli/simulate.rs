//! `simulate`: the promises of the comparison on invented patients.

use super::args::SimulateArgs;
use super::{Code, Failure, context, print};
use sheathline_model::assess::{Parameters, QuestionError};
use sheathline_model::simulate::{
    self, Hands, MAX_BASELINE_EXAMS, Plan, RISES_MM, Row, Rule, SITUATION_RISES_MM, Scenario,
    Situation, SituationRow,
};
use std::io::IsTerminal;
use std::sync::atomic::{AtomicU64, Ordering};

/// The most patients a row; beyond it nothing more is learnt.
const MAX_PATIENTS: u64 = 10_000_000;

/// Numbers of baseline exams of a scenario where none are given.
const USUAL_EXAMS: &[usize] = &[1, 3];

/// One row of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cell {
    Scenario(Scenario, usize),
    Situation(Situation, usize),
}

/// So many threads, each of which takes the next piece.
struct Threads(usize);

impl Hands for Threads {
    fn share(&self, pieces: u64, work: &(dyn Fn(u64) + Sync)) {
        let next = AtomicU64::new(0);
        let take = || {
            loop {
                let piece = next.fetch_add(1, Ordering::Relaxed);
                if piece >= pieces {
                    return;
                }
                work(piece);
            }
        };
        std::thread::scope(|scope| {
            for _ in 1..self.0 {
                scope.spawn(take);
            }
            take();
        });
    }
}

/// `simulate`: one row for each scenario or situation and number of earlier exams.
pub(super) fn simulate(args: &SimulateArgs) -> Result<(), Failure> {
    let cells = cells(args)?;
    let parameters = match &args.config.config {
        Some(path) => context::config(path)?.baseline,
        None => Parameters::default(),
    };
    let plan = Plan {
        patients: args.patients,
        seed: args.seed,
        parameters,
    };
    let hands = Threads(std::thread::available_parallelism().map_or(1, usize::from));
    let total = args.patients.saturating_mul(cells.len() as u64);
    let bar = std::io::stderr()
        .is_terminal()
        .then(|| print::progress("simulating patients", total));
    let progress = |done| {
        if let Some(bar) = &bar {
            bar.inc(done);
        }
    };
    let mut rows = Vec::new();
    let mut situations = Vec::new();
    for cell in cells {
        let wrong = |error: QuestionError| Failure::of(Code::Usage, error);
        match cell {
            Cell::Scenario(scenario, k) => {
                let row = simulate::run(&plan, scenario, k, &hands, &progress).map_err(wrong)?;
                rows.push((scenario, row));
            }
            Cell::Situation(situation, k) => {
                let row = simulate::run_situation(&plan, situation, k, &hands, &progress);
                situations.push((situation, row.map_err(wrong)?));
            }
        }
    }
    if let Some(bar) = &bar {
        bar.finish_and_clear();
    }
    if args.json {
        rows.iter().try_for_each(|(_, row)| print::json(row))?;
        return situations.iter().try_for_each(|(_, row)| print::json(row));
    }
    print::line(format_args!(
        "{} invented patients a row, seed {}; shares from 0 to 1, rises and changes in mm",
        args.patients, args.seed
    ));
    if !rows.is_empty() {
        show(&rows);
    }
    if !situations.is_empty() {
        show_situations(&situations);
    }
    print::line(
        "Patients are drawn from the model itself: this shows that the arithmetic keeps its \
         promise, not that a clinic behaves so.",
    );
    Ok(())
}

/// The rows asked for, each once, in the order of the tables.
fn cells(args: &SimulateArgs) -> Result<Vec<Cell>, Failure> {
    for word in &args.scenario {
        if Scenario::named(word).is_none() && Situation::named(word).is_none() {
            let words = Scenario::ALL.map(Scenario::word).into_iter();
            let words = words.chain(Situation::ALL.map(Situation::word));
            return Err(Failure::usage(format!(
                "{word:?} is no scenario and no situation; write one of {}",
                words.collect::<Vec<_>>().join(", ")
            )));
        }
    }
    if let Some(k) = args
        .k
        .iter()
        .find(|k| !(1..=MAX_BASELINE_EXAMS).contains(k))
    {
        return Err(Failure::usage(format!(
            "{k} baseline exams cannot be simulated; write 1 to {MAX_BASELINE_EXAMS}"
        )));
    }
    if !(1..=MAX_PATIENTS).contains(&args.patients) {
        return Err(Failure::usage(format!(
            "{} patients cannot be simulated; write 1 to {MAX_PATIENTS}",
            args.patients
        )));
    }
    let mut numbers = args.k.clone();
    numbers.sort_unstable();
    numbers.dedup();
    let exams = |usual: &[usize]| {
        if numbers.is_empty() {
            usual.to_vec()
        } else {
            numbers.clone()
        }
    };
    let named = |own: &str| args.scenario.iter().any(|word| word == own);
    let all_scenarios = args.scenario.is_empty() && !args.situations;
    let scenarios = Scenario::ALL.into_iter();
    let scenarios = scenarios
        .filter(|one| all_scenarios || named(one.word()))
        .flat_map(|one| {
            exams(USUAL_EXAMS)
                .into_iter()
                .map(move |k| Cell::Scenario(one, k))
        });
    let situations = Situation::ALL.into_iter();
    let situations = situations
        .filter(|one| args.situations || named(one.word()))
        .flat_map(|one| {
            let numbers = exams(one.usual_exams()).into_iter();
            numbers.map(move |k| Cell::Situation(one, k))
        });
    Ok(scenarios.chain(situations).collect())
}

fn show(rows: &[(Scenario, Row)]) {
    print::line("");
    print::line("EACH PATIENT AGAINST THEIR OWN BASELINE");
    let rises = RISES_MM
        .map(|rise| format!("{:>6}", format!("+{rise:.1}")))
        .concat();
    print::line(format_args!(
        "{:<18} {:>2} {:>7} {:>6} {:>6} {:>7} {rises} {:>9} {:>9}",
        "", "k", "false", "well", "", "covers", "smallest", "not com-"
    ));
    print::line(format_args!(
        "{:<18} {:>2} {:>7} {:>6} {:>6} {:>7} {:<24} {:>9} {:>9}",
        "scenario", "", "flags", "above", "below", "95 %", "   found", "change", "parable"
    ));
    for (_, row) in rows {
        let found = row.found.map(|share| format!("{share:>6.3}")).concat();
        print::line(format_args!(
            "{:<18} {:>2} {:>7.3} {:>6.3} {:>6.3} {:>7} {found} {:>9} {:>9.3}",
            row.scenario,
            row.baseline_exams,
            row.false_flags,
            row.well_above,
            row.below,
            number(row.coverage_95),
            number(row.smallest_change_mm),
            row.not_comparable
        ));
    }
    print::line("");
    print::line(
        "SIMPLER RULES ON THE SAME PATIENTS: false flags / found at +0.5 +0.8 +1.0 +1.2, %",
    );
    let headings = Rule::ALL
        .map(|rule| format!(" {:>18}", rule.heading()))
        .concat();
    print::line(format_args!("{:<18} {:>2}{headings}", "scenario", "k"));
    for (_, row) in rows {
        let cells = row.simple_rules.map(|rule| {
            let found = rule.found.map(|share| format!(" {:>3.0}", 100.0 * share));
            format!(
                " {:>18}",
                format!("{:.0} /{}", 100.0 * rule.false_flags, found.concat())
            )
        });
        print::line(format_args!(
            "{:<18} {:>2}{}",
            row.scenario,
            row.baseline_exams,
            cells.concat()
        ));
    }
    print::line("");
    let mut last = None;
    for (scenario, _) in rows
        .iter()
        .filter(|(one, _)| last.replace(*one) != Some(*one))
    {
        print::line(format_args!("{:<18} {}", scenario.word(), scenario.says()));
    }
}

fn show_situations(rows: &[(Situation, SituationRow)]) {
    print::line("");
    print::line(
        "SITUATIONS OF A WARD: share flagged and share told without a rise and with one of so many mm; \
         doubted at the largest",
    );
    let rises = SITUATION_RISES_MM
        .map(|rise| {
            if rise > 0.0 {
                format!("{:>6}", format!("+{rise:.1}"))
            } else {
                format!("{:>6}", "none")
            }
        })
        .concat();
    print::line(format_args!(
        "{:<18} {:>2} {:<30}   {:<30} {:>7}",
        "situation", "k", "flagged", "told", "doubted"
    ));
    print::line(format_args!("{:<18} {:>2} {rises}   {rises}", "", ""));
    for (_, row) in rows {
        let flagged = row.flagged.map(|share| format!("{share:>6.3}")).concat();
        let told = row.told.map(|share| format!("{:>6}", number(share)));
        let [.., doubted] = row.doubted;
        print::line(format_args!(
            "{:<18} {:>2} {flagged}   {} {doubted:>7.4}",
            row.situation,
            row.exams,
            told.concat()
        ));
    }
    print::line("");
    let mut last = None;
    for (situation, _) in rows
        .iter()
        .filter(|(one, _)| last.replace(*one) != Some(*one))
    {
        print::line(format_args!(
            "{:<18} {}",
            situation.word(),
            situation.says()
        ));
    }
}

fn number(value: Option<f64>) -> String {
    value.map_or("-".to_owned(), |value| format!("{value:.3}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::args::{Command, QualityCommand};

    fn asked(words: &[&str]) -> Result<Vec<Cell>, Failure> {
        use clap::Parser;
        let words = ["sheathline", "simulate"].iter().chain(words);
        let cli = super::super::Cli::try_parse_from(words)
            .map_err(|error| Failure::of(Code::Usage, error))?;
        match cli.command {
            Command::Quality(QualityCommand::Simulate(args)) => cells(&args),
            _ => Err(Failure::usage("another command")),
        }
    }

    #[test]
    fn rows_are_those_asked_for_each_once() {
        assert_eq!(asked(&[]).unwrap().len(), 30);
        let two = [
            "--scenario",
            "noisy_site",
            "adult_pool",
            "adult_pool",
            "--k",
            "3,1,3",
        ];
        let expected = [
            Cell::Scenario(Scenario::AdultPool, 1),
            Cell::Scenario(Scenario::AdultPool, 3),
            Cell::Scenario(Scenario::NoisySite, 1),
            Cell::Scenario(Scenario::NoisySite, 3),
        ];
        assert_eq!(asked(&two).unwrap(), expected);
    }

    /// Situations have numbers of exams of their own, and stand behind the scenarios.
    #[test]
    fn situations_are_asked_for_by_name_or_all_together() {
        let named = ["--scenario", "creep", "adult_pool", "crisis_first"];
        let expected = [
            Cell::Scenario(Scenario::AdultPool, 1),
            Cell::Scenario(Scenario::AdultPool, 3),
            Cell::Situation(Situation::CrisisFirst, 2),
            Cell::Situation(Situation::CrisisFirst, 3),
            Cell::Situation(Situation::CrisisFirst, 5),
            Cell::Situation(Situation::Creep, 1),
            Cell::Situation(Situation::Creep, 3),
        ];
        assert_eq!(asked(&named).unwrap(), expected);
        let all = asked(&["--situations", "--k", "2"]).unwrap();
        let expected = Situation::ALL.map(|one| Cell::Situation(one, 2));
        assert_eq!(all, expected);
    }

    #[test]
    fn what_cannot_be_simulated_is_said() {
        for (words, says) in [
            (
                ["--scenario", "adults"],
                "\"adults\" is no scenario and no situation; write one of adult_pool, ",
            ),
            (
                ["--k", "0"],
                "0 baseline exams cannot be simulated; write 1 to 20",
            ),
            (["--k", "21"], "21 baseline exams"),
            (["--patients", "0"], "0 patients cannot be simulated"),
        ] {
            let failure = asked(&words).unwrap_err();
            assert_eq!(failure.code(), crate::cli::failure::Code::Usage);
            assert!(failure.to_string().starts_with(says), "{failure}");
        }
    }
}
