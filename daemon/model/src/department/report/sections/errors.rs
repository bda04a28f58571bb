//! Errors of measurement: who and what reads apart, scatters, or has changed.

use super::super::picture::{Bar, Base, bars, control};
use super::super::{Section, Table};
use super::{excess, number, or_counts, pictures};
use crate::department::charts::{CUSUM_LIMIT, EWMA_SDS, LAMBDA, Rule};
use crate::department::{Enough, Interval, Statistics};

/// So many charts are drawn at most, those with the most signals first; the table has all.
const MOST_CHARTS: usize = 12;

pub(in crate::department::report) fn charts(found: &Statistics) -> Section {
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
    drawn.sort_by(|a, b| excess(b.1).total_cmp(&excess(a.1)));
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

pub(in crate::department::report) fn repeatability(found: &Statistics) -> Section {
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
            Base::Zero,
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

pub(in crate::department::report) fn offsets(found: &Statistics) -> Section {
    let (mut rows, mut shown) = (Vec::new(), Vec::new());
    for one in &found.offsets {
        let name = one.of.words();
        let words = or_counts(&one.offset, |one| {
            let Interval { low, high } = one.interval;
            format!("{:+.3} ({low:+.3} to {high:+.3})", one.offset_mm)
        });
        let (kind, exams) = (one.of.kind().to_owned(), one.exams.to_string());
        rows.push(vec![name.clone(), kind, exams, words.clone()]);
        let value = one.offset.yes();
        shown.push(Bar {
            name,
            value: value.map(|one| (one.interval.low, one.offset_mm, one.interval.high)),
            note: words,
            quiet: false,
        });
    }
    let mut words = vec![
        "How far an operator or a device reads above or below the others on the same patients, with \
         95 % interval: best linear unbiased prediction, operators and devices side by side, pulled \
         towards zero when exams are few. From consecutive exams labelled well or raised ruled out; \
         an offset of zero means like the others, not right."
            .to_owned(),
    ];
    let mut apart = Vec::new();
    for one in &found.offsets {
        let Some(value) = one.offset.yes().filter(|value| value.apart) else {
            continue;
        };
        apart.push(match value.known_mm {
            None => one.of.words(),
            Some(known) => format!("{} (configured {known:+.3})", one.of.words()),
        });
    }
    if !apart.is_empty() {
        words.push(format!(
            "Not as the comparison takes it: {}. Patients measured by them are flagged too often or too \
             seldom. `sheathline calibrate --write FILE` proposes [[baseline.operator]] and \
             [[baseline.device]] tables that allow for it.",
            apart.join("; ")
        ));
    }
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
                "mm against the mean of those here, with 95 % interval",
                Base::Line,
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

pub(in crate::department::report) fn components(found: &Statistics) -> Section {
    let rows = found.components.iter().map(|one| {
        let name = match one.name {
            "exam_common" => "exam to exam, both eyes",
            "exam_specific" => "exam to exam, one eye",
            "operator" => "another operator",
            _ => "another device",
        };
        let sd = or_counts(&one.size, |size| {
            number(Some((size.sd_mm, size.interval)), 3)
        });
        let data = or_counts(&one.size, |size| {
            format!("{:.0} %", 100.0 * size.data_share)
        });
        vec![name.to_owned(), one.pairs.to_string(), sd, data]
    });
    Section {
        title: "Why stable exams differ",
        words: vec![
            "Variance components from pairs of consecutive stable exams, as SDs with 95 % interval. The \
             present parameters count as 50 pairs; the last column is how much the data say. `sheathline calibrate` makes a proposal of them."
                .to_owned(),
        ],
        table: Some(Table {
            head: vec!["from", "pairs", "SD, mm", "from the data"],
            rows: rows.collect(),
        }),
        pictures: Vec::new(),
    }
}

pub(in crate::department::report) fn learning(found: &Statistics) -> Section {
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
            Base::Zero,
            &shown,
        ), &shown),
        table: (!rows.is_empty()).then_some(Table {
            head: vec!["operator", "exams", "degrees of freedom", "SD of one reading, mm"],
            rows,
        }),
    }
}
