//! What each section says.

use super::picture::{Bar, bars, control};
use super::{Section, Table};
use crate::department::charts::{CUSUM_LIMIT, EWMA_SDS, LAMBDA, NEEDED, Rule};
use crate::department::technique::Share;
use crate::department::turnaround::{BACKFILL_DAYS, Taken};
use crate::department::{Component, Enough, Interval, NotEnough, Quantile, Statistics, reference};
use crate::domain::Border;
use chrono::NaiveDate;

/// So many charts are drawn at most, those with signals first; the table has all.
const MOST_CHARTS: usize = 12;
/// 97.5 % of the standard normal distribution.
const Z: f64 = 1.959_963_984_540_054;

fn range(interval: Interval, decimals: usize) -> String {
    format!(
        "{:.decimals$} to {:.decimals$}",
        interval.low, interval.high
    )
}

/// A number with its interval, or what is missing.
fn number(found: Option<(f64, Interval)>, decimals: usize) -> String {
    match found {
        Some((value, interval)) => format!("{value:.decimals$} ({})", range(interval, decimals)),
        None => "-".to_owned(),
    }
}

fn or_counts<T>(found: &Enough<T>, words: impl FnOnce(&T) -> String) -> String {
    match found {
        Enough::Yes(value) => words(value),
        Enough::No(counts) => counts.to_string(),
    }
}

fn quantile(found: &Enough<Quantile>, decimals: usize) -> String {
    or_counts(found, |one| {
        number(Some((one.value, one.interval)), decimals)
    })
}

fn share(found: &Share) -> String {
    let counts = format!("{} of {}", found.count, found.of);
    let percent = |part: f64| 100.0 * part;
    or_counts(&found.share, |part| {
        let interval = part.interval.times(100.0);
        format!(
            "{counts}: {:.1} % ({})",
            percent(part.share),
            range(interval, 1)
        )
    })
    .replace("not enough", &format!("{counts}: not enough"))
}

/// What was looked at, and what stands out.
pub(super) fn lead(found: &Statistics, today: NaiveDate) -> Vec<String> {
    let seen = &found.seen;
    let mut lines = vec![format!(
        "{} exams of {} patients, {} of them labelled well; made on {today}. Of these exams {} name no \
         single operator and {} no single device; they count for the department alone. Left out: {} \
         exams whose reports contradict each other about whose they are.",
        seen.exams,
        seen.patients,
        seen.well,
        seen.without_operator,
        seen.without_device,
        seen.nobodys
    )];
    let drawn = found
        .charts
        .iter()
        .filter_map(|chart| Some((chart, chart.run.yes()?)));
    let told: Vec<String> = drawn
        .clone()
        .filter(|(_, run)| !run.signals.is_empty())
        .map(|(chart, run)| format!("{} ({})", chart.of.words(), run.signals.len()))
        .collect();
    let expected: f64 = drawn.clone().map(|(_, run)| run.signals_by_chance).sum();
    lines.push(match (drawn.count(), told.is_empty()) {
        (0, _) => format!("No control chart yet: one takes {NEEDED} compared exams labelled well."),
        (count, true) => format!(
            "Control charts: {count}, no signal ({expected:.1} expected by chance). No signal does \
             not prove that nothing changed."
        ),
        (count, false) => format!(
            "Control charts: {count}, with signals in {} ({expected:.1} signals expected by chance in \
             all). A signal is a reason to look, not a finding.",
            told.join("; ")
        ),
    });
    lines
}

pub(super) fn charts(found: &Statistics) -> Section {
    let rows = found.charts.iter().map(|chart| {
        let run = chart.run.yes();
        let told = run.map(|run| {
            let newest = run.signals.iter().rev().take(3).rev();
            newest
                .map(|one| {
                    let side = if one.higher { "higher" } else { "lower" };
                    let (rule, week, since) = (one.rule.word(), one.week, one.since_week);
                    format!("{rule} {side}, week of {week}, may have begun in that of {since}")
                })
                .collect::<Vec<_>>()
                .join("; ")
        });
        let (signals, chance) = match &chart.run {
            Enough::Yes(run) => (
                run.signals.len().to_string(),
                format!("{:.1}", run.signals_by_chance),
            ),
            Enough::No(counts) => (counts.to_string(), "-".to_owned()),
        };
        let inside = chart.exams_in_period.to_string();
        let told = told.filter(|told| !told.is_empty());
        vec![
            chart.of.words(),
            inside,
            signals,
            chance,
            told.unwrap_or("-".to_owned()),
        ]
    });
    let rows = rows.collect();
    let mut drawn: Vec<_> = found
        .charts
        .iter()
        .filter_map(|chart| Some((chart, chart.run.yes()?)))
        .collect();
    drawn.sort_by_key(|(chart, run)| (run.signals.is_empty(), &chart.of));
    let lengths = Rule::ALL.map(|(rule, length)| format!("{} {length:.0}", rule.word()));
    Section {
        title: "Does a device or an operator read as before? Control charts",
        words: vec![
            "Charted is each exam labelled well (one a patient and day) against the patient's own \
             earlier exams, growth and patient taken out, and then against the earlier exams of the \
             same chart. So a device that has always read high gives no signal; one that starts to \
             does."
                .to_owned(),
            format!(
                "Rules: one point beyond 3 SD (Shewhart); a moving average with weight {LAMBDA} beyond \
                 {EWMA_SDS} of its SDs (EWMA); a cumulative sum with slack 0.5 beyond {CUSUM_LIMIT} \
                 (CUSUM). Mean exams to a false signal: {}.",
                lengths.join(", ")
            ),
            "A signal means: values of this chart have moved against what came before, by more than \
             chance easily explains. Look at probe, preset, software, protocol, who measured, and \
             who came. It does not say which of these, nor that a patient or a result is wrong, nor \
             that anybody measured badly: a change of the device shows in the charts of everybody \
             who uses it."
                .to_owned(),
            "No signal does not mean that nothing changed: a shift in the first exams of a chart \
             becomes part of its level, a slow one hides in the patients' baselines, and exams that \
             were flagged and then not labelled well are not in here."
                .to_owned(),
        ],
        table: Some(Table {
            head: vec!["chart", "exams", "signals", "by chance", "newest signals"],
            rows,
        }),
        pictures: drawn
            .into_iter()
            .take(MOST_CHARTS)
            .map(|(chart, run)| control(chart, run))
            .collect(),
    }
}

pub(super) fn repeatability(found: &Statistics) -> Section {
    let (mut rows, mut shown) = (Vec::new(), Vec::new());
    for one in &found.repeatability {
        let counts = one.exams.to_string();
        let name = one.of.words();
        let value = match &one.readings {
            Enough::No(few) => {
                rows.push(vec![name.clone(), counts, few.to_string()]);
                None
            }
            Enough::Yes(a) => {
                rows.push(vec![
                    name.clone(),
                    counts,
                    format!("{} in {}", a.values, a.groups),
                    number(Some((a.s_w, a.s_w_interval)), 3),
                    number(Some((a.repeatability, a.repeatability_interval)), 2),
                    number(a.s_between.zip(a.s_between_interval), 2),
                    number(a.icc1.zip(a.icc1_interval), 3),
                ]);
                Some((a.s_w_interval.low, a.s_w, a.s_w_interval.high))
            }
        };
        let note = rows
            .last()
            .and_then(|row| row.get(if value.is_some() { 3 } else { 2 }));
        shown.push(Bar {
            name,
            value,
            note: note.cloned().unwrap_or_default(),
            quiet: false,
        });
    }
    for row in &mut rows {
        row.resize(7, "-".to_owned());
    }
    Section {
        title: "Repeatability within an exam",
        words: vec![
            "SD of one reading among those of the same exam, eye and plane (one-way analysis of \
             variance), with its 95 % interval. Two such readings differ by less than the \
             repeatability coefficient in 95 %. SD between and ICC(1) are of groups of readings, so \
             they grow with the mixture of patients: compare the SD of one reading, not the ICC."
                .to_owned(),
            "An operator who measures once, or takes the best of several, has no repeats here. \
             Readings taken on one frozen picture scatter less than readings of new pictures; reports \
             do not tell which they are."
                .to_owned(),
        ],
        pictures: pictures(bars(
            "SD of one reading",
            "mm, with 95 % interval",
            None,
            &shown,
        ), &shown),
        table: Some(Table {
            head: vec![
                "whose",
                "exams",
                "readings in groups",
                "SD of one reading, mm",
                "repeatability coefficient, mm",
                "SD between, mm",
                "ICC(1)",
            ],
            rows,
        }),
    }
}

/// A picture, unless it would be empty.
fn pictures(picture: super::Picture, rows: &[Bar]) -> Vec<super::Picture> {
    let some = rows.iter().any(|row| row.value.is_some());
    some.then_some(picture).into_iter().collect()
}

pub(super) fn offsets(found: &Statistics) -> Section {
    const NEEDED: usize = 10;
    let mut rows = Vec::new();
    let mut shown = Vec::new();
    for one in &found.offsets {
        let half = Z * one.standard_error_mm;
        let interval = Interval {
            low: one.offset_mm - half,
            high: one.offset_mm + half,
        };
        let (have, name) = (one.exams, one.of.words());
        let enough = have >= NEEDED;
        let words = match enough {
            true => format!(
                "{:+.3} ({:+.3} to {:+.3})",
                one.offset_mm, interval.low, interval.high
            ),
            false => NotEnough {
                have,
                needed: NEEDED,
            }
            .to_string(),
        };
        rows.push(vec![
            name.clone(),
            one.of.kind().to_owned(),
            have.to_string(),
            words.clone(),
        ]);
        shown.push(Bar {
            name,
            value: enough.then_some((interval.low, one.offset_mm, interval.high)),
            note: words,
            quiet: false,
        });
    }
    let mut words = vec![
        "How far an operator or a device reads above or below the others on the same patients, with \
         95 % interval: best linear unbiased prediction, operators and devices side by side, pulled \
         towards zero when exams are few. From consecutive exams labelled well or raised_ruled_out; \
         an offset of zero means like the others, not right."
            .to_owned(),
    ];
    if rows.is_empty() {
        words.push(
            "Nothing to show: no patient has two such exams by named operators or devices."
                .to_owned(),
        );
    }
    Section {
        title: "Who reads high or low, and which device",
        words,
        pictures: pictures(
            bars(
                "Offsets of operators and devices",
                "mm against the department's mean, with 95 % interval",
                Some(0.0),
                &shown,
            ),
            &shown,
        ),
        table: (!rows.is_empty()).then_some(Table {
            head: vec!["whose", "kind", "exams", "offset, mm"],
            rows,
        }),
    }
}

pub(super) fn components(found: &Statistics) -> Section {
    let c = &found.components;
    let row = |name: &str, one: &Component| {
        let half = Z * one.standard_error;
        let variance = Interval {
            low: (one.variance - half).max(0.0),
            high: one.variance + half,
        };
        let sd = match one.pairs {
            0 => "not enough (0 of 1)".to_owned(),
            _ => number(
                Some((
                    one.variance.sqrt(),
                    Interval {
                        low: variance.low.sqrt(),
                        high: variance.high.sqrt(),
                    },
                )),
                3,
            ),
        };
        let data = format!("{:.0} %", 100.0 * one.data_share);
        vec![name.to_owned(), one.pairs.to_string(), sd, data]
    };
    Section {
        title: "Why stable exams differ",
        words: vec![
            "Variance components from pairs of consecutive stable exams, as SDs with 95 % interval. The \
             present parameters count as 50 pairs, so few pairs say little of the department: the last \
             column is how much the data say. `sheathline calibrate` makes a proposal of them."
                .to_owned(),
        ],
        table: Some(Table {
            head: vec!["from", "pairs", "SD, mm", "from the data"],
            rows: vec![
                row("exam to exam, both eyes", &c.common),
                row("exam to exam, one eye", &c.specific),
                row("another operator", &c.operator),
                row("another device", &c.device),
            ],
        }),
        pictures: Vec::new(),
    }
}

pub(super) fn learning(found: &Statistics) -> Section {
    let (mut rows, mut shown) = (Vec::new(), Vec::new());
    for one in &found.learning {
        let course = one.shown().count() > 1;
        for block in &one.blocks {
            let exams = format!("{} to {}", block.from_exam, block.to_exam);
            let words = or_counts(&block.scatter, |one| {
                number(Some((one.s_w, one.s_w_interval)), 3)
            });
            rows.push(vec![
                one.of.words(),
                exams.clone(),
                block.degrees_of_freedom.to_string(),
                words.clone(),
            ]);
            if course {
                let value = block.scatter.yes();
                shown.push(Bar {
                    name: format!("{}, exams {exams}", one.of.words()),
                    value: value.map(|one| (one.s_w_interval.low, one.s_w, one.s_w_interval.high)),
                    note: words,
                    quiet: false,
                });
            }
        }
    }
    Section {
        title: "Practice: own repeatability against the number of exams",
        words: vec![
            "SD of one reading in an operator's first ten exams, the next ten, then blocks as large as \
             all before. Meant for people in training. Counted from the first exam in this store, which \
             need not be the operator's first; exams before the period asked for count as practice. Look \
             for intervals that lie apart, not for single numbers."
                .to_owned(),
        ],
        pictures: pictures(bars(
            "SD of one reading against exams so far",
            "mm, with 95 % interval",
            None,
            &shown,
        ), &shown),
        table: (!rows.is_empty()).then_some(Table {
            head: vec!["operator", "exams", "degrees of freedom", "SD of one reading, mm"],
            rows,
        }),
    }
}

pub(super) fn technique(found: &Statistics) -> Section {
    let rows = found.technique.iter().map(|one| {
        let shares = [
            &one.without_eye,
            &one.without_depth,
            &one.without_angle,
            &one.oblique,
        ];
        let mut row = vec![one.of.words(), one.exams.to_string()];
        row.extend(shares.map(share));
        row
    });
    Section {
        title: "What reports leave out, and how calipers lay",
        words: vec![
            "Sheath values by device, with 95 % intervals (Wilson). Values of one exam go together, so \
             the intervals are narrower than they should be. Without an eye: not told, or contradicted; \
             such a value is not used. Oblique: of the values with an angle those above the caution of \
             the configuration; without an angle nobody knows. Reports that are in quarantine are not \
             in here: `sheathline quarantine`."
                .to_owned(),
        ],
        table: Some(Table {
            head: vec![
                "device",
                "exams",
                "without an eye",
                "without a depth",
                "without an angle",
                "oblique",
            ],
            rows: rows.collect(),
        }),
        pictures: Vec::new(),
    }
}

pub(super) fn compared(found: &Statistics) -> Section {
    let c = &found.compared;
    let row = |name: &str, one: &Share| vec![name.to_owned(), share(one)];
    Section {
        title: "Exams without anything to be compared with",
        words: vec![
            "Nobody has a baseline at the first visit. Later ones lack it when earlier exams were not \
             labelled, came after an event, or measured something else."
                .to_owned(),
        ],
        table: Some(Table {
            head: vec!["exams", "share"],
            rows: vec![
                row("without a baseline", &c.without_baseline),
                row("of these after the patient's first day", &c.without_baseline_later),
                row("with a baseline that does not fit", &c.not_comparable),
            ],
        }),
        pictures: Vec::new(),
    }
}

pub(super) fn promise(found: &Statistics) -> Section {
    let p = &found.promise;
    let few = NotEnough {
        have: p.exams,
        needed: 10,
    };
    let enough = p.exams >= few.needed;
    let flagged = p.flagged_share.zip(p.flagged_interval).filter(|_| enough);
    let square = p
        .mean_square_z
        .zip(p.mean_square_interval)
        .filter(|_| enough);
    let words = |found: Option<String>| found.unwrap_or_else(|| few.to_string());
    let promised = format!("{:.1} %", 100.0 * p.promised_share);
    Section {
        title: "Flags of well exams against the promise",
        words: vec![
            "Of compared exams labelled well, how many were flagged, with 95 % interval, beside the share \
             that the limits promise. More: errors here are larger than the parameters say, or a device \
             or operator reads high. Fewer: the intervals are wider than they need be. The mean square \
             of z is 1 when the parameters fit. Exams are labelled by people who may have seen the flag."
                .to_owned(),
        ],
        table: Some(Table {
            head: vec!["", "exams", "found", "promised"],
            rows: vec![
                vec![
                    "flagged".to_owned(),
                    format!("{} of {}", p.flagged, p.exams),
                    words(flagged.map(|(part, interval)| {
                        format!("{:.1} % ({})", 100.0 * part, range(interval.times(100.0), 1))
                    })),
                    promised,
                ],
                vec![
                    "mean square of z".to_owned(),
                    p.exams.to_string(),
                    words(square.map(|(square, _)| format!("{square:.2}"))),
                    words(square.map(|(_, usual)| format!("1 ({} in 95 %)", range(usual, 2)))),
                ],
            ],
        }),
        pictures: Vec::new(),
    }
}

pub(super) fn turnaround(found: &Statistics) -> Section {
    let t = &found.turnaround;
    let row = |name: &str, one: &Taken| {
        vec![
            name.to_owned(),
            one.exams.to_string(),
            quantile(&one.median_minutes, 1),
            quantile(&one.ninth_tenth_minutes, 1),
            one.without_offset.to_string(),
            one.without_time.to_string(),
            one.clock_wrong.to_string(),
        ]
    };
    Section {
        title: "From exam to result",
        words: vec![format!(
            "Minutes to the first version of a result, with 95 % intervals that hold for any \
             distribution. Of {} exams left out of both rows: {} whose first report came more than \
             {BACKFILL_DAYS} days after the exam (brought in later, which says nothing of the service), \
             {} without a result yet. From the exam needs the clock of the device, so exams whose report \
             does not say how far its clock is from UTC are left out, and those whose time of day nobody \
             gave (midnight to the second); no time zone is guessed. From the first report's arrival is \
             our own clock. Where the end lies before the start, a clock was wrong.",
            t.exams, t.brought_in_later, t.without_result
        )],
        table: Some(Table {
            head: vec![
                "minutes",
                "exams",
                "median",
                "nine in ten within",
                "left out: no offset from UTC",
                "no time of day",
                "clock wrong",
            ],
            rows: vec![
                row("from the exam", &t.from_exam),
                row("from arrival", &t.from_arrival),
            ],
        }),
        pictures: Vec::new(),
    }
}

pub(super) fn reference(found: &Statistics) -> Section {
    let (mut rows, mut shown) = (Vec::new(), Vec::new());
    for band in &found.reference {
        let ages = format!("{} to {} years", band.from_years, band.to_years)
            .replace(" to 200 years", " years and over");
        let borders = match band.definition {
            Some(Border::Outer) => "outer borders",
            Some(Border::Inner) => "inner borders",
            None => "borders not known",
        };
        let name = format!("{ages}, {borders}");
        let mean = or_counts(&band.spread, |one| {
            number(Some((one.mean_mm, one.mean_interval)), 2)
        });
        let sd = or_counts(&band.spread, |one| {
            number(Some((one.sd_mm, one.sd_interval)), 2)
        });
        let note = format!("{} patients", band.patients);
        shown.push(Bar {
            name: format!("HERE: {name}"),
            value: band.spread.yes().map(|one| {
                (
                    one.mean_mm - one.sd_mm,
                    one.mean_mm,
                    one.mean_mm + one.sd_mm,
                )
            }),
            note: match &band.spread {
                Enough::Yes(_) => note.clone(),
                Enough::No(few) => few.to_string(),
            },
            quiet: false,
        });
        shown.extend(band.published.iter().map(|norm| {
            let sd = norm.sd_mm.unwrap_or_default();
            Bar {
                name: norm.group.clone(),
                value: Some((norm.centre_mm - sd, norm.centre_mm, norm.centre_mm + sd)),
                note: format!("{} people, {}", norm.people, norm.source),
                quiet: true,
            }
        }));
        rows.push(vec![
            name,
            format!("{} ({} exams)", band.patients, band.exams),
            mean,
            sd,
            quantile(&band.p5_mm, 2),
            quantile(&band.median_mm, 2),
            quantile(&band.p95_mm, 2),
        ]);
    }
    Section {
        title: "How wide sheaths of well patients are here",
        words: vec![
            reference::LABEL.to_owned(),
            format!(
                "Exams labelled well, mean of both eyes or the only eye. Each patient counts once in a \
                 band, with the mean of the own exams in it, however many there are; over the years a \
                 patient may stand in several bands. SD is between patients, error of measurement \
                 included. Percentiles take 72 patients, since their interval does not exist below. \
                 Left out: {} exams of patients whose age is not known.",
                found.without_age
            ),
            "Beside them published series for the middle of the band (mean and SD, where given; a ring \
             alone has no SD). Laboratories disagree by more than patients do; whom a department sees \
             is not the population. Whether a flag is right cannot be read from here."
                .to_owned(),
        ],
        pictures: pictures(bars(
            "Widths of well patients by age, beside published series",
            "mm: mean, and one SD between people to either side",
            None,
            &shown,
        ), &shown),
        table: (!rows.is_empty()).then_some(Table {
            head: vec![
                "age and borders",
                "patients",
                "mean, mm",
                "SD, mm",
                "5th percentile, mm",
                "median, mm",
                "95th percentile, mm",
            ],
            rows,
        }),
    }
}
