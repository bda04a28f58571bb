//! What becomes of rises, and what is said beside them: `acknowledge`, `settle`, `note`, `leave-out`,
//! `take-back`, `second`.

use super::act::{How, act};
use super::finish_and_show;
use super::who::Who;
use crate::acts::{Order, Wish};
use crate::cli::args::{
    AcknowledgeArgs, ConfigArg, NoteArgs, SecondArgs, SetAsideArgs, SettleArgs, WhoArgs,
};
use crate::cli::{Failure, context};
use sheathline_model::annotations::{Judgement, Outcome, SecondReading};
use sheathline_model::domain::Millimetres;

/// `acknowledge`.
pub(in crate::cli) fn acknowledge(args: &AcknowledgeArgs) -> Result<(), Failure> {
    let how = How {
        dry_run: args.dry_run,
        yes: false,
    };
    let exams = args.exams.clone();
    let wish = Wish::Acknowledge(None);
    say(&args.config, &args.who, exams, wish, how, args.json)
}

/// `settle`.
pub(in crate::cli) fn settle(args: &SettleArgs) -> Result<(), Failure> {
    let outcome = Outcome::of_word(&args.outcome).ok_or_else(|| {
        let words = Outcome::ALL.map(Outcome::word).join(", ");
        Failure::usage(format!(
            "{:?} is no outcome; write one of {words}",
            args.outcome
        ))
    })?;
    let how = How {
        dry_run: args.dry_run,
        yes: args.yes,
    };
    let exams = vec![args.exam.clone()];
    say(
        &args.config,
        &args.who,
        exams,
        Wish::Settle(outcome),
        how,
        args.json,
    )
}

/// `note`.
pub(in crate::cli) fn note(args: &NoteArgs) -> Result<(), Failure> {
    let who = WhoArgs {
        author: args.author.clone(),
        reason: Some(args.text.clone()),
    };
    let exams = vec![args.exam.clone()];
    let how = How::default();
    say(&args.config, &who, exams, Wish::Note, how, args.json)
}

/// `leave-out`.
pub(in crate::cli) fn leave_out(args: &SetAsideArgs) -> Result<(), Failure> {
    set_aside(args, [Wish::LeaveOut, Wish::LeaveOutBack])
}

/// `take-back`.
pub(in crate::cli) fn take_back(args: &SetAsideArgs) -> Result<(), Failure> {
    set_aside(args, [Wish::TakeBackReadings, Wish::CountReadings])
}

/// Says it of exams, or with `--remove` its reverse.
fn set_aside(args: &SetAsideArgs, [said, back]: [Wish; 2]) -> Result<(), Failure> {
    let how = How {
        dry_run: args.dry_run,
        yes: args.yes,
    };
    let wish = if args.remove { back } else { said };
    let exams = args.exams.clone();
    say(&args.config, &args.who, exams, wish, how, args.json)
}

/// `second`.
pub(in crate::cli) fn second(args: &SecondArgs) -> Result<(), Failure> {
    let wish = match args.act.as_str() {
        "ask" => Wish::SecondAsk,
        "read" => Wish::SecondRead(SecondReading {
            right: widths(&args.right)?,
            left: widths(&args.left)?,
            ..SecondReading::default()
        }),
        "agree" => Wish::SecondJudge(Judgement::Agrees),
        "differ" => Wish::SecondJudge(Judgement::Differs),
        other => {
            return Err(Failure::usage(format!(
                "{other:?} is nothing that is done with a second reading; write one of ask, read, \
                 agree, differ"
            )));
        }
    };
    let has_widths = !args.right.is_empty() || !args.left.is_empty();
    if has_widths && args.act != "read" {
        return Err(Failure::usage("--right and --left belong to `read`"));
    }
    let exams = vec![args.exam.clone()];
    let how = How::default();
    say(&args.config, &args.who, exams, wish, how, args.json)
}

/// Widths as typed. What a sheath can measure bounds them widely, so that 0.52 for cm is told.
fn widths(typed: &[f64]) -> Result<Vec<Millimetres>, Failure> {
    let mm = |one: &f64| {
        let in_range = (1.0..=15.0).contains(one);
        let width = Millimetres::from_mm(*one).filter(|_| in_range);
        width.ok_or_else(|| {
            Failure::usage(format!(
                "{one} is no width of a sheath in mm; between 1 and 15 is taken"
            ))
        })
    };
    typed.iter().map(mm).collect()
}

fn say(
    config: &ConfigArg,
    who: &WhoArgs,
    exams: Vec<String>,
    wish: Wish,
    how: How,
    json: bool,
) -> Result<(), Failure> {
    let by = Who::of(who).map_err(Failure::usage)?;
    let (config, pipeline) = context::beside(&config.config)?;
    let site = context::site(&config);
    let order = Order {
        exams,
        patient: None,
        wish,
        by: by.by("command", None, None),
    };
    let done = act(&pipeline, &site, how, &[order], Failure::from)?;
    finish_and_show(&pipeline, &done, json)
}
