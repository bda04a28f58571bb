use super::*;
use roxmltree::{Document, Node as Found};
use sheathline_model::domain::Source;

fn node() -> Node {
    Node {
        ae_title: "SHEATHLINE".into(),
        process: 7,
    }
}

fn written(event: &Event) -> String {
    let at = "2026-05-01T10:12:00Z".parse().expect("a time");
    message(&node(), at, event).expect("written")
}

fn facts() -> Facts {
    Facts {
        patient: Some(PatientKey {
            issuer: "CLINIC".into(),
            id: "P<1> & \"x\"\n\0".into(),
        }),
        study: Some("2.25.1".into()),
        instance: Some("2.25.2".into()),
        number: Some("12".into()),
    }
}

fn received(source: Source) -> Event {
    Event::Received {
        source,
        is_repeat: false,
        outcome: Outcome::Minor("kept in quarantine"),
        facts: facts(),
    }
}

fn queried(archive: Receiver, question: Question) -> Event {
    Event::Queried {
        archive,
        user: "uid 1000".into(),
        question,
    }
}

fn codes(document: &Document<'_>, name: &str) -> Vec<String> {
    let named = document.descendants().filter(|one| one.has_tag_name(name));
    named
        .filter_map(|one| one.attribute("csd-code").map(str::to_owned))
        .collect()
}

fn patient<'a>(document: &'a Document<'a>) -> Option<Found<'a, 'a>> {
    let role = |one: &Found<'_, '_>| one.attribute("ParticipantObjectTypeCodeRole") == Some("1");
    document.descendants().find(role)
}

/// Event with its id, types, action, outcome, and roles of its participants.
type Case = (
    Event,
    &'static str,
    &'static [&'static str],
    &'static str,
    &'static str,
    &'static [&'static str],
);

/// Event id, type and action of PS3.15 tables A.5.3.1-1, A.5.3.4-1, A.5.3.5-1, A.5.3.7-1, A.5.3.10-1
/// (from memory) and A.5.3.11-1; roles of the participants as these tables say.
#[test]
fn each_event_is_the_message_that_its_table_describes() {
    let address = "192.0.2.7".parse().expect("an address");
    let association = Event::Association {
        address,
        calling: "CART".into(),
    };
    let refused = Event::Refused {
        peer: address.to_string(),
        address: Some(address),
        calling: "CART".into(),
        code: "refused-called",
        why: "the called AE title is not ours".into(),
        repeats: 0,
    };
    let (account, address) = (|| "Wren Lark".to_owned(), Some(address));
    let signed_in = Event::SignedIn {
        account: account(),
        address,
    };
    let sign_in_refused = Event::SignInRefused {
        account: account(),
        address,
        why: "local account".into(),
    };
    let signed_out = Event::SignedOut {
        account: account(),
        address,
    };
    let seen = || facts().patient.expect("a patient");
    let viewed = Event::Viewed {
        account: account(),
        address,
        patient: seen(),
    };
    let broke_glass = Event::BrokeGlass {
        account: account(),
        address,
        patient: seen(),
        reason: "called to <the> ward".into(),
    };
    let account_changed = Event::AccountChanged {
        account: account(),
        change: "ended".into(),
        user: "uid 1000".into(),
    };
    let cases: Vec<Case> = vec![
        (Event::Started, "110100", &["110120"], "E", "0", &["110150"]),
        (Event::Stopped, "110100", &["110121"], "E", "0", &["110150"]),
        (association, "110113", &["110126"], "E", "0", &[]),
        (signed_in, "110114", &["110122"], "E", "0", &[]),
        (sign_in_refused, "110114", &["110122"], "E", "4", &[]),
        (signed_out, "110114", &["110123"], "E", "0", &[]),
        (viewed, "110110", &[], "R", "0", &[]),
        (broke_glass, "110113", &["110127"], "E", "0", &[]),
        (account_changed, "110113", &["110137"], "E", "0", &[]),
        (refused, "110113", &["110126"], "E", "4", &[]),
        (
            received(Source::Dicom("CART".into())),
            "110104",
            &[],
            "C",
            "4",
            &["110153", "110152"],
        ),
        (
            received(Source::Folder),
            "110107",
            &[],
            "C",
            "4",
            &["110152", "110155"],
        ),
        (
            Event::Published {
                folder: "outbox".into(),
                facts: facts(),
            },
            "110106",
            &[],
            "R",
            "0",
            &["110153", "110154"],
        ),
        (
            Event::Exported {
                folder: "tables".into(),
                user: "uid 1000".into(),
                what: "tables".into(),
            },
            "110106",
            &[],
            "R",
            "0",
            &["110153", "110154"],
        ),
        (
            Event::Delivered {
                to: Receiver::Title("ARCHIVE".into()),
                facts: facts(),
            },
            "110104",
            &[],
            "C",
            "0",
            &["110153", "110152"],
        ),
        (
            Event::Delivered {
                to: Receiver::Place("https://fhir.example/r4".into()),
                facts: facts(),
            },
            "110106",
            &[],
            "R",
            "0",
            &["110153", "110154"],
        ),
        (
            queried(
                Receiver::Title("ARCHIVE".into()),
                Question::Find(vec![0x08, 0]),
            ),
            "110112",
            &[],
            "E",
            "0",
            &["110153", "110152"],
        ),
        (
            queried(
                Receiver::Place("https://archive.example/dw".into()),
                Question::Search("/studies?StudyDate=20210304".into()),
            ),
            "110112",
            &[],
            "E",
            "0",
            &["110153", "110152"],
        ),
        (
            Event::Reconfigured { change: "c".into() },
            "110113",
            &["110131"],
            "E",
            "0",
            &[],
        ),
    ];
    for (event, id, kind, action, outcome, roles) in cases {
        let text = written(&event);
        assert!(!text.contains('\n'), "{text}");
        let document = Document::parse(&text).expect("well-formed");
        assert_eq!(codes(&document, "EventID"), [id], "{text}");
        assert_eq!(codes(&document, "EventTypeCode"), kind, "{text}");
        assert_eq!(codes(&document, "RoleIDCode"), roles, "{text}");
        let identification = document.root_element().first_element_child();
        let identification = identification.expect("an event");
        assert_eq!(identification.attribute("EventActionCode"), Some(action));
        let indicator = identification.attribute("EventOutcomeIndicator");
        assert_eq!(indicator, Some(outcome));
        let names = document
            .root_element()
            .children()
            .map(|one| one.tag_name().name());
        let mut order: Vec<&str> = names.collect();
        order.dedup();
        let all = [
            "EventIdentification",
            "ActiveParticipant",
            "AuditSourceIdentification",
            "ParticipantObjectIdentification",
        ];
        assert_eq!(order, all[..order.len()], "the order of the schema");
    }
}

#[test]
fn what_a_stranger_sent_is_text_on_one_line() {
    let text = written(&received(Source::Dicom("A\"><x/>".into())));
    let document = Document::parse(&text).expect("well-formed");
    let id = patient(&document).and_then(|one| one.attribute("ParticipantObjectID"));
    assert_eq!(id, Some("P<1> & \"x\"\u{FFFD}\u{FFFD}"));
    let user = document
        .descendants()
        .find_map(|one| one.attribute("UserID"));
    assert_eq!(user, Some("A\"><x/>"));
}

#[test]
fn an_object_of_an_unknown_study_is_named_by_itself() {
    let text = written(&Event::Received {
        source: Source::Dicom("CART".into()),
        is_repeat: false,
        outcome: Outcome::Minor("refused"),
        facts: Facts {
            instance: Some("2.25.2".into()),
            ..Facts::default()
        },
    });
    assert!(text.contains("ParticipantObjectID=\"2.25.2\""), "{text}");
}

#[test]
fn nothing_is_made_up_for_what_is_not_known() {
    let text = written(&Event::Received {
        source: Source::Folder,
        is_repeat: false,
        outcome: Outcome::Success,
        facts: Facts::default(),
    });
    let document = Document::parse(&text).expect("well-formed");
    assert!(patient(&document).is_none());
    assert!(!text.contains("ParticipantObjectIdentification"));
}
