//! How long charts run until they signal: simulated, beside published tables.

use super::super::charts::{
    CUSUM_LIMIT, CUSUM_SLACK, Cusum, Ewma, LAMBDA, Rule, SHEWHART, against_earlier, chart,
    ewma_limit,
};
use super::*;

/// Exams until the first signal of a rule.
fn length(rule: Rule, mut next: impl FnMut() -> f64) -> usize {
    let mut average = Ewma::new(0.0, LAMBDA, ewma_limit());
    let mut sums = Cusum::new(0.0, CUSUM_SLACK, CUSUM_LIMIT);
    for exam in 1.. {
        let value = next();
        let broken = match rule {
            Rule::Shewhart => value.abs() > SHEWHART,
            Rule::Ewma => average.step(value, exam).is_some(),
            Rule::Cusum => sums.step(value, exam).is_some(),
        };
        if broken {
            return exam;
        }
    }
    unreachable!("a chart that never signals")
}

/// Mean exams to a signal under a shift from the first exam on; the test below holds it against the
/// tables.
pub(super) fn average(rule: Rule, shift: f64) -> f64 {
    let mut dice = Dice::of(&[10]);
    let runs = (0..2000).map(|_| length(rule, || shift + dice.normal(1.0)) as f64);
    mean(&runs.collect::<Vec<_>>()).0
}

/// Mean and standard error.
pub(super) fn mean(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0) / n).sqrt())
}

/// Average run lengths of the rules as they are set here, shifts of 0, 0.5, 1 and 2 SDs from the
/// first exam on.
#[test]
fn average_run_lengths_are_those_of_the_tables() {
    let table = published("average_run_lengths");
    for (rule, promised) in Rule::ALL {
        let name = rule.word().to_lowercase();
        close(promised, table[&name][0].as_f64().unwrap(), 0.01);
        for (at, shift) in [0.0, 0.5, 1.0, 2.0].into_iter().enumerate() {
            let mut dice = Dice::of(&[7, at as u64, promised as u64]);
            let runs: Vec<f64> = (0..2000)
                .map(|_| length(rule, || shift + dice.normal(1.0)) as f64)
                .collect();
            let (found, error) = mean(&runs);
            let expected = table[&name][at].as_f64().unwrap();
            // Four standard errors and the last printed digit.
            close(found, expected, 4.0 * error + 0.06);
        }
    }
}

/// Whatever level and SD the values have, q of values that do not change is standard normal: the
/// charts signal as often as promised, also the very first ones.
#[test]
fn a_chart_that_learns_its_level_signals_by_chance_as_promised() {
    let (mut q, mut counts, mut exams) = (Vec::new(), [0_usize; 3], 0_usize);
    for run in 0..400 {
        let mut dice = Dice::of(&[8, run]);
        let (level, sd) = (dice.normal(0.7), 0.5 + dice.uniform());
        let values: Vec<f64> = (0..300).map(|_| level + dice.normal(sd)).collect();
        q.extend(against_earlier(&values).into_iter().flatten());
        let (_, signals) = super::super::charts::follow(&days(&values));
        exams += values.len();
        for signal in signals {
            counts[signal.rule as usize] += 1;
        }
    }
    let (average, error) = mean(&q);
    close(average, 0.0, 4.0 * error);
    let squares: Vec<f64> = q.iter().map(|q| q * q).collect();
    close(mean(&squares).0, 1.0, 0.02);
    for ((rule, length), count) in Rule::ALL.into_iter().zip(counts) {
        let expected = exams as f64 / length;
        // Counts of rare events: four SDs, and a tenth, since a chart begins anew after a signal and
        // gross values enter what others are set against cut to three SDs.
        let room = 4.0 * expected.sqrt() + 0.1 * expected;
        close(count as f64, expected, room);
        assert!(count > 0, "{rule:?}");
    }
}

fn days(values: &[f64]) -> Vec<(chrono::NaiveDate, f64)> {
    let first = chrono::NaiveDate::from_ymd_opt(2020, 1, 6).unwrap();
    let day = |at: usize| first + chrono::Days::new(at as u64);
    values
        .iter()
        .enumerate()
        .map(|(at, z)| (day(at), *z))
        .collect()
}

/// One gross error is one signal of the single point, and blunts nothing: the shift after it is found.
#[test]
fn a_gross_error_does_not_blunt_the_chart() {
    let mut dice = Dice::of(&[9]);
    let mut values: Vec<f64> = (0..60).map(|_| dice.normal(1.0)).collect();
    values.push(25.0);
    values.extend((0..60).map(|_| 1.2 + dice.normal(1.0)));
    let found = chart(Subject::Department, &days(&values), |_| true);
    let run = found.run.yes().unwrap();
    assert!(
        run.signals
            .iter()
            .any(|one| one.rule == Rule::Shewhart && one.exam == 61)
    );
    let caught = run.signals.iter().filter(|one| one.exam > 62 && one.higher);
    let first = caught.map(|one| one.exam).min().unwrap();
    assert!(first < 85, "{first}");
}

#[test]
fn few_exams_make_no_chart_and_equal_ones_no_signal() {
    let few = chart(Subject::Department, &days(&[0.5; 29]), |_| true);
    assert_eq!(
        few.run,
        Enough::No(NotEnough {
            have: 29,
            needed: 30
        })
    );
    let equal = chart(Subject::Department, &days(&[0.5; 40]), |_| true);
    let run = equal.run.yes().unwrap();
    assert!(run.signals.is_empty() && run.points.iter().all(|point| point.q.is_none()));
    for odd in [f64::MAX, 1e300] {
        let mut values = vec![0.0, 1.0, 0.5, odd];
        values.extend([0.2; 40]);
        chart(Subject::Department, &days(&values), |_| true);
    }
}
