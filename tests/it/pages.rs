//! Pages for people, by a browser of our own that does exactly what it is told: signing in, and what
//! somebody might try who should not get in, or get further than their role.

mod attacks;
mod bounds;
mod desk;
mod glass;
mod ports;
mod roles;
mod said;
mod sign_in;

use crate::browser::Browser;
use crate::harness::{Daemon, Site, program, until};
use std::fs;
use std::net::SocketAddr;
use std::process::Output;

/// What a configuration needs for pages on this machine.
const PAGES: &str = "[pages]\nlisten = \"127.0.0.1:0\"\n";

const PASSWORD: &str = "a password of the ward";

/// A site with pages and accounts, each named as its role.
struct Ward {
    site: Site,
    daemon: Daemon,
    address: SocketAddr,
}

impl Ward {
    fn new(roles: &[&str]) -> Ward {
        Ward::with(roles, PAGES)
    }

    /// The tables of `more` begin with that of the pages.
    fn with(roles: &[&str], more: &str) -> Ward {
        let site = Site::with(more);
        let daemon = site.serve();
        fs::write(site.path("password"), format!("{PASSWORD}\n")).expect("written");
        let password = site.path("password");
        let password = password.to_str().expect("UTF-8");
        for role in roles {
            let args = [role, "--role", role, "--password-file", password];
            ok(&site, "add", &args);
        }
        let address = pages_of(&daemon);
        Ward {
            site,
            daemon,
            address,
        }
    }

    /// Runs `account`.
    fn account(&self, what: &str, args: &[&str]) -> String {
        ok(&self.site, what, args)
    }

    /// A browser in which nobody is signed in.
    fn browser(&self) -> Browser {
        Browser::new(self.address)
    }

    /// A browser of this role.
    fn signed_in(&self, role: &str) -> Browser {
        let mut browser = self.browser();
        let answer = browser.sign_in(role, PASSWORD);
        assert_eq!(answer.status, 303, "{}", answer.body);
        browser
    }
}

fn run(site: &Site, what: &str, args: &[&str]) -> Output {
    let mut command = program();
    command
        .args(["account", what, "--config"])
        .arg(site.config());
    command.args(args).output().expect("the program runs")
}

fn ok(site: &Site, what: &str, args: &[&str]) -> String {
    let output = run(site, what, args);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "account {what} {args:?}: {said}");
    String::from_utf8(output.stdout).expect("UTF-8")
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
