//! A CSV table (RFC 4180) of statements about ids, for sites without HL7.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use sheathline_model::domain::PatientKey;
use sheathline_model::identity::{Act, Pair, Statement};
use sheathline_store::identity::Recorded;

const COLUMNS: [&str; 7] = [
    "act",
    "from_issuer",
    "from_id",
    "into_issuer",
    "into_id",
    "decided_at",
    "why",
];

/// Rows of a table. They are stored in one change, and whoever sends waits for it.
const ROWS_MAX: usize = 20_000;

/// Reads a table. A date without a time means the beginning of that day, UTC. What is decided at no
/// time is a mistake: read again, the same table must say the same.
///
/// # Errors
/// Every mistake, with its line.
pub(super) fn read(text: &str, who: &str) -> Result<Vec<Recorded>, Vec<String>> {
    // Of lines that end in CR LF the reader counts one too few.
    let text = text.replace("\r\n", "\n");
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let (mut all, mut mistakes) = (Vec::new(), Vec::new());
    match reader.headers() {
        Ok(names)
            if names
                .iter()
                .map(|name| name.trim_start_matches('\u{feff}'))
                .eq(COLUMNS) => {}
        Ok(_) => {
            return Err(vec![format!(
                "1: the first line must be {}",
                COLUMNS.join(",")
            )]);
        }
        Err(error) => return Err(vec![format!("1: {error}")]),
    }
    for record in reader.records() {
        match record {
            Ok(record) => {
                let line = record.position().map_or(0, csv::Position::line);
                if all.len() + mistakes.len() == ROWS_MAX {
                    let what = format!("more than {ROWS_MAX} rows; split the table");
                    mistakes.push(format!("{line}: {what}"));
                    break;
                }
                match row(&record, who) {
                    Ok(one) => all.push(one),
                    Err(what) => mistakes.push(format!("{line}: {what}")),
                }
            }
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line);
                mistakes.push(format!("{line}: no good CSV: {error}"));
            }
        }
    }
    if mistakes.is_empty() {
        Ok(all)
    } else {
        Err(mistakes)
    }
}

fn row(record: &csv::StringRecord, who: &str) -> Result<Recorded, String> {
    let fields: Vec<&str> = record.iter().collect();
    let [
        act,
        from_issuer,
        from_id,
        into_issuer,
        into_id,
        decided_at,
        why,
    ] = *fields.as_slice()
    else {
        return Err(format!(
            "{} fields instead of {}",
            fields.len(),
            COLUMNS.len()
        ));
    };
    let key = |issuer: &str, id: &str, name: &str| match id {
        "" => Err(format!("{name} is empty")),
        id => Ok(PatientKey {
            issuer: issuer.to_owned(),
            id: id.to_owned(),
        }),
    };
    let pair = Pair {
        from: key(from_issuer, from_id, "from_id")?,
        into: key(into_issuer, into_id, "into_id")?,
    };
    if pair.from == pair.into {
        return Err("both ids are the same".to_owned());
    }
    let act = Act::of_word(act).ok_or_else(|| format!("act is {act:?}; write merge or unmerge"))?;
    let stated_at = time(decided_at).ok_or_else(|| {
        format!("decided_at is {decided_at:?}; write 2026-03-31 or 2026-03-31T14:05:00+02:00")
    })?;
    Ok(Recorded {
        statement: Statement {
            pair,
            act,
            stated_at,
            source: "table".to_owned(),
        },
        message: String::new(),
        who: who.to_owned(),
        why: why.to_owned(),
    })
}

fn time(text: &str) -> Option<DateTime<Utc>> {
    if let Ok(time) = DateTime::parse_from_rfc3339(text) {
        return Some(time.with_timezone(&Utc));
    }
    let date: NaiveDate = text.parse().ok()?;
    Some(date.and_time(NaiveTime::MIN).and_utc())
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "act,from_issuer,from_id,into_issuer,into_id,decided_at,why\n";

    #[test]
    fn a_table_is_read_with_quotes_and_both_kinds_of_time() {
        let text = format!(
            "{HEAD}merge,A,1,A,2,2026-03-31,\"twice, by mistake\"\nunmerge,,007,A,2,2026-03-31T14:05:00+02:00,\n"
        );
        let all = read(&text, "somebody").unwrap();
        assert_eq!(all[0].why, "twice, by mistake");
        assert_eq!(
            all[0].statement.stated_at.to_rfc3339(),
            "2026-03-31T00:00:00+00:00"
        );
        assert_eq!(all[1].statement.pair.from.id, "007");
        assert_eq!(
            all[1].statement.stated_at.to_rfc3339(),
            "2026-03-31T12:05:00+00:00"
        );
    }

    #[test]
    fn lines_are_counted_as_an_editor_counts_them_however_they_end() {
        let text = format!("{HEAD}merge,A,1,A,2,2026-03-31,x\nmerge,A,1,A,2,never,x\n");
        for text in [text.clone(), text.replace('\n', "\r\n")] {
            let mistakes = read(&text, "somebody").unwrap_err();
            assert!(mistakes[0].starts_with("3: "), "{mistakes:?}");
        }
    }

    #[test]
    fn every_mistake_is_told_with_its_line() {
        let text = format!(
            "{HEAD}join,A,1,A,2,2026-03-31,\nmerge,A,1,A,2,31.3.2026,\nmerge,A,,A,2,2026-03-31,\n\
             merge,A,2,A,2,2026-03-31,\nmerge,A,1\nmerge,A,1,A,2,2026-03-31,good\n"
        );
        let mistakes = read(&text, "").unwrap_err();
        let starts = [
            "2: act",
            "3: decided_at",
            "4: from_id",
            "5: both",
            "6: 3 fields",
        ];
        assert_eq!(mistakes.len(), starts.len(), "{mistakes:?}");
        for (mistake, start) in mistakes.iter().zip(starts) {
            assert!(mistake.starts_with(start), "{mistake}");
        }
        assert!(read("from,into\n1,2\n", "").unwrap_err()[0].starts_with("1: the first line"));
    }

    #[test]
    fn a_table_of_too_many_rows_is_refused_with_the_limit() {
        let row = "merge,A,1,A,2,2026-03-31,\n";
        let whole = format!("{HEAD}{}", row.repeat(ROWS_MAX));
        assert_eq!(read(&whole, "").unwrap().len(), ROWS_MAX);
        let mistakes = read(&format!("{whole}{row}{row}"), "").unwrap_err();
        assert_eq!(mistakes, ["20002: more than 20000 rows; split the table"]);
    }
}
