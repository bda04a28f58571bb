//! Analysis of variance, intervals, ranks and charts against published numbers.

use super::super::anova::Sums;
use super::super::charts::{Cusum, Ewma};
use super::super::interval::{mean_interval, needed_for, quantile};
use super::*;

/// NIST StRD SmLs01 to SmLs09 by their rule (Comput Stat Data Anal 1989;8:325, from memory): nine
/// treatments whose values are the leading digits and 0.4, 0.3 or 0.5 in turn, half of the readings 0.1 below and half above, one
/// in the middle. Rule and certified values (F 21, 201 and 2001, residual SD 0.1) are from memory; the
/// sums of squares follow from them. With thirteen leading digits the data themselves hold
/// three decimals, so no more can agree.
#[test]
fn certified_values_of_nist_with_many_leading_digits() {
    let leading = [
        (1.0, 1e-9),
        (1_000_000.0, 1e-7),
        (1_000_000_000_000.0, 5e-3),
    ];
    for (digits, tolerance) in leading {
        for n in [21, 201, 2001] {
            let middle = |treatment: usize| match treatment {
                0 => 0.4,
                odd if odd % 2 == 1 => 0.3,
                _ => 0.5,
            };
            let groups: Vec<Vec<f64>> = (0..9)
                .map(|treatment| {
                    let of = |reading: usize| match reading {
                        0 => 0.0,
                        odd if odd % 2 == 1 => -0.1,
                        _ => 0.1,
                    };
                    (0..n)
                        .map(|reading| digits + (middle(treatment) + of(reading)))
                        .collect()
                })
                .collect();
            let a = Anova::of(&groups).unwrap();
            let near = |found: f64, expected: f64| close(found / expected, 1.0, tolerance);
            near(a.f().unwrap(), n as f64);
            near(a.s_w, 0.1);
            near(a.ss_between, 0.08 * n as f64);
            near(a.ss_within, 0.09 * (n as f64 - 1.0));
        }
    }
}

#[test]
fn interval_of_the_intraclass_correlation() {
    let check = published("icc_interval");
    let data = groups(&published("six_targets_1979")["data"]);
    let found = Anova::of(&data).unwrap().icc1_interval.unwrap();
    for (end, found) in [(0, found.low), (1, found.high)] {
        close(found, check["scipy"][end].as_f64().unwrap(), 1e-6);
        close(found, check["pingouin"][end].as_f64().unwrap(), 0.005);
    }
}

/// On balanced data the ANOVA estimate is that of REML: 3639.06 of the children's peak flows, by
/// MixedLM of statsmodels. The interval is checked by its coverage below.
#[test]
fn spread_between_groups_is_that_of_reml() {
    let a = Anova::of(&groups(&published("peak_flow_1996")["data"])).unwrap();
    close(a.s_between.unwrap().powi(2), 3639.06, 0.01);
    assert!(a.s_between_interval.unwrap().holds(a.s_between.unwrap()));
}

/// 95 % intervals hold the truth in about 95 %: 2000 invented sets of groups of unequal size.
#[test]
fn intervals_hold_the_truth_as_often_as_they_say() {
    let (within, between) = (0.2, 0.3_f64);
    let icc = between * between / (between * between + within * within);
    let mut dice = Dice::of(&[41]);
    let mut held = [0; 4];
    const SETS: usize = 2000;
    for _ in 0..SETS {
        let mut sums = Sums::default();
        for group in 0..25 {
            let level = 5.0 + dice.normal(between);
            let readings: Vec<f64> = (0..2 + group % 3)
                .map(|_| level + dice.normal(within))
                .collect();
            sums.add(&readings);
        }
        let a = sums.finish().unwrap();
        let hit = [
            a.s_w_interval.holds(within),
            a.icc1_interval.unwrap().holds(icc),
            a.s_between_interval.unwrap().holds(between),
            a.repeatability_interval
                .holds(1.96 * 2.0_f64.sqrt() * within),
        ];
        for (held, hit) in held.iter_mut().zip(hit) {
            *held += usize::from(hit);
        }
    }
    for held in held {
        // Three binomial standard errors are 0.015.
        close(held as f64 / SETS as f64, 0.95, 0.018);
    }
}

/// Order and split of the groups change nothing but the last digits.
#[test]
fn sums_do_not_depend_on_the_order() {
    let mut data = groups(&published("nist_strd_SiRstv")["data"]);
    let there = Anova::of(&data).unwrap();
    data.reverse();
    let back = Anova::of(&data).unwrap();
    close(there.f().unwrap() / back.f().unwrap(), 1.0, 1e-12);
    close(there.s_w / back.s_w, 1.0, 1e-12);
}

#[test]
fn ranks_of_quantiles() {
    for row in published("quantile_ranks")["n_share_low_high"]
        .as_array()
        .unwrap()
    {
        let number = |at: usize| row[at].as_f64().unwrap();
        let values: Vec<f64> = (1..=number(0) as usize).map(|rank| rank as f64).collect();
        let found = quantile(&values, number(1)).unwrap();
        assert_eq!(
            (found.interval.low, found.interval.high),
            (number(2), number(3)),
            "{row}"
        );
        // Definition 7: for the values 1 to n it is 1 + share (n - 1).
        close(found.value, 1.0 + number(1) * (number(0) - 1.0), 1e-9);
    }
    // 0.5^6 and 0.95^72 are the first below 0.025.
    assert_eq!([0.5, 0.05, 0.95, 0.9].map(needed_for), [6, 72, 72, 36]);
    assert_eq!(quantile(&[1.0; 5], 0.5), None);
    assert!(quantile(&[1.0; 6], 0.5).is_some());
}

/// t with 9 degrees of freedom at 97.5 %: 2.262, from any printed table.
#[test]
fn interval_of_a_mean() {
    let found = mean_interval(5.0, 1.0, 10).unwrap();
    close(found.high, 5.0 + 2.262 / 10.0_f64.sqrt(), 5e-4);
    assert_eq!(mean_interval(5.0, 1.0, 1), None);
}

/// Quantiles hold for a department of a million readings.
#[test]
fn a_million_degrees_of_freedom() {
    let n = 1_000_000_usize;
    let interval = super::super::interval::sd_interval(0.04 * n as f64, n as f64);
    // Large n: the standard error of an SD is s / sqrt(2n).
    let error = 0.2 / (2.0 * n as f64).sqrt();
    close(interval.low, 0.2 - 1.96 * error, 1e-6);
    close(interval.high, 0.2 + 1.96 * error, 1e-6);
    let mut sums = Sums::default();
    for group in 0..200_000 {
        let level = f64::from(group % 100) / 100.0;
        sums.add(&[level, level + 0.1, level + 0.2]);
    }
    let a = sums.finish().unwrap();
    assert!(a.icc1_interval.unwrap().holds(a.icc1.unwrap()), "{a:?}");
    assert!(
        a.s_between_interval.unwrap().holds(a.s_between.unwrap()),
        "{a:?}"
    );
}

fn numbers(data: &Value) -> Vec<f64> {
    serde_json::from_value(data.clone()).unwrap()
}

#[test]
fn moving_average_of_nist() {
    let check = published("nist_ewma");
    let half = (2.0539 * 3.0) * (0.3_f64 / 1.7).sqrt();
    close(
        50.0 + half,
        check["expected"]["ucl"].as_f64().unwrap(),
        0.001,
    );
    close(
        50.0 - half,
        check["expected"]["lcl"].as_f64().unwrap(),
        0.001,
    );
    let mut chart = Ewma::new(50.0, 0.3, half);
    for (at, (value, expected)) in numbers(&check["data"])
        .into_iter()
        .zip(numbers(&check["expected"]["ewma"]))
        .enumerate()
    {
        assert_eq!(chart.step(value, at + 1), None);
        close(chart.value, expected, 0.0051);
    }
}

#[test]
fn cumulative_sums_of_nist() {
    let check = published("nist_cusum");
    let mut chart = Cusum::new(325.0, 0.3175, 4.1959);
    let (high, low) = (&check["expected"]["s_hi"], &check["expected"]["s_lo"]);
    let expected = numbers(high).into_iter().zip(numbers(low));
    let mut first = None;
    for (at, (value, (high, low))) in numbers(&check["data"])
        .into_iter()
        .zip(expected)
        .enumerate()
    {
        let broken = chart.step(value, at + 1);
        close(chart.high, high, 0.006);
        close(chart.low, low, 0.006);
        first = first.or(broken.map(|broken| (at + 1, broken)));
    }
    // It began to grow at the thirteenth.
    assert_eq!(first, Some((14, (true, 13))));
}

/// Worked by hand in eight steps; the last sum is 5.0, which is not over 5.
#[test]
fn eight_values_by_hand() {
    let z = [0.4, -0.2, 1.1, 0.8, 1.6, 0.9, 1.4, 2.2];
    let mut average = Ewma::new(0.0, 0.2, 0.9398);
    let mut sums = Cusum::new(0.0, 0.5, 5.0);
    let expected = [
        (0.08, 0.0),
        (0.024, 0.0),
        (0.2392, 0.6),
        (0.3514, 0.9),
        (0.6011, 2.0),
        (0.6609, 2.4),
        (0.8087, 3.3),
        (1.0870, 5.0),
    ];
    for (at, (z, (ewma, high))) in z.into_iter().zip(expected).enumerate() {
        let broken = average.step(z, at + 1);
        assert_eq!(broken, (at == 7).then_some((true, 1)));
        close(average.value, ewma, 5e-5);
        sums.step(z, at + 1);
        close(sums.high, high, 1e-9);
    }
}
