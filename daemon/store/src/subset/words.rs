//! What a single word or sign of a statement gives away.

use super::Fault;

/// Words, the rule that they break, and what to write instead.
const WORDS: &[(&[&str], &str, &str)] = &[
    (
        &[
            "create", "alter", "drop", "truncate", "trigger", "reindex", "vacuum", "analyze",
            "comment",
        ],
        "shape",
        "a shape is made by the files of `schema`, each room its own",
    ),
    (
        &[
            "pragma",
            "attach",
            "detach",
            "explain",
            "set_config",
            "show",
            "copy",
            "call",
            "grant",
        ],
        "one database",
        "what belongs to one database goes into its room",
    ),
    (
        &["listen", "notify", "unlisten", "pg_notify"],
        "notify",
        "wait on `Store::changes`, or look again",
    ),
    (
        &["lock", "skip", "locked", "nowait"],
        "locks",
        "only one transaction changes the store at a time; a room takes its lock itself",
    ),
    (
        &["plpgsql", "function", "procedure", "language"],
        "procedures",
        "do it in Rust",
    ),
    (
        &["iif", "ifnull", "nvl", "isnull", "notnull", "if"],
        "one database",
        "write `case when … then … else … end`, `coalesce` or `is null`",
    ),
    (
        &["replace", "ignore", "abort", "rollback", "fail"],
        "insert or",
        "write `on conflict (…) do update` or `do nothing`",
    ),
    (
        &["indexed", "materialized", "hint"],
        "hints",
        "write a condition that leads to the index",
    ),
    (
        &[
            "like", "ilike", "glob", "regexp", "match", "similar", "collate",
        ],
        "order of bytes",
        "compare by bytes: `=`, `<`, or a range from a prefix to what follows it",
    ),
    (
        &["rowid", "_rowid_", "oid", "ctid", "xmin", "tableoid"],
        "names",
        "use a column of the table",
    ),
    (
        &["true", "false", "unknown", "boolean", "bool"],
        "truth",
        "truth is stored as 0 and 1: `flagged = 1`",
    ),
    (
        &[
            "over",
            "window",
            "partition",
            "filter",
            "within",
            "recursive",
            "lateral",
            "tablesample",
            "fetch",
        ],
        "forms",
        "ask in steps, and put together in Rust",
    ),
    (
        &["natural", "using", "right", "full", "cross"],
        "joins",
        "write `join … on`",
    ),
    (
        &[
            "now",
            "current_timestamp",
            "current_date",
            "current_time",
            "localtime",
            "localtimestamp",
            "clock_timestamp",
            "statement_timestamp",
            "strftime",
            "datetime",
            "unixepoch",
            "julianday",
            "age",
            "extract",
            "date_trunc",
            "interval",
        ],
        "clock",
        "give the time as a value; leases ask `Session::now`",
    ),
    (
        &[
            "random",
            "randomblob",
            "gen_random_uuid",
            "nextval",
            "lastval",
            "last_insert_rowid",
            "changes",
        ],
        "numbers",
        "make it in Rust; numbers of rows come by `returning`",
    ),
    (
        &["jsonb", "array", "unnest", "any", "some"],
        "json",
        "keep what is asked for in a column, or read the text in Rust",
    ),
];

/// Beginnings of names, the rule, and what to write instead.
const BEGINNINGS: &[(&str, &str, &str)] = &[
    (
        "json",
        "json",
        "keep what is asked for in a column, or read the text in Rust",
    ),
    (
        "pg_advisory",
        "locks",
        "only one transaction changes the store at a time; a room takes its lock itself",
    ),
    (
        "pg_try_advisory",
        "locks",
        "only one transaction changes the store at a time; a room takes its lock itself",
    ),
    (
        "pg_",
        "one database",
        "what belongs to one database goes into its room",
    ),
    (
        "sqlite_",
        "one database",
        "what belongs to one database goes into its room",
    ),
    (
        "information_schema",
        "one database",
        "what belongs to one database goes into its room",
    ),
];

/// A word or sign of a statement, outside its texts.
#[derive(Debug, PartialEq)]
enum Piece<'s> {
    Word(&'s str),
    /// `?` with what follows of digits.
    Parameter(&'s str),
    /// A text, with what stands directly before it: `x'00'`.
    Text(&'s str),
    Sign(char),
}

pub(super) fn faults(sql: &str) -> Vec<Fault> {
    let mut found = Vec::new();
    let mut say = |rule, part: &str, instead| {
        found.push(Fault {
            rule,
            part: part.to_owned(),
            instead,
        });
    };
    let mut before = "";
    for piece in pieces(sql) {
        match piece {
            Piece::Word(word) => {
                let lower = word.to_ascii_lowercase();
                // A column of ours may have such a name only behind its table.
                let rules = WORDS
                    .iter()
                    .filter(|(words, ..)| words.contains(&lower.as_str()));
                for (_, rule, instead) in rules {
                    say(rule, word, instead);
                }
                let rule = BEGINNINGS.iter().find(|(head, ..)| lower.starts_with(head));
                if let Some((_, rule, instead)) = rule {
                    say(rule, word, instead);
                }
                if lower == "update" && before.eq_ignore_ascii_case("for") {
                    let instead = "only one transaction changes the store at a time; a room takes its lock itself";
                    say("locks", "for update", instead);
                }
                before = word;
            }
            Piece::Parameter("?") => {
                say("parameters", "?", "number the parameters: `?1`, `?2` …");
            }
            Piece::Text(text) if !text.starts_with('\'') => {
                let instead = "give bytes as a value; names stand without quotes";
                say("literals", text, instead);
            }
            Piece::Sign(
                sign @ ('$' | ':' | '@' | '#' | '"' | '`' | '[' | ']' | '{' | '}' | ';' | '!'),
            ) => {
                let (rule, instead) = match sign {
                    '!' => ("forms", "write `<>`"),
                    ';' => ("forms", "say one statement at a time"),
                    ':' => (
                        "forms",
                        "write `cast(… as …)`, and number the parameters: `?1`",
                    ),
                    '"' | '`' | '[' | ']' => ("names", "names stand without quotes"),
                    _ => ("parameters", "number the parameters: `?1`, `?2` …"),
                };
                say(rule, &sign.to_string(), instead);
            }
            Piece::Parameter(_) | Piece::Text(_) | Piece::Sign(_) => {}
        }
    }
    found
}

fn pieces(sql: &str) -> Vec<Piece<'_>> {
    let mut all = Vec::new();
    let mut rest = sql;
    while let Some(first) = rest.chars().next() {
        let word = |c: char| c.is_alphanumeric() || c == '_';
        let length = if first == '\'' {
            text_length(rest)
        } else if first == '?' {
            1 + rest[1..].chars().take_while(char::is_ascii_digit).count()
        } else if word(first) {
            rest.find(|c| !word(c)).unwrap_or(rest.len())
        } else {
            first.len_utf8()
        };
        let (piece, behind) = rest.split_at(length);
        let is_prefix = word(first) && behind.starts_with('\'');
        let length = length + if is_prefix { text_length(behind) } else { 0 };
        let (whole, behind) = rest.split_at(length);
        all.push(match first {
            '\'' => Piece::Text(whole),
            '?' => Piece::Parameter(whole),
            _ if is_prefix => Piece::Text(whole),
            _ if word(first) => Piece::Word(piece),
            sign => Piece::Sign(sign),
        });
        rest = behind;
    }
    all
}

/// Length of the text that begins here; to the end if it has none.
fn text_length(text: &str) -> usize {
    let inner = &text[1..];
    inner.find('\'').map_or(text.len(), |end| end + 2)
}

/// The statement with parameters as the parser knows them: `$1`.
pub(super) fn with_dollars(sql: &str) -> String {
    let pieces = pieces(sql).into_iter();
    pieces.fold(String::new(), |mut all, piece| {
        match piece {
            Piece::Parameter(number) => all.push_str(&number.replace('?', "$")),
            Piece::Word(text) | Piece::Text(text) => all.push_str(text),
            Piece::Sign(sign) => all.push(sign),
        }
        all
    })
}
