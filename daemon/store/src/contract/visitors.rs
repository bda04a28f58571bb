//! Whoever uses the pages: accounts, sessions, and who did what.

use super::{Place, ROUNDS, STRANGE, at, contracts, key};
use crate::accounts::{self, Account};
use crate::deeds::{self, Deed, Filter};
use crate::web_sessions::{self, IdHash, OF_ACCOUNT_MAX, WebSession};
use crate::{Store, StoreError};
use chrono::TimeDelta;

contracts! {
    an_account_is_the_one_of_its_name_for_ever,
    what_is_changed_of_an_account_is_that_alone,
    refused_passwords_in_a_row_lock_an_account_for_a_time,
    a_session_is_there_under_its_id_until_it_ends,
    a_session_that_was_ended_stays_ended,
    for_one_session_more_the_oldest_of_its_account_ends,
    deeds_are_numbered_and_found_by_what_they_tell,
    the_last_deed_is_that_of_one_account_one_word_and_one_patient,
    a_deed_is_undone_with_its_change,
}

fn roles(words: &[&str]) -> Vec<String> {
    words.iter().map(|word| (*word).to_owned()).collect()
}

fn of_name(store: &Store, name: &str) -> Option<Account> {
    let account = store.read(|view| accounts::of_name(view, name));
    account.expect("read")
}

fn write<T: Send + 'static>(
    store: &Store,
    work: impl Fn(&crate::Tx) -> Result<T, StoreError> + Send + 'static,
) -> T {
    store.write(work).expect("written")
}

fn new_account(store: &Store, name: &'static str, minutes: i64) -> bool {
    write(store, move |tx| {
        accounts::add(tx, name, &roles(&["reader"]), "hash", at(minutes))
    })
}

fn an_account_is_the_one_of_its_name_for_ever(place: &dyn Place) {
    let store = place.open().expect("opens");
    for name in STRANGE {
        assert!(new_account(&store, name, 1), "{name:?}");
        assert!(!new_account(&store, name, 2), "{name:?}");
    }
    // Names differ in every letter: large, small, and written otherwise.
    assert!(new_account(&store, "Ada", 1) && new_account(&store, "ada", 1));
    assert!(write(&store, |tx| accounts::end(tx, "ada", at(3))));
    assert!(!write(&store, |tx| accounts::end(tx, "ada", at(4))));
    assert!(!new_account(&store, "ada", 5), "also when it has ended");
    drop(store);
    let store = place.open().expect("opens again");
    for name in STRANGE {
        let account = of_name(&store, name).expect("there");
        let told = (account.name.as_str(), &account.roles, account.created_at);
        assert_eq!(told, (name, &roles(&["reader"]), at(1)));
        assert_eq!((account.failures, account.ended_at), (0, None));
    }
    let ended = of_name(&store, "ada").expect("there");
    assert_eq!(
        (ended.ended_at, ended.signed_out_at),
        (Some(at(3)), Some(at(3)))
    );
    assert_eq!(of_name(&store, "Ada").expect("there").ended_at, None);
    assert_eq!(of_name(&store, "ADA"), None);
    let all = store.read(accounts::all).expect("read");
    let names: Vec<&str> = all.iter().map(|one| one.name.as_str()).collect();
    let mut sorted: Vec<&str> = STRANGE.into_iter().chain(["Ada", "ada"]).collect();
    sorted.sort_unstable();
    assert_eq!(names, sorted, "in the order of bytes");
}

fn what_is_changed_of_an_account_is_that_alone(place: &dyn Place) {
    let store = place.open().expect("opens");
    assert!(new_account(&store, "ada", 1) && new_account(&store, "bo", 1));
    let other = of_name(&store, "bo");
    let (before, more) = (
        of_name(&store, "ada").expect("there"),
        roles(&["lead", "auditor"]),
    );
    let changed = more.clone();
    assert!(write(&store, move |tx| accounts::set_roles(
        tx, "ada", &changed
    )));
    let with_roles = Account {
        roles: more,
        ..before
    };
    assert_eq!(of_name(&store, "ada"), Some(with_roles.clone()));
    assert!(write(&store, |tx| accounts::sign_out(tx, "ada", at(2))));
    let signed_out = Account {
        signed_out_at: Some(at(2)),
        ..with_roles
    };
    assert_eq!(of_name(&store, "ada"), Some(signed_out.clone()));
    // Another password ends what the one before began, and unlocks.
    write(&store, |tx| {
        accounts::refused(tx, "ada", 1, TimeDelta::minutes(9), at(3))
    });
    assert!(write(&store, |tx| accounts::set_password(
        tx,
        "ada",
        "new",
        at(4)
    )));
    let with_password = Account {
        password: "new".to_owned(),
        signed_out_at: Some(at(4)),
        ..signed_out
    };
    assert_eq!(of_name(&store, "ada"), Some(with_password));
    assert_eq!(of_name(&store, "bo"), other);
    let of_nobody = write(&store, |tx| {
        Ok([
            accounts::set_roles(tx, "nobody", &[])?,
            accounts::set_password(tx, "nobody", "", at(5))?,
            accounts::unlock(tx, "nobody")?,
            accounts::sign_out(tx, "nobody", at(5))?,
            accounts::end(tx, "nobody", at(5))?,
            accounts::refused(tx, "nobody", 1, TimeDelta::minutes(9), at(5))?.is_some(),
        ])
    });
    assert_eq!(of_nobody, [false; 6]);
}

fn refused_passwords_in_a_row_lock_an_account_for_a_time(place: &dyn Place) {
    let store = place.open().expect("opens");
    assert!(new_account(&store, "ada", 0));
    let refused = |minutes| {
        write(&store, move |tx| {
            accounts::refused(tx, "ada", 3, TimeDelta::minutes(10), at(minutes))
        })
    };
    let stands = || {
        let account = of_name(&store, "ada").expect("there");
        (account.failures, account.locked_until)
    };
    assert_eq!((refused(1), refused(2)), (None, None));
    // One that is right forgets those before.
    write(&store, |tx| accounts::accepted(tx, "ada"));
    assert_eq!(stands(), (0, None));
    assert_eq!((refused(3), refused(4)), (None, None));
    assert_eq!(refused(5), Some(at(15)));
    // While it is locked nothing makes that longer.
    assert_eq!(refused(9), Some(at(15)));
    assert_eq!(stands(), (4, Some(at(15))));
    // Then they are counted anew.
    assert_eq!((refused(15), stands()), (None, (1, None)));
    assert_eq!((refused(16), refused(17)), (None, Some(at(27))));
    assert!(write(&store, |tx| accounts::unlock(tx, "ada")));
    assert_eq!(stands(), (0, None));
}

fn session(account: &str, content: &str, ends: i64) -> WebSession {
    WebSession {
        account: account.to_owned(),
        content: content.to_owned(),
        ends_at: at(ends),
    }
}

fn begin(store: &Store, hash: IdHash, session: &WebSession, minutes: i64) -> bool {
    let session = session.clone();
    write(store, move |tx| {
        web_sessions::begin(tx, &hash, &session, at(minutes))
    })
}

fn of_id(store: &Store, hash: IdHash, minutes: i64) -> Option<WebSession> {
    let session = store.read(|view| web_sessions::of_id(view, &hash, at(minutes)));
    session.expect("read")
}

fn a_session_is_there_under_its_id_until_it_ends(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (ada, bo) = (
        session("ada", "{\"a\":\"\u{1f9e0} '\"}", 10),
        session("bo", "{}", 20),
    );
    let (first, mut last) = ([0; 32], [0xFF; 32]);
    assert!(begin(&store, first, &ada, 0) && begin(&store, last, &bo, 0));
    assert!(!begin(&store, last, &ada, 0), "nobody takes over another's");
    drop(store);
    let store = place.open().expect("opens again");
    assert_eq!(of_id(&store, first, 9), Some(ada.clone()));
    assert_eq!(of_id(&store, last, 9), Some(bo));
    last[31] = 0xFE;
    assert_eq!(of_id(&store, last, 9), None, "every byte of an id counts");
    // At its end it is over, and is gone with the next that begins.
    assert_eq!(of_id(&store, first, 10), None);
    let all = |minutes| {
        store
            .read(|view| web_sessions::all(view, at(minutes)))
            .expect("read")
    };
    assert_eq!(
        all(9),
        [("ada".to_owned(), at(10)), ("bo".to_owned(), at(20))]
    );
    assert_eq!(all(10), [("bo".to_owned(), at(20))]);
    assert!(begin(&store, last, &session("cy", "{}", 30), 10));
    assert_eq!(of_id(&store, first, 0), None);
    assert!(begin(&store, first, &ada, 0), "its id is free again");
}

fn a_session_that_was_ended_stays_ended(place: &dyn Place) {
    let store = place.open().expect("opens");
    let (one, two, three) = ([1; 32], [2; 32], [3; 32]);
    let old = session("ada", "{}", 10);
    for hash in [one, two] {
        assert!(begin(&store, hash, &old, 0));
    }
    assert!(begin(&store, three, &session("Ada", "{}", 10), 0));
    let new = session("bo", "{\"new\":1}", 12);
    let keep = |hash: IdHash| {
        let new = new.clone();
        write(&store, move |tx| web_sessions::keep(tx, &hash, &new));
    };
    keep(one);
    assert_eq!(of_id(&store, one, 0).as_ref(), Some(&new));
    assert_eq!(of_id(&store, two, 0), Some(old));
    write(&store, move |tx| web_sessions::end(tx, &one));
    keep(one);
    assert_eq!(of_id(&store, one, 0), None);
    // All of somebody, and of nobody else.
    assert_eq!(write(&store, |tx| web_sessions::end_all(tx, "ada")), 1);
    assert_eq!(write(&store, |tx| web_sessions::end_all(tx, "ada")), 0);
    assert_eq!(of_id(&store, two, 0), None);
    assert!(of_id(&store, three, 0).is_some());
}

fn for_one_session_more_the_oldest_of_its_account_ends(place: &dyn Place) {
    let store = place.open().expect("opens");
    let hash = |n: usize| [u8::try_from(n).expect("small"); 32];
    // The oldest is neither first nor last of the ids.
    let ends = |n: usize| if n == 7 { 50 } else { 60 + n as i64 };
    for n in 0..OF_ACCOUNT_MAX {
        assert!(begin(&store, hash(n), &session("ada", "{}", ends(n)), 0));
    }
    assert!(begin(&store, hash(100), &session("bo", "{}", 40), 0));
    let of_ada = || {
        let all = store
            .read(|view| web_sessions::all(view, at(0)))
            .expect("read");
        all.iter().filter(|(account, _)| account == "ada").count()
    };
    assert_eq!(of_ada(), OF_ACCOUNT_MAX);
    assert!(begin(&store, hash(101), &session("ada", "{}", 99), 0));
    assert_eq!(of_ada(), OF_ACCOUNT_MAX);
    assert_eq!(of_id(&store, hash(7), 0), None);
    for n in [0, 6, 8, OF_ACCOUNT_MAX - 1, 100, 101] {
        assert!(of_id(&store, hash(n), 0).is_some(), "{n}");
    }
}

fn deed(account: &str, action: &str, patient: Option<(&str, &str)>, minutes: i64) -> Deed {
    Deed {
        at: at(minutes),
        account: account.to_owned(),
        roles: roles(&["reader", "lead"]),
        address: "192.0.2.7".to_owned(),
        action: action.to_owned(),
        patient: patient.map(|(issuer, id)| key(issuer, id)),
        exam: patient.map(|(_, id)| format!("exam of {id}")),
        detail: "why".to_owned(),
    }
}

fn did(store: &Store, deed: Deed) -> i64 {
    write(store, move |tx| deeds::add(tx, &deed))
}

fn deeds_are_numbered_and_found_by_what_they_tell(place: &dyn Place) {
    let store = place.open().expect("opens");
    let mut told: Vec<(i64, Deed)> = Vec::new();
    for (n, text) in (0..).zip(STRANGE) {
        let one = Deed {
            detail: text.to_owned(),
            ..deed(text, "saw", Some((text, text)), n)
        };
        told.push((did(&store, one.clone()), one));
    }
    for (n, id) in [(20, "P1"), (21, "p1")] {
        for issuer in ["HERE", "THERE"] {
            let one = deed("ada", "saw", Some((issuer, id)), n);
            told.push((did(&store, one.clone()), one));
        }
    }
    let of_nobody = deed("ada", "signed-in", None, 22);
    told.push((did(&store, of_nobody.clone()), of_nobody));
    assert!(told.is_sorted_by(|one, next| one.0 < next.0), "in order");
    drop(store);
    let store = place.open().expect("opens again");
    told.reverse();
    let found = |filter: &Filter, limit| {
        let found = store.read(|view| deeds::newest(view, filter, limit));
        let count = store.read(|view| deeds::count(view, filter)).expect("read");
        let found = found.expect("read");
        assert!(found.len() as u64 == count.min(limit.into()), "{filter:?}");
        found
    };
    assert_eq!(found(&Filter::default(), 1000), told);
    assert_eq!(found(&Filter::default(), 3), told[..3]);
    let all = Filter::default;
    type Is = fn(&Deed) -> bool;
    let asked: [(Filter, Is); 8] = [
        (
            Filter {
                account: Some("ada".into()),
                ..all()
            },
            |one| one.account == "ada",
        ),
        (
            Filter {
                account: Some("Ada".into()),
                ..all()
            },
            |_| false,
        ),
        (
            Filter {
                action: Some("signed-in".into()),
                ..all()
            },
            |one| one.action == "signed-in",
        ),
        (
            Filter {
                patient_id: Some("P1".into()),
                ..all()
            },
            |one| one.patient.as_ref().is_some_and(|key| key.id == "P1"),
        ),
        (
            Filter {
                patient_id: Some("p1".into()),
                patient_issuer: Some("THERE".into()),
                ..all()
            },
            |one| one.patient == Some(key("THERE", "p1")),
        ),
        (
            Filter {
                from: Some(at(21)),
                ..all()
            },
            |one| one.at >= at(21),
        ),
        (
            Filter {
                before: Some(at(21)),
                ..all()
            },
            |one| one.at < at(21),
        ),
        (
            Filter {
                from: Some(at(20)),
                before: Some(at(22)),
                account: Some("ada".into()),
                ..all()
            },
            |one| one.account == "ada" && one.at >= at(20) && one.at < at(22),
        ),
    ];
    for (filter, is) in asked {
        let expected: Vec<_> = told.iter().filter(|(_, one)| is(one)).cloned().collect();
        assert_eq!(found(&filter, 1000), expected, "{filter:?}");
    }
    for text in STRANGE {
        let filter = Filter {
            account: Some(text.to_owned()),
            patient_id: Some(text.to_owned()),
            ..all()
        };
        assert_eq!(found(&filter, 9).len(), 1, "{text:?}");
    }
    // Page after page nothing comes twice and nothing is left out.
    let (mut below, mut pages) = (None, Vec::new());
    for _ in 0..ROUNDS {
        let page = found(&Filter { below, ..all() }, 4);
        let Some((last, _)) = page.last() else { break };
        below = Some(*last);
        pages.extend(page);
    }
    assert_eq!(pages, told);
}

fn the_last_deed_is_that_of_one_account_one_word_and_one_patient(place: &dyn Place) {
    let store = place.open().expect("opens");
    let last = |account: &str, action: &str, issuer: &str, id: &str| {
        let patient = key(issuer, id);
        let last = store.read(|view| deeds::last_of_patient(view, account, action, &patient));
        last.expect("read")
    };
    assert_eq!(last("ada", "broke", "HERE", "1"), None);
    for (account, action, issuer, id, minutes) in [
        ("ada", "broke", "HERE", "1", 1),
        ("ada", "broke", "HERE", "1", 2),
        ("ada", "saw", "HERE", "1", 3),
        ("bo", "broke", "HERE", "1", 4),
        ("ada", "broke", "THERE", "1", 5),
        ("ada", "broke", "HERE", "2", 6),
    ] {
        did(&store, deed(account, action, Some((issuer, id)), minutes));
    }
    assert_eq!(last("ada", "broke", "HERE", "1"), Some(at(2)));
    assert_eq!(last("bo", "broke", "HERE", "1"), Some(at(4)));
    assert_eq!(last("bo", "broke", "THERE", "1"), None);
    assert_eq!(last("Ada", "broke", "HERE", "1"), None);
}

fn a_deed_is_undone_with_its_change(place: &dyn Place) {
    let store = place.open().expect("opens");
    let done: Result<(), _> = store.write(|tx| {
        deeds::add(tx, &deed("ada", "saw", None, 1))?;
        accounts::add(tx, "ada", &[], "hash", at(1))?;
        web_sessions::begin(tx, &[1; 32], &session("ada", "{}", 9), at(1))?;
        Err(StoreError::Work("no".to_owned()))
    });
    assert!(done.is_err());
    let count = store.read(|view| deeds::count(view, &Filter::default()));
    assert_eq!(count.expect("read"), 0);
    assert_eq!(of_name(&store, "ada"), None);
    assert_eq!(of_id(&store, [1; 32], 1), None);
}
