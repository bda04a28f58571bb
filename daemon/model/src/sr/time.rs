//! Dates and times as DICOM writes them (PS3.5 table 6.2-1).
//!
//! A truncated time is read as its first instant, a date and time only when the day is whole:
//! a year or a month is no day. The older forms `YYYY.MM.DD` and `HH:MM:SS`, which PS3.5 asks
//! readers to accept, are accepted. Padding around a value is not part of it.

use crate::domain::Moment;
use chrono::{NaiveDate, NaiveTime};

/// DA: `YYYYMMDD`.
#[must_use]
pub fn date(text: &str) -> Option<NaiveDate> {
    let text = bare(text);
    match text.len() {
        8 => day(text),
        10 => {
            let (year, rest) = text.split_once('.')?;
            let (month, date) = rest.split_once('.')?;
            (year.len() == 4 && month.len() == 2).then_some(())?;
            NaiveDate::from_ymd_opt(year_number(year)?, number(month)?, number(date)?)
        }
        _ => None,
    }
}

/// TM: `HH`, `HHMM`, `HHMMSS` or `HHMMSS.F` with 1 to 6 digits; 60 is a leap second.
#[must_use]
pub fn time(text: &str) -> Option<NaiveTime> {
    let text = bare(text);
    if text.contains(':') {
        let parts: Vec<&str> = text.split(':').collect();
        let two = |part: &&str| part.split('.').next().is_some_and(|whole| whole.len() == 2);
        let whole = parts.len() <= 3 && parts.iter().all(two);
        return whole.then(|| clock(&parts.concat()))?;
    }
    clock(text)
}

/// Timezone Offset From UTC: `+HHMM` or `-HHMM` from -1200 to +1400, in seconds. `-0000` is
/// not allowed.
#[must_use]
pub fn offset_s(text: &str) -> Option<i32> {
    let text = bare(text);
    let (sign, digits) = match text.split_at_checked(1)? {
        ("+", digits) => (1, digits),
        ("-", digits) => (-1, digits),
        _ => return None,
    };
    let (hours, minutes) = digits.split_at_checked(2)?;
    (minutes.len() == 2).then_some(())?;
    let hours = i32::try_from(number(hours)?).ok()?;
    let minutes = i32::try_from(number(minutes)?).ok()?;
    (minutes < 60).then_some(())?;
    let offset = sign * (hours * 3600 + minutes * 60);
    let allowed = (-12 * 3600..=14 * 3600).contains(&offset) && (sign > 0 || offset != 0);
    allowed.then_some(offset)
}

/// DT: `YYYYMMDDHHMMSS.FFFFFF&ZZXX`, truncated no further than the day.
///
/// `default_offset_s` counts where the text has no offset of its own. `None` for anything that
/// names no day, or is malformed in any part.
#[must_use]
pub fn moment_from_dt(text: &str, default_offset_s: Option<i32>) -> Option<Moment> {
    let text = bare(text);
    let (stamp, own) = match text.find(['+', '-']) {
        Some(at) => {
            let (stamp, own) = text.split_at_checked(at)?;
            (stamp, Some(offset_s(own)?))
        }
        None => (text, None),
    };
    let (date, rest) = stamp.split_at_checked(8)?;
    let time = if rest.is_empty() {
        NaiveTime::MIN
    } else {
        clock(rest)?
    };
    Some(Moment {
        local: day(date)?.and_time(time),
        offset_s: own.or(default_offset_s),
    })
}

/// Whether a DT names a day and no time.
#[must_use]
pub fn is_day_only(text: &str) -> bool {
    let text = bare(text);
    text.find(['+', '-']).unwrap_or(text.len()) == 8
}

fn bare(text: &str) -> &str {
    text.trim_matches([' ', '\0'])
}

fn day(text: &str) -> Option<NaiveDate> {
    let (year, rest) = text.split_at_checked(4)?;
    let (month, date) = rest.split_at_checked(2)?;
    NaiveDate::from_ymd_opt(year_number(year)?, number(month)?, number(date)?)
}

fn year_number(text: &str) -> Option<i32> {
    i32::try_from(number(text)?).ok().filter(|&year| year > 0)
}

/// `HH[MM[SS[.F]]]`; a fraction needs its seconds.
fn clock(text: &str) -> Option<NaiveTime> {
    let (whole, fraction) = match text.split_once('.') {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (text, None),
    };
    let part = |at: usize| whole.get(at..at + 2).map_or(Some(0), number);
    let known = matches!(whole.len(), 2 | 4) && fraction.is_none() || whole.len() == 6;
    known.then_some(())?;
    let nanos = match fraction {
        None => 0,
        Some(digits) if (1..=6).contains(&digits.len()) => {
            number(digits)? * 10_u32.pow(9 - u32::try_from(digits.len()).ok()?)
        }
        Some(_) => return None,
    };
    match part(4)? {
        // Written by chrono as second 59 and more than a second of nanoseconds.
        60 => NaiveTime::from_hms_nano_opt(part(0)?, part(2)?, 59, 1_000_000_000 + nanos),
        second => NaiveTime::from_hms_nano_opt(part(0)?, part(2)?, second, nanos),
    }
}

/// Digits only: `parse` alone would take a sign.
fn number(text: &str) -> Option<u32> {
    text.bytes()
        .all(|byte| byte.is_ascii_digit())
        .then(|| text.parse().ok())?
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PS3.5 table 6.2-1, DA.
    #[test]
    fn dates() {
        for (text, expected) in [
            ("19930822", Some("1993-08-22")),
            ("1993.08.22", Some("1993-08-22")),
            ("20240229 ", Some("2024-02-29")),
            ("20240229\0", Some("2024-02-29")),
            ("20230229", None),
            ("20241301", None),
            ("202405", None),
            ("2024-5-1", None),
            ("1993.8.221", None),
            ("+9930822", None),
            ("00000101", None),
            ("1993082é", None),
            ("", None),
        ] {
            assert_eq!(
                date(text).map(|d| d.to_string()).as_deref(),
                expected,
                "{text:?}"
            );
        }
    }

    /// PS3.5 table 6.2-1, TM: "070907.0705" and "1010" are its examples, "021" its counterexample.
    #[test]
    fn times() {
        for (text, expected) in [
            ("070907.0705 ", Some("07:09:07.070500")),
            ("1010", Some("10:10:00")),
            ("021", None),
            ("07", Some("07:00:00")),
            ("235960", Some("23:59:60")),
            ("235960.5", Some("23:59:60.500")),
            ("235961", None),
            ("240000", None),
            ("1260", None),
            ("101112.", None),
            ("101112.1234567", None),
            ("1011.5", None),
            ("10:11:12.5", Some("10:11:12.500")),
            ("1:011:12", None),
            ("-10101", None),
            ("", None),
        ] {
            assert_eq!(
                time(text).map(|t| t.to_string()).as_deref(),
                expected,
                "{text:?}"
            );
        }
    }

    /// PS3.5 table 6.2-1, DT: range -1200 to +1400, -0000 excluded.
    #[test]
    fn offsets() {
        for (text, expected) in [
            ("+0000", Some(0)),
            ("-0500", Some(-18_000)),
            ("+0530", Some(19_800)),
            ("+1400", Some(50_400)),
            ("-1200 ", Some(-43_200)),
            ("+1401", None),
            ("-1201", None),
            ("-0000", None),
            ("+0060", None),
            ("0100", None),
            ("+100", None),
            ("+01:00", None),
        ] {
            assert_eq!(offset_s(text), expected, "{text:?}");
        }
    }

    /// PS3.5 table 6.2-1, DT: "195308" is its example of a truncated value, which names no day.
    #[test]
    fn moments() {
        for (text, default, expected) in [
            ("20240501101200", None, Some("2024-05-01T10:12:00")),
            (
                "20240501101200.25+0200",
                None,
                Some("2024-05-01T10:12:00.250+02:00"),
            ),
            (
                "20240501101200-0330",
                Some(7200),
                Some("2024-05-01T10:12:00-03:30"),
            ),
            ("2024050110", Some(7200), Some("2024-05-01T10:00:00+02:00")),
            ("20240501", None, Some("2024-05-01T00:00:00")),
            ("20240501+0100", None, Some("2024-05-01T00:00:00+01:00")),
            ("19530827111300.0 ", None, Some("1953-08-27T11:13:00")),
            ("195308", None, None),
            ("1953", None, None),
            ("20240501101200+9900", None, None),
            ("202405011012001", None, None),
            ("20240501-", None, None),
            ("+0100", None, None),
        ] {
            let got = moment_from_dt(text, default).map(|m| m.to_string());
            assert_eq!(got.as_deref(), expected, "{text:?}");
        }
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in "\\PC{0,40}", digits in "[0-9.:+-]{0,26}") {
            for text in [text, digits] {
                let _ = (date(&text), time(&text), moment_from_dt(&text, None));
            }
        }
    }
}
