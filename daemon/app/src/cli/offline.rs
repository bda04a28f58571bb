//! Commands that need no store: `read`, `assess`, `check-config`.

use super::args::{AssessArgs, CheckConfigArgs, ReadArgs};
use super::waiting::Waiting;
use super::{Code, Failure, context, issuers, places, print, reaching};
use crate::config::{Config, Effective, Setting};
use crate::deliver;
use serde::Serialize;
use sheathline_model::assess::{self, Question};
use sheathline_model::domain::{Disposition, Mistake, ObjectReading, Severity, Source};
use sheathline_model::reading::{self, Assumed, Rules};
use sheathline_net::connect::check_tls;
use sheathline_net::serve::tls;
use sheathline_store::accounts;
use std::io::Read;
use std::path::Path;

/// One line of `read --json`: the reading and the file it came from.
#[derive(Serialize)]
struct ReadLine<'a> {
    path: String,
    #[serde(flatten)]
    reading: &'a ObjectReading,
}

/// `read`: exit 1 when an object was quarantined.
pub(super) fn read(args: &ReadArgs) -> Result<(), Failure> {
    let mut config = match &args.config.config {
        Some(path) => context::config(path)?,
        None => Config::default(),
    };
    config
        .templates
        .dictionaries
        .extend(args.dictionary.iter().cloned());
    let rules = context::rules(&config)?;
    let source = args.sender.source();
    note_of_nobody(&config, source.as_ref());
    let source = source.unwrap_or(Source::File);
    let mut refused = 0;
    let mut not_read = Vec::new();
    let mut waiting = Waiting::default();
    for path in context::files(&args.paths)? {
        let bytes = match context::bytes_of(&path, config.folder.max_object_bytes) {
            Ok(bytes) => bytes,
            // The others are read all the same.
            Err(why) => {
                not_read.push(format!("not read: {why}"));
                continue;
            }
        };
        let reading = reading::read_object(&bytes, None, assumed(&config, &rules, &source), &rules);
        refused += usize::from(reading.disposition == Disposition::Quarantined);
        if let Some((path, reading)) = waiting.unless_drawn(path, reading) {
            show(&path, &reading, args.json)?;
        }
    }
    for (path, reading) in waiting.measured(&rules) {
        show(&path, &reading, args.json)?;
    }
    if refused > 0 {
        not_read.push(format!(
            "{refused} of the objects cannot be understood or trusted"
        ));
    }
    if not_read.is_empty() {
        Ok(())
    } else {
        Err(Failure::new(Code::CheckFailed, not_read.join("\n")))
    }
}

/// Files have no AE title, so that what goes by one is not in force for them.
pub(super) fn note_of_nobody(config: &Config, source: Option<&Source>) {
    let scoped = config.scoped_dictionaries();
    let mut by_title = scoped.iter().map(|one| &one.conditions.ae_titles);
    if source.is_none() && by_title.any(|titles| !titles.is_empty()) {
        print::note(
            "files come from nobody: dictionaries by AE title are not in force for them; --sender NAME \
             reads them as those of a sender",
        );
    }
}

/// What is assumed of reports that come from a source.
pub(super) fn assumed<'a>(config: &'a Config, rules: &'a Rules, source: &'a Source) -> Assumed<'a> {
    Assumed {
        default_issuer: config.issuer_of(source).unwrap_or_default(),
        fallback_charset: rules.charsets.of(source),
        ae_title: source.ae_title(),
    }
}

/// What was read of one file, as a line of JSON or as text.
pub(super) fn show(path: &Path, reading: &ObjectReading, json: bool) -> Result<(), Failure> {
    if json {
        let path = path.display().to_string();
        return print::json(&ReadLine { path, reading });
    }
    show_reading(path, reading);
    Ok(())
}

/// The template that read an object, with the dictionaries that explained something of it.
pub(super) fn read_by(reading: &ObjectReading, none: &str) -> String {
    let template = reading.template.as_deref().unwrap_or(none);
    if reading.dictionaries.is_empty() {
        template.to_owned()
    } else {
        format!(
            "{template}, explained by {}",
            reading.dictionaries.join(", ")
        )
    }
}

fn show_reading(path: &Path, reading: &ObjectReading) {
    let template = read_by(reading, "no template");
    let word = match reading.disposition {
        Disposition::Accepted => "accepted",
        Disposition::AcceptedWithRemarks => "accepted with remarks",
        Disposition::NoSheathMeasurement => "no sheath measurement",
        Disposition::Quarantined => "quarantined",
    };
    print::line(format_args!("{}: {word} ({template})", path.display()));
    for m in &reading.measurements {
        let value = m
            .value_mm
            .map_or("no value".to_owned(), |value| value.to_string());
        let used = if m.usable { "" } else { ", not used" };
        let by = match m.modality {
            modality if modality.is_foreign() => format!(", by {}", modality.title()),
            _ => String::new(),
        };
        let rule = m.rule.as_deref().unwrap_or("-");
        print::line(format_args!(
            "  {:<10} {:<10} {:<12} {rule:<24} {value}{by}{used}",
            m.place,
            m.eye.word(),
            format!("{:?}", m.plane).to_lowercase()
        ));
        for remark in &m.remarks {
            show_remark("      ", remark);
        }
    }
    for remark in &reading.remarks {
        show_remark("  ", remark);
    }
}

/// A remark on one line, what can be done on the next.
pub(super) fn show_remark(indent: &str, remark: &sheathline_model::domain::Remark) {
    let severity = match remark.severity {
        Severity::Info => "note",
        Severity::Caution => "caution",
        Severity::Blocking => "blocking",
    };
    let place = remark
        .place
        .as_deref()
        .map_or(String::new(), |at| format!(" at {at}"));
    print::line(format_args!(
        "{indent}{severity} {}{place}: {}",
        remark.code, remark.text
    ));
    if let Some(action) = &remark.action {
        print::line(format_args!("{indent}  what to do: {action}"));
    }
}

/// `assess`: one answer a line; exit 1 when a question had none.
pub(super) fn assess(args: &AssessArgs) -> Result<(), Failure> {
    let mut failed = Vec::new();
    for file in &args.files {
        let name = file.display();
        let text = if file.as_os_str() == "-" {
            let mut text = String::new();
            std::io::stdin().read_to_string(&mut text)?;
            text
        } else {
            context::text_of(file)?
        };
        for (number, line) in (1..)
            .zip(text.lines())
            .filter(|(_, line)| !line.trim().is_empty())
        {
            match answer(line, args.arithmetic) {
                Ok(assessment) => print::json(&assessment)?,
                Err(why) => failed.push(format!("{name}:{number}: {why}")),
            }
        }
    }
    if failed.is_empty() {
        Ok(())
    } else {
        Err(Failure::new(Code::CheckFailed, failed.join("\n")))
    }
}

fn answer(line: &str, arithmetic: bool) -> Result<assess::Assessment, String> {
    let question: Question = serde_json::from_str(line).map_err(|error| error.to_string())?;
    let asked = if arithmetic {
        assess::explain
    } else {
        assess::assess
    };
    asked(&question).map_err(|error| error.to_string())
}

/// `check-config`: every mistake at once, those of named templates and dictionaries too.
pub(super) fn check_config(args: &CheckConfigArgs) -> Result<(), Failure> {
    let file = args.config();
    let name = file.display();
    match Effective::of(&context::layers(file)?) {
        Ok(mut effective) => {
            let settings = effective.settings();
            let config = &mut effective.config;
            config.resolve(context::folder_of(file));
            places::check(config)?;
            let rules = context::rules_of(config, &settings)?;
            tell_of_overlaps(config, &rules, &settings);
            let on = config.ports().into_iter().filter(|ports| ports.is_on);
            let over_tls = on.filter_map(|ports| ports.tls);
            for (table, tls) in over_tls.filter(|(_, tls)| !tls.listen.is_empty()) {
                let loaded = tls::load(table, tls, std::time::SystemTime::now());
                for warning in loaded?.warnings {
                    print::note(warning);
                }
            }
            for warning in context::readable_tokens(config) {
                print::note(warning);
            }
            let (exposed, settings) = (config.exposed(), effective.settings());
            for one in &exposed {
                let heading = format!("[{}]", one.table);
                let mut settings = settings.iter();
                let origin = settings.find(|it| it.table == heading && it.key == one.key);
                let origin = origin.map_or("", |setting| setting.origin.as_str());
                print::note(format_args!("{origin}: {}", one.what));
            }
            let config = &effective.config;
            let destinations = config.destinations();
            let syslog = context::syslog(config).and_then(|server| {
                let failure = check_tls(Some(&server.tls)).err()?;
                Some(format!("[observe.syslog]: {}", failure.words))
            });
            let of_destinations = destinations.iter().filter_map(|(one, _)| {
                let failure = deliver::check_files(one).err()?;
                Some(format!("[[destination]] {}: {}", one.name, failure.words))
            });
            let archives = config.archives();
            let of_archives = archives.iter().filter_map(|one| {
                let failure = check_tls(one.way.tls()).err()?;
                Some(format!("[[archive]] {}: {}", one.name, failure.words))
            });
            let unread: Vec<String> = of_destinations.chain(of_archives).chain(syslog).collect();
            if !unread.is_empty() {
                return Err(Failure::configuration(unread.join("\n")));
            }
            reaching::check(config)?;
            tell_of_issuers(config)?;
            tell_of_pages(config);
            match (args.explain, args.json) {
                (true, true) => effective.settings().iter().try_for_each(print::json)?,
                (true, false) => show_settings(&effective.settings()),
                (false, true) => {}
                (false, false) => print::line(format_args!("{name}: no mistakes found")),
            }
            Ok(())
        }
        Err(mistakes) => {
            for mistake in &mistakes {
                if args.json {
                    print::json(mistake)?
                } else {
                    print::line(mistake)
                }
            }
            Err(how_many(&mistakes).told_of(name))
        }
    }
}

/// How many mistakes were printed.
pub(super) fn how_many(mistakes: &[Mistake]) -> Failure {
    Failure::configuration(match mistakes.len() {
        1 => "1 mistake".to_owned(),
        n => format!("{n} mistakes"),
    })
}

/// Dictionaries by sender that may be in force for one report, which would then go to quarantine.
fn tell_of_overlaps(config: &Config, rules: &Rules, settings: &[Setting]) {
    let scoped = config.scoped_dictionaries();
    for overlap in rules.templates.overlaps() {
        let [one, other] = overlap.rows.map(|at| {
            let named = scoped.get(at)?;
            let heading = format!("[[{}]]", named.table);
            let setting = Setting::find(settings, &heading, Some(named.row), "dictionaries");
            Some(setting?.origin.clone())
        });
        print::note(format_args!(
            "{} and {} may both hold for a report, which then goes to quarantine: {} Narrow one of them, \
             or make them agree",
            one.unwrap_or_default(),
            other.unwrap_or_default(),
            overlap.what
        ));
    }
}

/// Where a store is there and can be read: whose history this configuration would split.
///
/// # Errors
/// The file is no store. What else hinders is no mistake of the configuration.
fn tell_of_issuers(config: &Config) -> Result<(), Failure> {
    if !may_be_there(config) {
        return Ok(());
    }
    match context::guest(config).map(|store| issuers::apart(config, &store, || false)) {
        Ok(Ok(Some(apart))) => {
            print::note(apart.words());
            Ok(())
        }
        Err(failure) if failure.code() == Code::Configuration => Err(failure),
        _ => Ok(()),
    }
}

/// Whether there may be a store to be asked: a server has answered before.
fn may_be_there(config: &Config) -> bool {
    config.store.file().is_none_or(Path::is_file)
}

/// Where the pages would be, or why there are none; and that nobody can sign in, where that is known.
fn tell_of_pages(config: &Config) {
    let pages = &config.pages;
    let all: Vec<String> = pages
        .listen
        .iter()
        .map(|address| format!("{address} without TLS"))
        .chain(
            pages
                .tls
                .listen
                .iter()
                .map(|address| format!("{address} over TLS")),
        )
        .collect();
    if all.is_empty() {
        if pages.public_url.is_some() || pages.openid.issuer.is_some() {
            print::note(
                "[pages] there are none: neither [pages] nor [pages.tls] has an address in listen",
            );
        }
        return;
    }
    let people = match &pages.public_url {
        Some(url) => format!("people open {url}"),
        None => "only this machine reaches them".to_owned(),
    };
    print::note(format_args!("[pages] {}; {people}", all.join(", ")));
    let may_sign_in = pages.openid.issuer.is_some()
        || !may_be_there(config)
        || context::guest(config)
            .ok()
            .and_then(|store| store.read(accounts::all).ok())
            .is_none_or(|all| all.iter().any(|one| one.ended_at.is_none()));
    if !may_sign_in {
        print::note(
            "[pages] nobody may sign in yet: run `sheathline account add NAME --role ROLE` as the account of \
             the service",
        );
    }
}

/// As TOML again, with the origin as a comment.
fn show_settings(settings: &[Setting]) {
    let mut under = None;
    for setting in settings {
        let here = Some((&setting.table, setting.row));
        if under != here {
            print::lines(format_args!("\n{}", setting.table));
            under = here;
        }
        let written = format!("{} = {}", setting.key, setting.value);
        print::line(format_args!("{written:<50} # {}", setting.origin));
    }
}
