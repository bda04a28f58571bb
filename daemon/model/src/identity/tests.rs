use super::*;
use proptest::prelude::*;

fn key(id: &str) -> PatientKey {
    PatientKey {
        issuer: "NOWHERE".to_owned(),
        id: id.to_owned(),
    }
}

fn stated(act: Act, from: &str, into: &str, second: i64) -> Statement {
    Statement {
        pair: Pair {
            from: key(from),
            into: key(into),
        },
        act,
        stated_at: DateTime::from_timestamp(second, 0).unwrap(),
        source: "command".to_owned(),
    }
}

fn person(id: &str, pairs: &[(&str, &str)]) -> Person {
    let all: Vec<Statement> = pairs
        .iter()
        .map(|(from, into)| stated(Act::Merge, from, into, 1))
        .collect();
    Person::of(&key(id), in_force(&all))
}

fn named(person: &Person) -> (String, Vec<String>) {
    let ids = person.ids.iter().map(|id| id.id.clone()).collect();
    (person.surviving.id.clone(), ids)
}

#[test]
fn chains_and_trees_end_at_the_one_surviving_id() {
    let all = ["A", "B", "C"].map(str::to_owned).to_vec();
    for id in ["A", "B", "C"] {
        let expected = ("C".to_owned(), all.clone());
        assert_eq!(named(&person(id, &[("A", "B"), ("B", "C")])), expected);
        assert_eq!(named(&person(id, &[("A", "C"), ("B", "C")])), expected);
        assert_eq!(
            named(&person(id, &[("A", "B"), ("B", "C"), ("A", "C")])),
            expected
        );
    }
    assert_eq!(person("A", &[]), Person::alone(key("A")));
}

/// A bound that only a square can miss: looking through all that are left for each id took minutes.
#[test]
fn a_long_chain_is_settled_in_a_moment() {
    let id = |number: i32| key(&format!("{number:06}"));
    let merge = |number| Merge {
        from: id(number),
        into: id(number + 1),
        since: DateTime::UNIX_EPOCH,
        source: "command".to_owned(),
    };
    let merges: Vec<Merge> = (0..20_000).map(merge).collect();
    let begun = std::time::Instant::now();
    assert_eq!(surviving(&merges), Ok(id(20_000)));
    assert!(begun.elapsed().as_secs() < 20, "{:?}", begun.elapsed());
}

#[test]
fn circles_and_two_ends_are_never_picked_from() {
    let why = |pairs: &[(&str, &str)]| {
        let person = person("A", pairs);
        assert_eq!(named(&person), ("A".to_owned(), vec!["A".to_owned()]));
        assert_eq!(person.merges, []);
        person.unsettled.map(|(why, merges)| (why, merges.len()))
    };
    assert_eq!(why(&[("A", "B"), ("B", "A")]), Some((Unsettled::Circle, 2)));
    let tail = [("A", "B"), ("B", "C"), ("C", "B"), ("C", "D")];
    assert_eq!(why(&tail), Some((Unsettled::Circle, 4)));
    assert_eq!(why(&[("A", "B"), ("A", "C")]), Some((Unsettled::Ends, 2)));
}

#[test]
fn the_latest_statement_of_a_pair_counts_and_a_tie_joins_nobody() {
    let of = |all: &[Statement]| {
        in_force(all)
            .iter()
            .map(|one| one.since.timestamp())
            .collect::<Vec<_>>()
    };
    let (merge, unmerge) = (
        |at| stated(Act::Merge, "A", "B", at),
        |at| stated(Act::Unmerge, "A", "B", at),
    );
    assert_eq!(of(&[merge(1)]), [1]);
    assert_eq!(of(&[merge(1), unmerge(2)]), [0; 0]);
    assert_eq!(of(&[unmerge(1), merge(2)]), [2]);
    assert_eq!(of(&[merge(2), unmerge(2)]), [0; 0]);
    assert_eq!(of(&[merge(1), unmerge(2), merge(5), merge(3)]), [3]);
    // Of another pair, the same two ids the other way round included, it takes nothing back.
    assert_eq!(of(&[merge(1), stated(Act::Unmerge, "B", "A", 2)]), [1]);
}

proptest! {
    /// The set decides: order and repeats do not, and nobody is joined under an id that goes.
    #[test]
    fn a_person_is_a_function_of_the_set((all, other) in sets()) {
        let (one, two) = (in_force(&all), in_force(&other));
        prop_assert_eq!(&one, &two);
        if let Ok(end) = surviving(&one) {
            prop_assert!(one.iter().all(|merge| merge.from != end));
        }
    }
}

/// Statements of five ids, and the same in another order with some of them repeated.
fn sets() -> impl Strategy<Value = (Vec<Statement>, Vec<Statement>)> {
    let one = (any::<bool>(), 0_u8..5, 0_u8..5, 0_i64..4).prop_filter_map(
        "two ids",
        |(merge, a, b, at)| {
            let name = |number: u8| char::from(b'A' + number).to_string();
            let act = if merge { Act::Merge } else { Act::Unmerge };
            (a != b).then(|| stated(act, &name(a), &name(b), at))
        },
    );
    proptest::collection::vec(one, 0..9).prop_flat_map(|all| {
        let again: Vec<Statement> = all.iter().chain(all.iter().take(3)).cloned().collect();
        (Just(all), Just(again).prop_shuffle())
    })
}
