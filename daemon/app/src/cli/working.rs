//! The arithmetic of one assessment, laid out so that a reader can redo it by hand.

use super::print;
use sheathline_model::assess::{Arithmetic, ExamWorking};
use sheathline_model::domain::Eye;

/// Prints exams, terms, matrices and weights.
pub(super) fn show(a: &Arithmetic) {
    print::line(
        "ARITHMETIC (mm, years; rows follow the observations, column pairs are right, left)",
    );
    print::line(
        "exams: time since the first, age, growth since then, events before; value (variance) an eye",
    );
    for exam in &a.exams {
        let age = exam
            .age_years
            .map_or("unknown".into(), |age| format!("{age:.3}"));
        let eye = |eye: Eye| match exam.eyes.of(eye) {
            None => "none".to_owned(),
            Some(eye) => format!(
                "{:.4} ({:.6}, {} readings)",
                eye.value_mm, eye.variance, eye.readings
            ),
        };
        print::line(format_args!(
            "  {} {:.4} {age} {:+.4} {}; right {}, left {}",
            exam.exam,
            exam.tau_years,
            exam.growth_mm,
            exam.epoch,
            eye(Eye::Right),
            eye(Eye::Left)
        ));
        offsets(exam);
    }
    if !a.screening.is_empty() {
        print::line(
            "how each baseline exam fits the others: z, and z with operators taken as unknown",
        );
        for fit in &a.screening {
            print::line(format_args!(
                "  {} {:+.3} {:+.3}",
                fit.exam, fit.z, fit.z_unknown
            ));
        }
    }
    print::line(
        "observations: value without growth and known offsets, weight in the expected right and left eye",
    );
    for observation in &a.observations {
        let [right, left] = observation.weights;
        print::line(format_args!(
            "  {} {:<5} {:.4}  {right:+.4} {left:+.4}",
            observation.exam,
            observation.eye.word(),
            observation.y_mm
        ));
    }
    matrix(
        "V, covariance of the observations",
        a.v.iter().map(Vec::as_slice),
    );
    matrix(
        "c, covariance with this exam",
        a.c.iter().map(|pair| pair.as_slice()),
    );
    matrix(
        "C*, covariance of this exam",
        a.c_star.iter().map(|pair| pair.as_slice()),
    );
    print::line(format_args!(
        "h = {:.6}, level m = {:.6}, u = {:.6} {:.6}",
        a.h, a.level_mm, a.u[0], a.u[1]
    ));
    matrix(
        "covariance of measured - expected",
        a.covariance.iter().map(|pair| pair.as_slice()),
    );
}

/// What is known of operator and device of one exam.
fn offsets(exam: &ExamWorking) {
    let known = &exam.known;
    let kinds = [
        ("operator", known.operator, "sigma_o"),
        ("device", known.device, "sigma_d"),
    ];
    for (kind, offset, sd) in kinds {
        if let Some(offset) = offset {
            print::line(format_args!(
                "    its {kind} reads {:+.4} (standard error {:.4} in place of {sd}): value - offset enters",
                offset.offset_mm, offset.standard_error_mm
            ));
        }
    }
    if let Some(sd) = known.sigma_w {
        print::line(format_args!(
            "    SD of one reading of its operator {sd:.4} in place of sigma_w"
        ));
    }
}

fn matrix<'a>(title: &str, rows: impl Iterator<Item = &'a [f64]>) {
    print::line(title);
    for row in rows {
        let cells: Vec<String> = row.iter().map(|cell| format!("{cell:>9.6}")).collect();
        print::line(format_args!("  {}", cells.join(" ")));
    }
}
