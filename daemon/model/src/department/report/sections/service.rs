//! The service: what comes in, what is compared, how long it takes, and whom it sees.

use super::super::picture::{Bar, Base, bars};
use super::super::{Section, Table};
use super::{number, or_counts, pictures, quantile, range, share};
use crate::department::technique::Share;
use crate::department::turnaround::{BACKFILL_DAYS, Taken};
use crate::department::{Enough, MeanSquare, Statistics, reference};
use crate::domain::Border;

pub(in crate::department::report) fn technique(found: &Statistics) -> Section {
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

pub(in crate::department::report) fn compared(found: &Statistics) -> Section {
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
                row("the same, of exams after the patient's first day", &c.without_baseline_later),
                row("with a baseline that does not fit", &c.not_comparable),
            ],
        }),
        pictures: Vec::new(),
    }
}

pub(in crate::department::report) fn promise(found: &Statistics) -> Section {
    let p = &found.promise;
    let square = |words: fn(&MeanSquare) -> String| or_counts(&p.mean_square_z, words);
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
            head: vec!["what", "found", "promised"],
            rows: vec![
                vec![
                    "flagged".to_owned(),
                    share(&p.flagged),
                    format!("{:.1} %", 100.0 * p.promised_share),
                ],
                vec![
                    "mean square of z".to_owned(),
                    square(|one| format!("{:.2}", one.value)),
                    square(|one| format!("1 ({} in 95 %)", range(one.usual, 2))),
                ],
            ],
        }),
        pictures: Vec::new(),
    }
}

pub(in crate::department::report) fn turnaround(found: &Statistics) -> Section {
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

pub(in crate::department::report) fn reference(found: &Statistics) -> Section {
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
        rows.extend(band.published.iter().map(|norm| {
            let mut row = vec![
                format!("published: {} ({})", norm.group, norm.source),
                format!("{} people", norm.people),
                format!("{:.2}", norm.centre_mm),
                norm.sd_mm.map_or("-".to_owned(), |sd| format!("{sd:.2}")),
            ];
            row.resize(7, "-".to_owned());
            row
        }));
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
            "Beside them published series for the middle of the band (mean or median, and SD where given; a ring \
             alone has no SD). Laboratories disagree by more than patients do; whom a department sees \
             is not the population. Whether a flag is right cannot be read from here."
                .to_owned(),
        ],
        pictures: pictures(bars(
            "Widths of well patients by age, beside published series",
            "mm: mean, and one SD between people to either side",
            Base::Numbers,
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
