use super::super::answer::ack;
use super::*;
use crate::config::AuthoritySettings;
use proptest::prelude::*;

fn arrival() -> Arrival<'static> {
    Arrival {
        source: "hl7:192.0.2.7",
        now: "2026-05-02T00:00:00Z".parse().unwrap(),
        // Two hours east, so that it is seen.
        local: |at| Some((at - TimeDelta::hours(2)).and_utc()),
    }
}

fn told(event: &str, rest: &str, settings: &Hl7Settings) -> Result<Vec<Statement>, Refused> {
    let text = format!(
        "MSH|^~\\&|ADT|CLINIC|||20260501120000||ADT^{event}^X|42|P|2.5.1\rEVN||20260501120000+0100\r{rest}"
    );
    statements(&Message::of(text.as_bytes()).unwrap(), settings, &arrival())
}

fn pairs(told: Result<Vec<Statement>, Refused>) -> Vec<String> {
    let name = |key: &PatientKey| format!("{}|{}", key.issuer, key.id);
    let all = told.unwrap().into_iter();
    all.map(|one| {
        let Pair { from, into } = &one.pair;
        format!("{} {} {}", one.act.word(), name(from), name(into))
    })
    .collect()
}

fn refused(event: &str, rest: &str) -> (&'static str, &'static str, String) {
    let refused = told(event, rest, &Hl7Settings::default()).unwrap_err();
    (refused.code, refused.problem.code().0, refused.place)
}

/// HL7 v2.5.1, 3.3.40: PID-3 survives, MRG-1 goes, and the two may repeat.
#[test]
fn a_merge_states_each_pair_of_its_groups() {
    let of = |rest: &str| pairs(told("A40", rest, &Hl7Settings::default()));
    assert_eq!(of("PID|||2^^^A\rMRG|1^^^A\r"), ["merge A|1 A|2"]);
    assert_eq!(
        of("PID|||2^^^A\rPD1|\rMRG|1^^^A\rPV1|\rPID|||4^^^A\rMRG|3^^^A\r"),
        ["merge A|1 A|2", "merge A|3 A|4"]
    );
    // Lists: each id goes to that of its own authority, of several to that of its type.
    assert_eq!(
        of("PID|||2^^^A~7^^^B\rMRG|6^^^B~1^^^A\r"),
        ["merge B|6 B|7", "merge A|1 A|2"]
    );
    assert_eq!(
        of("PID|||2^^^A^MR~7^^^A^PI\rMRG|6^^^A^PI\r"),
        ["merge A|6 A|7"]
    );
    // Another authority, and only one id that can be meant.
    assert_eq!(
        of("PID|||2^^^A\rMRG|1^^^B~0^^^A\r"),
        ["merge B|1 A|2", "merge A|0 A|2"]
    );
    assert_eq!(
        of("PID|||007^^^A&1.2.3&ISO\rMRG| 1 ^^^A\r"),
        ["merge A|1 A|007"]
    );
    assert_eq!(of("PID|||a\\T\\b^^^A\rMRG|1^^^A\r"), ["merge A|1 A|a&b"]);
}

#[test]
fn an_unlink_takes_back_in_both_directions() {
    let of = pairs(told(
        "A37",
        "PID|||1^^^A\rPID|||2^^^A\r",
        &Hl7Settings::default(),
    ));
    assert_eq!(of, ["unmerge A|1 A|2", "unmerge A|2 A|1"]);
    assert_eq!(
        refused("A37", "PID|||1^^^A\r"),
        ("AE", "100", "PID^1".into())
    );
    let three = "PID|||1^^^A\rPID|||2^^^A\rPID|||3^^^A\r";
    assert_eq!(refused("A37", three).1, "100");
}

#[test]
fn what_is_not_certain_is_refused_with_its_place() {
    let a40 = |rest: &str| refused("A40", rest);
    assert_eq!(a40(""), ("AE", "101", "PID^1".into()));
    assert_eq!(a40("PID|||2^^^A\r"), ("AE", "100", "PID^1".into()));
    assert_eq!(a40("MRG|1^^^A\r"), ("AE", "100", "MRG^1".into()));
    assert_eq!(a40("PID|||2^^^A\rPID|||3^^^A\rMRG|1^^^A\r").1, "100");
    assert_eq!(
        a40("PID|||2\rMRG|1^^^A\r"),
        ("AE", "101", "PID^1^3^1^4".into())
    );
    assert_eq!(a40("PID|||\rMRG|1^^^A\r"), ("AE", "101", "PID^1^3".into()));
    assert_eq!(
        a40("PID|||2^^^A\rMRG|^^^A\r"),
        ("AE", "101", "MRG^1^1^1^1".into())
    );
    assert_eq!(
        a40("PID|||2^^^A\rMRG|2^^^A\r"),
        ("AE", "204", "MRG^1^1".into())
    );
    assert_eq!(
        a40("PID|||2^^^A~3^^^A\rMRG|1^^^A\r"),
        ("AE", "204", "MRG^1^1^1".into())
    );
    assert_eq!(a40("PID|||2^^^&1.2&ISO\rMRG|1^^^A\r").1, "103");
    assert_eq!(
        a40("PID|||2\\Q\\^^^A\rMRG|1^^^A\r"),
        ("AE", "102", "PID^1^3^1^1".into())
    );
    // A group that is refused takes the ones before it along.
    assert_eq!(
        a40("PID|||2^^^A\rMRG|1^^^A\rPID|||4\rMRG|3^^^A\r").2,
        "PID^2^3^1^4"
    );
    assert_eq!(refused("A01", "").1, "201");
}

/// Every id costs the thread that writes for everybody, so a message names no more than a limit.
#[test]
fn a_message_with_too_many_ids_is_refused_at_the_first_one_too_many() {
    let list = |first: usize, count: usize| {
        let ids: Vec<String> = (first..first + count)
            .map(|id| format!("{id}^^^A"))
            .collect();
        ids.join("~")
    };
    let a40 = |goes: usize| format!("PID|||0^^^A\rMRG|{}\r", list(1, goes));
    let most = told("A40", &a40(IDS_MAX - 1), &Hl7Settings::default());
    assert_eq!(pairs(most).len(), IDS_MAX - 1);
    let more = told("A40", &a40(IDS_MAX), &Hl7Settings::default()).unwrap_err();
    let place = format!("MRG^1^1^{IDS_MAX}");
    assert_eq!((more.code, more.place), ("AE", place));
    assert!(more.says.contains("more than 200 ids"), "{}", more.says);
    // Over all groups together, and for an unlink as well.
    let groups: String = (0..IDS_MAX)
        .map(|group| format!("PID|||{group}^^^A\rMRG|x{group}^^^A\r"))
        .collect();
    let place = format!("PID^{}^3^1", IDS_MAX / 2 + 1);
    assert_eq!(refused("A40", &groups), ("AE", "102", place));
    let unlink = format!("PID|||{}\rPID|||0^^^A\r", list(1, IDS_MAX));
    assert_eq!(refused("A37", &unlink).2, format!("PID^1^3^{IDS_MAX}"));
}

#[test]
fn header_and_time_are_checked() {
    let of = |header: &str, event: &str| {
        let text = format!("{header}\r{event}\rPID|||2^^^A\rMRG|1^^^A\r");
        let message = Message::of(text.as_bytes()).unwrap();
        let told = statements(&message, &Hl7Settings::default(), &arrival());
        told.map(|all| all[0].stated_at.to_rfc3339())
            .map_err(|refused| (refused.code, refused.problem.code().0))
    };
    let header = |kind: &str, processing: &str, version: &str| {
        format!("MSH|^~\\&|||||20260501110000||{kind}|1|{processing}|{version}")
    };
    let good = header("ADT^A40", "P", "2.3.1");
    let told = |event: &str| of(&good, event);
    assert_eq!(
        told("EVN||20260501120000+0100"),
        Ok("2026-05-01T11:00:00+00:00".into())
    );
    assert_eq!(
        told("EVN||20260501120000.25-0130"),
        Ok("2026-05-01T13:30:00.250+00:00".into())
    );
    // Without a zone: that of the machine; without a time: the header's.
    assert_eq!(
        told("EVN||202605011200"),
        Ok("2026-05-01T10:00:00+00:00".into())
    );
    assert_eq!(
        told("EVN||20260501"),
        Ok("2026-04-30T22:00:00+00:00".into())
    );
    assert_eq!(told("EVN|A40"), Ok("2026-05-01T09:00:00+00:00".into()));
    for wrong in [
        "2026",
        "20261301",
        "2026050112000",
        "20260501250000",
        "20260501120000+01",
        "today",
        "20260501120000+",
    ] {
        let said = told(&format!("EVN||{wrong}"));
        assert!(
            said == Err(("AE", "102")) || wrong.ends_with('+') && said.is_err(),
            "{wrong} {said:?}"
        );
    }
    assert_eq!(told("EVN||20260601"), Err(("AE", "102")), "the future");
    assert_eq!(
        of(&header("ORU^R01", "P", "2.5"), "EVN"),
        Err(("AR", "200"))
    );
    assert_eq!(
        of(&header("ADT^A08", "P", "2.5"), "EVN"),
        Err(("AR", "201"))
    );
    assert_eq!(
        of(&header("ADT^A40", "T", "2.5"), "EVN"),
        Err(("AR", "202"))
    );
    assert_eq!(
        of(&header("ADT^A40", "P", "3.0"), "EVN"),
        Err(("AR", "203"))
    );
    assert_eq!(
        of("MSH|^~\\&|||||||ADT^A40|1|P|2.5", "EVN"),
        Err(("AE", "101"))
    );
}

#[test]
fn authorities_are_issuers_by_name_by_map_or_by_the_default_alone() {
    let one = |authority: &str, issuer: &str| AuthoritySettings {
        authority: authority.to_owned(),
        issuer: issuer.to_owned(),
    };
    let settings = Hl7Settings {
        default_issuer: "HOME".to_owned(),
        authority: vec![one("ADT-A", "A"), one("1.2.3", "UNI"), one("NONE", "")],
        ..Hl7Settings::default()
    };
    let of = |pid: &str| {
        pairs(told(
            "A40",
            &format!("PID|||2{pid}\rMRG|1^^^X\r"),
            &settings,
        ))
    };
    assert_eq!(of("^^^ADT-A"), ["merge X|1 A|2"]);
    assert_eq!(of("^^^B"), ["merge X|1 B|2"]);
    assert_eq!(of("^^^&1.2.3&ISO"), ["merge X|1 UNI|2"]);
    assert_eq!(of("^^^NONE"), ["merge X|1 |2"]);
    assert_eq!(of(""), ["merge X|1 HOME|2"]);
}

#[test]
fn an_acknowledgement_goes_back_the_way_and_says_what_is_wrong() {
    let text = "MSH|^~\\&|ADT&1.2&ISO|CLINIC|US|HERE|||ADT^A40|a\\T\\b|P|2.5.1\r";
    let message = Message::of(text.as_bytes()).unwrap();
    let now = arrival().now;
    let good = ack(&message, None, now);
    assert!(good.starts_with("MSH|^~\\&|US|HERE|ADT"), "{good}");
    assert!(
        good.contains("|ACK^A40^ACK|") && good.ends_with("MSA|AA|a\\T\\b\r"),
        "{good}"
    );
    let refused = Refused::error(Problem::FieldMissing, "PID^1^3", "a|b");
    let bad = ack(&message, Some(&refused), now);
    let end = "MSA|AE|a\\T\\b\rERR||PID^1^3|101^Required field missing^HL70357|E||||a\\F\\b\r";
    assert!(bad.ends_with(end), "{bad}");
}

proptest! {
    /// Whatever comes behind a header: no panic, and an answer that can be read.
    #[test]
    fn any_message_is_answered(
        rest in "([A-Z]{3}|PID|MRG|EVN|[|^~&\\\\]|\r|[0-9]{1,4}|.){0,60}",
        kind in "ADT\\^A40|ADT\\^A37|[A-Z^]{0,8}",
    ) {
        let text = format!("MSH|^~\\&|||||20260501||{kind}|1|P|2.5\r{rest}");
        let message = Message::of(text.as_bytes()).unwrap();
        let told = statements(&message, &Hl7Settings::default(), &arrival());
        let answer = ack(&message, told.as_ref().err(), arrival().now);
        let read = sheathline_net::hl7::ack::Ack::read(answer.as_bytes(), "1").unwrap();
        prop_assert_eq!(read.code == sheathline_net::hl7::ack::Code::Taken, told.is_ok());
    }
}
