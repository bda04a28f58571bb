//! `echo`: goes the way to a destination without delivering.

use super::args::EchoArgs;
use super::{Code, Failure, context, print};
use crate::deliver;
use crate::routes::destination::{Destination, Way};
use serde::Serialize;
use sheathline_net::connect::node::TlsFiles;
use sheathline_net::connect::{self, Stage, Word};

/// One line of `echo --json`.
#[derive(Serialize)]
struct Line<'a> {
    destination: &'a str,
    /// Stages that were passed, in order.
    passed: Vec<Stage>,
    /// The first that was not.
    failed: Option<&'a sheathline_net::connect::Failure>,
}

/// `echo`: exit 1 when a stage is not passed.
pub(super) fn echo(args: &EchoArgs) -> Result<(), Failure> {
    let destinations = context::config(&args.config.config)?.destinations();
    let known = || {
        let names: Vec<&str> = destinations
            .iter()
            .map(|(one, _)| one.name.as_str())
            .collect();
        if names.is_empty() {
            "there is none; write a [[destination]]".to_owned()
        } else {
            format!("there are {}", names.join(", "))
        }
    };
    let (destination, _) = destinations
        .iter()
        .find(|(one, _)| one.name == args.destination)
        .ok_or_else(|| {
            Failure::usage(format!(
                "no destination {:?}; {}",
                args.destination,
                known()
            ))
        })?;
    let echoed = deliver::carrier(destination).echo();
    let passed = match &echoed {
        Ok(stages) => stages.clone(),
        Err(failure) => before(failure.stage, destination),
    };
    let failed = echoed.as_ref().err();
    if args.json {
        print::json(&Line {
            destination: &destination.name,
            passed,
            failed,
        })?;
    } else {
        passed
            .iter()
            .for_each(|stage| print::line(format_args!("passed: {stage}")));
    }
    let Some(failure) = failed else {
        return Ok(());
    };
    let code = format!(" ({})", failure.code);
    let advice = advice(failure.code).map_or(String::new(), |advice| format!(". {advice}"));
    Err(Failure::of(Code::Peer, failure.clone())
        .told_of(&destination.name)
        .advised(&code)
        .advised(&advice))
}

/// The stages that lie before one on the way to a destination.
fn before(stage: Stage, destination: &Destination) -> Vec<Stage> {
    let (tls, files) = match &destination.way {
        Way::Dicom(way) => (way.node.tls.is_some(), way.node.tls.is_some()),
        Way::Mllp(way) => (way.tls.is_some(), way.tls.is_some()),
        Way::Fhir(way) | Way::Hook(way) => {
            let tls = way.encrypted().is_some();
            let named = way.tls != TlsFiles::default() || way.bearer.is_some();
            (tls, tls || named)
        }
    };
    let applies = |one: &Stage| match one {
        Stage::Form => false,
        Stage::Files => files,
        Stage::Tls => tls,
        Stage::Association => matches!(destination.way, Way::Dicom(_)),
        Stage::Name | Stage::Connect | Stage::Answer => true,
    };
    let all = [
        Stage::Files,
        Stage::Name,
        Stage::Connect,
        Stage::Tls,
        Stage::Association,
        Stage::Answer,
    ];
    let before = all.into_iter().take_while(|one| *one != stage);
    before.filter(applies).collect()
}

/// What to do, where the words of the failure do not say it.
fn advice(code: connect::Code) -> Option<&'static str> {
    match code {
        connect::Code::Word(
            word @ (Word::NameUnknown
            | Word::NameTimeout
            | Word::ConnectRefused
            | Word::ConnectTimeout
            | Word::ConnectUnreachable
            | Word::FileMissing
            | Word::FileUnreadable
            | Word::FileContent
            | Word::TlsTimeout
            | Word::AssociationTimeout
            | Word::AnswerTimeout
            | Word::AssociationClosed
            | Word::AnswerClosed),
        ) => Some(word.action()),
        _ => None,
    }
}
