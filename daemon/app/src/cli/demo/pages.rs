//! The demonstration in a browser: the daemon itself, with pages for the people of the invented clinic.

use super::scenario::{Clinic, ISSUER};
use crate::cli::{Code, Failure, print, service};
use crate::config::Role;
use crate::pages::{Action, hashed};
use argon2::password_hash::rand_core::{OsRng, RngCore};
use chrono::{TimeDelta, Utc};
use serde::Serialize;
use sheathline_model::domain::PatientKey;
use sheathline_model::history::exam_id;
use sheathline_store::deeds::Deed;
use sheathline_store::{Store, accounts, deeds};
use std::fs;
use std::io::Write;
use std::net::SocketAddr;
use std::path::Path;

/// Letters of a password: none that looks like another.
const LETTERS: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";

/// What people sign in with.
#[derive(Serialize)]
pub(super) struct Accounts {
    /// Names of accounts; each is called by its role.
    names: Vec<&'static str>,
    /// The password of all of them, of this run alone.
    password: String,
}

/// Pages without TLS are for this machine.
pub(super) fn check(address: SocketAddr) -> Result<(), Failure> {
    if address.ip().is_loopback() {
        return Ok(());
    }
    Err(Failure::usage(format!(
        "{address}: the demonstration has no TLS and listens on this machine alone; name 127.0.0.1 or [::1]"
    )))
}

/// Makes an account for each role, and what the people of the clinic did in the pages before.
pub(super) fn accounts(store: &Store, clinic: &Clinic) -> Result<Accounts, Failure> {
    let password = password();
    let names: Vec<&'static str> = Role::ALL.iter().map(|role| role.word()).collect();
    let mut made = Vec::new();
    for name in &names {
        let hash = hashed(&password).map_err(|error| Failure::of(Code::NotMade, error))?;
        made.push((*name, hash));
    }
    let done = done(clinic);
    store.write(move |tx| {
        for (name, hash) in &made {
            accounts::add(tx, name, &[(*name).to_owned()], hash, Utc::now())?;
        }
        for deed in &done {
            deeds::add(tx, deed)?;
        }
        Ok(())
    })?;
    Ok(Accounts { names, password })
}

/// Twenty letters of the system's, in four groups: 100 bits.
fn password() -> String {
    let mut bytes = [0; 20];
    OsRng.fill_bytes(&mut bytes);
    let mut text = String::new();
    for (at, byte) in bytes.into_iter().enumerate() {
        if at > 0 && at % 5 == 0 {
            text.push('-');
        }
        let letter = LETTERS.get(usize::from(byte % 32)).copied();
        text.push(char::from(letter.unwrap_or(b'a')));
    }
    text
}

/// Somebody signed in, looked through the list and at the newest exam of each patient with a rise.
fn done(clinic: &Clinic) -> Vec<Deed> {
    let deed = |action: Action, patient, exam| Deed {
        at: Utc::now(),
        account: Role::Clinician.word().to_owned(),
        roles: vec![Role::Clinician.word().to_owned()],
        address: "127.0.0.1".to_owned(),
        action: action.word().to_owned(),
        patient,
        exam,
        detail: "invented, as the whole clinic".to_owned(),
    };
    let rises = clinic.patients.iter().filter(|patient| patient.rise);
    let viewed = rises.filter_map(|patient| {
        let exams = clinic.exams.iter();
        let newest = exams
            .filter(|exam| exam.patient.id == patient.id)
            .max_by_key(|exam| exam.date)?;
        let key = PatientKey {
            issuer: ISSUER.to_owned(),
            id: patient.id.to_owned(),
        };
        let exam = exam_id(&key, &newest.study_instance_uid());
        Some(deed(Action::Viewed, Some(key), Some(exam)))
    });
    let mut all = vec![
        deed(Action::SignedIn, None, None),
        deed(Action::Listed, None, None),
    ];
    all.extend(viewed);
    all.push(deed(Action::SignedOut, None, None));
    // A minute apart, the last of them a moment ago.
    for (minutes, deed) in (0..).zip(all.iter_mut().rev()) {
        deed.at -= TimeDelta::minutes(minutes);
    }
    all
}

/// Where the pages are, and who may sign in.
#[derive(Serialize)]
struct Told<'a> {
    pages: String,
    accounts: &'a [&'static str],
    password: &'a str,
}

/// Serves as the daemon does, until it is told to stop.
pub(super) fn serve(
    config: &Path,
    address: SocketAddr,
    accounts: &Accounts,
    json: bool,
) -> Result<(), Failure> {
    let failed = |error| Failure::at(config, error);
    let mut file = fs::OpenOptions::new()
        .append(true)
        .open(config)
        .map_err(failed)?;
    write!(file, "\n[pages]\nlisten = \"{address}\"\n").map_err(failed)?;
    drop(file);
    service::serve_and(config, |addresses| {
        let at = addresses.first().copied().unwrap_or(address);
        let told = Told {
            pages: format!("http://{at}/"),
            accounts: &accounts.names,
            password: &accounts.password,
        };
        if json {
            return print::json(&told);
        }
        print::line("");
        print::line(format_args!("Pages: {}", told.pages));
        print::line(format_args!(
            "Accounts: {}. Password of each, made for this run: {}",
            told.accounts.join(", "),
            told.password
        ));
        print::line(
            "Everybody there is invented. Reports in its drop folder are taken. Ctrl-C ends it.",
        );
        Ok(())
    })
}
