//! A PostgreSQL of a test's own that is reached over TCP, by password and TLS, as in a hospital.

use super::PASSWORD;
use crate::receive::pki::Issued;
use sheathline_store::postgres::served::Served;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicU8, Ordering};

/// A running server, gone when dropped.
pub(crate) struct Cluster {
    served: Served,
    /// Its port is 5432, so each has an address of its own.
    pub(crate) address: String,
}

impl Cluster {
    /// A server that takes the account `store` by its password, with a database for it of the same name.
    pub(crate) fn start() -> Cluster {
        static STARTED: AtomicU8 = AtomicU8::new(1);
        let [_, _, high, low] = std::process::id().to_be_bytes();
        let own = STARTED.fetch_add(1, Ordering::SeqCst);
        let address = format!("127.{}.{low}.{own}", 100 + high % 100);
        let listens = format!("listen_addresses={address}");
        let cluster = Cluster {
            served: Served::begin(&["fsync=off", &listens]),
            address,
        };
        cluster.admit("host all all 127.0.0.0/8 scram-sha-256");
        cluster.sql(&format!("create role store login password '{PASSWORD}'"));
        cluster.sql("create database store owner store");
        cluster
    }

    /// Runs SQL as the administrator.
    pub(crate) fn sql(&self, sql: &str) -> String {
        self.served.say("postgres", sql)
    }

    /// Where the store can be.
    pub(crate) fn url(&self) -> String {
        format!("postgresql://store@{}:5432/store", self.address)
    }

    fn data(&self) -> PathBuf {
        self.served.folder().join("data")
    }

    fn give(&self, name: &str, bytes: &[u8]) {
        let to = self.data().join(name);
        fs::write(&to, bytes).expect("written");
        fs::set_permissions(&to, fs::Permissions::from_mode(0o600)).expect("set");
        let as_before = Command::new("chown")
            .arg("--reference")
            .arg(self.data())
            .arg(&to)
            .status();
        assert!(as_before.expect("chown").success());
    }

    /// Shows a certificate from now on.
    pub(crate) fn show(&self, own: &Issued, ca: &Path) {
        let read = |path: &Path| fs::read(path).expect("readable");
        self.give("server.crt", &read(&own.certificate));
        self.give("server.key", &read(&own.key));
        self.give("ca.crt", &read(ca));
        self.sql("alter system set ssl_ca_file = 'ca.crt'");
        self.sql("alter system set ssl = on");
        self.sql("select pg_reload_conf()");
    }

    /// Takes whom these lines of `pg_hba.conf` name, and the administrator over its socket.
    pub(crate) fn admit(&self, lines: &str) {
        let all = format!("local all sheathline trust\n{lines}\n");
        self.give("pg_hba.conf", all.as_bytes());
        self.sql("select pg_reload_conf()");
    }

    /// The log of the server.
    pub(crate) fn log(&self) -> String {
        fs::read_to_string(self.served.folder().join("log")).expect("a log")
    }

    /// Begins again after its end, and waits until it answers.
    pub(crate) fn begin_again(&mut self) {
        self.served.begin_again();
        self.served.wait();
    }

    /// Ends as a crash does.
    pub(crate) fn end(&mut self) {
        self.served.kill();
    }
}
