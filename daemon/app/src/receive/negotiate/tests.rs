//! Acceptance and rejection. Result, source and reason numbers: PS3.8 tables 9-18 and 9-21.

use super::*;
use dicom_ul::pdu::{PresentationContextProposed, read_pdu};

/// The transfer syntax of a context whose objects are taken.
fn syntax_of(contexts: &BTreeMap<u8, Purpose>, id: u8) -> Option<&'static str> {
    match contexts.get(&id) {
        Some(Purpose::Taken(context)) => Some(context.syntax),
        _ => None,
    }
}

fn request(contexts: &[(u8, &str, &[&str])]) -> AssociationRQ {
    AssociationRQ {
        protocol_version: 1,
        calling_ae_title: "SCANNER".to_owned(),
        called_ae_title: "SHEATHLINE".to_owned(),
        application_context_name: APPLICATION_CONTEXT.to_owned(),
        presentation_contexts: contexts
            .iter()
            .map(|(id, class, syntaxes)| PresentationContextProposed {
                id: *id,
                abstract_syntax: (*class).to_owned(),
                transfer_syntaxes: syntaxes.iter().map(|one| (*one).to_owned()).collect(),
            })
            .collect(),
        user_variables: vec![UserVariableItem::MaxLength(16384)],
    }
}

const SR: &str = "1.2.840.10008.5.1.4.1.1.88.33";

#[test]
fn our_order_of_transfer_syntaxes_counts() {
    let (implicit, explicit) = ("1.2.840.10008.1.2", "1.2.840.10008.1.2.1");
    let (deflated, big) = ("1.2.840.10008.1.2.1.99", "1.2.840.10008.1.2.2");
    let all = [big, deflated, implicit, explicit];
    let cases: [(&[&str], Option<&str>); 7] = [
        (&all, Some(explicit)),
        (&all[..3], Some(implicit)),
        (&all[..2], Some(deflated)),
        (&all[..1], Some(big)),
        (&["1.2.840.10008.1.2.4.50"], None),
        (&["1.2.840.10008.1.2\0"], Some(implicit)),
        (&[], None),
    ];
    for (offered, chosen) in cases {
        let Accepted {
            pdu,
            contexts,
            calling,
            peer_pdu_max,
            ..
        } = answer(request(&[(1, SR, offered)]), &DicomSettings::default(), &[]).expect("accepted");
        assert_eq!(syntax_of(&contexts, 1), chosen, "{offered:?}");
        assert_eq!((calling.as_str(), peer_pdu_max), ("SCANNER", 16384));
        assert_eq!(pdu[0], 0x02);
    }
}

/// PS3.4 B.5: both classes, and only where the configuration asks for them.
#[test]
fn presentation_states_are_taken_where_the_configuration_asks_for_them() {
    let implicit: &[&str] = &["1.2.840.10008.1.2"];
    let grayscale = "1.2.840.10008.5.1.4.1.1.11.1";
    let color = "1.2.840.10008.5.1.4.1.1.11.2";
    let pseudo = "1.2.840.10008.5.1.4.1.1.11.3";
    let asked = || {
        request(&[
            (1, grayscale, implicit),
            (3, color, implicit),
            (5, pseudo, implicit),
        ])
    };
    for (on, taken) in [(false, vec![]), (true, vec![1, 3])] {
        let text = format!("[templates]\npresentation_states = {on}\n");
        let settings = crate::config::Config::from_text("site.toml", &text);
        let settings = settings.expect("a configuration").dicom;
        let accepted = answer(asked(), &settings, &[]).expect("accepted");
        let ids: Vec<u8> = accepted.contexts.into_keys().collect();
        assert_eq!(ids, taken);
        for class in [grayscale, color] {
            assert_eq!(is_object_class(class, &settings), on, "{class}");
        }
        assert!(!is_object_class(pseudo, &settings));
    }
}

#[test]
fn each_context_has_its_own_answer() {
    let implicit: &[&str] = &["1.2.840.10008.1.2"];
    let asked = request(&[
        (1, "1.2.840.10008.1.1", implicit),
        (3, SR, implicit),
        // Secondary Capture: not ours. PS3.8 table 9-18: 3 is abstract syntax not supported.
        (5, "1.2.840.10008.5.1.4.1.1.7", implicit),
        // 4 is transfer syntaxes not supported.
        (7, SR, &["1.2.840.10008.1.2.4.50"]),
    ]);
    let Accepted { pdu, contexts, .. } =
        answer(asked, &DicomSettings::default(), &[]).expect("accepted");
    let Ok(Some(Pdu::AssociationAC(accepted))) = read_pdu(pdu.as_slice(), PDU_BYTES_MAX, true)
    else {
        panic!("{pdu:?}");
    };
    assert_eq!(contexts.keys().copied().collect::<Vec<_>>(), [1, 3]);
    let reasons: Vec<u8> = accepted
        .presentation_contexts
        .iter()
        .map(|one| one.reason.clone() as u8)
        .collect();
    assert_eq!(reasons, [0, 0, 3, 4]);
}

/// The bytes of an A-ASSOCIATE-RJ are type, 0, length 4, 0, result, source, reason.
#[test]
fn rejections() {
    let strict = DicomSettings {
        calling_allowed: vec!["OTHER".to_owned(), "SCANNER 2".to_owned()],
        ..DicomSettings::default()
    };
    let open = DicomSettings {
        accept_any_called: true,
        ..DicomSettings::default()
    };
    let with = |change: &dyn Fn(&mut AssociationRQ), settings: &DicomSettings| {
        let mut request = request(&[(1, SR, &["1.2.840.10008.1.2"])]);
        change(&mut request);
        let refusal = answer(request, settings, &[]).err()?;
        let pdu = refusal.reply().pdu().expect("a PDU");
        assert_eq!(pdu[..7], [3, 0, 0, 0, 0, 4, 0]);
        Some(pdu[7..].to_vec())
    };
    let plain = DicomSettings::default();
    assert_eq!(with(&|_| {}, &plain), None);
    assert_eq!(
        with(&|rq| rq.protocol_version = 2, &plain),
        Some(vec![1, 2, 2])
    );
    assert_eq!(
        with(&|rq| rq.application_context_name = "1.2".to_owned(), &plain),
        Some(vec![1, 1, 2])
    );
    assert_eq!(
        with(&|rq| rq.called_ae_title = "SHEATHLINe".to_owned(), &plain),
        Some(vec![1, 1, 7])
    );
    assert_eq!(
        with(&|rq| rq.called_ae_title = "ANY".to_owned(), &open),
        None
    );
    assert_eq!(with(&|_| {}, &strict), Some(vec![1, 1, 3]));
    assert_eq!(
        with(
            &|rq| rq.calling_ae_title = " SCANNER 2 ".to_owned(),
            &strict
        ),
        None
    );
    let blank = DicomSettings {
        accept_blank_calling: true,
        ..strict.clone()
    };
    let nameless = |rq: &mut AssociationRQ| rq.calling_ae_title = "   ".to_owned();
    assert_eq!(with(&nameless, &blank), None);
    assert_eq!(with(&nameless, &strict), Some(vec![1, 1, 3]));
    for hostile in ["", "A\\B", "A\nB"] {
        let calling = |rq: &mut AssociationRQ| rq.calling_ae_title = hostile.to_owned();
        assert_eq!(with(&calling, &plain), Some(vec![1, 1, 3]), "{hostile:?}");
        let called = |rq: &mut AssociationRQ| rq.called_ae_title = hostile.to_owned();
        let expected = (!hostile.is_empty()).then(|| vec![1, 1, 7]);
        assert_eq!(with(&called, &open), expected, "{hostile:?}");
    }
    let busy = Refusal::Associations.reply().pdu().expect("a PDU");
    assert_eq!(busy[7..10], [2, 3, 2]);
}

/// PS3.8 table 9-17: both titles stand in the acceptance as they were sent.
#[test]
fn blank_titles_are_given_back_blank() {
    let settings = DicomSettings {
        accept_any_called: true,
        accept_blank_calling: true,
        ..DicomSettings::default()
    };
    for (called, calling) in [("SHEATHLINE", ""), ("", "SCANNER"), ("", "")] {
        let mut asked = request(&[(1, SR, &["1.2.840.10008.1.2"])]);
        asked.called_ae_title = called.to_owned();
        asked.calling_ae_title = calling.to_owned();
        let accepted = answer(asked, &settings, &[]).expect("accepted");
        assert_eq!(accepted.calling, calling);
        let titles = format!("{called:16}{calling:16}");
        assert_eq!(accepted.pdu[10..42], *titles.as_bytes());
    }
}

#[test]
fn context_ids_are_odd_and_unique() {
    let implicit: &[&str] = &["1.2.840.10008.1.2"];
    for ids in [[1, 1], [1, 2]] {
        let asked = request(&[(ids[0], SR, implicit), (ids[1], SR, implicit)]);
        let refusal = answer(asked, &DicomSettings::default(), &[]).expect_err("refused");
        // A-ABORT by the provider, invalid parameter value (PS3.8 table 9-26).
        let pdu = refusal.reply().pdu().expect("a PDU");
        assert_eq!((pdu[0], &pdu[8..]), (7, &[2, 6][..]));
    }
}

/// PS3.7 D.3.3.2: a UID of at most 64 characters and a name of at most 16.
#[test]
fn our_own_name_is_legal() {
    assert!(IMPLEMENTATION_CLASS_UID.len() <= 64);
    assert!(
        IMPLEMENTATION_VERSION.len() <= 16,
        "{IMPLEMENTATION_VERSION}"
    );
}

/// PS3.5 A.4: the compressed syntaxes are for pixels. They are taken for pictures alone, behind the
/// uncompressed ones.
#[test]
fn compressed_syntaxes_are_for_pictures() {
    let explicit = "1.2.840.10008.1.2.1";
    let compressed = [
        "1.2.840.10008.1.2.4.50",
        "1.2.840.10008.1.2.4.70",
        "1.2.840.10008.1.2.4.90",
        "1.2.840.10008.1.2.4.91",
        "1.2.840.10008.1.2.5",
    ];
    for one in compressed {
        let asked = request(&[
            (1, "1.2.840.10008.5.1.4.1.1.6.1", &[one]),
            (3, "1.2.840.10008.5.1.4.1.1.3.1", &[one, explicit]),
            (5, SR, &[one]),
        ]);
        let Ok(Accepted { contexts, .. }) = answer(asked, &DicomSettings::default(), &[]) else {
            panic!("accepted");
        };
        let chosen = |id| syntax_of(&contexts, id);
        assert_eq!(
            (chosen(1), chosen(3), chosen(5)),
            (Some(one), Some(explicit), None)
        );
    }
}

/// PS3.4 B.5: where the site says so, for everybody or for one sender, and never what could hold a sheath:
/// reports, what is drawn over pictures, private classes; nor in the history of an archive.
#[test]
fn other_classes_are_taken_and_dropped_where_the_site_says_so() {
    let ct = "1.2.840.10008.5.1.4.1.1.2";
    let dose = "1.2.840.10008.5.1.4.1.1.88.67";
    let state = "1.2.840.10008.5.1.4.1.1.11.1";
    let (jpeg, own) = ("1.2.840.10008.1.2.4.70", "1.2.3.4");
    let asked = || {
        request(&[
            (1, SR, &["1.2.840.10008.1.2"]),
            (3, ct, &[own, jpeg]),
            (5, dose, &["1.2.840.10008.1.2"]),
            (7, state, &["1.2.840.10008.1.2"]),
            (9, "1.2.3.4.5", &["1.2.840.10008.1.2"]),
            (11, ct, &[]),
            (13, SR, &[jpeg]),
        ])
    };
    let of = |text: &str| {
        let config = crate::config::Config::from_text("site.toml", text);
        let settings = config.expect("a configuration").dicom;
        answer(asked(), &settings, &[]).expect("accepted")
    };
    let all = "[receive.dicom]\nother_classes = \"take-and-drop\"\n";
    let sender = "[[receive.dicom.sender]]\nae_title = \"SCANNER\"\nother_classes = ";
    for (text, drops) in [
        (String::new(), false),
        (all.to_owned(), true),
        (format!("{sender}\"take-and-drop\"\n"), true),
        (format!("{all}{sender}\"refuse\"\n"), false),
        (
            sender.replace("SCANNER", "OTHER") + "\"take-and-drop\"\n",
            false,
        ),
    ] {
        let Accepted {
            pdu,
            contexts,
            refused,
            ..
        } = of(&text);
        let dropped: Vec<_> = contexts
            .iter()
            .filter(|(_, purpose)| matches!(purpose, Purpose::Dropped(_)))
            .collect();
        let expected: &[_] = &[(&3, &Purpose::Dropped(ct))];
        assert_eq!(dropped, expected[..usize::from(drops)], "{text}");
        let classes: Vec<_> = refused.iter().map(|one| one.class.as_str()).collect();
        let expected = [ct, dose, state, "1.2.3.4.5", ct, SR];
        assert_eq!(classes, expected[usize::from(drops)..], "{text}");
        assert!(refused.last().is_some_and(|one| one.for_its_syntaxes));
        let Ok(Some(Pdu::AssociationAC(accepted))) = read_pdu(pdu.as_slice(), PDU_BYTES_MAX, true)
        else {
            panic!("{pdu:?}");
        };
        let second = &accepted.presentation_contexts[1];
        assert_eq!(second.transfer_syntax == own, drops, "{second:?}");
    }
    let settings = crate::config::Config::from_text("site.toml", all).expect("good");
    let history = HistoryTitle {
        ae_title: "SHEATHHISTORY".to_owned(),
        archive: "old".to_owned(),
        default_issuer: String::new(),
        current_days: None,
    };
    let mut asked = asked();
    asked.called_ae_title = "SHEATHHISTORY".to_owned();
    let accepted = answer(asked, &settings.dicom, &[history]).expect("accepted");
    assert_eq!(accepted.contexts.len(), 1);
}

/// PS3.4 J.3.3, PS3.7 D.3.3.4: whoever is known where it is told may ask, as the SCU; never who would be
/// asked by us, and never in the history of an archive.
#[test]
fn storage_commitment_is_for_senders_that_can_be_told() {
    let push = "1.2.840.10008.1.20.1";
    let (explicit, implicit) = ("1.2.840.10008.1.2.1", "1.2.840.10008.1.2");
    let table = |title: &str| {
        let text = format!(
            "[[receive.dicom.sender]]\nae_title = \"{title}\"\ncommitment_host = \"h\"\n\
             commitment_port = 11113\n"
        );
        let config = crate::config::Config::from_text("site.toml", &text);
        config.expect("a configuration").dicom
    };
    let (scanner, other) = (table("SCANNER"), table("OTHER"));
    let roles = |scu, scp| {
        let roles = RequestorRoles { scu, scp };
        UserVariableItem::ScuScpRoleSelectionSubItem(push.to_owned(), roles)
    };
    for (settings, role, syntaxes, taken) in [
        (&scanner, None, &[implicit, explicit][..], Some(explicit)),
        (&scanner, None, &[implicit][..], Some(implicit)),
        (&scanner, None, &["1.2.840.10008.1.2.2"][..], None),
        (
            &scanner,
            Some(roles(true, true)),
            &[explicit][..],
            Some(explicit),
        ),
        (&scanner, Some(roles(false, true)), &[explicit][..], None),
        (&other, None, &[explicit][..], None),
    ] {
        let mut asked = request(&[(1, push, syntaxes), (3, SR, &[explicit])]);
        asked.user_variables.extend(role.clone());
        let Accepted { pdu, contexts, .. } = answer(asked, settings, &[]).expect("accepted");
        assert_eq!(contexts.get(&1), taken.map(Purpose::Commitment).as_ref());
        assert_eq!(syntax_of(&contexts, 3), Some(explicit));
        let Ok(Some(Pdu::AssociationAC(accepted))) = read_pdu(pdu.as_slice(), PDU_BYTES_MAX, true)
        else {
            panic!("{pdu:?}");
        };
        let agreed = accepted.user_variables.contains(&roles(true, false));
        assert_eq!(agreed, role.is_some() && taken.is_some(), "{accepted:?}");
    }
}
