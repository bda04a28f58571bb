//! The rules, each with a statement that breaks it; and the whole store by them.

use super::sources::{Said, plain, said};
use super::{Fault, Shape, faults, grammar};
use crate::tests::contract::heard;
use std::collections::BTreeSet;

/// Statements that break a rule, each with its word.
const BROKEN: &[(&str, &str)] = &[
    ("shape", "create table further (id bigint)"),
    ("shape", "drop table meta"),
    ("one database", "pragma user_version"),
    ("one database", "select name from sqlite_schema"),
    ("one database", "select pg_backend_pid() from meta"),
    ("one database", "select ifnull(value, '') from meta"),
    ("one database", "select iif(name = ?1, 1, 0) from meta"),
    ("notify", "notify changes"),
    ("notify", "select pg_notify('changes', ?1) from meta"),
    ("locks", "select value from meta where name = ?1 for update"),
    (
        "locks",
        "select id from object order by id limit 1 for update skip locked",
    ),
    ("locks", "select pg_advisory_xact_lock(7) from meta"),
    (
        "procedures",
        "create function f() returns int language plpgsql as 'x'",
    ),
    (
        "insert or",
        "insert or replace into meta (name, value) values (?1, ?2)",
    ),
    (
        "insert or",
        "insert into dirty (patient_issuer, patient_id, since, mark) values (?1, ?2, ?3, 1)
         on conflict (patient_id, patient_issuer) do update set mark = mark + 1",
    ),
    (
        "insert or",
        "insert into meta (name, value) values (?1, ?2) on conflict on constraint meta_pkey do nothing",
    ),
    (
        "hints",
        "select id from object indexed by object_sop where sop_instance_uid = ?1",
    ),
    ("order of bytes", "select name from meta where name like ?1"),
    (
        "order of bytes",
        "select name from meta order by name collate nocase",
    ),
    ("names", "select rowid from object"),
    ("names", "select \"name\" from meta"),
    ("names", "select name from nowhere"),
    ("truth", "select exam_id from exam_line where flagged"),
    ("truth", "select exam_id from exam_line where not flagged"),
    ("truth", "select value is null from meta"),
    ("truth", "select exists (select 1 from meta) from meta"),
    ("truth", "update exam_line set flagged = version > 1"),
    ("truth", "select name from meta where true"),
    ("truth", "select name from meta where (name = ?1) = ?2"),
    ("forms", "select id, count(*) over () from object"),
    ("forms", "select * from meta"),
    (
        "forms",
        "select case state when 'read' then 1 else 0 end from object",
    ),
    ("forms", "select name from meta where name != ?1"),
    ("forms", "select value::text from meta"),
    ("forms", "select name from meta; select value from meta"),
    (
        "forms",
        "update meta set value = r.why from result as r where r.id = ?1",
    ),
    (
        "joins",
        "select r.id from result as r natural join delivery",
    ),
    ("joins", "select count(*) from (select id from object)"),
    ("clock", "select now() from meta"),
    ("clock", "select current_timestamp from meta"),
    (
        "clock",
        "insert into meta (name, value) values (?1, clock_timestamp())",
    ),
    ("numbers", "select last_insert_rowid() from meta"),
    ("numbers", "select random() from meta"),
    (
        "json",
        "select json_extract(content, '$.status') from result",
    ),
    ("json", "select name from meta where name = any(?1)"),
    ("forms", "select substr(name, 1, 2) from meta"),
    ("functions", "select lower(name) from meta"),
    ("functions", "select length(name) from meta"),
    ("functions", "select max(attempts, 1) from delivery"),
    ("types", "select sum(repeats) from object"),
    ("types", "select cast(value as integer) from meta"),
    (
        "types",
        "select name from meta where ?1 is null or name = ?1",
    ),
    ("types", "select name || 1 from meta"),
    ("groups", "select state, count(*) from object"),
    (
        "groups",
        "select state, source, count(*) from object group by state",
    ),
    ("groups", "select state, count(*) from object group by 1"),
    ("limit", "select name from meta order by name limit -1"),
    ("grammar", "select name from meta order by name limit 5, 10"),
    ("nulls", "select exam_id from exam_line order by rise_since"),
    (
        "nulls",
        "select d.id from delivery as d order by d.due_at desc",
    ),
    ("parameters", "select value from meta where name = ?"),
    ("parameters", "select value from meta where name = $1"),
    ("literals", "update object set body = x'' where id = ?1"),
    ("kept", "delete from object where id = ?1"),
    ("kept", "delete from result where id = ?1"),
    ("grammar", "select from where"),
];

#[test]
fn every_rule_finds_what_breaks_it() {
    let shape = Shape::newest();
    for (rule, sql) in BROKEN {
        let found = faults(sql, &shape);
        assert!(
            found.iter().any(|one| one.rule == *rule),
            "{rule}: {sql}: {found:?}"
        );
    }
    for table in grammar::ADDED_ONLY {
        for sql in [
            format!("update {table} set reason = ?1"),
            format!("delete from {table}"),
        ] {
            let found = faults(&sql, &shape);
            assert!(
                found.iter().any(|one| one.rule == "added only"),
                "{sql}: {found:?}"
            );
        }
    }
}

/// Each word of a rule stands in the README, and each there has a statement that breaks it.
#[test]
fn the_rules_stand_in_the_readme() {
    let page = include_str!("../../README.md");
    let (_, table) = page
        .split_once("| rule | refuses |")
        .expect("the table of rules");
    let rows = table
        .lines()
        .skip(2)
        .take_while(|line| line.starts_with('|'));
    let written: BTreeSet<&str> = rows
        .filter_map(|row| row.split('|').nth(1))
        .map(str::trim)
        .collect();
    let mut broken: BTreeSet<&str> = BROKEN.iter().map(|(rule, _)| *rule).collect();
    broken.insert("added only");
    assert_eq!(written, broken);
}

#[test]
fn what_both_databases_take_is_taken() {
    let shape = Shape::newest();
    for sql in [
        "select name, value from meta where name >= ?1 and name < ?2 order by name",
        "select d.id from delivery as d join result as r on r.id = d.result_id
         where d.due_at is null or d.due_at <= ?2 order by d.id limit ?3 offset 5",
        "select exam_id from exam_line where rise_since <= ?1 order by rise_since, exam_id",
        "select exam_id from exam_line order by rise_since desc nulls last",
        "select operator || '' from exam_line where operator > ?1 order by operator limit 1",
        "select cast(sum(repeats) as bigint), coalesce(max(id), 0) + 1 from object",
        "select (select count(*) from brought where brought.bringing = number), number from bringing",
        "insert into meta (name, value) values (?1, ?2)
         on conflict (name) do update set value = excluded.value where meta.value <> ?2",
        "update delivery set since = ?2 where (destination, result_id) > (?1, ?3) returning id",
        "delete from dirty where patient_id is not distinct from ?1",
        "select 'for update; now() is a text' from meta",
    ] {
        assert_eq!(faults(sql, &shape), [], "{sql}");
    }
}

/// Where a statement stands, as far as that can be told.
fn place<'s>(sql: &str, said: &'s [Said]) -> &'s str {
    let mut found: Vec<&Said> = said.iter().filter(|one| one.is_in(sql)).collect();
    found.sort_by_key(|one| one.text().len());
    found
        .last()
        .map_or("no file of the topics", |one| one.file.as_str())
}

/// Heard while the battery runs, or a whole statement as it stands in a source.
#[test]
fn every_statement_of_the_store_is_in_the_subset() {
    let (shape, said, heard) = (Shape::newest(), said(), heard());
    assert!(
        heard.len() > 100,
        "only {} statements were heard",
        heard.len()
    );
    let mut wrong = Vec::new();
    let written = said.iter().filter_map(Said::whole);
    for sql in heard.iter().map(String::as_str).chain(written) {
        let found: Vec<Fault> = faults(sql, &shape);
        let sql = plain(sql);
        let place = place(&sql, &said);
        wrong.extend(found.iter().map(|one| format!("{place}: {one}\n    {sql}")));
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Whole statements that no contract says, each with why.
const UNHEARD: &[(&str, &str)] = &[
    (
        "delete from duty where name = ?1 and member is null",
        "of a duty that nobody knew for longer than a contract can wait",
    ),
    (
        "update object set gist = ?2",
        "of stores of early shapes, which are files",
    ),
    (
        "delete from meta where name <> ?1",
        "of a move: tests/moving.rs, also to a server",
    ),
];

/// What is put together of parts is heard, since only then it is a statement; and what is whole, since the
/// contracts alone say the same to each database.
#[test]
fn no_statement_and_no_part_of_one_goes_unheard() {
    let heard: BTreeSet<String> = heard().iter().map(|sql| plain(sql)).collect();
    let said = said();
    assert!(
        said.len() > 100,
        "only {} statements were found",
        said.len()
    );
    let is_passed_over = |one: &Said| {
        let whole = one.whole();
        whole.is_some_and(|sql| UNHEARD.iter().any(|(head, _)| sql.starts_with(head)))
    };
    let unheard: Vec<String> = said
        .iter()
        .filter(|one| !is_passed_over(one) && !heard.iter().any(|sql| one.is_in(sql)))
        .map(|one| format!("{}: {}", one.file, one.text()))
        .collect();
    assert!(unheard.is_empty(), "nothing says:\n{}", unheard.join("\n"));
    for (head, why) in UNHEARD {
        assert!(
            !heard.iter().any(|sql| sql.starts_with(head)),
            "{head} is heard: {why}"
        );
    }
}
