use super::tally::Tally;
use super::*;
use crate::observe::Metrics;
use crate::observe::audit::message::{Node, message};
use crate::observe::failures::CountFailures;
use chrono::DateTime;
use std::time::Duration;
use tracing_subscriber::layer::SubscriberExt;

const CALLED: Reason = Reason::new("refused-called", "the called AE title is not ours");
const ADDRESS: Reason = Reason::new("refused-address", "the address may not connect");

fn address(text: &str) -> IpAddr {
    text.parse().expect("an address")
}

fn at(second: i64) -> DateTime<Utc> {
    DateTime::from_timestamp(second, 0).expect("a time")
}

#[test]
fn the_first_is_told_at_once_and_the_rest_of_its_minute_together() {
    let mut tally = Tally::default();
    let begun = Instant::now();
    let seconds = Duration::from_secs;
    let mut note = |second: u64, peer: &str, reason| {
        let one = Refused::at(reason, address(peer));
        let wall = at(i64::try_from(second).expect("small"));
        tally.note(&one, begun + seconds(second), wall)
    };
    assert!(note(0, "192.0.2.1", CALLED));
    assert!(note(1, "192.0.2.1", ADDRESS), "another reason");
    assert!(note(2, "192.0.2.2", CALLED), "another peer");
    for second in 3..40 {
        assert!(!note(second, "192.0.2.1", CALLED));
    }
    assert_eq!(tally.ended(begun + seconds(59)), []);
    let sums = tally.ended(begun + seconds(60));
    let [sum] = sums.as_slice() else {
        panic!("{sums:?}");
    };
    assert_eq!((sum.repeats, sum.since, sum.until), (37, at(3), at(39)));
    assert_eq!(sum.peer.to_string(), "192.0.2.1");
    assert_eq!(sum.address, Some(address("192.0.2.1")));
    // A new minute begins with one that is told at once; what stands alone leaves no sum.
    let again = Refused::at(CALLED, address("192.0.2.1"));
    assert!(tally.note(&again, begun + seconds(61), at(61)));
    assert_eq!(tally.all(), []);
}

/// Whoever has many addresses of one network is one, and many strangers do not grow the table.
#[test]
fn many_addresses_are_few_peers_and_the_table_is_bounded() {
    let mut tally = Tally::default();
    let now = Instant::now();
    let told = (0..5_000_u32)
        .filter(|n| {
            let peer = address(&format!("2001:db8:0:7::{n:x}"));
            tally.note(&Refused::at(CALLED, peer), now, at(0))
        })
        .count();
    assert_eq!(told, 1);
    let sums = tally.all();
    assert_eq!(
        (sums.len(), sums[0].repeats, sums[0].address),
        (1, 4_999, None)
    );
    assert_eq!(sums[0].peer.to_string(), "2001:db8:0:7::/64");
    let told = (0..100_000_u32)
        .filter(|n| {
            let peer = IpAddr::V4((0x0a00_0000 + n).into());
            tally.note(&Refused::at(CALLED, peer), now, at(0))
        })
        .count();
    assert_eq!(told, 512);
    let sums = tally.all();
    let [others] = sums.as_slice() else {
        panic!("{} sums", sums.len());
    };
    assert_eq!((others.peer, others.repeats), (Peer::Others, 100_000 - 512));
    // Details of one peer are told apart, and few of them.
    let told = (0..1_000)
        .filter(|n| {
            let refused = Refused {
                detail: &format!("MRG^{n}"),
                apart: true,
                ..Refused::at(CALLED, address("192.0.2.1"))
            };
            tally.note(&refused, now, at(0))
        })
        .count();
    assert_eq!(told, 17);
    assert_eq!(tally.all().iter().map(|sum| sum.repeats).sum::<u64>(), 983);
}

#[test]
fn every_one_is_counted_once() {
    let observed = Observed::default();
    let layer = CountFailures(Arc::clone(&observed.metrics));
    tracing::subscriber::with_default(tracing_subscriber::registry().with(layer), || {
        for _ in 0..50 {
            observed.refused(&Refused::at(CALLED, address("192.0.2.1")));
        }
        observed.tell_all_refused();
    });
    let metrics: &Metrics = &observed.metrics;
    assert_eq!(metrics.failures("refused-called"), 50);
}

#[test]
fn a_message_of_several_says_how_many_and_when() {
    let event = Event::Refused {
        peer: "2001:db8:0:7::/64".into(),
        address: None,
        calling: String::new(),
        code: CALLED.code,
        why: "the called AE title is not ours; 37 more from 1 to 2".into(),
        repeats: 37,
    };
    let node = Node {
        ae_title: "US".into(),
        process: 1,
    };
    let text = message(&node, at(0), &event).expect("written");
    let read = roxmltree::Document::parse(&text).expect("XML");
    let detail = |kind: &str| {
        let mut all = read.descendants();
        let found = all.find(|one| one.attribute("type") == Some(kind));
        found.and_then(|one| one.attribute("value").map(str::to_owned))
    };
    // Base64 of 37.
    assert_eq!(detail("Number of Repeats").as_deref(), Some("Mzc="));
    assert!(text.contains("37 more from 1 to 2") && !text.contains("NetworkAccessPointID"));
}
