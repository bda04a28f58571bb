//! `pressure`: the opening pressure of an exam.

use super::act::{How, act};
use super::finish_and_show;
use super::who::Who;
use crate::acts::{Order, Wish};
use crate::cli::args::PressureArgs;
use crate::cli::{Failure, context};
use sheathline_model::domain::OpeningPressure;

/// `pressure`: sets or takes back.
pub(in crate::cli) fn pressure(args: &PressureArgs) -> Result<(), Failure> {
    let pressure = match (args.value.as_str(), args.unit.as_deref()) {
        ("none", None) => None,
        ("none", Some(_)) => {
            return Err(Failure::usage("write none without a unit".to_owned()));
        }
        (value, unit) => Some(OpeningPressure::typed(value, unit.unwrap_or_default())?),
    };
    let by = Who::of(&args.who).map_err(Failure::usage)?;
    let (config, pipeline) = context::beside(&args.config.config)?;
    let site = context::site(&config);
    let order = Order {
        exams: vec![args.exam.clone()],
        patient: None,
        wish: Wish::Pressure(pressure),
        by: by.by("command", None, None),
    };
    let done = act(&pipeline, &site, How::default(), &[order], Failure::from)?;
    finish_and_show(&pipeline, &done, args.json)
}
