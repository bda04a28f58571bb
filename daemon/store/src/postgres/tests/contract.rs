//! The battery of contracts, run against a server.

use crate::contract::Place;
use crate::postgres::Settings;
use crate::postgres::served::Served;
use crate::{Mode, Store, StoreError};
use std::process::Stdio;

crate::battery!(|| Database::fresh() as Box<dyn Place>);

/// A database of its own on the server that all tests share.
struct Database {
    name: String,
}

impl Database {
    fn fresh() -> Box<Database> {
        let name = Served::shared().database();
        Box::new(Database { name })
    }

    fn settings(&self) -> Settings {
        Served::shared().settings(&self.name)
    }
}

impl Place for Database {
    fn open(&self) -> Result<Store, StoreError> {
        Store::open_server(&self.settings(), Mode::Owner)
    }

    fn beside(&self) -> Result<Store, StoreError> {
        Store::open_server(&self.settings(), Mode::Guest)
    }

    /// By the means of the database. Who owned it then does not own the copy.
    fn copy(&self) -> Result<Box<dyn Place>, StoreError> {
        let served = Served::shared();
        let copy = Database::fresh();
        let mut dump = served
            .program("pg_dump")
            .arg(&self.name)
            .stdout(Stdio::piped())
            .spawn()
            .expect("pg_dump runs");
        let restored = served
            .program("psql")
            .args(["-qX", "-v", "ON_ERROR_STOP=1", "-d", &copy.name])
            .stdin(dump.stdout.take().expect("piped"))
            .stdout(Stdio::null())
            .status();
        assert!(dump.wait().expect("it ends").success());
        assert!(restored.expect("psql runs").success());
        served.say(&copy.name, "update owner set until = 0");
        Ok(copy)
    }
}
