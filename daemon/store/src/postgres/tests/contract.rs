//! The battery of contracts, run against a server; and against sessions of one with a fault, which it must
//! find.

use crate::contract::{Group, Place, finds};
use crate::postgres::Settings;
use crate::postgres::served::Served;
use crate::tests::contract::{Fault, Faulty};
use crate::{Mode, Store, StoreError};
use std::process::Stdio;

crate::battery!(|| Database::fresh(Fault::None) as Box<dyn Place>);

/// A database of its own on the server that all tests share.
struct Database {
    name: String,
    fault: Fault,
}

impl Database {
    fn fresh(fault: Fault) -> Box<Database> {
        let name = Served::shared().database();
        Box::new(Database { name, fault })
    }

    fn settings(&self) -> Settings {
        Served::shared().settings(&self.name)
    }

    fn open_as(&self, mode: Mode) -> Result<Store, StoreError> {
        let fault = self.fault;
        Store::open_server_through(&self.settings(), mode, move |inner| {
            Box::new(Faulty::new(inner, fault))
        })
    }
}

impl Place for Database {
    fn open(&self) -> Result<Store, StoreError> {
        self.open_as(Mode::Owner)
    }

    fn beside(&self) -> Result<Store, StoreError> {
        self.open_as(Mode::Guest)
    }

    /// By the means of the database. Who owned it then does not own the copy.
    fn copy(&self) -> Result<Box<dyn Place>, StoreError> {
        let served = Served::shared();
        let copy = Database::fresh(self.fault);
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

#[test]
fn faults_of_a_session_are_found() {
    let without_snapshot = "a_view_is_one_state_while_others_write";
    for (fault, group, contracts) in [
        (
            Fault::ForgetsCommits,
            Group::Intake,
            // Numbers of a server grow all the same.
            &["what_was_answered_is_there_after_reopening"] as &[_],
        ),
        (
            Fault::UndoesNothing,
            Group::Intake,
            &[
                "an_error_undoes_all_of_its_change",
                "an_error_undoes_the_one_change_alone",
                "a_change_that_panics_is_undone_and_others_go_on",
            ],
        ),
        (Fault::NoSnapshot, Group::Intake, &[without_snapshot]),
        (
            Fault::TellsEarly,
            Group::Intake,
            &["changes_are_told_after_the_commit"],
        ),
        (
            Fault::TellsEarly,
            Group::Upkeep,
            &["owner_and_guest_see_what_the_other_stored"],
        ),
        (
            Fault::UndoesNothing,
            Group::Delivery,
            &["a_result_waits_for_each_destination_from_the_commit_that_publishes_it"],
        ),
        (
            Fault::Says("order by since desc limit", "order by since limit"),
            Group::Assessment,
            &["who_waits_longest_is_assessed_first"],
        ),
    ] {
        for contract in contracts {
            let fresh = || Database::fresh(fault) as Box<dyn Place>;
            assert!(
                finds(group, contract, &fresh),
                "{fault:?} passes {contract}"
            );
        }
    }
}
