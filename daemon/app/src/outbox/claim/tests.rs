//! One store at a time, whatever the name it comes by.

use super::*;
use sheathline_store::objects::Incoming;
use std::os::unix::fs::symlink;
use tempfile::TempDir;

fn store(path: &Path, how: sheathline_store::Mode) -> Store {
    Store::open(path, how).expect("opens")
}

fn owner(path: &Path, object: &[u8]) -> Store {
    let store = store(path, sheathline_store::Mode::Owner);
    let object = Incoming::new(object, None, "folder", "", chrono::Utc::now()).expect("packed");
    store
        .write(move |tx| objects::keep(tx, &object))
        .expect("kept");
    store
}

#[test]
fn a_second_store_is_refused_by_any_name_and_told_by_whom() {
    let temp = TempDir::new().expect("temp");
    let outbox = temp.path().join("outbox");
    let one = owner(&temp.path().join("one.sqlite"), b"one");
    let two = owner(&temp.path().join("two.sqlite"), b"two");
    let first = Claim::new(&outbox);
    first.hold(&one).expect("free");
    first.hold(&one).expect("held");
    symlink(&outbox, temp.path().join("link")).expect("linked");
    for name in ["outbox", "link", "../outbox"] {
        let path = match name {
            "../outbox" => outbox.join("..").join("outbox"),
            _ => temp.path().join(name),
        };
        let said = Claim::new(&path).hold(&two).expect_err("taken").to_string();
        let pid = format!("process {} on", std::process::id());
        for part in ["in use by", &pid, "one.sqlite"] {
            assert!(said.contains(part), "{part}: {said}");
        }
    }
    // The lock ends with its holder; whose outbox it is does not.
    drop(first);
    let said = Claim::new(&outbox)
        .hold(&two)
        .expect_err("foreign")
        .to_string();
    for part in ["belongs to another store", "one.sqlite", LOCK_FILE] {
        assert!(said.contains(part), "{part}: {said}");
    }
    Claim::new(&outbox).hold(&one).expect("its own");
    fs::remove_file(outbox.join(LOCK_FILE)).expect("there");
    Claim::new(&outbox).hold(&two).expect("handed over");
}

/// A fresh store where another one's results stand would publish "no baseline" over them.
#[test]
fn an_empty_store_does_not_take_the_outbox_of_another() {
    let temp = TempDir::new().expect("temp");
    let outbox = temp.path().join("outbox");
    let one = owner(&temp.path().join("one.sqlite"), b"one");
    Claim::new(&outbox).hold(&one).expect("free");
    let empty = store(
        &temp.path().join("new.sqlite"),
        sheathline_store::Mode::Owner,
    );
    let held = Claim::new(&outbox).hold(&empty);
    assert!(
        matches!(held, Err(PublishError::Foreign { .. })),
        "{held:?}"
    );
    // One that was empty when it came is known by its first object afterwards.
    let other = temp.path().join("other");
    let claim = Claim::new(&other);
    claim.hold(&empty).expect("free");
    let object = Incoming::new(b"x", None, "folder", "", chrono::Utc::now()).expect("packed");
    empty
        .write(move |tx| objects::keep(tx, &object))
        .expect("kept");
    claim.hold(&empty).expect("held");
    drop(claim);
    let held = Claim::new(&other).hold(&one);
    assert!(
        matches!(held, Err(PublishError::Foreign { .. })),
        "{held:?}"
    );
}

#[test]
fn a_copy_keeps_the_outbox_but_not_beside_its_original() {
    let temp = TempDir::new().expect("temp");
    let outbox = temp.path().join("outbox");
    let (path, copy) = (temp.path().join("one.sqlite"), temp.path().join("copy"));
    drop(owner(&path, b"one"));
    fs::copy(&path, &copy).expect("copied");
    let (one, copy) = (
        store(&path, sheathline_store::Mode::Owner),
        store(&copy, sheathline_store::Mode::Owner),
    );
    let claim = Claim::new(&outbox);
    claim.hold(&one).expect("free");
    let held = Claim::new(&outbox).hold(&copy);
    assert!(matches!(held, Err(PublishError::Taken { .. })), "{held:?}");
    drop(claim);
    Claim::new(&outbox).hold(&copy).expect("the same store");
    // Damage in what it is known by shuts neither the file nor a sound copy of it out.
    Claim::new(&outbox).hold(&one).expect("the same store");
    let damage = "update object set received_at = '2020-01-01T00:00:00.000000Z'";
    one.write(move |tx| sheathline_store::bare::run(tx, damage))
        .expect("damaged");
    Claim::new(&outbox).hold(&one).expect("the same file");
    Claim::new(&outbox).hold(&copy).expect("a sound copy");
}

#[test]
fn commands_publish_beside_their_own_owner_only() {
    let temp = TempDir::new().expect("temp");
    let outbox = temp.path().join("outbox");
    let path = temp.path().join("one.sqlite");
    let one = owner(&path, b"one");
    let guest = store(&path, sheathline_store::Mode::Guest);
    let theirs = temp.path().join("two.sqlite");
    let two = owner(&theirs, b"two");
    let stranger = store(&theirs, sheathline_store::Mode::Guest);

    let claim = Claim::new(&outbox);
    claim.hold(&one).expect("free");
    let beside = Claim::new(&outbox);
    beside.hold(&guest).expect("beside its owner");
    let held = Claim::new(&outbox).hold(&stranger);
    assert!(matches!(held, Err(PublishError::Taken { .. })), "{held:?}");
    drop(claim);
    // Two of them without an owner; then the owner waits for them.
    beside.hold(&guest).expect("alone");
    let other = Claim::new(&outbox);
    other.hold(&guest).expect("with another");
    other.release(&guest);
    std::thread::scope(|scope| {
        let owner = scope.spawn(|| Claim::new(&outbox).hold(&one));
        std::thread::sleep(Duration::from_millis(100));
        beside.release(&guest);
        owner.join().expect("no panic").expect("after the command");
    });
    drop(two);
}

#[test]
fn a_link_in_the_place_of_the_lock_is_not_followed() {
    let temp = TempDir::new().expect("temp");
    let outbox = temp.path().join("outbox");
    fs::create_dir(&outbox).expect("made");
    let victim = temp.path().join("victim");
    fs::write(&victim, "precious").expect("written");
    symlink(&victim, outbox.join(LOCK_FILE)).expect("linked");
    let one = owner(&temp.path().join("one.sqlite"), b"one");
    let error = Claim::new(&outbox).hold(&one).expect_err("a link");
    assert!(error.is_mistake(), "{error}");
    assert_eq!(fs::read_to_string(&victim).expect("there"), "precious");
}

/// What takes the place of an outbox under a running daemon is not the outbox.
#[test]
fn an_outbox_that_goes_away_is_not_made_anew() {
    let temp = TempDir::new().expect("temp");
    let outbox = temp.path().join("outbox");
    let one = owner(&temp.path().join("one.sqlite"), b"one");
    let claim = Claim::new(&outbox);
    claim.hold(&one).expect("free");
    fs::rename(&outbox, temp.path().join("away")).expect("moved");
    let error = claim.hold(&one).expect_err("gone");
    assert!(!error.is_mistake() && !outbox.exists(), "{error}");
    fs::rename(temp.path().join("away"), &outbox).expect("moved");
    claim.hold(&one).expect("back");
}

#[test]
fn a_torn_lock_file_names_nobody() {
    let holder = Holder {
        pid: Some(7),
        host: Some("cart".to_owned()),
        store: Some("/a b\n\u{1b}[31m/c".to_owned()),
        file: Some("1:2".to_owned()),
        identity: Some("0123456789abcdef0123456789abcdef".to_owned()),
        counted: Counted::of_text("41 2026-03-01T08:00:00Z"),
    };
    assert!(holder.counted.is_some());
    let text = holder.text();
    let plain = Holder {
        store: Some("/a b[31m/c".to_owned()),
        ..holder
    };
    assert_eq!(Holder::of_text(&text), plain);
    for end in 0..text.len() {
        let torn = Holder::of_text(&text[..end]);
        let of_note = text.find("commits").expect("noted");
        assert!(torn.identity.is_none() || end >= of_note - 1, "{end}");
        assert!(torn.counted.is_none() || end >= text.len() - 1, "{end}");
    }
    assert_eq!(Holder::of_text("\0\0\0"), Holder::default());
}

#[test]
fn the_most_commits_that_were_seen_stay_noted() {
    let counted = |text| Counted::of_text(text);
    let (less, more) = (
        counted("9 2026-03-02T08:00:00Z"),
        counted("10 2026-03-01T08:00:00Z"),
    );
    assert!(less.is_some() && more.is_some());
    assert_eq!(most(more, less), more, "put back from an earlier time");
    assert_eq!(most(less, more), more);
    assert_eq!(most(None, less), less);
    assert_eq!(most(less, None), less);
    let equal = counted("10 2026-03-03T08:00:00Z");
    assert_eq!(most(more, equal), equal, "the later time");
    for none in ["", "9", "x 2026-03-02T08:00:00Z", "9 yesterday"] {
        assert_eq!(counted(none), None, "{none}");
    }
}
