//! Observation DateTime as a moment.

use crate::domain::Moment;
use chrono::{NaiveDate, NaiveTime};

/// Reads a DT value (PS3.5 table 6.2-1), `YYYYMMDDHHMMSS.FFFFFF&ZZXX`, given at least to the day.
/// `default_offset_s` is the document's offset from UTC, used where the value has none.
#[must_use]
pub fn parse(text: &str, default_offset_s: Option<i32>) -> Option<Moment> {
    let text = text.trim();
    let (clock, offset) = match text.find(['+', '-']) {
        None => (text, default_offset_s),
        Some(at) => {
            let (clock, zone) = text.split_at_checked(at)?;
            (clock, Some(offset(zone)?))
        }
    };
    let (digits, fraction) = clock.split_once('.').unwrap_or((clock, ""));
    let all_digits = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
    if !all_digits(digits) || !all_digits(fraction) || fraction.len() > 6 {
        return None;
    }
    let part = |from: usize, to: usize| digits.get(from..to)?.parse::<u32>().ok();
    if !matches!(digits.len(), 8 | 10 | 12 | 14) {
        return None;
    }
    let year = i32::try_from(part(0, 4)?).ok()?;
    let date = NaiveDate::from_ymd_opt(year, part(4, 6)?, part(6, 8)?)?;
    // A leap second, 60, is as good as the second before it.
    let second = part(12, 14).unwrap_or(0);
    let second = if second == 60 { 59 } else { second };
    let micro = format!("{fraction:0<6}").parse().ok()?;
    let hour = part(8, 10).unwrap_or(0);
    let time = NaiveTime::from_hms_micro_opt(hour, part(10, 12).unwrap_or(0), second, micro)?;
    Some(Moment {
        local: date.and_time(time),
        offset_s: offset,
    })
}

/// `&ZZXX`: sign, hours, minutes.
fn offset(zone: &str) -> Option<i32> {
    let sign = if zone.starts_with('-') { -1 } else { 1 };
    let digits = zone.get(1..)?;
    if digits.len() != 4 || !digits.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let number: i32 = digits.parse().ok()?;
    let (hours, minutes) = (number / 100, number % 100);
    (hours <= 14 && minutes < 60).then_some(sign * (hours * 3600 + minutes * 60))
}
