//! `daemon/docs/commands.md`: every command, written from its definition.

use super::Code;
use super::args::{self, AFTER};
use clap::{Arg, ArgAction, Command};
use std::fmt::Write;

/// Pages of the manual that say more of a command, with the titles of their links.
const SEE: [(&str, &str, &str); 17] = [
    ("serve", "install.md", "Running in fifteen minutes"),
    ("status", "watch.md", "Watching the service"),
    ("echo", "deliver.md", "Delivering results"),
    ("outbox", "deliver.md", "Delivering results"),
    ("backfill", "backfill.md", "Earlier exams from an archive"),
    ("explain", "result.md", "How to read a result"),
    ("export", "data.md", "Opening the data"),
    ("label", "labels.md", "Labels, events, pressures"),
    ("event", "labels.md", "Labels, events, pressures"),
    ("pressure", "labels.md", "Labels, events, pressures"),
    ("entries", "labels.md", "Labels, events, pressures"),
    ("patient", "identity.md", "Merged patients"),
    ("department", "data.md#the-department", "The department"),
    ("verify", "store.md", "Keeping the store"),
    ("backup", "store.md", "Keeping the store"),
    ("restore", "store.md", "Keeping the store"),
    ("compact", "store.md", "Keeping the store"),
];

/// Options that are told once, for all commands.
const TOLD_ONCE: [&str; 3] = ["config", "json", "help"];

/// What scripts can rely on; the keys of all commands are compared by a test.
const KEYS: &str = "\
Keys of JSON mean the same in every command: `patient` is `{issuer, id}`, `exam_id` the id of an exam, \
`content` what its `result.json` holds, `object` the number of a stored object, `entry` that of an \
entry, `author` and `reason` who recorded it and why. What can be given more than once is a list. Keys \
are added; one that goes or changes its name is a breaking change.";

/// The page in Markdown.
pub(super) fn page() -> String {
    let mut page = "# Commands\n\nMade by `sheathline generate commands` from the definitions in the program; \
                    `sheathline COMMAND --help` says the same.\n\n"
        .to_owned();
    let _ = writeln!(page, "{AFTER}\n");
    let _ = writeln!(page, "{KEYS}\n");
    failures(&mut page);
    let mut all = args::command();
    // Gives each command its whole name.
    all.build();
    for (heading, commands) in args::groups() {
        let _ = writeln!(page, "\n## {heading}");
        for one in &commands {
            if let Some(one) = all.find_subcommand(one.get_name()) {
                tell(&mut page, one, 3);
            }
        }
    }
    page
}

fn failures(page: &mut String) {
    page.push_str("| `code` of a failure | exit code | meaning |\n|---|---|---|\n");
    for code in Code::ALL {
        let (word, exit, meaning) = (code.word(), code.exit(), code.meaning());
        let _ = writeln!(page, "| `{word}` | {exit} | {meaning} |");
    }
}

fn tell(page: &mut String, one: &Command, level: usize) {
    let name = one.get_name();
    let whole = one.get_bin_name().unwrap_or(name);
    let title = whole.strip_prefix("sheathline ").unwrap_or(whole);
    let _ = writeln!(page, "\n{} {title}\n", "#".repeat(level));
    let about = one.get_long_about().or_else(|| one.get_about());
    let about = about.map_or(String::new(), ToString::to_string);
    let _ = writeln!(page, "{}", sentence(&about));
    if let Some((_, link, title)) = SEE.iter().find(|(of, _, _)| *of == title) {
        let _ = writeln!(page, "More: [{title}]({link}).");
    }
    let shown = |one: &&Command| !one.is_hide_set() && one.get_name() != "help";
    let below: Vec<&Command> = one.get_subcommands().filter(shown).collect();
    if below.is_empty() {
        let usage = one.clone().render_usage().to_string();
        let usage = usage.trim_start_matches("Usage: ");
        let _ = writeln!(page, "\n    {usage}");
        let args = one.get_arguments().filter(|arg| !arg.is_hide_set());
        let args = args.filter(|arg| !TOLD_ONCE.contains(&arg.get_id().as_str()));
        let lines: String = args.map(|arg| format!("- {}\n", argument(arg))).collect();
        if !lines.is_empty() {
            let _ = write!(page, "\n{lines}");
        }
    }
    for one in below {
        tell(page, one, level + 1);
    }
}

/// One argument: how it is written, what it means, what it can be, and what it is when left out.
fn argument(arg: &Arg) -> String {
    let value = match arg.get_action() {
        ArgAction::SetTrue => String::new(),
        _ => arg.get_value_names().unwrap_or_default().join(" "),
    };
    let mut words: Vec<String> = Vec::new();
    words.extend(arg.get_short().map(|short| format!("-{short}")));
    words.extend(arg.get_long().map(|long| format!("--{long}")));
    let mut line = if words.is_empty() {
        format!("`{value}`")
    } else {
        format!("`{}`", format!("{} {value}", words.join(", ")).trim_end())
    };
    let help = arg.get_long_help().or_else(|| arg.get_help());
    let help = help.map_or(String::new(), ToString::to_string);
    let _ = write!(line, ": {}", sentence(&help));
    let possible: Vec<String> = arg
        .get_possible_values()
        .iter()
        .filter(|_| !value.is_empty())
        .map(|one| match one.get_help() {
            Some(help) => format!("`{}` ({help})", one.get_name()),
            None => format!("`{}`", one.get_name()),
        })
        .collect();
    if !possible.is_empty() {
        let _ = write!(line, " One of {}.", possible.join(", "));
    }
    let default = arg.get_default_values().iter();
    let default: Vec<_> = default.map(|one| one.to_string_lossy()).collect();
    if !default.is_empty() && !value.is_empty() {
        let _ = write!(line, " When left out: `{}`.", default.join(" "));
    }
    line
}

/// Paragraphs of a help text as sentences in one line.
fn sentence(help: &str) -> String {
    let parts = help.split("\n\n").map(|part| part.replace('\n', " "));
    let ended = parts.map(|part| {
        if part.ends_with(['.', '?']) {
            part
        } else {
            format!("{part}.")
        }
    });
    ended.collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_manual_is_what_the_program_writes() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/commands.md");
        let manual = std::fs::read_to_string(path).expect("daemon/docs/commands.md");
        assert!(
            manual == page(),
            "run `sheathline generate commands > daemon/docs/commands.md`"
        );
    }

    #[test]
    fn every_page_that_says_more_is_named_once_and_its_command_is_there() {
        let page = page();
        for (command, link, title) in SEE {
            let (_, after) = page
                .split_once(&format!("# {command}\n"))
                .unwrap_or_else(|| panic!("no command {command}"));
            let of_it = after.split("\n#").next().unwrap_or_default();
            assert!(of_it.contains(&format!("[{title}]({link})")), "{command}");
        }
    }
}
