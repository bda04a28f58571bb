//! What people type in pages, through the real program: a measurement, a table of old values, a second
//! reading.

mod brought;
mod fresh;
mod second;
mod signed;

use crate::browser::Browser;
use crate::harness::{Daemon, Site, until};
use sheathline_store::{Mode, Store, accounts};
use std::net::SocketAddr;

/// What a configuration needs for pages on this machine.
pub(crate) const PAGES: &str = "[pages]\nlisten = \"127.0.0.1:0\"\n";

const PASSWORD: &str = "a password of the ward";

/// A site with pages and accounts, each named as its role.
pub(crate) struct Ward {
    pub(crate) site: Site,
    pub(crate) daemon: Daemon,
    address: SocketAddr,
}

impl Ward {
    fn new(roles: &[&str]) -> Ward {
        Ward::with(roles, PAGES)
    }

    /// The tables of `more` begin with that of the pages.
    fn with(roles: &[&str], more: &str) -> Ward {
        Ward::at(Site::with(more), roles)
    }

    /// At a site with pages.
    pub(crate) fn at(site: Site, roles: &[&str]) -> Ward {
        let daemon = site.serve();
        let hash = sheathline::pages::hashed(PASSWORD).expect("hashed");
        let store = Store::open(&site.path("store.sqlite"), Mode::Guest).expect("opens");
        for role in roles {
            let (roles, hash) = ([(*role).to_owned()], hash.clone());
            let now = chrono::Utc::now();
            store
                .write(move |tx| accounts::add(tx, &roles[0], &roles, &hash, now))
                .expect("added");
        }
        let address = pages_of(&daemon);
        Ward {
            site,
            daemon,
            address,
        }
    }

    /// A browser of this role.
    pub(crate) fn signed_in(&self, role: &str) -> Browser {
        let mut browser = Browser::new(self.address);
        let answer = browser.sign_in(role, PASSWORD);
        assert_eq!(answer.status, 303, "{}", answer.body);
        browser
    }
}

/// Where a daemon shows its pages.
fn pages_of(daemon: &Daemon) -> SocketAddr {
    let mut found = None;
    until("the pages", || {
        let log = daemon.log();
        let mut lines = log.iter();
        let line = lines.find(|line| line["fields"]["code"] == "pages-listening");
        found = line.and_then(|line| line["fields"]["address"].as_str()?.parse().ok());
        found.is_some()
    });
    found.expect("an address")
}
