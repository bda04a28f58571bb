//! `daemon/docs/tables.md`: every table and column, generated from the list of columns.

use super::cell::Kind;
use super::column::Described;
use super::tables::{Table, VERSION};
use std::fmt::Write;

/// The document, Markdown.
#[must_use]
pub(crate) fn dictionary() -> String {
    let mut text = String::from(
        "# Tables of `sheathline export`\n\n\
         Made by `sheathline generate tables` from the list of columns in the program; \
         [data.md](data.md) tells how to open them.\n\
         **Bold** columns are the key of their table; those marked `!` are never empty. The class says \
         what a value may give away of a person.\n",
    );
    for table in Table::ALL {
        section(&mut text, table.name(), table.about(), table.columns());
        for foreign in table.foreign() {
            let (here, there) = (foreign.fields.join(", "), foreign.there.join(", "));
            // Writing to text cannot fail.
            let _ = writeln!(text, "\n`{here}` names `{}.{there}`.", foreign.table.name());
        }
    }
    let about = "Behind the columns of its own, every table has these.";
    section(&mut text, "In every table", about, &VERSION);
    text
}

fn section(text: &mut String, name: &str, about: &str, columns: &[Described]) {
    let _ = write!(
        text,
        "\n## {name}\n\n{about}\n\n| column | holds | class | |\n|---|---|---|---|\n"
    );
    for column in columns {
        let name = match (column.is_key, column.is_required) {
            (true, _) => format!("**`{}`**", column.name),
            (false, true) => format!("`{}` !", column.name),
            (false, false) => format!("`{}`", column.name),
        };
        let _ = writeln!(
            text,
            "| {name} | {} | {} | {}{} |",
            holds(column),
            column.class.word(),
            column.about,
            words(column)
        );
    }
}

fn holds(column: &Described) -> String {
    let kind = match column.kind {
        Kind::Text => "text",
        Kind::Integer => "whole number",
        Kind::Number => "number",
        Kind::Flag => "true or false",
        Kind::Date => "date",
        Kind::Clock => "date and time of a wall clock",
        Kind::Instant => "date and time, UTC",
    };
    let mut holds = kind.to_owned();
    if let Some(unit) = column.unit {
        let _ = write!(holds, ", {unit}");
    }
    match (column.least, column.most) {
        (Some(least), Some(most)) => {
            let _ = write!(holds, ", {least} to {most}");
        }
        (Some(least), None) => {
            let _ = write!(holds, ", from {least}");
        }
        _ => {}
    }
    holds
}

fn words(column: &Described) -> String {
    match column.words {
        [] => String::new(),
        words => format!(": `{}`", words.join("`, `")),
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_manual_is_what_the_program_writes() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/tables.md");
        let manual = std::fs::read_to_string(path).expect("daemon/docs/tables.md");
        assert!(
            manual == super::dictionary(),
            "run `sheathline generate tables > daemon/docs/tables.md`"
        );
    }
}
