//! `backfill`: the history of an archive.

use super::args::{ConfigArg, PeriodArgs};
use super::{Code, Failure, context, opening, print};
use crate::backfill::report::{Asked, Counts, Event, Stop};
use crate::backfill::run::Backfill;
use crate::backfill::window::windows;
use clap::Args;
use serde::Serialize;

/// Arguments of `backfill`.
#[derive(Debug, Args)]
pub(super) struct BackfillArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// Name of an [[archive]]; not needed where there is one only.
    #[arg(long, value_name = "NAME")]
    archive: Option<String>,
    /// Of study dates.
    #[command(flatten)]
    period: PeriodArgs,
    /// Show what would be done; do nothing.
    ///
    /// The archive is asked and its answers are counted in the same way.
    #[arg(long)]
    dry_run: bool,
    /// Ask again for days that are finished, and fetch objects that are stored.
    #[arg(long)]
    again: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    json: bool,
}

/// The last line of `backfill --json`.
#[derive(Serialize)]
struct Done<'a> {
    event: &'static str,
    archive: &'a str,
    dry_run: bool,
    /// Why it ended before the last window.
    stopped: Option<String>,
    #[serde(flatten)]
    counts: Option<Counts>,
}

/// `backfill`: exit 1 when something that the archive names did not come.
pub(super) fn backfill(args: &BackfillArgs) -> Result<(), Failure> {
    args.period.check()?;
    let PeriodArgs { from, to } = args.period;
    let config = context::config(&args.config.config)?;
    let archives = config.archives();
    let mut named = archives.iter().filter(|one| match &args.archive {
        Some(name) => one.name == *name,
        None => archives.len() == 1,
    });
    let Some(archive) = named.next() else {
        let names: Vec<&str> = archives.iter().map(|one| one.name.as_str()).collect();
        let known = if names.is_empty() {
            "it has none".to_owned()
        } else {
            format!("it has {}", names.join(", "))
        };
        return Err(Failure::usage(match &args.archive {
            Some(name) => format!("the configuration has no [[archive]] named {name:?}; {known}"),
            None => format!("name one [[archive]] of the configuration with --archive; {known}"),
        }));
    };
    // Beside a running daemon, or before the first one.
    let store = opening::guest_or_first(&config)?;
    let observed = context::observed(&config)?;
    let asked = Asked {
        from,
        to,
        dry_run: args.dry_run,
        again: args.again,
        user: context::user(),
    };
    let number = windows(from, to, archive.window_days).count();
    let bar = print::progress("asking the archive", number as u64);
    let mut failed = None;
    let mut finished = 0;
    let mut tell = |event: Event<'_>| {
        if let Event::Window {
            finished_before, ..
        } = event
        {
            bar.inc(1);
            finished += usize::from(finished_before);
        }
        let told = bar.suspend(|| {
            if args.json {
                print::json(&event)
            } else {
                say(&event, args.dry_run);
                Ok(())
            }
        });
        failed = failed.take().or(told.err());
    };
    let done = Backfill::new(archive, &store, &observed, asked, &mut tell).run();
    bar.finish_and_clear();
    if let Some(failure) = failed {
        return Err(failure);
    }
    if args.json {
        print::json(&Done {
            event: "done",
            archive: &archive.name,
            dry_run: args.dry_run,
            stopped: done.as_ref().err().map(Stop::to_string),
            counts: done.as_ref().ok().copied(),
        })?;
    }
    let counts = done.map_err(|stop| match stop {
        Stop::Archive(_) => Failure::from(stop)
            .told_of(&archive.name)
            .advised("; what arrived so far is stored, and the same command continues from there"),
        stop => Failure::from(stop),
    })?;
    if !args.json {
        match finished {
            0 => {}
            all if all == number => {
                print::line("the period is finished: nothing was asked for; --again asks again")
            }
            some => print::line(format_args!(
                "finished before and not asked for: {some} of {number} windows; --again asks again"
            )),
        }
        print::line(format_args!("in all: {}", Numbers(&counts, args.dry_run)));
    }
    match (counts.missing, counts.incomplete) {
        (0, 0) => Ok(()),
        (missing, incomplete) => Err(Failure::new(
            Code::Incomplete,
            format!(
                "{missing} objects did not arrive and {incomplete} queries were not answered in full; \
                 their days stay open, and the same command tries them again"
            ),
        )),
    }
}

/// An event for a person. Windows without anything are left out.
fn say(event: &Event<'_>, is_dry_run: bool) {
    match event {
        Event::Window { window, counts, .. } => {
            if *counts != Counts::default() {
                print::line(format_args!("{window}: {}", Numbers(counts, is_dry_run)));
            }
        }
        Event::Missing {
            instance,
            code,
            words,
            ..
        } => print::line(format_args!("not fetched: {instance}: {words} ({code})")),
        Event::Incomplete {
            window,
            study,
            words,
        } => match study {
            Some(study) => print::line(format_args!("incomplete: study {study}: {words}")),
            None => print::line(format_args!("incomplete: {window}: {words}")),
        },
        Event::Waiting { seconds } => {
            let (hours, minutes) = (seconds / 3600, seconds / 60 % 60);
            print::note(format_args!(
                "waiting for the hours to begin: {hours} h {minutes:02} min"
            ));
        }
        Event::Again { code, words } => {
            print::note(format_args!(
                "connection lost, trying again: {words} ({code})"
            ));
        }
    }
}

/// Counts in words; whether what was not fetched is left out.
struct Numbers<'a>(&'a Counts, bool);

impl std::fmt::Display for Numbers<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Numbers(counts, is_dry_run) = self;
        let Counts {
            studies,
            series,
            objects,
            stored_before,
            ..
        } = counts;
        write!(
            f,
            "studies {studies}, series {series}, objects {objects}, stored before {stored_before}"
        )?;
        match is_dry_run {
            true => Ok(()),
            false => write!(
                f,
                ", fetched {}, not fetched {}",
                counts.fetched, counts.missing
            ),
        }
    }
}
