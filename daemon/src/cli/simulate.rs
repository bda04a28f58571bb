//! `simulate`: the promises of the comparison on invented patients.

use super::args::SimulateArgs;
use super::{Failure, open, print};
use crate::assess::Parameters;
use crate::simulate::{self, MAX_BASELINE_EXAMS, Plan, RISES_MM, Row, Rule, Scenario};
use std::io::IsTerminal;

/// The most patients a row; beyond it nothing more is learnt.
const MAX_PATIENTS: u64 = 10_000_000;

/// `simulate`: one row for each scenario and number of baseline exams.
pub(super) fn simulate(args: &SimulateArgs) -> Result<(), Failure> {
    let cells = cells(args)?;
    let parameters = match &args.config {
        Some(path) => open::config(path)?.baseline,
        None => Parameters::default(),
    };
    let plan = Plan {
        patients: args.patients,
        seed: args.seed,
        parameters,
        threads: std::thread::available_parallelism().map_or(1, usize::from),
    };
    let total = args.patients.saturating_mul(cells.len() as u64);
    let bar = std::io::stderr()
        .is_terminal()
        .then(|| print::progress("simulating patients", total));
    let progress = |done| {
        if let Some(bar) = &bar {
            bar.inc(done);
        }
    };
    let mut rows = Vec::with_capacity(cells.len());
    for (scenario, baseline_exams) in cells {
        let row = simulate::run(&plan, scenario, baseline_exams, &progress)
            .map_err(|error| Failure::Usage(error.to_string()))?;
        rows.push((scenario, row));
    }
    if let Some(bar) = &bar {
        bar.finish_and_clear();
    }
    if args.json {
        return rows.iter().try_for_each(|(_, row)| print::json(row));
    }
    show(&rows, args);
    Ok(())
}

/// The rows asked for, each once, in the order of the scenarios.
fn cells(args: &SimulateArgs) -> Result<Vec<(Scenario, usize)>, Failure> {
    for word in &args.scenario {
        if Scenario::named(word).is_none() {
            let words = Scenario::ALL.map(Scenario::word).join(", ");
            return Err(Failure::Usage(format!(
                "{word:?} is no scenario; write one of {words}"
            )));
        }
    }
    if let Some(k) = args
        .k
        .iter()
        .find(|k| !(1..=MAX_BASELINE_EXAMS).contains(k))
    {
        return Err(Failure::Usage(format!(
            "{k} baseline exams cannot be simulated; write 1 to {MAX_BASELINE_EXAMS}"
        )));
    }
    if !(1..=MAX_PATIENTS).contains(&args.patients) {
        return Err(Failure::Usage(format!(
            "{} patients cannot be simulated; write 1 to {MAX_PATIENTS}",
            args.patients
        )));
    }
    let mut numbers = args.k.clone();
    numbers.sort_unstable();
    numbers.dedup();
    let wanted = |scenario: &Scenario| {
        args.scenario.is_empty() || args.scenario.iter().any(|word| word == scenario.word())
    };
    let scenarios = Scenario::ALL.into_iter().filter(wanted);
    Ok(scenarios
        .flat_map(|scenario| numbers.iter().map(move |k| (scenario, *k)))
        .collect())
}

fn show(rows: &[(Scenario, Row)], args: &SimulateArgs) {
    print::line(format_args!(
        "{} invented patients a row, seed {}; shares from 0 to 1, rises and changes in mm",
        args.patients, args.seed
    ));
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
    print::line(
        "Patients are drawn from the model itself: this shows that the arithmetic keeps its \
         promise, not that a clinic behaves so.",
    );
}

fn number(value: Option<f64>) -> String {
    value.map_or("-".to_owned(), |value| format!("{value:.3}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(words: &[&str]) -> Result<Vec<(Scenario, usize)>, Failure> {
        use clap::Parser;
        let words = ["sheathline", "simulate"].iter().chain(words);
        let cli = super::super::Cli::try_parse_from(words).map_err(Failure::no)?;
        match cli.command {
            super::super::args::Command::Simulate(args) => cells(&args),
            _ => Err(Failure::No("another command".to_owned())),
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
            (Scenario::AdultPool, 1),
            (Scenario::AdultPool, 3),
            (Scenario::NoisySite, 1),
            (Scenario::NoisySite, 3),
        ];
        assert_eq!(asked(&two).unwrap(), expected);
    }

    #[test]
    fn what_cannot_be_simulated_is_said() {
        for (words, says) in [
            (
                ["--scenario", "adults"],
                "\"adults\" is no scenario; write one of adult_pool, ",
            ),
            (
                ["--k", "0"],
                "0 baseline exams cannot be simulated; write 1 to 20",
            ),
            (["--k", "21"], "21 baseline exams"),
            (["--patients", "0"], "0 patients cannot be simulated"),
        ] {
            let failure = asked(&words).unwrap_err();
            assert!(matches!(failure, Failure::Usage(_)));
            assert!(failure.to_string().starts_with(says), "{failure}");
        }
    }
}
