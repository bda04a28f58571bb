//! The first page of help: the commands in their groups.

use super::{Cli, GROUPS, Group};
use clap::builder::Styles;
use clap::{Command, CommandFactory};

/// The command line, with its commands in groups on the first page of help.
pub(in crate::cli) fn command() -> Command {
    let command = Cli::command();
    let page = page(command.get_styles());
    command.help_template(page)
}

/// The command line with what is shown alone, for completions.
pub(in crate::cli) fn shown() -> Command {
    let commands = groups().flat_map(|(_, commands)| commands);
    let shown = Command::new("sheathline").version(env!("CARGO_PKG_VERSION"));
    shown.subcommands(commands)
}

/// The groups of the page: heading and commands.
pub(in crate::cli) fn groups() -> impl Iterator<Item = (&'static str, Vec<Command>)> {
    GROUPS.iter().map(|Group { heading, add }| {
        let group = add(Command::new("group"));
        let shown = group.get_subcommands().filter(|one| !one.is_hide_set());
        (*heading, shown.cloned().collect())
    })
}

/// A template for [`Command::help_template`]: clap knows no headings for commands.
fn page(styles: &Styles) -> String {
    let (header, literal) = (styles.get_header(), styles.get_literal());
    let mut page = "{before-help}{about-with-newline}\n{usage-heading} {usage}\n".to_owned();
    let all: Vec<_> = groups().collect();
    let names = all.iter().flat_map(|(_, commands)| commands);
    let width = names.map(|one| one.get_name().len()).max().unwrap_or(0);
    for (heading, commands) in &all {
        page.push_str(&format!("\n{header}{heading}:{header:#}\n"));
        for one in commands {
            let (name, about) = (one.get_name(), one.get_about());
            let about = about.map_or(String::new(), ToString::to_string);
            page.push_str(&format!("  {literal}{name:<width$}{literal:#}  {about}\n"));
        }
    }
    page.push_str(&format!(
        "\n{header}Options:{header:#}\n{{options}}{{after-help}}"
    ));
    page
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Widest line of a terminal that nobody has made wider (common practice, no source).
    const COLUMNS: usize = 80;

    #[test]
    fn every_command_that_is_shown_stands_in_one_group_and_on_the_page_once() {
        let mut grouped: Vec<String> = groups()
            .flat_map(|(_, commands)| commands)
            .map(|one| one.get_name().to_owned())
            .collect();
        grouped.sort();
        let all = command();
        let shown = all.get_subcommands().filter(|one| !one.is_hide_set());
        let mut shown: Vec<&str> = shown.map(Command::get_name).collect();
        shown.sort();
        assert_eq!(grouped, shown);
        for page in [
            command().render_help().to_string(),
            command().render_long_help().to_string(),
        ] {
            for name in &shown {
                let lines = page.lines();
                let of_it = lines.filter(|line| line.starts_with(&format!("  {name} ")));
                assert_eq!(of_it.count(), 1, "{name} in\n{page}");
            }
            for (heading, _) in groups() {
                assert!(page.contains(&format!("\n{heading}:\n")), "{page}");
            }
        }
    }

    #[test]
    fn the_page_fits_a_terminal() {
        let page = command().render_help().to_string();
        let wide = page.lines().filter(|line| line.chars().count() > COLUMNS);
        assert_eq!(wide.collect::<Vec<_>>(), Vec::<&str>::new());
    }
}
