//! What holds for one sender: where it comes from, what it shows, what it is told.

use super::pki::{Issued, Pki};
use super::raw::{Raw, connect_from};
use super::{EXPLICIT, Node, SR, Sender, comment, number, tags};
use dicom_object::OpenFileOptions;
use sheathline::config::{Malformed, SenderSettings, Sha256Hex};
use sheathline_net::dicom::refusal::Refusal;
use std::path::Path;

/// A class nobody here takes: Secondary Capture.
const CAPTURE: &str = "1.2.840.10008.5.1.4.1.1.7";

fn pin(issued: &Issued) -> Sha256Hex {
    Sha256Hex::parse(&issued.sha256).expect("64 digits")
}

fn network(text: &str) -> Vec<ipnet::IpNet> {
    vec![text.parse().expect("CIDR")]
}

/// How far a sender gets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outcome {
    /// Closed without an answer.
    Closed,
    /// Calling AE title not recognised (PS3.8 table 9-21: 1, 1, 3).
    Rejected,
    /// An association without a context.
    Useless,
    /// The object is stored.
    Stored,
}

/// AE title, address, certificate and SOP class, each right or wrong: 16 ways, and each of them with
/// the address in the list of all and in the table of the sender.
#[tokio::test(flavor = "multi_thread")]
async fn the_access_matrix() {
    let pki = Pki::new();
    let (own, cart, other) = (pki.issue("server"), pki.issue("cart"), pki.issue("other"));
    for of_all in [true, false] {
        let node = Node::start(|settings| {
            pki.serve(settings, &own);
            settings.calling_allowed = vec!["CART".to_owned()];
            let addresses = network("127.0.0.2/32");
            let mut sender = SenderSettings {
                ae_title: "CART".to_owned(),
                certificate_sha256: vec![pin(&cart)],
                ..SenderSettings::default()
            };
            if of_all {
                settings.addresses_allowed = addresses
            } else {
                sender.addresses = addresses
            }
            settings.sender = vec![sender];
        })
        .await;
        let tls = node.addresses.iter().find(|(_, tls)| *tls).expect("TLS").0;
        let mut stored = 0;
        for way in 0..16_u32 {
            let [title, address, certificate, class] = [1, 2, 4, 8].map(|bit| way & bit == 0);
            let expected = match (address, title, certificate, class) {
                (false, ..) if of_all => Outcome::Closed,
                (_, false, ..) | (false, ..) | (_, _, false, _) => Outcome::Rejected,
                (.., false) => Outcome::Useless,
                _ => Outcome::Stored,
            };
            let from = if address { "127.0.0.2" } else { "127.0.0.3" };
            let stream = connect_from(from, tls).await;
            let shown = if certificate { &cart } else { &other };
            let outcome = match pki.connect(stream, Some(shown)).await {
                Err(_) => Outcome::Closed,
                Ok(stream) => {
                    let mut raw = Raw::over(stream);
                    let title = if title { "CART" } else { "STRANGER" };
                    let wanted = if class { SR } else { CAPTURE };
                    let answer = raw.ask(title, "SHEATHLINE", &[wanted]).await;
                    match answer.as_slice() {
                        [3, .., 1, 1, 3] => Outcome::Rejected,
                        [2, ..] if !class => Outcome::Useless,
                        [2, ..] => {
                            let body = format!("{way} {of_all}");
                            let answer = raw.store(1, SR, "1.2", body.as_bytes()).await;
                            assert_eq!(number(&answer, tags::STATUS), 0);
                            stored += 1;
                            Outcome::Stored
                        }
                        other => panic!("{other:?}"),
                    }
                }
            };
            let what = [title, address, certificate, class];
            assert_eq!(outcome, expected, "of all {of_all}, {what:?}");
        }
        assert_eq!((stored, node.kept().len()), (1, 1));
        // Each of the others was refused for the first thing that was wrong.
        let count = |refusal| node.refused(refusal);
        let (by_all, by_sender) = (count(Refusal::Address), count(Refusal::SenderAddress));
        assert_eq!((by_all, by_sender), if of_all { (8, 0) } else { (0, 4) });
        assert_eq!(count(Refusal::Calling), if of_all { 4 } else { 8 });
        assert_eq!(count(Refusal::SenderCertificate), 2);
        assert_eq!(count(Refusal::NoContext), 1);
        node.stop().await;
    }
}

/// A pinned sender is refused on the plain port as well, where it shows nothing.
#[tokio::test(flavor = "multi_thread")]
async fn a_pinned_sender_without_tls() {
    let pki = Pki::new();
    let (own, cart) = (pki.issue("server"), pki.issue("cart"));
    let node = Node::start(|settings| {
        pki.serve(settings, &own);
        settings.sender = vec![SenderSettings {
            ae_title: "CART".to_owned(),
            certificate_sha256: vec![pin(&own), pin(&cart)],
            ..SenderSettings::default()
        }];
    })
    .await;
    let mut raw = Raw::over(connect_from("127.0.0.1", node.address).await);
    let answer = raw.ask("CART", "SHEATHLINE", &[SR]).await;
    assert_eq!(answer, [3, 0, 0, 0, 0, 4, 0, 1, 1, 3]);
    node.count_of(Refusal::SenderCertificate, 1).await;
    // One that has no table is not touched by the others'.
    let mut raw = Raw::over(connect_from("127.0.0.1", node.address).await);
    let answer = raw.ask("ARCHIVE", "SHEATHLINE", &[SR]).await;
    assert_eq!(answer.first(), Some(&2));
    node.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_share_and_an_issuer_of_its_own() {
    let node = Node::start(|settings| {
        settings.default_issuer = "HOSPITAL".to_owned();
        settings.sender = vec![SenderSettings {
            ae_title: "CLINIC".to_owned(),
            default_issuer: Some("CLINIC".to_owned()),
            max_associations: Some(1),
            ..SenderSettings::default()
        }];
    })
    .await;
    let mut open = Vec::new();
    for (title, expected) in [("CLINIC", 2), ("CLINIC", 3), ("ARCHIVE", 2), ("ARCHIVE", 2)] {
        let mut raw = Raw::over(connect_from("127.0.0.1", node.address).await);
        let answer = raw.ask(title, "SHEATHLINE", &[SR]).await;
        assert_eq!(answer.first(), Some(&expected), "{title}");
        if expected == 3 {
            assert_eq!(answer[7..], [2, 3, 2]);
            continue;
        }
        let instance = format!("1.{}", open.len());
        let answer = raw.store(1, SR, &instance, instance.as_bytes()).await;
        assert_eq!(number(&answer, tags::STATUS), 0);
        open.push(raw);
    }
    node.count_of(Refusal::AssociationsOfSender, 1).await;
    let kept = node.kept();
    let issuers: Vec<_> = kept
        .iter()
        .map(|(one, _)| one.default_issuer.as_str())
        .collect();
    assert_eq!(issuers, ["CLINIC", "HOSPITAL", "HOSPITAL"]);
    node.stop().await;
}

/// PS3.4 table B.2-1: A900H the data set does not match the SOP class, C000H it cannot be
/// understood. Each with an Error Comment, and nothing is kept. By default what is malformed is kept,
/// but never under another name than the one that is acknowledged.
#[tokio::test(flavor = "multi_thread")]
async fn malformed_objects_are_refused_where_that_is_asked() {
    let good = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/sr");
    let mut files: Vec<_> = std::fs::read_dir(good)
        .expect("fixtures")
        .flat_map(|folder| std::fs::read_dir(folder.expect("a folder").path()))
        .flatten()
        .map(|file| file.expect("a file").path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "dcm"))
        .collect();
    files.sort();
    let (instance, good) = files
        .iter()
        .find_map(|path| {
            let file = OpenFileOptions::new().open_file(path).ok()?;
            let meta = file.meta().clone();
            let plain = |uid: &str| uid.trim_end_matches('\0').to_owned();
            let fits = plain(&meta.media_storage_sop_class_uid) == SR
                && plain(&meta.transfer_syntax) == EXPLICIT;
            let mut bytes = Vec::new();
            let syntax = dicom_transfer_syntax_registry::entries::EXPLICIT_VR_LITTLE_ENDIAN;
            file.into_inner()
                .write_dataset_with_ts(&mut bytes, &syntax.erased())
                .ok()?;
            fits.then(|| (plain(&meta.media_storage_sop_instance_uid), bytes))
        })
        .expect("a report in the fixtures");
    // Sequences inside one another, deeper than the gate goes (PS3.5 7.5 for the encoding).
    let deep =
        b"\x40\x00\x30\xA7SQ\0\0\xFF\xFF\xFF\xFF\xFE\xFF\x00\xE0\xFF\xFF\xFF\xFF".repeat(500);
    let cases: [(&str, &[u8], u16, &str); 5] = [
        (&instance, &good[..good.len() - 3], 0xC000, "malformed"),
        (&instance, b"not DICOM at all", 0xC000, "malformed"),
        (&instance, &deep, 0xC000, "malformed"),
        ("1.2.3", &good, 0xA900, "instance"),
        (&instance, &good, 0x0000, ""),
    ];
    for (malformed, kept) in [(Malformed::Refuse, 1), (Malformed::Quarantine, 4)] {
        let node = Node::start(|settings| {
            settings.sender = vec![SenderSettings {
                ae_title: "SCANNER".to_owned(),
                malformed,
                ..SenderSettings::default()
            }];
        })
        .await;
        let mut sender = Sender::connect(node.address).await.expect("accepted");
        for (instance, bytes, status, words) in cases {
            let expected = match malformed {
                Malformed::Refuse => status,
                Malformed::Quarantine if words == "instance" => status,
                Malformed::Quarantine => 0,
            };
            assert_eq!(sender.store(instance, bytes).await, expected);
            if expected != 0 {
                assert!(sender.said.contains(words), "{}", sender.said);
            }
        }
        // A report of another class, in a context of that class.
        let enhanced = "1.2.840.10008.5.1.4.1.1.88.22";
        let mut raw = Raw::over(connect_from("127.0.0.1", node.address).await);
        let answer = raw.ask("SCANNER", "SHEATHLINE", &[enhanced]).await;
        assert_eq!(answer.first(), Some(&2));
        let answer = raw.store(1, enhanced, &instance, &good).await;
        assert_eq!(number(&answer, tags::STATUS), 0xA900);
        assert!(comment(&answer).contains("class"));
        assert_eq!(node.kept().len(), kept);
        node.stop().await;
    }
}
