//! Texts that are longer than a row of an index may be.

use super::{fresh, object};
use crate::session::values;
use crate::{Mode, Store, StoreError, objects, view::Tx};

/// Letters that do not compress, `length` of them, each of four bytes where `wide`.
fn letters(seed: u64, length: usize, wide: bool) -> String {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let step = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let number = u32::try_from(state % 60_000).expect("small");
        let letter = if wide {
            0x2_0000 + number % 40_000
        } else {
            0x21 + number % 90
        };
        char::from_u32(letter).expect("a letter")
    };
    std::iter::repeat_with(step).take(length).collect()
}

/// A line of an exam, with these texts.
fn line(tx: &Tx, exam: &str, patient: &str, others: &str) -> Result<usize, StoreError> {
    tx.execute(
        "insert into exam_line (exam_id, patient_issuer, patient_id, version, performed_at, first_at,
                                status, flagged, rise, history_only, uncompared, unlabelled, operator,
                                device, location, accession, line)
         values (?1, ?2, ?2, 1, '2026', '2026', 'x', 0, 'new', 0, 'first', 1, ?3, ?3, ?3, ?4, ?5)",
        values![exam, patient, patient_bound(others), others, others],
    )
}

/// Names of people, machines and places are cut where reports are read: five parts of 64 letters at most.
fn patient_bound(text: &str) -> String {
    text.chars().take(5 * 64).collect()
}

/// 64 letters of four bytes each, which is what a report may hold, wherever ids stand together.
#[test]
fn the_longest_ids_are_stored() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    let done = store.write(|tx| {
        let id = |seed| letters(seed, 64, true);
        let object = objects::keep(tx, &object(b"one"))?;
        let (objects::Kept::New(object) | objects::Kept::Repeat(object)) = object;
        tx.execute(
            "update object set patient_id = ?2, patient_issuer = ?3 where id = ?1",
            values![object, id(1), id(2)],
        )?;
        tx.execute(
            "insert into dirty (patient_id, patient_issuer, since, mark) values (?1, ?2, '', 1)",
            (id(1), id(2)),
        )?;
        tx.execute(
            "insert into id_statement (act, from_issuer, from_id, into_issuer, into_id, stated_at,
                                       recorded_at, source, message, who, why)
             values ('merge', ?1, ?2, ?3, ?4, '2026-01-01T00:00:00.000000Z', '', ?5, ?5, '', '')",
            (id(1), id(2), id(3), id(4), id(5)),
        )?;
        line(tx, "exam", &id(1), &letters(7, 10_000, true))
    });
    done.expect("stored");
}

/// Where a text has no bound, none of the indices sets one.
#[test]
fn texts_of_ten_thousand_letters_are_stored_and_found() {
    let store = Store::open_server(&fresh(), Mode::Owner).expect("opens");
    for wide in [false, true] {
        let long = letters(3 + u64::from(wide), 10_000, wide);
        let told = long.clone();
        let done = store.write(move |tx| {
            let object = objects::keep(tx, &object(if wide { b"one" } else { b"two" }))?;
            let (objects::Kept::New(object) | objects::Kept::Repeat(object)) = object;
            tx.execute(
                "update object set sop_instance_uid = ?2, study_instance_uid = ?2, reading = ?2,
                        source = ?2, default_issuer = ?2 where id = ?1",
                values![object, told],
            )?;
            tx.execute(
                "insert into deed (recorded_at, account, roles, address, action, detail)
                 values ('', 'a', '[]', ?1, ?1, ?1)",
                [&told],
            )?;
            tx.execute(
                "insert into entry (act, patient_issuer, patient_id, kind, study_instance_uid, value,
                                    recorded_at, author, author_kind, entered_by, source, reason)
                 values (1, 'i', 'p', ?1, ?1, ?1, '', ?1, 'unknown', ?1, ?1, ?1)",
                [&told],
            )?;
            line(tx, &format!("exam-{wide}"), "p", &told)
        });
        done.expect("stored");
        for (table, column) in [
            ("object", "sop_instance_uid"),
            ("object", "study_instance_uid"),
            ("exam_line", "accession"),
        ] {
            let sql = format!("select {column} from {table} where {column} = ?1");
            let found =
                store.read(|view| view.prepare(sql).all([&long], |row| row.get::<String>(0)));
            assert_eq!(found.expect("read"), [long.as_str()], "{table}.{column}");
        }
    }
}
