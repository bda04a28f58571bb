//! The form that a server gives the parameters of a statement.

use std::borrow::Cow;

/// A statement with `$1` for `?1`, outside of texts, names in quotes and remarks.
pub(super) fn numbered(sql: &str) -> Cow<'_, str> {
    if !sql.contains('?') {
        return Cow::Borrowed(sql);
    }
    let mut out = String::with_capacity(sql.len());
    let mut rest = sql;
    while let Some(at) = rest.find(['?', '\'', '"', '-']) {
        let (before, from) = rest.split_at(at);
        out.push_str(before);
        let quoted = |mark: char| {
            // A mark that is doubled inside ends one text and begins the next: that is the same.
            let end = from.get(1..).and_then(|inside| inside.find(mark));
            end.map_or(from.len(), |end| end + 2)
        };
        let length = match from.as_bytes() {
            [b'?', digit, ..] if digit.is_ascii_digit() => {
                out.push('$');
                rest = from.get(1..).unwrap_or_default();
                continue;
            }
            [b'\'', ..] => quoted('\''),
            [b'"', ..] => quoted('"'),
            [b'-', b'-', ..] => from.find('\n').unwrap_or(from.len()),
            _ => 1,
        };
        let (this, after) = from.split_at(length);
        out.push_str(this);
        rest = after;
    }
    out.push_str(rest);
    Cow::Owned(out)
}

/// Whether a statement reads and does nothing else.
pub(super) fn only_reads(sql: &str) -> bool {
    let mut words = sql
        .split(|c: char| !(c.is_ascii_alphanumeric() || c == '_'))
        .filter(|word| !word.is_empty());
    match words.next().map(str::to_ascii_lowercase).as_deref() {
        Some("select" | "values") => true,
        // What stands inside may change something all the same.
        Some("with") => words.all(|word| {
            !["insert", "update", "delete", "merge"]
                .iter()
                .any(|change| word.eq_ignore_ascii_case(change))
        }),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parameters_get_their_form_and_nothing_else_does() {
        for (ours, theirs) in [
            ("select 1", "select 1"),
            ("select ?1, ?12", "select $1, $12"),
            ("select '?1', ?1", "select '?1', $1"),
            ("select 'o''?1' || ?1", "select 'o''?1' || $1"),
            (
                "select \"?1\" from a where b = ?1",
                "select \"?1\" from a where b = $1",
            ),
            ("select 1 -- ?1\n + ?1", "select 1 -- ?1\n + $1"),
            ("select 2 - ?1", "select 2 - $1"),
            ("select '?1", "select '?1"),
            ("select 'é?1' || ?1 || 'ü'", "select 'é?1' || $1 || 'ü'"),
        ] {
            assert_eq!(numbered(ours), theirs);
        }
    }

    #[test]
    fn what_changes_something_does_not_only_read() {
        for (sql, reads) in [
            ("select 1", true),
            ("  \n SELECT 1", true),
            ("with a as (select 1) select * from a", true),
            (
                "with a as (delete from b returning c) select * from a",
                false,
            ),
            ("insert into a values (1) returning b", false),
            ("update a set b = 1", false),
            ("", false),
        ] {
            assert_eq!(only_reads(sql), reads, "{sql}");
        }
    }
}
