//! Brings one result to one destination of a configuration, without a store: for checks against
//! receivers of other projects.
//!
//! `deliver CONFIG DESTINATION RESULT_JSON [REPORT_DCM…]` prints what became of it as JSON: `null`
//! when it was taken, else the failure.

#![allow(clippy::print_stdout, reason = "it is a program")]

use sheathline::config::Config;
use sheathline::deliver::carrier;
use sheathline::parcel::Parcel;
use sheathline_model::forms::Context;
use sheathline_model::sr::{self, Limits};
use std::error::Error;
use std::path::Path;

fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let mut next = |what| args.next().ok_or(format!("{what} is missing"));
    let (file, name) = (next("CONFIG")?, next("DESTINATION")?);
    let result = std::fs::read_to_string(next("RESULT_JSON")?)?;
    let mut config = Config::from_text(&file, &std::fs::read_to_string(&file)?)
        .map_err(|mistakes| format!("{mistakes:?}"))?;
    config.resolve(Path::new(&file).parent().unwrap_or(Path::new("")));
    let destinations = config.destinations();
    let (destination, _) = destinations
        .iter()
        .find(|(one, _)| one.name == name)
        .ok_or("no such destination")?;
    let mut context = Context::default();
    for report in args {
        let bytes = std::fs::read(report)?;
        let origin = sr::origin(&bytes, None, &Limits::default());
        context.sources.push(origin?);
    }
    let parcel = Parcel {
        result: serde_json::from_str(&result)?,
        context,
        others: Vec::new(),
    };
    let failure = carrier(destination).deliver(&parcel).err();
    println!("{}", serde_json::to_string(&failure)?);
    Ok(())
}
