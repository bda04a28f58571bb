//! The store on a server: what belongs to servers alone. What any store must do is in
//! [`contract`](crate::contract).

mod away;
mod contract;
mod long;
mod members;
mod opening;
mod relay;
mod script;
mod session;
mod speed;

use super::Settings;
use super::served::Served;
use crate::objects::Incoming;
use crate::view::Tx;
use crate::{Store, StoreError, meta};

fn fresh() -> Settings {
    let served = Served::shared();
    served.settings(&served.database())
}

fn object(bytes: &[u8]) -> Incoming {
    let now = "2026-03-01T08:00:00.25Z".parse().expect("a time");
    Incoming::new(bytes, None, "folder", "", now).expect("compresses")
}

/// Adds one to a number: what is lost or done twice shows.
fn bump(tx: &Tx, name: &str) -> Result<(), StoreError> {
    let before = meta::get(tx, name)?.map_or(0, |n| n.parse::<i64>().expect("a number"));
    meta::set(tx, name, &(before + 1).to_string())
}

fn bumped(store: &Store, name: &str) -> i64 {
    let found = store.read(|view| meta::get(view, name)).expect("read");
    found.map_or(0, |n| n.parse().expect("a number"))
}
