//! The script by which a site tries another server (`packaging/postgresql/check.sql`): written from the
//! statements of the program, and run here against PostgreSQL.
//!
//! `WRITE_CHECK_SQL=1 cargo test -p sheathline-store --lib script` writes it anew.

use crate::postgres::connection::LIMITS;
use crate::postgres::ownership::{self, Fence};
use crate::postgres::served::Served;
use crate::postgres::statement::numbered;
use crate::postgres::{LOCK, NOW, called, number_on, probe, schema};
use crate::subset::sources::{Said, plain, said};
use crate::tests::contract::heard;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// What is written by hand.
const TEMPLATE: &str = include_str!("script.sql");

fn place() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../packaging/postgresql/check.sql")
}

/// The answers that a script names.
fn expected(script: &str) -> Vec<&str> {
    let answers = script.lines().filter_map(|line| line.strip_prefix("--="));
    answers
        .map(|line| line.strip_prefix(' ').unwrap_or(line))
        .collect()
}

/// Statements of a text that ends each with `;`, without remarks.
fn statements(text: &str) -> Vec<String> {
    let lines = text
        .lines()
        .map(|line| line.split("--").next().unwrap_or_default());
    let text: Vec<&str> = lines.collect();
    let all = text.join("\n");
    let all = all.split(';').map(plain);
    all.filter(|one| !one.is_empty()).collect()
}

/// Each statement that makes the tables, with what it must answer.
fn shape() -> String {
    let steps = schema::STEPS.iter().map(|(_, step)| *step);
    let all = std::iter::once(schema::ROOM)
        .chain(steps)
        .flat_map(statements);
    let mut out = String::new();
    for sql in all {
        let words: Vec<&str> = sql.split([' ', '(']).collect();
        let what = match words.as_slice() {
            ["create", "unique", "index", name, ..] | ["create", "index" | "table", name, ..] => {
                name
            }
            [_, _, name, ..] => name,
            _ => panic!("{sql}"),
        };
        let _ = writeln!(out, "{sql};\n\\echo {what}: :SQLSTATE\n--= {what}: 00000");
    }
    out
}

/// How many values a statement takes: the highest number behind a `$`.
fn values(sql: &str) -> usize {
    let numbers = sql.split('$').skip(1).filter_map(|rest| {
        let digits = rest.split(|c: char| !c.is_ascii_digit()).next()?;
        digits.parse::<usize>().ok()
    });
    numbers.max().unwrap_or(0)
}

/// Everything that the store says, in the form that a server is told.
fn told() -> BTreeSet<String> {
    let written = said();
    let whole = written.iter().filter_map(Said::whole).map(str::to_owned);
    let heard = heard().iter().map(|sql| plain(sql)).collect::<Vec<_>>();
    let all = whole.chain(heard);
    all.map(|sql| numbered(&sql).into_owned()).collect()
}

/// Each is prepared; those that then meet no row are run as well.
fn prepared(all: &BTreeSet<String>) -> String {
    let mut out = String::new();
    for sql in all {
        let hash = Sha256::digest(sql.as_bytes());
        let word = format!(
            "s{:02x}{:02x}{:02x}{:02x}",
            hash[0], hash[1], hash[2], hash[3]
        );
        let _ = writeln!(
            out,
            "prepare s as {sql};\n\\echo {word} prepared: :SQLSTATE\n--= {word} prepared: 00000"
        );
        // What adds rows needs values that fit; what empties a table would take what the rest needs.
        let is_run = !sql.contains("insert into") && (values(sql) > 0 || sql.starts_with("select"));
        if is_run {
            let nothing = vec!["null"; values(sql)].join(", ");
            let nothing = if nothing.is_empty() {
                nothing
            } else {
                format!("({nothing})")
            };
            let _ = writeln!(
                out,
                "begin;\n\\o /dev/null\nexecute s{nothing};\n\\o\n\\echo {word} run: :SQLSTATE\nrollback;\n\
                 --= {word} run: 00000"
            );
        }
        out.push_str("deallocate s;\n");
    }
    out
}

/// What the room of servers says by itself.
fn server() -> String {
    let mut out = String::new();
    for (what, sql) in [
        ("shape found", schema::TABLES),
        ("columns found", schema::COLUMNS),
        ("facts", probe::FACTS),
        ("standbys", probe::STANDBYS),
        ("owner taken", &ownership::take(1)),
        ("owner looked at", &Fence::Alone { epoch: 1 }.look()),
        ("owner renewed", &Fence::Alone { epoch: 1 }.renewal()),
        ("owner gone", &Fence::Alone { epoch: 1 }.farewell()),
        ("members looked at", &Fence::Among.look()),
        ("name shown", &called("sheathline 7")),
        (
            "commit noted",
            &format!(
                "insert into last_commit (changer, number, at) values ('x', 1, {NOW})
                 on conflict (changer) do update set number = excluded.number, at = excluded.at"
            ),
        ),
    ] {
        let sql = plain(sql);
        let _ = writeln!(
            out,
            "begin;\n\\o /dev/null\n{sql};\n\\o\n\\echo {what}: :SQLSTATE\nrollback;\n--= {what}: 00000"
        );
    }
    out
}

/// As many values as the longest statement takes, and no fewer than a hundred.
fn longest(all: &BTreeSet<String>) -> String {
    let most = all
        .iter()
        .map(|sql| values(sql))
        .max()
        .unwrap_or(0)
        .max(100);
    let list = |of: &dyn Fn(usize) -> String| (1..=most).map(of).collect::<Vec<_>>().join(", ");
    format!(
        "prepare s as select 'values: ' || count(*) from duty where name in ({});\nexecute s({});\ndeallocate s;\n\
         --= values: 1",
        list(&|n| format!("${n}")),
        list(&|n| if n == most {
            "'kept'".to_owned()
        } else {
            "''".to_owned()
        })
    )
}

fn written() -> String {
    let all = told();
    let mut script = TEMPLATE.to_owned();
    for (word, text) in [
        ("@LIMITS@", format!("{LIMITS};")),
        ("@SHAPE@", shape()),
        ("@STATEMENTS@", prepared(&all)),
        ("@SERVER@", server()),
        (
            "@NUMBER_ON@",
            format!("\\o /dev/null\n{};\n\\o", plain(&number_on("gist", "id"))),
        ),
        ("@LOCK@", LOCK.to_owned()),
        ("@NOW@", NOW.to_owned()),
        ("@LONGEST@", longest(&all)),
    ] {
        script = script.replace(word, &text);
    }
    script
}

/// What a script answers in a database.
fn run(script: &Path, database: &str) -> String {
    let served = Served::shared();
    let mut command = served.program("psql");
    let programs = Path::new(command.get_program())
        .parent()
        .expect("a folder")
        .to_owned();
    let path = std::env::var("PATH").unwrap_or_default();
    let said = command
        .env("PATH", format!("{}:{path}", programs.display()))
        .args(["-XqAt", "-d", database, "-f"])
        .arg(script)
        .output()
        .expect("psql runs");
    String::from_utf8(said.stdout).expect("a text")
}

/// The first place at which answers are other ones.
fn differs(script: &str, answers: &str) -> Option<String> {
    let (mut wanted, mut got) = (expected(script).into_iter(), answers.lines());
    loop {
        match (wanted.next(), got.next()) {
            (None, None) => return None,
            (wanted, got) if wanted == got => {}
            (wanted, got) => return Some(format!("{wanted:?}: {got:?}")),
        }
    }
}

#[test]
fn the_script_for_other_servers_says_what_the_program_says() {
    let script = written();
    if std::env::var_os("WRITE_CHECK_SQL").is_some() {
        std::fs::write(place(), &script).expect("written");
    }
    let there = std::fs::read_to_string(place()).expect("the script");
    let lines = there.lines().zip(script.lines());
    let other = lines.clone().find(|(there, now)| there != now);
    assert!(
        there == script,
        "it is not what the program says, from {other:?} on; run `WRITE_CHECK_SQL=1 cargo test -p \
         sheathline-store --lib script` and read what changed"
    );
}

#[test]
fn postgresql_answers_the_script_as_expected() {
    let script = std::fs::read_to_string(place()).expect("the script");
    let answers = run(&place(), &Served::shared().database());
    assert_eq!(differs(&script, &answers), None);
    assert!(expected(&script).len() > 300, "{}", expected(&script).len());
}

/// Servers that do one thing otherwise.
#[test]
fn a_server_that_answers_otherwise_is_found() {
    let folder = tempfile::TempDir::new().expect("a folder");
    let script = std::fs::read_to_string(place()).expect("the script");
    let plant = |from: &str, to: &str| {
        assert!(script.contains(from), "{from}");
        let path = folder.path().join("planted.sql");
        std::fs::write(&path, script.replace(from, to)).expect("written");
        differs(&script, &run(&path, &Served::shared().database()))
    };
    for (from, to, found) in [
        (
            "name text collate \"C\" primary key, value",
            "name text collate \"und-x-icu\" primary key, value",
            "order: ",
        ),
        (
            "hash bytea not null unique",
            "hash bytea not null",
            "twice: ",
        ),
        (
            "begin isolation level repeatable read read only;",
            "begin isolation level read committed;",
            "repeatable read",
        ),
        (
            "begin isolation level repeatable read;",
            "begin isolation level read committed;",
            "crossed: ",
        ),
        (
            "set statement_timeout = '200ms';\nselect pg_sleep(20)",
            "select pg_sleep(0)",
            "too long: ",
        ),
        ("clock_timestamp()", "now()", "the clock goes on: "),
        ("create table duty", "create table duties", "duty"),
        (&format!("{LOCK};"), "select '0';", "55P03"),
    ] {
        let other = plant(from, to);
        assert!(
            other.as_ref().is_some_and(|other| other.contains(found)),
            "{to}: {other:?}"
        );
    }
}
