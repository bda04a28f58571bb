//! `check-config` of a store on a server: goes the way there, and says what to do where it ends.

use super::{Code, Failure, opening, print};
use crate::config::{Config, ServerSettings, StorePlace};
use sheathline_net::connect::tls::refusal;
use sheathline_store::postgres::abilities::{Ability, Found};
use sheathline_store::postgres::reach::{Hindrance, NotReached, reach};
use sheathline_store::{Mode, Store, StoreError};

/// Tries the server of a configuration, if it names one.
///
/// # Errors
/// It does not answer, does not take us, or holds something else.
pub(in crate::cli) fn check(config: &Config) -> Result<(), Failure> {
    if let Some(what) = config.store.unencrypted() {
        print::note(what);
    }
    match config.store.place() {
        StorePlace::File(_) => Ok(()),
        StorePlace::Server(server) => try_server(&server),
    }
}

fn try_server(server: &ServerSettings<'_>) -> Result<(), Failure> {
    let settings = opening::settings(server)?;
    let place = settings.place();
    let told = |failure: Failure| failure.told_of(format_args!("[store] {place}"));
    let reached = reach(&settings).map_err(|why| told(failure(&why)))?;
    if reached.synchronous_commit == "off" {
        return Err(told(Failure::configuration(
            "synchronous_commit is off, so that what was acknowledged could be lost; set it on for this \
             account: ALTER ROLE ... SET synchronous_commit = on",
        )));
    }
    abilities(&reached.abilities).map_err(told)?;
    match Store::open_server(&settings, Mode::Guest) {
        Ok(_) => {
            print::note(format_args!(
                "[store] {place}: holds a store and takes our sign-in"
            ));
            Ok(())
        }
        Err(StoreError::Missing { .. }) if reached.may_create => {
            print::note(format_args!(
                "[store] {place}: takes our sign-in and holds no store yet; `serve` or `process` makes one"
            ));
            Ok(())
        }
        Err(StoreError::Missing { .. }) => Err(told(Failure::configuration(
            "our account may not make tables in the database; have it own the database, or: GRANT CREATE \
             ON SCHEMA public TO ...",
        ))),
        // The next start brings it up to date.
        Err(error @ StoreError::Outdated { .. }) => {
            print::note(error);
            Ok(())
        }
        Err(error @ (StoreError::Foreign { .. } | StoreError::Newer { .. })) => {
            Err(Failure::of(Code::Configuration, error))
        }
        Err(error) => Err(Failure::from(error)),
    }
}

/// Says what the server does of that which the store needs.
fn abilities(all: &[Ability]) -> Result<(), Failure> {
    let of = |is: fn(&Found) -> bool| {
        let some = all.iter().filter(|one| is(&one.found));
        some.map(|one| one.what).collect::<Vec<_>>()
    };
    let lacks: Vec<String> = all
        .iter()
        .filter_map(|one| match &one.found {
            Found::Lacks(how) => Some(format!("{} ({how})", one.what)),
            Found::Does | Found::NotTried => None,
        })
        .collect();
    if !lacks.is_empty() {
        return Err(Failure::configuration(format!(
            "the server does not do what the store needs: {}; use PostgreSQL, or try this one by check.sql \
             beside the documentation",
            lacks.join("; ")
        )));
    }
    let does = of(|found| *found == Found::Does);
    print::note(format_args!(
        "the server does what the store needs: {}",
        does.join("; ")
    ));
    let not_tried = of(|found| *found == Found::NotTried);
    if !not_tried.is_empty() {
        print::note(format_args!(
            "not tried, since our account may make no temporary tables: {}",
            not_tried.join("; ")
        ));
    }
    Ok(())
}

fn failure(why: &NotReached) -> Failure {
    let code = match why.hindrance {
        Hindrance::Refused | Hindrance::Silent | Hindrance::NotYet | Hindrance::Crowded => {
            Code::Peer
        }
        _ => Code::Configuration,
    };
    let advice = match &why.hindrance {
        Hindrance::Tls(error) => refusal(error, false).1,
        other => other.advice(),
    };
    let what = match &why.hindrance {
        Hindrance::File => "a file cannot be used",
        Hindrance::Name => "the name leads to no address",
        Hindrance::Refused => "nothing listens there",
        Hindrance::Silent => "nothing answers there",
        Hindrance::TlsNotOffered => "the server offers no TLS",
        Hindrance::Tls(_) | Hindrance::TlsCut => "the handshake of TLS failed",
        Hindrance::NotAllowed => "the server takes no such sign-in from here",
        Hindrance::SignIn => "the server refuses the sign-in",
        Hindrance::NoDatabase => "the server has no such database",
        Hindrance::MayNotConnect => "our account may not connect to the database",
        Hindrance::Crowded => "the server has no connection left",
        Hindrance::NotYet => "the server is starting or stopping",
        Hindrance::ReadOnly => "the server is a standby that takes no changes",
        Hindrance::Other => "the server was not reached",
    };
    Failure::new(code, format!("{what} ({why}); {advice}"))
}
