//! `check-config`: every mistake at once, in the files of the configuration, on the disk, and on the way to
//! a server.

use super::args::CheckConfigArgs;
use super::{Code, Failure, context, issuers, places, print, reaching, service};
use crate::config::{Config, Effective, Setting, near_misses};
use crate::deliver;
use sheathline_model::domain::Mistake;
use sheathline_model::reading::Rules;
use sheathline_net::connect::check_tls;
use sheathline_net::serve::tls;
use sheathline_store::accounts;
use std::fs::File;
use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::time::SystemTime;

/// `check-config`: exit 2 where anything is wrong.
pub(super) fn check_config(args: &CheckConfigArgs) -> Result<(), Failure> {
    let file = args.config();
    let name = file.display();
    let (mut effective, mistakes) = Effective::as_far_as_good(&context::layers(file)?);
    for mistake in &mistakes {
        if args.json {
            print::json(mistake)?
        } else {
            print::line(mistake)
        }
    }
    let settings = effective.settings();
    let config = &mut effective.config;
    config.resolve(context::folder_of(file));
    let mut wrong = Wrong {
        settings: &settings,
        written_alone: !mistakes.is_empty(),
        lines: Vec::new(),
    };
    on_disk(config, &mut wrong);
    if !mistakes.is_empty() {
        let all = std::iter::once(how_many(&mistakes).told_of(name).to_string());
        let all: Vec<String> = all.chain(wrong.lines).collect();
        return Err(Failure::configuration(all.join("\n")));
    }
    wrong.add(service::receives_something(config));
    match context::rules_of(config, &settings) {
        Ok(rules) => tell_of_overlaps(config, &rules, &settings),
        Err(failure) => wrong.add(Err(failure)),
    }
    tell_of_what_works(config, &settings);
    // One thing that passes by itself is told as that.
    let reached = reaching::check(config);
    if !wrong.lines.is_empty() {
        wrong.add(reached);
        return Err(Failure::configuration(wrong.lines.join("\n")));
    }
    reached?;
    tell_of_issuers(config)?;
    tell_of_pages(config);
    match (args.explain, args.json) {
        (true, true) => settings.iter().try_for_each(print::json)?,
        (true, false) => show_settings(&settings),
        (false, true) => {}
        (false, false) => print::line(format_args!("{name}: no mistakes found")),
    }
    Ok(())
}

/// What is wrong, a line each, with the line of the configuration that says it.
struct Wrong<'s> {
    settings: &'s [Setting],
    /// Whether only what is written counts: beside mistakes a default may not be meant.
    written_alone: bool,
    lines: Vec<String>,
}

impl Wrong<'_> {
    /// A failure, if it is one; its words say where.
    fn add(&mut self, done: Result<(), Failure>) {
        self.lines.extend(done.err().map(|why| why.to_string()));
    }

    /// What a file named by one of some keys is not; `row` where the table has several.
    fn at(&mut self, table: &str, row: Option<usize>, keys: &[&str], what: &str) {
        let mut found = keys
            .iter()
            .filter_map(|key| Setting::find(self.settings, table, row, key))
            .filter(|setting| setting.is_written());
        // Of several files the one that the words name.
        let named = |setting: &&Setting| what.contains(setting.value.trim_matches(['"', '\'']));
        let setting = found.clone().find(named).or_else(|| found.next());
        match setting {
            Some(setting) => self.lines.push(format!("{}: {what}", setting.origin)),
            None if self.written_alone => {}
            None => self.lines.push(what.to_owned()),
        }
    }
}

/// Folders and files that the configuration names.
fn on_disk(config: &Config, wrong: &mut Wrong<'_>) {
    for one in places::wrong(config)
        .into_iter()
        .chain(places::missing(config))
    {
        wrong.at(one.table, None, &[one.key], &one.what);
    }
    // Those of destinations and archives are read with their certificates.
    let own = config.token_files().into_iter();
    for (table, key, path) in own.filter(|(table, _, _)| !table.starts_with("[[")) {
        if let Err(error) = File::open(path) {
            let what = format!("{}: {error}; {table} {key} names it", path.display());
            wrong.at(table, None, &[key], &what);
        }
    }
    let on = config.ports().into_iter().filter(|ports| ports.is_on);
    let over_tls = on.filter_map(|ports| ports.tls);
    for (table, tls) in over_tls.filter(|(_, tls)| !tls.listen.is_empty()) {
        match tls::load(table, tls, SystemTime::now()) {
            Ok(loaded) => loaded.warnings.iter().for_each(print::note),
            Err(error) => {
                let keys = ["certificate", "key", "client_ca"];
                wrong.at(&format!("[{table}]"), None, &keys, &error.to_string());
            }
        }
    }
    const OF_PEER: [&str; 5] = ["bearer", "ca", "certificate", "key", "name"];
    let destinations = config.destinations();
    for (row, one) in (1..).zip(&config.deliver.destination) {
        let Some((to, _)) = destinations.iter().find(|(to, _)| to.name == one.name) else {
            continue;
        };
        if let Err(failure) = deliver::check_files(to) {
            let what = format!("[[destination]] {}: {}", one.name, failure.words);
            wrong.at("[[destination]]", Some(row), &OF_PEER, &what);
        }
    }
    let archives = config.archives();
    for (row, named) in (1..).zip(&config.backfill.archive) {
        let Some(one) = archives.iter().find(|one| one.name == named.name) else {
            continue;
        };
        if let Err(failure) = check_tls(one.way.tls()) {
            let what = format!("[[archive]] {}: {}", one.name, failure.words);
            wrong.at("[[archive]]", Some(row), &OF_PEER, &what);
        }
    }
    if let Some(server) = context::syslog(config)
        && let Err(failure) = check_tls(Some(&server.tls))
    {
        let what = format!("[observe.syslog]: {}", failure.words);
        wrong.at(
            "[observe.syslog]",
            None,
            &["ca", "certificate", "key"],
            &what,
        );
    }
}

/// What is no mistake, and most often not what was meant.
fn tell_of_what_works(config: &Config, settings: &[Setting]) {
    for warning in context::readable_tokens(config) {
        print::note(warning);
    }
    let origin = |table: &str, row, key| {
        let setting = Setting::find(settings, table, row, key);
        setting
            .map_or("", |setting| setting.origin.as_str())
            .to_owned()
    };
    for one in &config.exposed() {
        let origin = origin(&format!("[{}]", one.table), None, one.key);
        print::note(format_args!("{origin}: {}", one.what));
    }
    for what in near_misses(context::variables().map(|(name, _)| name)) {
        print::note(what);
    }
    for (row, one) in (1..).zip(&config.dicom.sender) {
        if !config.lets_in(&one.ae_title) {
            let origin = origin("[[receive.dicom.sender]]", Some(row), "ae_title");
            print::note(format_args!(
                "{origin}: {} may not connect: [receive.dicom] calling_allowed does not name it",
                one.ae_title
            ));
        }
    }
    for one in places::not_writable(config) {
        let origin = origin(one.table, None, one.key);
        print::note(format_args!("{origin}: {}", one.what));
    }
    for ports in config.ports().into_iter().filter(|ports| ports.is_on) {
        let over_tls = ports.tls.map(|(table, tls)| (table, tls.listen.as_slice()));
        for (table, all) in [(ports.table, ports.listen)].into_iter().chain(over_tls) {
            for address in all.iter().filter(|address| !is_of_this_machine(**address)) {
                let origin = origin(&format!("[{table}]"), None, "listen");
                print::note(format_args!(
                    "{origin}: [{table}] listen names {address}, and this machine has no such address now"
                ));
            }
        }
    }
}

/// Whether the address could be listened at, on some port. What cannot be tried is taken for good.
fn is_of_this_machine(address: SocketAddr) -> bool {
    let tried = TcpListener::bind((address.ip(), 0));
    !tried.is_err_and(|error| error.kind() == std::io::ErrorKind::AddrNotAvailable)
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
