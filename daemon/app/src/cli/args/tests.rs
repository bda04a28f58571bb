//! Rules of the command line, held over all commands: one thing has one name.

use super::{Cli, command};
use clap::{Arg, Command, Parser};
use std::collections::{BTreeMap, BTreeSet};

/// Commands that need no configuration.
const WITHOUT_CONFIG: [&str; 4] = ["assess", "demo", "template check", "template confirm"];

/// Commands that print nothing for a script to read, and the one whose text is JSON.
const WITHOUT_JSON: [&str; 3] = ["assess", "render", "serve"];

/// Options that name a file or folder to write had these names; all of them are `--output` now.
const OUTPUT_BY_OTHER_NAMES: [&str; 8] = [
    "svg", "save", "write", "html", "dir", "out", "file", "target",
];

/// Other names of the first and last day of a period, of who says something, and of why.
const OTHER_NAMES: [&str; 8] = [
    "since", "until", "start", "end", "who", "user", "why", "comment",
];

/// Every command that can be run, by its words, with what is shown of it.
fn runnable() -> Vec<(String, Command)> {
    fn below(words: &str, one: &Command, found: &mut Vec<(String, Command)>) {
        let mut inner = one.get_subcommands().filter(|one| !one.is_hide_set());
        match inner.next() {
            None => found.push((words.trim().to_owned(), one.clone())),
            Some(first) => std::iter::once(first).chain(inner).for_each(|one| {
                below(&format!("{words} {}", one.get_name()), one, found);
            }),
        }
    }
    let mut found = Vec::new();
    below("", &command(), &mut found);
    assert!(found.len() > 30, "{}", found.len());
    found
}

fn shown(one: &Command) -> impl Iterator<Item = &Arg> {
    one.get_arguments().filter(|arg| !arg.is_hide_set())
}

fn option<'a>(one: &'a Command, name: &str) -> Option<&'a Arg> {
    shown(one).find(|arg| arg.get_long() == Some(name))
}

fn value(arg: &Arg) -> String {
    let names = arg.get_value_names().unwrap_or_default();
    names.join(" ")
}

fn help(arg: &Arg) -> String {
    arg.get_help().map_or(String::new(), ToString::to_string)
}

#[test]
fn the_configuration_is_named_in_one_way_everywhere() {
    for (words, one) in runnable() {
        if WITHOUT_CONFIG.contains(&words.as_str()) {
            assert!(option(&one, "config").is_none(), "{words}");
            continue;
        }
        let config = option(&one, "config").unwrap_or_else(|| panic!("{words} has no --config"));
        assert_eq!(
            config.get_env(),
            Some("SHEATHLINE_CONFIG".as_ref()),
            "{words}"
        );
        assert_eq!(help(config), super::CONFIG, "{words}");
    }
}

#[test]
fn a_patient_is_named_by_id_and_issuer() {
    for (words, one) in runnable() {
        let patient = shown(&one).find(|arg| arg.is_positional() && value(arg) == "PATIENT");
        let issuer = option(&one, "issuer");
        assert_eq!(patient.is_some(), issuer.is_some(), "{words}");
        assert!(option(&one, "patient").is_none(), "{words}");
        assert!(option(&one, "id").is_none(), "{words}");
    }
}

#[test]
fn a_period_goes_from_a_day_to_a_day() {
    for (words, one) in runnable() {
        let (from, to) = (option(&one, "from"), option(&one, "to"));
        assert_eq!(from.is_some(), to.is_some(), "{words}");
        for day in from.into_iter().chain(to) {
            assert_eq!(value(day), "DAY", "{words}");
        }
    }
}

#[test]
fn every_command_that_prints_something_prints_it_as_json_too() {
    for (words, one) in runnable() {
        let expected = !WITHOUT_JSON.contains(&words.as_str());
        assert_eq!(option(&one, "json").is_some(), expected, "{words}");
    }
}

/// What is written is `-o` or `--output`, and an option of one name says and takes the same in every
/// command.
#[test]
fn one_name_is_one_thing() {
    let mut said: BTreeMap<String, BTreeSet<(String, String)>> = BTreeMap::new();
    for (words, one) in runnable() {
        for arg in shown(&one) {
            let Some(name) = arg.get_long() else { continue };
            let other = OUTPUT_BY_OTHER_NAMES.iter().chain(&OTHER_NAMES);
            assert!(
                !other.clone().any(|other| *other == name),
                "{words} --{name}"
            );
            if name == "output" {
                assert_eq!(arg.get_short(), Some('o'), "{words}");
                assert!(["FILE", "DIR"].contains(&value(arg).as_str()), "{words}");
                continue;
            }
            let of_it = said.entry(name.to_owned()).or_default();
            of_it.insert((value(arg), help(arg)));
        }
    }
    said.retain(|_, of_it| of_it.len() > 1);
    assert_eq!(said, BTreeMap::new());
}

/// What a reader meets: a sentence for everything, in one line of a terminal with 100 columns; the rest
/// of it in the long help.
#[test]
fn everything_is_explained_in_one_short_line() {
    let mut poor = Vec::new();
    for (words, one) in runnable() {
        let of_command = one.get_about().map_or(String::new(), ToString::to_string);
        let of_args = shown(&one).filter(|arg| arg.get_id() != "help");
        let of_args = of_args.map(|arg| (arg.get_id().to_string(), help(arg)));
        for (what, text) in of_args.chain([("about".to_owned(), of_command)]) {
            let begins = text.chars().next().is_some_and(|c| !c.is_lowercase());
            let is_article = ["The ", "A ", "An "].iter().any(|it| text.starts_with(it));
            let is_article = is_article && what != "result" && what != "dictionary";
            if !begins || is_article || text.ends_with('.') || text.chars().count() > 90 {
                poor.push(format!("{words}, {what}: {text}"));
            }
        }
    }
    assert!(poor.is_empty(), "{}", poor.join("\n"));
}

/// What was written before this is read as what it is now.
#[test]
fn earlier_spellings_are_understood() {
    let day = ["--from", "2024-01-01", "--to", "2024-02-01"];
    for (earlier, now) in [
        ("check-config site.toml", "check-config --config site.toml"),
        ("backup --config c copy", "backup --config c --output copy"),
        (
            "history --config c P --svg f --eye left",
            "history --config c P --output f --eye left",
        ),
        (
            "quarantine --config c 3 --save f",
            "quarantine --config c 3 -o f",
        ),
        (
            "calibrate --config c --write f",
            "calibrate --config c -o f",
        ),
        (
            "department --config c --html f",
            "department --config c -o f",
        ),
        (
            "export --config c --to d --identified",
            "export --config c -o d --identified",
        ),
        ("demo --dir d", "demo --output d"),
        (
            "patient merge --config c --from |1 --into |2 --why twice",
            "patient merge --config c --prior |1 --surviving |2 --reason twice",
        ),
    ] {
        let of = |line: &str| {
            let words = ["sheathline"].into_iter().chain(line.split(' '));
            Cli::try_parse_from(words).unwrap_or_else(|error| panic!("{line}: {error}"))
        };
        let (earlier, now) = (of(earlier).command, of(now).command);
        // Where an earlier spelling has a place of its own, the commands say which counts.
        use super::{Command, ServiceCommand, StoreCommand};
        match (&earlier, &now) {
            (
                Command::Service(ServiceCommand::CheckConfig(a)),
                Command::Service(ServiceCommand::CheckConfig(b)),
            ) => assert_eq!(a.config(), b.config()),
            (Command::Store(StoreCommand::Backup(a)), Command::Store(StoreCommand::Backup(b))) => {
                assert_eq!(a.output(), b.output())
            }
            _ => assert_eq!(format!("{earlier:?}"), format!("{now:?}")),
        }
    }
    let words = ["sheathline", "backfill", "--config", "c"];
    assert!(Cli::try_parse_from(words.into_iter().chain(day)).is_ok());
}
