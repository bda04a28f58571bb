//! The whole table beside that of a separate implementation with 20,000 patients a row.
//!
//!     SHEATHLINE_TABLE_PATIENTS=20000 cargo test --release -p sheathline-model --lib whole_table -- --nocapture

use super::*;

/// Scenario, baseline exams, then: false flags, well above, below, coverage of 95 %, found at +0.5,
/// +0.8, +1.0, +1.2 mm, and the median smallest change.
pub(super) const TABLE: &[(Scenario, usize, [f64; 9])] = &[
    (
        Scenario::AdultPool,
        1,
        [
            0.050, 0.012, 0.010, 0.949, 0.408, 0.718, 0.863, 0.945, 0.644,
        ],
    ),
    (
        Scenario::AdultPool,
        3,
        [
            0.056, 0.011, 0.010, 0.948, 0.546, 0.864, 0.956, 0.988, 0.483,
        ],
    ),
    (
        Scenario::AdultSame,
        1,
        [
            0.054, 0.011, 0.011, 0.949, 0.628, 0.932, 0.990, 0.999, 0.419,
        ],
    ),
    (
        Scenario::AdultSame,
        3,
        [
            0.053, 0.011, 0.010, 0.951, 0.764, 0.981, 0.998, 1.000, 0.347,
        ],
    ),
    (
        Scenario::AdultDiff,
        1,
        [
            0.052, 0.010, 0.010, 0.951, 0.382, 0.695, 0.847, 0.937, 0.645,
        ],
    ),
    (
        Scenario::AdultDiff,
        3,
        [
            0.053, 0.009, 0.010, 0.950, 0.503, 0.842, 0.948, 0.987, 0.485,
        ],
    ),
    (
        Scenario::AdultGap3,
        1,
        [
            0.050, 0.009, 0.010, 0.950, 0.395, 0.700, 0.849, 0.942, 0.659,
        ],
    ),
    (
        Scenario::AdultGap3,
        3,
        [
            0.051, 0.011, 0.010, 0.948, 0.525, 0.847, 0.950, 0.986, 0.499,
        ],
    ),
    (
        Scenario::Child3Gap3,
        1,
        [
            0.053, 0.010, 0.010, 0.948, 0.379, 0.687, 0.843, 0.935, 0.673,
        ],
    ),
    (
        Scenario::Child3Gap3,
        3,
        [
            0.052, 0.009, 0.012, 0.948, 0.494, 0.822, 0.935, 0.982, 0.516,
        ],
    ),
    (
        Scenario::InfantGap1,
        1,
        [
            0.049, 0.010, 0.009, 0.952, 0.368, 0.666, 0.827, 0.925, 0.683,
        ],
    ),
    (
        Scenario::InfantGap1,
        3,
        [
            0.053, 0.011, 0.011, 0.948, 0.492, 0.814, 0.933, 0.979, 0.523,
        ],
    ),
    (
        Scenario::ContaminatedUp,
        3,
        [
            0.048, 0.010, 0.079, 0.859, 0.423, 0.721, 0.847, 0.929, 0.498,
        ],
    ),
    (
        Scenario::ContaminatedDown,
        3,
        [
            0.169, 0.082, 0.009, 0.857, 0.588, 0.850, 0.942, 0.983, 0.498,
        ],
    ),
    (
        Scenario::OperatorShift,
        1,
        [
            0.215, 0.071, 0.001, 0.868, 0.711, 0.912, 0.970, 0.991, 0.644,
        ],
    ),
    (
        Scenario::OperatorShift,
        3,
        [
            0.277, 0.098, 0.001, 0.817, 0.858, 0.977, 0.995, 0.999, 0.483,
        ],
    ),
    (
        Scenario::HeavyTails,
        1,
        [
            0.053, 0.012, 0.010, 0.951, 0.408, 0.720, 0.866, 0.946, 0.644,
        ],
    ),
    (
        Scenario::HeavyTails,
        3,
        [
            0.049, 0.011, 0.010, 0.953, 0.548, 0.866, 0.957, 0.988, 0.482,
        ],
    ),
    (
        Scenario::GrossReadings,
        1,
        [
            0.053, 0.011, 0.010, 0.948, 0.410, 0.715, 0.860, 0.944, 0.644,
        ],
    ),
    (
        Scenario::GrossReadings,
        3,
        [
            0.054, 0.012, 0.012, 0.948, 0.541, 0.859, 0.957, 0.988, 0.484,
        ],
    ),
    (
        Scenario::QuietSite,
        1,
        [
            0.002, 0.000, 0.000, 0.999, 0.321, 0.835, 0.973, 0.998, 0.644,
        ],
    ),
    (
        Scenario::QuietSite,
        3,
        [
            0.003, 0.000, 0.000, 0.999, 0.559, 0.964, 0.999, 1.000, 0.482,
        ],
    ),
    (
        Scenario::NoisySite,
        1,
        [
            0.150, 0.069, 0.064, 0.804, 0.450, 0.654, 0.771, 0.859, 0.645,
        ],
    ),
    (
        Scenario::NoisySite,
        3,
        [
            0.164, 0.078, 0.075, 0.783, 0.537, 0.761, 0.869, 0.932, 0.490,
        ],
    ),
    (
        Scenario::OneEyeRise,
        1,
        [
            0.049, 0.010, 0.009, 0.954, 0.202, 0.416, 0.588, 0.760, 0.644,
        ],
    ),
    (
        Scenario::OneEyeRise,
        3,
        [
            0.054, 0.010, 0.011, 0.948, 0.276, 0.579, 0.778, 0.911, 0.483,
        ],
    ),
    (
        Scenario::SingleReading,
        1,
        [
            0.051, 0.011, 0.011, 0.946, 0.357, 0.645, 0.806, 0.908, 0.697,
        ],
    ),
    (
        Scenario::SingleReading,
        3,
        [
            0.054, 0.011, 0.011, 0.946, 0.476, 0.810, 0.925, 0.979, 0.532,
        ],
    ),
];

/// No cell further off than five standard errors, and all together not much further than chance
/// explains: spacing of exams and sizes of the pool of operators are not told with the table.
#[test]
fn the_whole_table() {
    let asked = std::env::var("SHEATHLINE_TABLE_PATIENTS").ok();
    let plan = Plan {
        patients: asked.and_then(|n| n.parse().ok()).unwrap_or(600),
        ..plan(1)
    };
    let mut squares = 0.0;
    for (scenario, k, expected) in TABLE {
        let row = run(&plan, *scenario, *k, &TWO, &|_| {}).unwrap();
        let [f5, f8, f10, f12] = row.found;
        let seen = [
            row.false_flags,
            row.well_above,
            row.below,
            row.coverage_95.unwrap(),
            f5,
            f8,
            f10,
            f12,
        ];
        let n = plan.patients as f64;
        let errors = seen.iter().zip(expected).map(|(seen, expected)| {
            // Both tables are draws, and the other one is printed to three decimals.
            let share = f64::midpoint(*seen, *expected).clamp(0.5 / n, 1.0 - 0.5 / n);
            let draws = share * (1.0 - share) * (1.0 / n + 1.0 / 20_000.0);
            (seen - expected) / (draws + 0.001_f64.powi(2) / 12.0).sqrt()
        });
        let errors: Vec<f64> = errors.collect();
        assert!(
            errors.iter().all(|z| z.abs() < 5.0),
            "{} {k}: {errors:?}",
            scenario.word()
        );
        squares += errors.iter().map(|z| z * z).sum::<f64>();
        let cells: Vec<String> = seen
            .iter()
            .zip(&errors)
            .map(|(seen, z)| format!("{seen:.3} ({z:+.1})"))
            .collect();
        let change = row.smallest_change_mm.unwrap();
        println!(
            "{:<18} {k} {} {change:.3} ({:+.3})",
            scenario.word(),
            cells.join(" "),
            change - expected[8]
        );
    }
    let cells = 8 * TABLE.len();
    let mean_square = squares / cells as f64;
    println!("mean square of the differences {mean_square:.2}");
    assert!(mean_square < 1.6, "{mean_square}");
}
