//! `echo`: goes the way to a destination or an archive; nothing is delivered or fetched.

use super::args::EchoArgs;
use super::{Code, Failure, context, print};
use crate::backfill::archive::source;
use crate::config::Config;
use crate::deliver;
use crate::routes::archive;
use crate::routes::destination::{HookWay, Way};
use serde::Serialize;
use sheathline_net::connect::node::{HttpWay, TlsFiles};
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

/// A system of the configuration, gone to.
struct Gone {
    name: String,
    has_tls: bool,
    /// It has files to be read first.
    has_files: bool,
    has_association: bool,
    echoed: Result<Vec<Stage>, connect::Failure>,
}

/// `echo`: exit 1 when a stage is not passed.
pub(super) fn echo(args: &EchoArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let Some(gone) = go(&config, &args.destination) else {
        let destinations = config.destinations();
        let archives = config.archives();
        let names = destinations.iter().map(|(one, _)| one.name.as_str());
        let names: Vec<&str> = names
            .chain(archives.iter().map(|one| one.name.as_str()))
            .collect();
        let known = if names.is_empty() {
            "there is none; write a [[destination]] or an [[archive]]".to_owned()
        } else {
            format!("there are {}", names.join(", "))
        };
        let words = format!("no destination or archive {:?}; {known}", args.destination);
        return Err(Failure::usage(words));
    };
    let passed = match &gone.echoed {
        Ok(stages) => stages.clone(),
        Err(failure) => before(failure.stage, &gone),
    };
    let failed = gone.echoed.as_ref().err();
    if args.json {
        print::json(&Line {
            destination: &gone.name,
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
        .told_of(&gone.name)
        .advised(&code)
        .advised(&advice))
}

/// Goes the way to the destination of this name, or else to the archive.
fn go(config: &Config, name: &str) -> Option<Gone> {
    let http = |way: &HttpWay| {
        let tls = way.encrypted().is_some();
        let named = way.tls != TlsFiles::default() || way.bearer.is_some();
        (tls, tls || named, false)
    };
    let over = |tls: bool, has_association| (tls, tls, has_association);
    let destinations = config.destinations();
    if let Some((one, _)) = destinations.iter().find(|(one, _)| one.name == name) {
        let (has_tls, has_files, has_association) = match &one.way {
            Way::Dicom(way) => over(way.node.tls.is_some(), true),
            Way::Mllp(way) => over(way.tls.is_some(), false),
            Way::Fhir(way) | Way::Hook(HookWay { http: way, .. }) => http(way),
        };
        return Some(Gone {
            name: one.name.clone(),
            has_tls,
            has_files,
            has_association,
            echoed: deliver::carrier(one).echo(),
        });
    }
    let archives = config.archives();
    let one = archives.iter().find(|one| one.name == name)?;
    let (has_tls, has_files, has_association) = match &one.way {
        archive::Way::Dicom(way) => over(way.node.tls.is_some(), true),
        archive::Way::Web(way) => http(way),
    };
    Some(Gone {
        name: one.name.clone(),
        has_tls,
        has_files,
        has_association,
        echoed: source(one).echo(),
    })
}

/// The stages that lie before one on the way.
fn before(stage: Stage, gone: &Gone) -> Vec<Stage> {
    let applies = |one: &Stage| match one {
        Stage::Form => false,
        Stage::Files => gone.has_files,
        Stage::Tls => gone.has_tls,
        Stage::Association => gone.has_association,
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
