//! The store on a server: what belongs to servers alone. What any store must do is in
//! [`contract`](crate::contract).

use super::Settings;
use super::served::Served;
use crate::objects::{self, Incoming, Kept};
use crate::{Mode, Store, StoreError};

fn fresh() -> Settings {
    let served = Served::shared();
    served.settings(&served.database())
}

fn object(bytes: &[u8]) -> Incoming {
    let now = "2026-03-01T08:00:00.25Z".parse().expect("a time");
    Incoming::new(bytes, None, "folder", "", now).expect("compresses")
}

fn keep(store: &Store, bytes: &'static [u8]) -> Result<Kept, StoreError> {
    store.write(move |tx| objects::keep(tx, &object(bytes)))
}

#[test]
fn a_second_owner_is_refused_and_a_guest_makes_no_store() {
    let settings = fresh();
    let missing = Store::open_server(&settings, Mode::Guest).expect_err("nothing there");
    assert!(matches!(missing, StoreError::Missing { .. }), "{missing}");
    let first = Store::open_server(&settings, Mode::Owner).expect("opens");
    let refused = Store::open_server(&settings, Mode::Owner).expect_err("held");
    assert!(
        matches!(refused, StoreError::Held { pid: Some(pid), .. } if pid == std::process::id()),
        "{refused}"
    );
    let guest = Store::open_server(&settings, Mode::Guest).expect("a guest needs nothing");
    assert!(guest.has_owner());
    drop(first);
    assert!(!guest.has_owner());
    Store::open_server(&settings, Mode::Owner).expect("free again");
}
