//! The battery of contracts, run against SQLite; and against stores with one fault each, which it must
//! find. Those of sessions are planted on a server as well.

use crate::contract::{Group, Place, finds, hold};
use crate::error::{Kind, Refusal};
use crate::members::Membership;
use crate::session::{Each, Session, Step, Value};
use crate::sqlite::opening::connect_reader;
use crate::tests::between::hands_on;
use crate::verify::Looker;
use crate::view::View;
use crate::{Mode, Store, StoreError, copy, objects, readings, results};
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Barrier, Mutex, OnceLock, PoisonError};
use tempfile::TempDir;

crate::battery!(|| Folder::fresh(Fault::None) as Box<dyn Place>);

/// A folder of its own for a store in one file.
struct Folder {
    folder: Arc<TempDir>,
    path: PathBuf,
    fault: Fault,
}

impl Folder {
    fn fresh(fault: Fault) -> Box<Folder> {
        // In memory where that is possible: nothing here is about the disk.
        let folder = TempDir::new_in("/dev/shm").or_else(|_| TempDir::new());
        let folder = Arc::new(folder.expect("a folder"));
        let path = folder.path().join("store.db");
        Box::new(Folder {
            folder,
            path,
            fault,
        })
    }

    fn open_as(&self, mode: Mode) -> Result<Store, StoreError> {
        let fault = self.fault;
        Store::open_through(&self.path, mode, move |inner| {
            Box::new(Faulty::new(inner, fault))
        })
    }
}

impl Place for Folder {
    fn open(&self) -> Result<Store, StoreError> {
        self.open_as(Mode::Owner)
    }

    fn beside(&self) -> Result<Store, StoreError> {
        self.open_as(Mode::Guest)
    }

    fn copy(&self) -> Result<Box<dyn Place>, StoreError> {
        static COPIES: AtomicU64 = AtomicU64::new(0);
        let number = COPIES.fetch_add(1, Ordering::SeqCst);
        let path = self.folder.path().join(format!("copy-{number}.db"));
        copy::back_up(&self.path, &path)?;
        Ok(Box::new(Folder {
            folder: Arc::clone(&self.folder),
            path,
            fault: self.fault,
        }))
    }
}

/// What a store does wrong.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Fault {
    None,
    /// None; and what it is asked is noted.
    Overheard,
    /// It says that a commit is done, and rolls it back.
    ForgetsCommits,
    /// An error of one change keeps what it did.
    UndoesNothing,
    /// What is read at one time is not one state.
    NoSnapshot,
    /// A commit is told before it is there.
    TellsEarly,
    /// No commit gets through, and it says so.
    RefusesCommits,
    /// It says another thing than it is asked: the first text stands for the second.
    Says(&'static str, &'static str),
}

/// A session with a fault.
#[derive(Debug)]
pub(crate) struct Faulty {
    inner: Box<dyn Session>,
    fault: Fault,
    /// A commit that was told, and is still to be done.
    owed: std::cell::Cell<bool>,
}

impl Faulty {
    pub(crate) fn new(inner: Box<dyn Session>, fault: Fault) -> Faulty {
        Faulty {
            inner,
            fault,
            owed: std::cell::Cell::new(false),
        }
    }

    fn said(&self, sql: &str) -> String {
        match self.fault {
            Fault::Says(wrong, right) => sql.replace(right, wrong),
            Fault::Overheard => {
                let mut heard = HEARD.lock().unwrap_or_else(PoisonError::into_inner);
                heard.insert(sql.to_owned());
                sql.to_owned()
            }
            _ => sql.to_owned(),
        }
    }
}

impl Session for Faulty {
    hands_on!(run now rest);

    fn ask(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError> {
        self.inner.ask(&self.said(sql), values, each)
    }

    fn tell(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError> {
        self.inner.tell(&self.said(sql), values, each)
    }

    fn change(&self, sql: &str, values: &[Value<'_>]) -> Result<usize, StoreError> {
        self.inner.change(&self.said(sql), values)
    }

    fn step(&self, step: Step) -> Result<(), StoreError> {
        match (self.fault, step) {
            (Fault::ForgetsCommits, Step::Commit) => self.inner.step(Step::RollBack),
            (Fault::RefusesCommits, Step::Commit) => {
                self.inner.step(Step::RollBack)?;
                let why = "planted: a commit is refused".to_owned();
                Err(StoreError::Refused(Refusal::new(Kind::Disk, why)))
            }
            (Fault::UndoesNothing, Step::UndoOne) => self.inner.step(Step::KeepOne),
            // Also not on the way back.
            (Fault::NoSnapshot, Step::BeginReading) => Ok(()),
            (Fault::NoSnapshot, Step::RollBack) if !self.inner.is_in_transaction() => Ok(()),
            (Fault::TellsEarly, Step::Commit) => {
                self.owed.set(true);
                Ok(())
            }
            (Fault::TellsEarly, Step::BeginChanging) if self.owed.replace(false) => {
                self.inner.step(Step::Commit)?;
                self.inner.step(step)
            }
            (_, step) => self.inner.step(step),
        }
    }
}

static HEARD: Mutex<BTreeSet<String>> = Mutex::new(BTreeSet::new());

/// Every statement that the store says while the whole battery runs, and while a store is verified.
/// Settings of the one file (`PRAGMA`) are not among them.
pub(crate) fn heard() -> BTreeSet<String> {
    static RAN: OnceLock<()> = OnceLock::new();
    RAN.get_or_init(|| {
        for group in Group::ALL {
            hold(group, &|| Folder::fresh(Fault::Overheard) as Box<dyn Place>);
        }
        let place = Folder::fresh(Fault::Overheard);
        let store = place.open().expect("opens");
        super::keep(&store, b"one").expect("kept");
        crate::contract::something_of_each(&store);
        // What no contract asks for.
        let asked = store.read(|view| {
            objects::with_bytes(view, None, 1)?;
            let nobody = Membership {
                id: "nobody".to_owned(),
                epoch: 1,
            };
            objects::next_unread_of(view, &nobody, 1)?;
            readings::quarantined(view)?;
            results::unpublished(view, 1)
        });
        asked.expect("asked");
        drop(store);
        let session = connect_reader(&place.path).expect("opens").into_session();
        let view = View::new(Box::new(Faulty::new(session, Fault::Overheard)));
        let looker = Looker::on(view);
        looker.verify(|_, _| ()).expect("verified");
        looker.knows_result("e", 1).expect("looked");
    });
    let heard = HEARD.lock().unwrap_or_else(PoisonError::into_inner);
    let of_rows = heard.iter().filter(|sql| !sql.starts_with("PRAGMA"));
    of_rows.cloned().collect()
}

/// Each fault, with the contracts that must notice it; that they hold without one is the battery.
fn must_find(group: Group, faults: &[(Fault, &[&str])]) {
    for (fault, contracts) in faults {
        for contract in *contracts {
            let fresh = || Folder::fresh(*fault) as Box<dyn Place>;
            assert!(
                finds(group, contract, &fresh),
                "{fault:?} passes {contract}"
            );
        }
    }
}

/// Whatever the database: all changes of one commit are stored or none, none is answered as stored, and
/// the store takes nothing more.
#[test]
fn a_commit_that_fails_is_told_to_each_of_its_changes_and_stores_none() {
    let mut place = Folder::fresh(Fault::RefusesCommits);
    let store = place.open().expect("opens");
    let start = Barrier::new(16);
    std::thread::scope(|scope| {
        for n in 0..16_u8 {
            let (store, start) = (&store, &start);
            scope.spawn(move || {
                start.wait();
                let done = store.write(move |tx| objects::keep(tx, &super::object(&[n])));
                assert!(matches!(done, Err(StoreError::InDoubt { .. })), "{done:?}");
            });
        }
    });
    assert!(store.doubt().is_some());
    drop(store);
    place.fault = Fault::None;
    let store = place.open().expect("verified and opened");
    assert_eq!(store.read(readings::counts).expect("read").unread, 0);
    super::keep(&store, b"again").expect("kept");
}

#[test]
fn faults_of_intake_are_found() {
    let lost = "what_was_answered_is_there_after_reopening";
    must_find(
        Group::Intake,
        &[
            (
                Fault::ForgetsCommits,
                &[lost, "numbers_grow_and_none_comes_twice"],
            ),
            (
                Fault::UndoesNothing,
                &[
                    "an_error_undoes_all_of_its_change",
                    "an_error_undoes_the_one_change_alone",
                    "a_change_that_panics_is_undone_and_others_go_on",
                ],
            ),
            (
                Fault::NoSnapshot,
                &["a_view_is_one_state_while_others_write"],
            ),
            (Fault::TellsEarly, &["changes_are_told_after_the_commit"]),
            (
                Fault::Says("repeats = 0", "repeats = repeats + 1"),
                &["the_same_object_twice_is_one"],
            ),
            (
                Fault::Says("order by id desc limit", "order by id limit"),
                &["what_waits_is_handed_out_oldest_first"],
            ),
        ],
    );
}

#[test]
fn faults_of_assessment_are_found() {
    must_find(
        Group::Assessment,
        &[
            (
                Fault::Says("order by since desc limit", "order by since limit"),
                &["who_waits_longest_is_assessed_first"],
            ),
            (
                Fault::Says("mark = dirty.mark", "mark = dirty.mark + 1"),
                &["a_patient_marked_again_meanwhile_stays_marked"],
            ),
            (
                Fault::Says("patient_id = ?1 collate nocase and", "patient_id = ?1 and"),
                &["patients_differ_in_every_byte_and_are_listed_by_bytes"],
            ),
            (
                Fault::Says("from_id = 'A'", "from_id = ?1"),
                &["merges_join_ids_and_are_taken_back"],
            ),
            (
                Fault::Says("order by version limit 1", "order by version desc limit 1"),
                &["versions_of_a_result_count_up_and_none_is_changed"],
            ),
        ],
    );
}

#[test]
fn faults_of_what_is_asked_of_one_are_found() {
    let (others, under) = (
        "an_id_under_other_issuers_is_told_by_issuer_and_bounded",
        "reports_under_the_default_issuer_are_told_as_they_came",
    );
    let (anew, waiting) = (
        "a_reading_that_is_taken_away_is_made_anew",
        "those_who_wait_are_told_to_whom_they_belong",
    );
    let versions = "versions_of_an_exam_tell_what_became_of_it";
    let says = [
        (
            "order by patient_issuer collate nocase limit ?3",
            "order by patient_issuer limit ?3",
            others,
        ),
        (
            "patient_issuer = ?2 and reading is null",
            "patient_issuer = ?2 and reading is not null",
            others,
        ),
        ("default_issuer <> ?2", "default_issuer = ?2", under),
        (
            "from dirty order by since desc",
            "from dirty order by since",
            waiting,
        ),
        (
            "delete from dirty where patient_id = ?1 and patient_issuer = ?2 and mark = 1",
            "delete from dirty where patient_id = ?1 and patient_issuer = ?2",
            waiting,
        ),
        (
            "state = 'received', reading = reading,",
            "state = 'received', reading = null,",
            anew,
        ),
        ("and id >= ?2 and state", "and id > ?2 and state", anew),
        (
            "case when missing is null then 1",
            "case when missing is null and kept_sha256 is null then 1",
            "a_body_without_its_pixels_takes_the_place_of_the_whole",
        ),
        (
            "where exam_id = ?1 order by version",
            "where exam_id = ?1 and damaged_at is null order by version",
            versions,
        ),
        ("max(version), min(id)", "max(version), max(id)", versions),
        (
            "published_at = published_at",
            "published_at = null",
            versions,
        ),
        (
            "from entry where kind <> ?1",
            "from entry where kind = ?1",
            "entries_are_found_by_id_and_by_kind",
        ),
        (
            "select status, count(*) - 1 from exam_line",
            "select status, count(*) from exam_line",
            "lines_and_results_are_counted_in_short",
        ),
        (
            "select source, '2027-01-01T00:00:00.000000Z' from object where id = ?1",
            "select source, received_at from object where id = ?1",
            "a_source_is_known_with_its_first_and_last_object",
        ),
        (
            "(reminded is null or reminded <= version)",
            "(reminded is null or reminded < version)",
            "somebody_is_due_until_reminded_of_this_version",
        ),
    ];
    for (wrong, right, contract) in says {
        must_find(
            Group::Assessment,
            &[(Fault::Says(wrong, right), &[contract])],
        );
    }
    let table = "a_table_is_known_by_its_number_its_file_and_its_reports";
    for (wrong, right) in [
        (
            "order by line, sop_instance_uid desc",
            "order by line, sop_instance_uid",
        ),
        ("order by bringing, line", "order by bringing desc, line"),
        ("where file_sha256 >= ?1", "where file_sha256 = ?1"),
        ("max(number), 0)", "max(number), 0) + 1"),
    ] {
        must_find(Group::Visitors, &[(Fault::Says(wrong, right), &[table])]);
    }
}

#[test]
fn faults_of_delivery_are_found() {
    must_find(
        Group::Delivery,
        &[
            (
                Fault::Says("o.id < 0", "o.id < r.id"),
                &["a_patients_results_go_in_their_order_and_hold_up_nobody_else"],
            ),
            (
                Fault::Says("d.due_at > ?2", "d.due_at > ?3"),
                &["a_time_is_waited_for_and_one_from_a_wrong_clock_is_not"],
            ),
            (
                Fault::Says("attempts = attempts,", "attempts = attempts + 1,"),
                &["attempts_are_counted_and_told"],
            ),
            (
                Fault::UndoesNothing,
                &[
                    "a_result_waits_for_each_destination_from_the_commit_that_publishes_it",
                    "a_reminder_is_undone_with_its_transaction",
                ],
            ),
            (
                Fault::Says(
                    "patient_id = ?1 and ?2 = ?2",
                    "patient_id = ?1 and patient_issuer = ?2",
                ),
                &["lines_of_a_person_are_replaced_and_others_stay"],
            ),
            (
                Fault::Says("rise in ('new')", "rise in ('new', 'withdrawn')"),
                &["lists_hold_what_waits_in_their_order"],
            ),
            (
                Fault::Says("device || '' <> ''||?", "device || '' = ?"),
                &["lists_are_chosen_by_day_operator_machine_and_place"],
            ),
            (
                Fault::Says("first_at > ?", "first_at >= ?"),
                &["lists_of_the_last_days_count_what_is_older"],
            ),
            (
                Fault::Says("limit 2 offset 1", "limit 2 offset 2"),
                &["a_list_is_told_page_by_page"],
            ),
            (
                Fault::Says("operator >= ?1 order", "operator > ?1 order"),
                &["names_of_all_exams_can_be_chosen_and_are_bounded"],
            ),
            (
                Fault::Says("accession is not null and '' <> ?1", "accession = ?1"),
                &["exams_are_found_by_their_accession_number"],
            ),
            (
                Fault::Says(
                    "reminded is null or 1",
                    "reminded is null or reminded < version",
                ),
                &["somebody_is_reminded_once_of_a_version"],
            ),
            (
                Fault::Says("rise = 'withdrawn'", "rise is null or rise <> 'new'"),
                &["a_rise_that_waits_for_nobody_is_told_apart"],
            ),
            (
                Fault::Says("e.id < 0", "e.id < d.id"),
                &["a_reminder_waits_behind_its_result"],
            ),
            (
                Fault::Says("e.what = e.what", "e.what = ?2"),
                &["an_archive_that_is_named_later_gets_what_was_typed_before"],
            ),
            (
                Fault::Says("e.state <> 'gone'", "e.state <> 'dropped'"),
                &["what_was_taken_back_is_not_sent_and_goes_once_it_counts_again"],
            ),
            (
                Fault::Says("later.version > 999", "later.version > r.version"),
                &["what_was_taken_back_is_not_sent_and_goes_once_it_counts_again"],
            ),
            (
                Fault::Says("b.id < 0", "b.id < ?4"),
                &[
                    "a_typed_report_waits_once_for_an_archive_that_takes_it",
                    "an_amended_report_goes_alone_where_the_one_before_went",
                ],
            ),
            (
                Fault::Says(
                    "object.source in (?2, ?3 || ?3)",
                    "object.source in (?2, ?3)",
                ),
                &["a_typed_report_waits_once_for_an_archive_that_takes_it"],
            ),
            (
                Fault::Says("e.what = e.what)", "e.what <> ?4)"),
                &["results_do_not_wait_for_typed_reports"],
            ),
            (
                Fault::Says("?3 = ?3 limit", "d.what <> ?3 limit"),
                &["who_got_typed_reports_was_told_of_no_result"],
            ),
            (
                Fault::Says("what = what and state", "what = ?2 and state"),
                &["typed_reports_are_asked_for_again_by_day"],
            ),
            (
                Fault::Says("and ?3 = ?3", "and what <> ?3"),
                &["another_number_of_a_version_forgets_no_typed_report"],
            ),
        ],
    );
}

#[test]
fn faults_of_export_are_found() {
    must_find(
        Group::Export,
        &[
            (
                Fault::Says("id >= ?1 and id <= ?2", "id > ?1 and id <= ?2"),
                &["readings_come_in_pages_by_change_and_by_object"],
            ),
            (
                Fault::Says("min(id), 0) from result", "max(id), 0) from result"),
                &["nothing_comes_under_a_number_that_was_passed"],
            ),
            (
                Fault::Says(
                    "patient_id collate nocase, patient_issuer limit",
                    "patient_id, patient_issuer limit",
                ),
                &["ids_with_entries_come_in_pages_in_the_order_of_bytes"],
            ),
            (
                Fault::Says(
                    "do update set value = meta.value",
                    "do update set value = excluded.value",
                ),
                &["the_audit_trail_is_told_of_objects_up_to_the_first_that_was_not_read"],
            ),
        ],
    );
}

#[test]
fn faults_of_upkeep_are_found() {
    must_find(
        Group::Upkeep,
        &[
            (
                Fault::Says(
                    "order by received_at desc, id limit",
                    "order by received_at, id limit",
                ),
                &["old_bodies_go_oldest_first_and_everything_made_of_them_stays"],
            ),
            (
                Fault::Says(
                    "do update set value = meta.value",
                    "do update set value = excluded.value",
                ),
                &[
                    "facts_by_name_are_set_replaced_and_taken_away",
                    "a_copy_made_under_load_is_one_whole_state",
                ],
            ),
            (
                Fault::Says(
                    "where gist is not null limit 1",
                    "where gist is not null group by gist",
                ),
                &["reports_that_are_alike_share_one_gist"],
            ),
            (
                Fault::Says(
                    "id between ?2 and ?2 and reading",
                    "id between ?1 and ?2 and reading",
                ),
                &["readings_of_before_are_gathered_in_steps"],
            ),
            (
                Fault::Says("id = ?1 and account is not", "id = ?1 and account ="),
                &["a_draft_is_its_accounts_own_and_stays_until_it_is_taken_away"],
            ),
            (
                Fault::TellsEarly,
                &["owner_and_guest_see_what_the_other_stored"],
            ),
        ],
    );
}

#[test]
fn faults_of_visitors_are_found() {
    let (limit, for_one_more) = (
        "order by ends_at desc, hash limit",
        "for_one_session_more_the_oldest_of_its_account_ends",
    );
    let (sessions, deeds) = (
        "a_session_is_there_under_its_id_until_it_ends",
        "deeds_are_numbered_and_found_by_what_they_tell",
    );
    let last = "the_last_deed_is_that_of_one_account_one_word_and_one_patient";
    must_find(
        Group::Visitors,
        &[
            (
                Fault::Says("where name = ?1 collate nocase", "where name = ?1"),
                &["an_account_is_the_one_of_its_name_for_ever"],
            ),
            (
                Fault::Says("(name) do update set ended_at = null", "(name) do nothing"),
                &["an_account_is_the_one_of_its_name_for_ever"],
            ),
            (
                Fault::Says(
                    "(hash) do update set account = excluded.account",
                    "(hash) do nothing",
                ),
                &[sessions],
            ),
            (
                Fault::Says(
                    "password = ?2, failures = failures",
                    "password = ?2, failures = 0",
                ),
                &["what_is_changed_of_an_account_is_that_alone"],
            ),
            (
                Fault::Says("set failures = failures", "set failures = 0"),
                &["refused_passwords_in_a_row_lock_an_account_for_a_time"],
            ),
            (
                Fault::Says("hash = ?1 and ends_at >= ?2", "hash = ?1 and ends_at > ?2"),
                &[sessions],
            ),
            (Fault::Says("order by hash limit", limit), &[for_one_more]),
            (
                Fault::Says("where lower(account) = ?1", "where account = ?1"),
                &["a_session_that_was_ended_stays_ended"],
            ),
            (
                Fault::Says("is null or id <= ?7", "is null or id < ?7"),
                &[deeds],
            ),
            (
                Fault::Says(
                    "is null or recorded_at <= ?6",
                    "is null or recorded_at < ?6",
                ),
                &[deeds],
            ),
            (
                Fault::Says(
                    "is null or lower(patient_id) = lower(?3)",
                    "is null or patient_id = ?3",
                ),
                &[deeds],
            ),
            (
                Fault::Says(
                    "?3 = ?3 and account = ?1",
                    "patient_issuer = ?3 and account = ?1",
                ),
                &[last],
            ),
            (
                Fault::Says("order by id limit 1", "order by id desc limit 1"),
                &[last],
            ),
            (Fault::UndoesNothing, &["a_deed_is_undone_with_its_change"]),
        ],
    );
}

#[test]
fn faults_of_members_are_found() {
    must_find(
        Group::Members,
        &[
            (
                Fault::Says(
                    "select 1 from meta where name = name or ?1 = ?2",
                    "select 1 from member where id = ?1 and epoch = ?2",
                ),
                &[
                    "a_member_whose_time_is_over_is_put_out_and_changes_nothing",
                    "who_leaves_leaves_its_duties",
                ],
            ),
            (
                Fault::Says("where ?1 = ?1", "where duty.member is null"),
                &["a_duty_has_one_holder"],
            ),
            (
                Fault::Says("set until = ?3 * 0 where", "set until = ?3 where"),
                &["a_member_that_shows_itself_is_not_put_out"],
            ),
            (
                Fault::Says("where member = '' || ?1 || 'x'", "where member = ?1"),
                &["who_leaves_leaves_its_duties"],
            ),
            (
                Fault::Says("and member.epoch >= 0 * ?3", "and member.epoch = ?3"),
                &["a_member_whose_time_is_over_is_put_out_and_changes_nothing"],
            ),
        ],
    );
}
