//! `event`: what happened to a patient.

use super::act::{How, act};
use super::finish_and_show;
use super::who::Who;
use crate::acts::{Order, Wish};
use crate::cli::args::EventArgs;
use crate::cli::{Failure, context};
use sheathline_model::domain::{Event, EventKind};

/// `event`: adds or takes back.
pub(in crate::cli) fn event(args: &EventArgs) -> Result<(), Failure> {
    let kind = EventKind::ALL
        .into_iter()
        .find(|kind| kind.word() == args.kind)
        .ok_or_else(|| {
            let words = EventKind::ALL.map(EventKind::word).join(", ");
            Failure::usage(format!(
                "{:?} is no kind of event; write one of {words}",
                args.kind
            ))
        })?;
    let by = Who::of(&args.who).map_err(Failure::usage)?;
    let (config, pipeline) = context::beside(&args.config.config)?;
    let site = context::site(&config);
    let key = context::patient(pipeline.store(), &args.patient)?;
    let event = Event {
        date: args.date,
        kind,
    };
    let order = Order {
        exams: Vec::new(),
        patient: Some(key),
        wish: if args.remove {
            Wish::EventBack(event)
        } else {
            Wish::Event(event)
        },
        by: by.by("command", None, None),
    };
    let how = How {
        dry_run: args.dry_run,
        yes: args.yes,
    };
    let done = act(&pipeline, &site, how, &[order], Failure::from)?;
    finish_and_show(&pipeline, &done, args.json)
}
