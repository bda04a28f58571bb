//! An example of each command, for the manual pages. The configuration is named by SHEATHLINE_CONFIG.

/// Command, and its examples with what each does.
pub(super) const EXAMPLES: &[(&str, &[(&str, &str)])] = &[
    (
        "serve",
        &[(
            "serve",
            "Runs the daemon in the foreground; the unit of the package does the same.",
        )],
    ),
    (
        "status",
        &[
            ("status", "How the service stands, and what needs somebody."),
            ("status --probe", "Ready or not, for a health check."),
        ],
    ),
    (
        "check-config",
        &[
            ("check-config", "Every mistake, before a reload."),
            (
                "check-config --explain",
                "Every setting in force, with the line that says it.",
            ),
        ],
    ),
    (
        "echo",
        &[("echo archive", "Goes the way to the destination `archive`.")],
    ),
    (
        "outbox list",
        &[(
            "outbox list --state dead",
            "What was given up, with the last failure of each.",
        )],
    ),
    (
        "outbox retry",
        &[(
            "outbox retry --destination archive",
            "Tries all that waits or is dead at once.",
        )],
    ),
    (
        "outbox drop",
        &[("outbox drop 17", "Takes delivery 17 out.")],
    ),
    (
        "outbox replay",
        &[(
            "outbox replay --destination archive --from 2026-11-01 --to 2026-11-30",
            "Delivers the results of a month again.",
        )],
    ),
    (
        "account add",
        &[(
            "account add jdoe --role reader",
            "Adds an account; the password is asked for.",
        )],
    ),
    ("account list", &[("account list", "Who may sign in.")]),
    (
        "account roles",
        &[("account roles jdoe --role lead", "Gives other roles.")],
    ),
    (
        "account password",
        &[("account password jdoe", "Gives a new password.")],
    ),
    (
        "account unlock",
        &[("account unlock jdoe", "Lets somebody try again.")],
    ),
    (
        "account sign-out",
        &[("account sign-out jdoe", "Ends every session.")],
    ),
    (
        "account end",
        &[("account end jdoe", "Ends an account; what it did stays.")],
    ),
    (
        "process",
        &[("process reports", "Takes a folder of files, and ends.")],
    ),
    (
        "measure",
        &[(
            "measure 4711 --birth-date 2016-03-01 --on 2026-11-30 --right 4.9",
            "Signs what was measured by hand.",
        )],
    ),
    (
        "bring-in",
        &[(
            "bring-in earlier.csv --in-unit mm --dates DD.MM.YYYY --dry-run",
            "Checks a table of old values.",
        )],
    ),
    (
        "backfill",
        &[(
            "backfill --archive old --from 2015-01-01 --to 2024-12-31 --dry-run",
            "Counts what an archive would give.",
        )],
    ),
    (
        "quarantine",
        &[
            ("quarantine", "What could not be understood, and why."),
            (
                "quarantine 12 --output object.dcm",
                "Its bytes, as received.",
            ),
        ],
    ),
    (
        "unmapped",
        &[("unmapped", "Codes that no template explains.")],
    ),
    (
        "history",
        &[(
            "history 4711 --output course.svg",
            "The exams of a patient, and their course as a picture.",
        )],
    ),
    (
        "explain",
        &[(
            "explain 2.25.4711",
            "How a report or an exam was read and compared.",
        )],
    ),
    (
        "render",
        &[(
            "render result.json --form pdf --output page.pdf",
            "The page of a result.",
        )],
    ),
    (
        "export",
        &[(
            "export --output tables",
            "Tables for analysts; the next run adds what is new.",
        )],
    ),
    (
        "label",
        &[("label 2.25.4711 well", "Says that the patient was well.")],
    ),
    (
        "event",
        &[(
            "event 4711 2026-11-30 shunt_revision",
            "Records an operation.",
        )],
    ),
    (
        "pressure",
        &[(
            "pressure 2.25.4711 24 cmH2O",
            "Records an opening pressure.",
        )],
    ),
    ("worklist", &[("worklist", "What nobody has acknowledged.")]),
    (
        "acknowledge",
        &[("acknowledge 2.25.4711", "Says that it was seen.")],
    ),
    (
        "settle",
        &[(
            "settle 2.25.4711 confirmed --reason \"seen by MRI\"",
            "Says what came of a rise.",
        )],
    ),
    (
        "note",
        &[(
            "note 2.25.4711 \"restless, one side only\"",
            "Writes a note on an exam.",
        )],
    ),
    (
        "leave-out",
        &[(
            "leave-out 2.25.4711 --reason \"other plane\"",
            "Lets it serve nobody as baseline.",
        )],
    ),
    (
        "take-back",
        &[(
            "take-back 2.25.4711 --reason \"other patient\"",
            "As if it had never come.",
        )],
    ),
    (
        "second",
        &[("second 2.25.4711 ask", "Asks for a second reading.")],
    ),
    (
        "entries",
        &[("entries 4711", "What people said of a patient.")],
    ),
    (
        "patient merge",
        &[(
            "patient merge --prior \"CLINIC|12\" --surviving \"CLINIC|4711\" --reason \"same person\"",
            "Joins two ids.",
        )],
    ),
    (
        "patient unmerge",
        &[(
            "patient unmerge --prior \"CLINIC|12\" --surviving \"CLINIC|4711\" --reason \"two persons\"",
            "Takes it back.",
        )],
    ),
    (
        "patient import",
        &[("patient import merges.csv", "Joins many.")],
    ),
    ("patient list", &[("patient list", "Which ids are joined.")]),
    (
        "department",
        &[("department", "How well the department measures.")],
    ),
    (
        "calibrate",
        &[("calibrate", "Proposes the errors of measurement.")],
    ),
    (
        "simulate",
        &[(
            "simulate --patients 2000",
            "How often flags are false, on invented patients.",
        )],
    ),
    (
        "verify",
        &[(
            "verify",
            "Compares everything stored with its hashes; weekly, say.",
        )],
    ),
    (
        "backup",
        &[(
            "backup --output copy.sqlite",
            "A checked copy, while the daemon runs.",
        )],
    ),
    (
        "restore",
        &[(
            "restore copy.sqlite",
            "Puts a copy in the place of the store.",
        )],
    ),
    (
        "compact",
        &[("compact", "Gives the space of dropped bytes back.")],
    ),
    (
        "move",
        &[(
            "move --into other.toml",
            "Moves the store to where another configuration says.",
        )],
    ),
    ("demo", &[("demo", "Invented patients, real listener.")]),
    (
        "read",
        &[("read report.dcm", "What is understood of a report.")],
    ),
    (
        "template check",
        &[(
            "template check site.toml",
            "Names every mistake of a dictionary.",
        )],
    ),
    (
        "template draft",
        &[(
            "template draft --output draft.toml",
            "Proposes what unknown codes mean.",
        )],
    ),
    (
        "template confirm",
        &[(
            "template confirm draft.toml --output site.toml",
            "Asks a person for each.",
        )],
    ),
    (
        "template try",
        &[("template try site.toml", "What a dictionary would change.")],
    ),
    (
        "assess",
        &[("assess questions.jsonl", "The comparison alone.")],
    ),
];

/// The examples of a command.
pub(super) fn of(command: &str) -> &'static [(&'static str, &'static str)] {
    let found = EXAMPLES.iter().find(|(name, _)| *name == command);
    found.map_or(&[], |(_, examples)| examples)
}

#[cfg(test)]
mod tests {
    use super::super::args;
    use super::*;
    use clap::Command;
    use std::collections::BTreeSet;

    /// The words of a line, with what stands in quotes as one.
    fn words(line: &str) -> Vec<String> {
        let parts = line.split('"').enumerate();
        let words = parts.flat_map(|(n, part)| match n % 2 {
            0 => part.split_whitespace().map(str::to_owned).collect(),
            _ => vec![part.to_owned()],
        });
        words.collect()
    }

    fn leaves(under: &str, command: &Command, all: &mut BTreeSet<String>) {
        for one in command.get_subcommands().filter(|one| !one.is_hide_set()) {
            let name = format!("{under} {}", one.get_name()).trim().to_owned();
            if one.has_subcommands() {
                leaves(&name, one, all);
            } else {
                all.insert(name);
            }
        }
    }

    #[test]
    fn every_command_has_an_example_that_it_takes() {
        let mut all = BTreeSet::new();
        leaves("", &args::command(), &mut all);
        let told: BTreeSet<String> = EXAMPLES
            .iter()
            .map(|(name, _)| (*name).to_owned())
            .collect();
        assert_eq!(told, all);
        let mut wrong = Vec::new();
        for (name, examples) in EXAMPLES {
            assert!(!examples.is_empty(), "{name}");
            for (line, _) in *examples {
                assert!(line.starts_with(name), "{name}: {line}");
                let mut given = vec!["sheathline".to_owned()];
                given.extend(words(line));
                // As the variable would: where a command takes it.
                let with = [
                    given.clone(),
                    vec!["--config".to_owned(), "site.toml".to_owned()],
                ]
                .concat();
                let taken =
                    |given: &[String]| args::command().try_get_matches_from(given).map(drop);
                if let Err(error) = taken(&given).or_else(|_| taken(&with)) {
                    wrong.push(format!("{line}: {error}"));
                }
            }
        }
        assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    }
}
