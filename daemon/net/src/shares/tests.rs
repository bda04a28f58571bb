use super::*;

fn party(last: u8) -> Party {
    Party::of(IpAddr::from([192, 0, 2, last]))
}

fn of(text: &str) -> Party {
    Party::of(text.parse().expect("an address"))
}

/// RFC 4291 2.5.4 (64 bits of a network), 2.5.5.2 (IPv4 in IPv6), RFC 5952 (how they are written).
#[test]
fn a_party_is_an_ipv4_address_or_a_network_of_64_bits() {
    assert_eq!(of("192.0.2.1"), of("::ffff:192.0.2.1"));
    assert_ne!(of("192.0.2.1"), of("192.0.2.2"));
    assert_ne!(of("::ffff:192.0.2.1"), of("::ffff:192.0.2.2"));
    assert_eq!(
        of("2001:db8:0:1::1"),
        of("2001:db8:0:1:ffff:ffff:ffff:ffff")
    );
    assert_ne!(of("2001:db8:0:1::1"), of("2001:db8:0:2::1"));
    assert_ne!(of("2001:db8:0:1::1"), of("2001:db8:1:1::1"));
    // Not an IPv4 address in other clothes (2.5.5.1, deprecated).
    assert_ne!(of("192.0.2.1"), of("::192.0.2.1"));
    assert_eq!(
        of("2001:db8:0:1::9").address().to_string(),
        "2001:db8:0:1::"
    );
    assert_eq!(of("::ffff:192.0.2.1").address().to_string(), "192.0.2.1");
}

#[test]
fn who_is_alone_has_all_of_it() {
    let shares = Shares::default();
    let room = Room::places(16);
    let all: Vec<Share> = (0..16).flat_map(|_| shares.place(party(1), room)).collect();
    assert_eq!(all.len(), 16);
    // None of them was quiet for long.
    assert!(shares.place(party(1), room).is_none());
    assert!(!all.iter().any(Share::is_taken_back));
    drop(all);
    let ledger = shares.locked();
    assert!(ledger.of.is_empty() && ledger.entries.is_empty() && ledger.taken == 0);
}

/// However many parties came before, and in whatever order, whoever holds no more than an equal part
/// gets it and keeps it.
#[test]
fn a_newcomer_gets_an_equal_part() {
    for parties in 1..16_u8 {
        let shares = Shares::default();
        let room = Room::places(16);
        let mut held: Vec<(u8, Share)> = Vec::new();
        for round in 0..40 {
            for who in 0..parties {
                // One takes what it can from the start, the others come later.
                if round >= usize::from(who) {
                    let share = shares.place(party(who), room);
                    held.extend(share.map(|share| (who, share)));
                    held.retain(|(_, share)| !share.is_taken_back());
                }
            }
        }
        let has = |who| held.iter().filter(|(other, _)| *other == who).count();
        assert_eq!(held.len(), 16, "{parties}");
        for who in 0..parties {
            let equal = 16 / usize::from(parties);
            assert!(
                (equal..=equal + 1).contains(&has(who)),
                "{parties}: {who} has {}",
                has(who)
            );
        }
        let last = shares.place(party(99), room).expect("one more is served");
        held.retain(|(_, share)| !share.is_taken_back());
        assert_eq!((held.len(), last.is_taken_back()), (15, false));
    }
}

#[test]
fn the_quietest_goes_first() {
    let shares = Shares::default();
    let room = Room::places(3);
    let all: Vec<Share> = (0..3).flat_map(|_| shares.place(party(1), room)).collect();
    for (share, touched) in all.iter().zip([30, 10, 20]) {
        share.state.touched.store(touched, Ordering::Relaxed);
    }
    // What is being stored goes last.
    let _busy = all[1].pulse().busy();
    let _other = shares.place(party(2), room).expect("taken back");
    let gone: Vec<bool> = all.iter().map(Share::is_taken_back).collect();
    assert_eq!(gone, [false, false, true]);
}

/// Behind a proxy everybody is one party: what brought nothing for long makes room.
#[test]
fn a_quiet_one_makes_room_for_its_own_party() {
    let shares = Shares::default();
    let room = Room {
        quiet: Some(Duration::from_millis(50)),
        ..Room::places(2)
    };
    let (first, second) = (shares.place(party(1), room), shares.place(party(1), room));
    let (first, second) = (first.expect("free"), second.expect("free"));
    assert!(shares.place(party(1), room).is_none());
    let busy = first.pulse().busy();
    std::thread::sleep(Duration::from_millis(100));
    second.pulse().beat();
    assert!(shares.place(party(1), room).is_none(), "we are at it");
    drop(busy);
    assert!(shares.place(party(1), room).is_none(), "it was not quiet");
    std::thread::sleep(Duration::from_millis(100));
    second.pulse().beat();
    let third = shares.place(party(1), room).expect("the first is quiet");
    assert!(first.is_taken_back() && !second.is_taken_back() && !third.is_taken_back());
}

#[tokio::test]
async fn whoever_lost_it_hears_of_it() {
    let shares = Shares::default();
    let room = Room::places(2);
    let first = shares.place(party(1), room).expect("free");
    let _second = shares.place(party(1), room).expect("free");
    let told = tokio::spawn(async move {
        first.taken_back().await;
        first.hold(1, Room::places(100))
    });
    let _third = shares.place(party(2), room).expect("taken back");
    assert!(!told.await.expect("told"), "and it gets nothing more");
}

#[test]
fn of_memory_the_largest_party_gives_and_small_objects_have_a_reserve() {
    let shares = Shares::default();
    let room = Room::memory(80 << 10);
    let holds = |who, mib: usize| {
        let share = shares.nothing(party(who));
        share.hold(mib << 10, room).then_some(share)
    };
    let large = holds(1, 60).expect("free");
    // Ten are kept for small objects, also from the party that is alone.
    assert!(holds(1, 11).is_none());
    let all_small: Vec<Share> = (0..10).flat_map(|_| holds(1, 1)).collect();
    assert_eq!(all_small.len(), 10);
    // Who has less gets it from who has more, and not the other way round.
    let other = holds(2, 20).expect("taken back");
    assert!(large.is_taken_back());
    assert!(holds(1, 64).is_none());
    assert!(!other.is_taken_back());
    // What is being stored stays.
    other.pin();
    let third = holds(3, 10).expect("free");
    assert!(!other.is_taken_back() && third.hold(15 << 10, room));
    assert!(!holds(1, 50).is_some_and(|_| other.is_taken_back()));
}

#[test]
fn a_share_can_turn_out_to_be_anothers() {
    let shares = Shares::default();
    let room = Room::places(3);
    let all: Vec<Share> = (0..3).flat_map(|_| shares.place(party(1), room)).collect();
    all[0].belongs_to(party(2));
    assert_eq!(shares.locked().held_by(party(1)), 2);
    assert_eq!(shares.locked().held_by(party(2)), 1);
    let _third = shares.place(party(3), room).expect("taken back");
    assert!(!all[0].is_taken_back());
}
