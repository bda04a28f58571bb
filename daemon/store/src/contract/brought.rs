//! Tables of old values that were brought in.

use super::{Place, STRANGE, at, contracts};
use crate::bringings::{self, Brought, Report};
use sheathline_model::annotations::{Author, By};

contracts! {
    a_table_is_known_by_its_number_its_file_and_its_reports,
}

fn table(name: &str, hash: u8) -> Brought {
    Brought {
        by: By {
            author: Author::Account("Dr Amber Vantongeren".to_owned()),
            entered_by: "amber (uid 1000)".to_owned(),
            source: "table".to_owned(),
            reason: name.to_owned(),
        },
        file_name: name.to_owned(),
        file_sha256: [hash; 32],
        rows: 3,
    }
}

fn report(line: u32, uid: &str) -> Report {
    Report {
        line,
        sop_instance_uid: uid.to_owned(),
    }
}

fn a_table_is_known_by_its_number_its_file_and_its_reports(place: &dyn Place) {
    let store = place.open().expect("opens");
    let bring = |name: &'static str, hash: u8, reports: &[(u32, &'static str)]| {
        let reports = reports.to_vec();
        let brought = store.write(move |tx| {
            let next = bringings::next_number(tx)?;
            let number = bringings::record(tx, &table(name, hash), at(1))?;
            assert_eq!(number, next);
            for (line, uid) in &reports {
                bringings::add(tx, number, &report(*line, uid))?;
            }
            Ok(number)
        });
        brought.expect("brought")
    };
    assert_eq!(store.read(bringings::next_number).expect("read"), 1);
    // By line, then by name: `1.10` comes before `1.9`.
    let one = bring("one.csv", 7, &[(9, "1.9"), (9, "1.10"), (2, "1.2")]);
    let two = bring(STRANGE[8], 8, &[(2, "1.2")]);
    let again = bring("one again.csv", 7, &[]);
    assert_eq!([one, two, again], [1, 2, 3]);
    let known = store.read(|view| {
        let newest = bringings::newest(view, 2)?;
        let numbers: Vec<i64> = newest.iter().map(|one| one.number).collect();
        assert_eq!(numbers, [3, 2], "newest first, as many as were asked for");
        assert_eq!(newest[1].brought, table(STRANGE[8], 8));
        assert_eq!((newest[0].reports, newest[1].reports), (0, 1));
        let of_file = bringings::of_file(view, &[7; 32])?;
        let numbers: Vec<i64> = of_file.iter().map(|one| one.number).collect();
        assert_eq!(numbers, [3, 1]);
        assert_eq!(bringings::of_file(view, &[9; 32])?, []);
        assert_eq!(
            bringings::reports(view, one)?,
            [report(2, "1.2"), report(9, "1.10"), report(9, "1.9")]
        );
        assert_eq!(bringings::reports(view, 99)?, []);
        assert_eq!(bringings::of_report(view, "1.2")?, [(2, 2), (1, 2)]);
        assert_eq!(bringings::of_report(view, "1.3")?, []);
        assert_eq!(bringings::by_number(view, 99)?, None);
        bringings::by_number(view, one)
    });
    let known = known.expect("read").expect("known");
    assert_eq!(known.brought, table("one.csv", 7));
    assert_eq!((known.recorded_at, known.reports), (at(1), 3));
    // One report stands once in a line of a table.
    let twice = store.write(move |tx| bringings::add(tx, one, &report(2, "1.2")));
    twice.expect_err("it is there");
    // And a table that is not there has none.
    let none = store.write(|tx| bringings::add(tx, 99, &report(2, "1.2")));
    none.expect_err("no such table");
}
