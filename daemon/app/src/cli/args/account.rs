//! Arguments of `account`: people who sign in to the pages by a password.

use super::ConfigArg;
use crate::config::Role;
use clap::builder::PossibleValuesParser;
use clap::{Args, Subcommand};
use std::path::PathBuf;

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum AccountCommand {
    /// Add an account; its password is asked for, or read from a file.
    Add {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        name: NameArg,
        /// What it may do; may be given several times.
        #[arg(long = "role", value_name = "ROLE", required = true, value_parser = roles())]
        roles: Vec<String>,
        #[command(flatten)]
        password: PasswordArg,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// List accounts with their roles, and which are locked or ended.
    List {
        #[command(flatten)]
        config: ConfigArg,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// Give an account other roles; they hold at once.
    Roles {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        name: NameArg,
        /// What it may do; may be given several times.
        #[arg(long = "role", value_name = "ROLE", required = true, value_parser = roles())]
        roles: Vec<String>,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// Give an account another password; it is signed out and unlocked.
    Password {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        name: NameArg,
        #[command(flatten)]
        password: PasswordArg,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// Let an account sign in again after too many refused passwords.
    Unlock {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        name: NameArg,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// End every session of an account, or of somebody who signed in by OpenID Connect.
    SignOut {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        name: NameArg,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// End an account for ever; its sessions end, and what it did stays recorded.
    End {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        name: NameArg,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
}

/// Which account.
#[derive(Debug, Args)]
pub(in crate::cli) struct NameArg {
    /// Name of the account, as people type it and as it is recorded.
    #[arg(value_name = "NAME")]
    pub(in crate::cli) name: String,
}

/// Where a password comes from.
#[derive(Debug, Args)]
pub(in crate::cli) struct PasswordArg {
    /// Read the password from the first line of this file instead of asking for it.
    #[arg(long, value_name = "FILE")]
    pub(in crate::cli) password_file: Option<PathBuf>,
}

fn roles() -> PossibleValuesParser {
    PossibleValuesParser::new(Role::WORDS.iter().map(|(word, _)| *word))
}
