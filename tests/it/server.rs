//! The store on a server: the real program with a PostgreSQL of the test's own.

mod cluster;
mod operated;
mod pages;
mod reached;
mod restored;
mod same;
mod secret;
mod several;
mod spool;

use cluster::Cluster;

use crate::harness::Site;
use std::fs;

/// The password of the account of the service, which nothing may tell.
pub(crate) const PASSWORD: &str = "canary-5b1d9e";

/// Has a site keep its store in a database of a cluster; `more` are further keys of `[store]`.
pub(crate) fn on(site: &Site, url: &str, more: &str) {
    fs::create_dir_all(site.path("conf.d")).expect("made");
    fs::write(site.path("password"), format!("{PASSWORD}\n")).expect("written");
    crate::receive::pki::private(&site.path("password"));
    let text = format!(
        "[store]\nkind = \"postgresql\"\nurl = \"{url}\"\npassword_file = \"{}\"\n{more}",
        site.path("password").display()
    );
    fs::write(site.path("conf.d/10-server.toml"), text).expect("written");
}
