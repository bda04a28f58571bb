//! `account`: people who sign in to the pages by a password.

use super::args::{AccountCommand, ConfigArg, PasswordArg};
use super::{Code, Failure, context, print};
use crate::observe::audit::Event;
use crate::pages::{hashed, is_strong};
use chrono::{DateTime, SecondsFormat, Utc};
use rustix::termios::{LocalModes, OptionalActions, tcgetattr, tcsetattr};
use serde::Serialize;
use sheathline_model::legible;
use sheathline_store::accounts::{self, Account};
use sheathline_store::{Store, StoreError, Tx, web_sessions};
use std::fmt;
use std::io::{self, BufRead, IsTerminal};
use std::path::Path;

/// Longest name, characters.
const NAME_MAX: usize = 100;

/// `account`: makes, lists, changes and ends accounts; a running daemon follows at once.
pub(super) fn account(command: &AccountCommand) -> Result<(), Failure> {
    match command {
        AccountCommand::Add {
            config,
            name,
            roles,
            password,
            json,
        } => {
            let name = good_name(&name.name)?;
            let hash = hash_of(&asked(password)?)?;
            let change = format!("added with {}", roles.join(", "));
            let roles = roles.clone();
            changed(config, name, &change, *json, move |tx, name| {
                accounts::add(tx, name, &roles, &hash, Utc::now())
            })
            .map_err(|failure| match failure.code() {
                Code::NotFound => Failure::new(
                    Code::Refused,
                    "there is an account of this name already, perhaps one that has ended: what it did \
                     stands under its name, so nobody else gets it",
                ),
                _ => failure,
            })
        }
        AccountCommand::List { config, json } => list(config, *json),
        AccountCommand::Roles {
            config,
            name,
            roles,
            json,
        } => {
            let change = format!("roles are {}", roles.join(", "));
            let roles = roles.clone();
            changed(config, &name.name, &change, *json, move |tx, name| {
                accounts::set_roles(tx, name, &roles)
            })
        }
        AccountCommand::Password {
            config,
            name,
            password,
            json,
        } => {
            let hash = hash_of(&asked(password)?)?;
            changed(
                config,
                &name.name,
                "has a new password, is unlocked and signed out",
                *json,
                move |tx, name| {
                    web_sessions::end_all(tx, name)?;
                    accounts::set_password(tx, name, &hash, Utc::now())
                },
            )
        }
        AccountCommand::Unlock { config, name, json } => {
            changed(config, &name.name, "unlocked", *json, |tx, name| {
                accounts::unlock(tx, name)
            })
        }
        AccountCommand::SignOut { config, name, json } => changed(
            config,
            &name.name,
            "signed out everywhere",
            *json,
            |tx, name| {
                let ended = web_sessions::end_all(tx, name)?;
                Ok(accounts::sign_out(tx, name, Utc::now())? || ended > 0)
            },
        ),
        AccountCommand::End { config, name, json } => {
            changed(config, &name.name, "ended", *json, |tx, name| {
                web_sessions::end_all(tx, name)?;
                accounts::end(tx, name, Utc::now())
            })
        }
    }
}

/// Makes a change of one account, and tells of it.
fn changed(
    config: &ConfigArg,
    name: &str,
    change: &str,
    as_json: bool,
    work: impl Fn(&Tx, &str) -> Result<bool, StoreError> + Send + 'static,
) -> Result<(), Failure> {
    let config = context::config(&config.config)?;
    let observed = context::observed(&config)?;
    let store = context::guest(&config)?;
    let asked = name.to_owned();
    if !store.write(move |tx| work(tx, &asked))? {
        return Err(Failure::new(
            Code::NotFound,
            "no such account; `account list` shows them",
        ));
    }
    observed.note(|| Event::AccountChanged {
        account: name.to_owned(),
        change: change.to_owned(),
        user: context::user(),
    });
    let done = Done {
        account: name.to_owned(),
        change: change.to_owned(),
    };
    if as_json {
        return print::json(&done);
    }
    print::line(&done);
    Ok(())
}

#[derive(Serialize)]
struct Done {
    account: String,
    change: String,
}

impl fmt::Display for Done {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", legible::line(&self.account), self.change)
    }
}

/// An account as it is listed.
#[derive(Serialize)]
struct Listed {
    account: String,
    roles: Vec<String>,
    created_at: String,
    /// `active`, `locked` or `ended`.
    state: &'static str,
    /// Until when it is locked, or since when it has ended.
    #[serde(skip_serializing_if = "Option::is_none")]
    state_time: Option<String>,
    /// Sessions open now.
    sessions: usize,
}

impl fmt::Display for Listed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Listed {
            account,
            roles,
            state,
            state_time,
            sessions,
            ..
        } = self;
        let account = legible::line(account);
        write!(f, "{account:<24} {state:<7} {:<40}", roles.join(", "))?;
        match state_time {
            Some(time) if *state == "locked" => write!(f, " until {time}")?,
            Some(time) => write!(f, " since {time}")?,
            None => {}
        }
        match sessions {
            0 => Ok(()),
            number => write!(f, " signed in {number}x"),
        }
    }
}

fn list(config: &ConfigArg, as_json: bool) -> Result<(), Failure> {
    let store: Store = context::guest(&context::config(&config.config)?)?;
    let now = Utc::now();
    let (all, sessions) =
        store.read(|view| Ok((accounts::all(view)?, web_sessions::all(view, now)?)))?;
    let mut listed: Vec<Listed> = all.iter().map(|one| of(one, now)).collect();
    for (account, _) in &sessions {
        match listed.iter_mut().find(|one| one.account == *account) {
            Some(one) => one.sessions += 1,
            // Of OpenID Connect: there is no account here, and they can be signed out.
            None if !account.is_empty() => listed.push(Listed {
                account: account.clone(),
                roles: Vec::new(),
                created_at: String::new(),
                state: "active",
                state_time: None,
                sessions: 1,
            }),
            None => {}
        }
    }
    if !as_json && listed.is_empty() {
        print::line("no accounts; `account add NAME --role ROLE` makes one");
    }
    for one in &listed {
        if as_json {
            print::json(one)?;
        } else {
            print::line(one);
        }
    }
    Ok(())
}

fn of(account: &Account, now: DateTime<Utc>) -> Listed {
    let text = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Secs, true);
    let locked = account.locked_until.filter(|until| *until > now);
    let (state, time) = match (account.ended_at, locked) {
        (Some(at), _) => ("ended", Some(at)),
        (None, Some(until)) => ("locked", Some(until)),
        (None, None) => ("active", None),
    };
    Listed {
        account: account.name.clone(),
        roles: account.roles.clone(),
        created_at: text(account.created_at),
        state,
        state_time: time.map(text),
        sessions: 0,
    }
}

/// A name that can be typed, read aloud and told from others.
fn good_name(name: &str) -> Result<&str, Failure> {
    let length = name.chars().count();
    let plain = |c: char| c.is_alphanumeric() || " .-_@'".contains(c);
    let is_good = (1..=NAME_MAX).contains(&length)
        && name.chars().all(plain)
        && name.trim() == name
        && !name.starts_with('-');
    if is_good {
        Ok(name)
    } else {
        Err(Failure::usage(
            "a name has 1 to 100 letters, digits, spaces and . - _ @ ', and no space at its ends",
        ))
    }
}

fn hash_of(password: &str) -> Result<String, Failure> {
    if !is_strong(password) {
        return Err(Failure::usage(
            "a password has 12 to 512 characters, at least five of them different",
        ));
    }
    hashed(password).map_err(|error| Failure::of(Code::System, error))
}

/// The password, from the file or from the person.
fn asked(from: &PasswordArg) -> Result<String, Failure> {
    match &from.password_file {
        Some(path) => of_file(path),
        None if io::stdin().is_terminal() => {
            let first = typed("Password, which is not shown:")?;
            let again = typed("The same once more:")?;
            if first == again {
                Ok(first)
            } else {
                Err(Failure::new(
                    Code::NotConfirmed,
                    "the two are not the same; nothing was done",
                ))
            }
        }
        None => Err(Failure::usage(
            "there is no terminal to ask for the password; name a file with --password-file",
        )),
    }
}

fn of_file(path: &Path) -> Result<String, Failure> {
    let text = context::text_of(path)?;
    Ok(text.lines().next().unwrap_or_default().to_owned())
}

/// A line that is typed and not shown.
fn typed(prompt: &str) -> Result<String, Failure> {
    let terminal = io::stdin();
    let failed = |error: io::Error| Failure::of(Code::System, error);
    let shown = tcgetattr(&terminal).map_err(|error| failed(error.into()))?;
    let mut hidden = shown.clone();
    hidden.local_modes.remove(LocalModes::ECHO);
    print::note(prompt);
    tcsetattr(&terminal, OptionalActions::Flush, &hidden).map_err(|error| failed(error.into()))?;
    let mut line = String::new();
    let read = terminal.lock().read_line(&mut line);
    // Whatever was typed: the terminal is as it was.
    let back = tcsetattr(&terminal, OptionalActions::Flush, &shown);
    read.map_err(failed)?;
    back.map_err(|error| failed(error.into()))?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}
