//! What a message of the patient administration states about ids. Pure.
//!
//! Taken are ADT^A40 (merge patient, structure ADT_A39: for each PID one MRG) and ADT^A37 (unlink, two
//! PID), HL7 v2.5.1 3.3.40 and 3.3.37. A message is taken whole or not at all, and no id in it is
//! guessed at.

use super::answer::{Problem, Refused};
use crate::config::Hl7Settings;
use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Utc};
use sheathline_model::domain::PatientKey;
use sheathline_model::identity::{Act, Pair, Statement};
use sheathline_net::hl7::{Message, Part, Segment};

/// How far ahead of our clock a decision may be: a merge from the future could not be taken back.
const AHEAD_MAX: TimeDelta = TimeDelta::days(1);

/// Ids that one message may name, all its PID-3 and MRG-1 together. One patient has a handful, one for
/// each authority; every id beyond costs the thread that writes for everybody.
pub(super) const IDS_MAX: usize = 200;

/// Where and when a message arrived.
pub(super) struct Arrival<'a> {
    /// `hl7:` and the address of the sender.
    pub(super) source: &'a str,
    pub(super) now: DateTime<Utc>,
    /// UTC of a time that names no zone: that of this machine.
    pub(super) local: fn(NaiveDateTime) -> Option<DateTime<Utc>>,
}

/// One id with what tells it from others of its list.
struct Cx {
    key: PatientKey,
    kind: String,
}

/// The statements of a message.
pub(super) fn statements(
    message: &Message<'_>,
    settings: &Hl7Settings,
    arrival: &Arrival<'_>,
) -> Result<Vec<Statement>, Refused> {
    let header = message.header();
    let (kind, event) = (header.field(9).component(1), header.field(9).component(2));
    if !kind.is("ADT") {
        let says = "only ADT messages are taken here";
        return Err(Refused::reject(Problem::MessageType, "MSH^1^9^1^1", says));
    }
    if !event.is("A40") && !event.is("A37") {
        let says = "only the events A40 (merge) and A37 (unlink) are taken here";
        return Err(Refused::reject(Problem::EventCode, "MSH^1^9^1^2", says));
    }
    if !header.field(11).component(1).is("P") {
        let says = "only production messages (P) may join patients";
        return Err(Refused::reject(Problem::ProcessingId, "MSH^1^11", says));
    }
    let version = header.field(12).component(1).words(8);
    if version != "2" && !version.starts_with("2.") {
        let says = "only versions 2.x are taken here";
        return Err(Refused::reject(Problem::VersionId, "MSH^1^12", says));
    }
    let stated_at = decided(message, arrival)?;
    let statement = |act: Act, from: &PatientKey, into: &PatientKey| Statement {
        pair: Pair {
            from: from.clone(),
            into: into.clone(),
        },
        act,
        stated_at,
        source: arrival.source.to_owned(),
    };
    if event.is("A40") {
        let pairs = merged(message, settings)?;
        let merges = pairs.iter();
        Ok(merges
            .map(|(from, into)| statement(Act::Merge, from, into))
            .collect())
    } else {
        let pairs = unlinked(message, settings)?;
        // An unlink does not say which id had survived.
        let both = pairs.iter().flat_map(|(one, other)| {
            let there = statement(Act::Unmerge, one, other);
            [there, statement(Act::Unmerge, other, one)]
        });
        Ok(both.collect())
    }
}

/// EVN-2, else MSH-7.
fn decided(message: &Message<'_>, arrival: &Arrival<'_>) -> Result<DateTime<Utc>, Refused> {
    let event = message.segment("EVN").map(|event| event.field(2));
    let (part, place) = match event.filter(|at| !at.is_empty()) {
        Some(at) => (at, "EVN^1^2"),
        None => (message.header().field(7), "MSH^1^7"),
    };
    if part.is_empty() {
        let says = "neither EVN-2 nor MSH-7 says when this was decided";
        return Err(Refused::error(Problem::FieldMissing, "EVN^1^2", says));
    }
    let at = part.component(1).text().ok();
    let at = at.and_then(|text| time(text.trim(), arrival.local));
    match at {
        None => Err(Refused::error(Problem::DataType, place, "this is no time")),
        Some(at) if at > arrival.now + AHEAD_MAX => {
            let says = "this time is more than a day ahead of our clock";
            Err(Refused::error(Problem::DataType, place, says))
        }
        Some(at) => Ok(at),
    }
}

/// TS: `YYYYMMDD[HH[MM[SS[.S…]]]][+/-ZZZZ]` (HL7 v2.5.1, 2.A.22).
fn time(text: &str, local: fn(NaiveDateTime) -> Option<DateTime<Utc>>) -> Option<DateTime<Utc>> {
    let (stamp, zone) = match text.find(['+', '-']) {
        Some(at) => text.split_at_checked(at)?,
        None => (text, ""),
    };
    let (whole, fraction) = stamp.split_once('.').unwrap_or((stamp, ""));
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if !digits(whole) || !digits(fraction) || (!fraction.is_empty() && whole.len() != 14) {
        return None;
    }
    let date = NaiveDate::parse_from_str(whole.get(..8)?, "%Y%m%d").ok()?;
    let two = |from: usize| -> Option<u32> {
        match whole.len() {
            length if length <= from => Some(0),
            _ => whole.get(from..from + 2)?.parse().ok(),
        }
    };
    if whole.len() > 14 {
        return None;
    }
    let micros: String = fraction.chars().chain("000000".chars()).take(6).collect();
    let time = NaiveTime::from_hms_micro_opt(two(8)?, two(10)?, two(12)?, micros.parse().ok()?)?;
    let at = date.and_time(time);
    if zone.is_empty() {
        return local(at);
    }
    let (sign, zone) = zone.split_at_checked(1)?;
    if zone.len() != 4 || !digits(zone) {
        return None;
    }
    let part =
        |range: std::ops::Range<usize>| zone.get(range).and_then(|part| part.parse::<i32>().ok());
    let (hours, minutes) = (part(0..2)?, part(2..4)?);
    let seconds = (hours * 60 + minutes) * 60;
    let offset = FixedOffset::east_opt(if sign == "-" { -seconds } else { seconds })?;
    let at = at.and_local_timezone(offset).single()?;
    Some(at.with_timezone(&Utc))
}

/// An id that goes and the one that survives.
type Ids = (PatientKey, PatientKey);

fn merged(message: &Message<'_>, settings: &Hl7Settings) -> Result<Vec<Ids>, Refused> {
    let mut pairs = Vec::new();
    let mut open: Option<Segment<'_>> = None;
    let mut group = 0;
    let mut room = IDS_MAX;
    let without = |group| {
        let says = "this PID has no MRG behind it";
        Refused::error(Problem::Sequence, format!("PID^{group}"), says)
    };
    for segment in message.segments() {
        if segment.is("PID") {
            if open.is_some() {
                return Err(without(group));
            }
            group += 1;
            open = Some(segment);
        } else if segment.is("MRG") {
            let Some(pid) = open.take() else {
                let says = "this MRG has no PID before it";
                return Err(Refused::error(
                    Problem::Sequence,
                    format!("MRG^{}", group + 1),
                    says,
                ));
            };
            let into = ids(pid.field(3), &format!("PID^{group}^3"), settings, &mut room)?;
            let place = format!("MRG^{group}^1");
            for (at, from) in (1..).zip(ids(segment.field(1), &place, settings, &mut room)?) {
                let into = partner(&from, &into, &format!("{place}^{at}"))?;
                if from.key != into.key {
                    pairs.push((from.key, into.key.clone()));
                }
            }
        }
    }
    match (open, group) {
        (Some(_), group) => Err(without(group)),
        (None, 0) => {
            let says = "there is no PID with an MRG";
            Err(Refused::error(Problem::FieldMissing, "PID^1", says))
        }
        (None, _) if pairs.is_empty() => {
            let says = "PID-3 and MRG-1 name the same id";
            Err(Refused::error(Problem::UnknownKey, "MRG^1^1", says))
        }
        (None, _) => Ok(pairs),
    }
}

fn unlinked(message: &Message<'_>, settings: &Hl7Settings) -> Result<Vec<Ids>, Refused> {
    let pids: Vec<Segment<'_>> = message
        .segments()
        .filter(|one| one.is("PID"))
        .take(3)
        .collect();
    let [one, other] = pids.as_slice() else {
        let says = "an unlink has exactly two PID";
        return Err(Refused::error(Problem::Sequence, "PID^1", says));
    };
    let mut room = IDS_MAX;
    let others = ids(other.field(3), "PID^2^3", settings, &mut room)?;
    let mut pairs = Vec::new();
    for (at, id) in (1..).zip(ids(one.field(3), "PID^1^3", settings, &mut room)?) {
        let other = partner(&id, &others, &format!("PID^1^3^{at}"))?;
        if id.key != other.key {
            pairs.push((id.key, other.key.clone()));
        }
    }
    if !pairs.is_empty() {
        Ok(pairs)
    } else {
        let says = "both PID name the same id";
        Err(Refused::error(Problem::UnknownKey, "PID^2^3", says))
    }
}

/// Which id of a list belongs to `one`: that of the same authority, of several the one of the same
/// type (CX.5), or the only one there is.
fn partner<'c>(one: &Cx, list: &'c [Cx], place: &str) -> Result<&'c Cx, Refused> {
    let same: Vec<&Cx> = list
        .iter()
        .filter(|other| other.key.issuer == one.key.issuer)
        .collect();
    let of_kind = || {
        let of_kind: Vec<&Cx> = same
            .iter()
            .copied()
            .filter(|two| two.kind == one.kind)
            .collect();
        match of_kind.as_slice() {
            [only] => Some(*only),
            _ => None,
        }
    };
    let found = match (same.as_slice(), list) {
        ([only], _) => Some(*only),
        ([], [only]) => Some(only),
        _ => of_kind(),
    };
    found.ok_or_else(|| {
        let says = "it is not certain which id of the other list belongs to this one";
        Refused::error(Problem::UnknownKey, place, says)
    })
}

/// The ids of a field of CX. `room` is how many more the message may name.
fn ids(
    field: Part<'_>,
    place: &str,
    settings: &Hl7Settings,
    room: &mut usize,
) -> Result<Vec<Cx>, Refused> {
    let mut ids = Vec::new();
    for (at, one) in (1..).zip(field.repetitions()) {
        let place = format!("{place}^{at}");
        let text = |number: usize| {
            let text = one.component(number).subcomponent(1).text();
            text.map_err(|error| {
                let says = error.to_string();
                Refused::error(Problem::DataType, format!("{place}^{number}"), says)
            })
        };
        if one.is_empty() {
            continue;
        }
        *room = room.checked_sub(1).ok_or_else(|| {
            let says = format!(
                "with this repetition the message names more than {IDS_MAX} ids; send it in several messages"
            );
            Refused::error(Problem::DataType, &place, says)
        })?;
        let id = text(1)?.trim().to_owned();
        if id.is_empty() {
            let says = "this repetition has no id";
            return Err(Refused::error(
                Problem::FieldMissing,
                format!("{place}^1"),
                says,
            ));
        }
        ids.push(Cx {
            key: PatientKey {
                issuer: issuer(one.component(4), &place, settings)?,
                id,
            },
            kind: text(5)?,
        });
    }
    if !ids.is_empty() {
        Ok(ids)
    } else {
        let says = "this field has no id";
        Err(Refused::error(Problem::FieldMissing, place, says))
    }
}

/// The issuer that an assigning authority (HD) is.
fn issuer(authority: Part<'_>, place: &str, settings: &Hl7Settings) -> Result<String, Refused> {
    let place = format!("{place}^4");
    let text = |number| {
        let text = authority.subcomponent(number).text();
        let text = text.map(|text| text.trim().to_owned());
        text.map_err(|error| Refused::error(Problem::DataType, &place, error.to_string()))
    };
    let mapped = |name: &str| {
        let mut all = settings.authority.iter();
        let found = all.find(|one| one.authority == name && !name.is_empty());
        found.map(|one| one.issuer.clone())
    };
    let (namespace, universal) = (text(1)?, text(2)?);
    let found = match (namespace.as_str(), universal.as_str()) {
        ("", "") => Some(settings.default_issuer.clone()).filter(|issuer| !issuer.is_empty()),
        ("", universal) => mapped(universal),
        (namespace, _) => mapped(namespace).or_else(|| Some(namespace.to_owned())),
    };
    found.ok_or_else(|| {
        if universal.is_empty() {
            Refused::error(
                Problem::FieldMissing,
                place,
                "this id has no assigning authority and [receive.hl7] default_issuer is empty",
            )
        } else {
            Refused::error(
                Problem::TableValue,
                place,
                "no [[receive.hl7.authority]] says which issuer this universal id is",
            )
        }
    })
}

#[cfg(test)]
mod tests;
