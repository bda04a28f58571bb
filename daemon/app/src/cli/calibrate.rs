//! `calibrate`: the department's own measurement errors, from its store.

mod proposal;

use super::args::CalibrateArgs;
use super::{Failure, context, everyone, print};
use crate::known::known;
use sheathline_model::department::{self, Calibration, Enough, Interval, Patient};

/// Pairs of stable exams below which the proposal is mostly the present values.
const FEW_PAIRS: usize = 50;

/// `calibrate`: proposes, and writes the proposal to a new file when told to.
pub(super) fn calibrate(args: &CalibrateArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let store = context::guest(&config)?;
    let site = context::site(&config);
    let mut persons = Vec::new();
    everyone::each(&store, known, |known| {
        let found = Patient::all_of(&known, &site)?;
        persons.extend(found.patients);
        Ok(())
    })?;
    let found = department::calibrate(&persons, &config.baseline)?;
    if let Some(path) = &args.output {
        context::write_new(path, &proposal::text(&found, &config.readers))?;
    }
    if args.json {
        return print::json(&found);
    }
    show(&found);
    if let Some(path) = &args.output {
        print::line(format_args!(
            "Written to {}; nothing changes until these lines stand in the configuration, or the file in conf.d beside it.",
            path.display()
        ));
    }
    Ok(())
}

fn show(found: &Calibration) {
    print::line(format_args!(
        "{} patients, {} pairs of consecutive stable exams (labelled well or raised_ruled_out)",
        found.patients, found.pairs
    ));
    readings(found);
    print::line("");
    print::line("PROPOSAL for [baseline]; present values count as 50 pairs");
    print::line(format_args!(
        "{:<10} {:>7} {:>9} {:>10} {:>15}",
        "parameter", "now", "proposed", "std error", "share of data"
    ));
    for p in &found.proposals {
        let error = p.standard_error.map_or("-".into(), |e| format!("{e:.3}"));
        let share = format!("{:.0} %", 100.0 * p.data_share);
        print::line(format_args!(
            "{:<10} {:>7.3} {:>9.3} {error:>10} {share:>15}",
            p.name, p.now, p.proposed
        ));
    }
    if found.pairs < FEW_PAIRS {
        print::line(format_args!(
            "Fewer than {FEW_PAIRS} pairs: the proposal is mostly the present values. Label more exams."
        ));
    }
    offsets(found);
    scatters(found);
    promise(found);
    print::line("");
    print::line(
        "Nothing was changed. A person decides; simulate --config shows what a change promises.",
    );
}

fn readings(found: &Calibration) {
    let Some(a) = &found.readings else {
        print::line("No repeated readings: nothing is known of the error of one reading.");
        return;
    };
    print::line(format_args!(
        "One reading within an exam: SD {:.3} mm (95 % {}) from {} readings of {} eyes and planes; \
         two readings differ by less than {:.2} mm in 95 %; ICC(1) {}",
        a.s_w,
        range(a.s_w_interval, 3),
        a.values,
        a.groups,
        a.repeatability,
        a.icc1.map_or("-".into(), |icc| format!("{icc:.3}"))
    ));
}

fn offsets(found: &Calibration) {
    if found.offsets.is_empty() {
        return;
    }
    print::line("");
    print::line(
        "OPERATORS AND DEVICES against the mean of those here, mm: offset with 95 % interval, std error against all there might be",
    );
    let mut apart = false;
    for one in &found.offsets {
        let words = match &one.offset {
            Enough::No(counts) => format!("{counts} exams"),
            Enough::Yes(value) => {
                apart |= value.apart;
                let known = value.known_mm;
                let known = known.map_or(String::new(), |mm| format!(", configured {mm:+.3}"));
                format!(
                    "{:>+7.3} ({:+.3} to {:+.3}; std error {:.3}; {} exams{known}){}",
                    value.offset_mm,
                    value.interval.low,
                    value.interval.high,
                    value.standard_error_mm,
                    one.exams,
                    if value.apart { "  reads apart" } else { "" }
                )
            }
        };
        print::line(format_args!("{:<30} {words}", one.of.words()));
    }
    if apart {
        print::line(
            "The comparison does not allow for those who read apart: their patients are flagged too often or too seldom. `--output FILE` proposes tables that do.",
        );
    }
}

fn scatters(found: &Calibration) {
    let mut apart = found.scatters.iter().filter_map(|one| {
        let own = one.own.yes().filter(|own| own.apart)?;
        Some((one, own))
    });
    let mut next = apart.next();
    if next.is_some() {
        print::line("");
        print::line("OPERATORS whose readings scatter otherwise: SD of one reading, mm");
    }
    while let Some((one, own)) = next {
        print::line(format_args!(
            "{:<30} {:>7.3} (95 % {}; {} degrees of freedom)",
            one.of.words(),
            own.sigma_w,
            range(own.interval, 3),
            one.degrees_of_freedom
        ));
        next = apart.next();
    }
}

fn promise(found: &Calibration) {
    let p = &found.promise;
    print::line("");
    let (Some(share), Some(interval), Some(square), Some(usual)) = (
        p.flagged_share,
        p.flagged_interval,
        p.mean_square_z,
        p.mean_square_interval,
    ) else {
        print::line(
            "No exam labelled well was compared: whether the promise is kept is not known.",
        );
        return;
    };
    print::line("PROMISE of the present parameters, on exams labelled well");
    let verdict = if interval.holds(p.promised_share) {
        "in keeping with the promise"
    } else if share > p.promised_share {
        "more than promised"
    } else {
        "fewer than promised: the interval is wider than it need be"
    };
    print::line(format_args!(
        "flagged {} of {}: {:.1} % (95 % {} %), promised about {:.1} %: {verdict}",
        p.flagged,
        p.exams,
        100.0 * share,
        range(
            Interval {
                low: 100.0 * interval.low,
                high: 100.0 * interval.high
            },
            1
        ),
        100.0 * p.promised_share
    ));
    print::line(format_args!(
        "mean square of z {square:.2}, usual {} around 1; suggested factor on all variances {:.2}",
        range(usual, 2),
        p.variance_factor
    ));
}

fn range(interval: Interval, decimals: usize) -> String {
    format!(
        "{:.decimals$} to {:.decimals$}",
        interval.low, interval.high
    )
}

#[cfg(test)]
mod tests;
