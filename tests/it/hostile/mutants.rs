//! Sound reports, damaged at random from a fixed seed.
//!
//! `SHEATHLINE_MUTANTS` and `SHEATHLINE_SEED` ask for more or others. A failure names seed and
//! index; `mutant(seed, index)` makes the same bytes again.

use super::super::harness::fixture;
use super::build::{self, DEFLATED, EXPLICIT};
use super::{Dice, MIB, asked, reader};
use rustix::time::{ClockId, clock_gettime};
use sheathline_model::reading::{Rules, read_object};
use sheathline_model::template::Templates;
use std::collections::BTreeMap;
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Duration;

const SEED: u64 = 20_240_501;
const MUTANTS: u64 = 10_000;

/// Processor time one object may take in a build without optimisation; 10 ms is usual.
const PATIENCE: Duration = Duration::from_secs(2);

/// Twice the largest input and this much may the mutants cost beside what sound reports cost.
const ROOM: u64 = 8 * MIB;

/// Every report below `fixtures/sr`, in order of names.
fn sound() -> Vec<Vec<u8>> {
    let folders = fs::read_dir(fixture("sr")).expect("fixtures");
    let mut paths: Vec<_> = folders
        .map(|entry| entry.expect("entry").path().join("report.dcm"))
        .collect();
    paths.sort();
    paths
        .iter()
        .map(|path| fs::read(path).expect("a report"))
        .collect()
}

/// The mutant of that number: a report with one to six damages.
fn mutant(seed: u64, index: u64, sound: &[Vec<u8>]) -> Vec<u8> {
    let mut dice = Dice(seed ^ index.wrapping_mul(0xD134_2543_DE82_EF95));
    let mut bytes = dice.pick(sound).clone();
    // Damage done to deflated bytes seldom reaches the walk, so some is done before deflating.
    let at = (bytes.get(128..132) == Some(b"DICM")).then(|| build::parts(&bytes));
    let deflates = match at {
        Some((DEFLATED, at)) => {
            bytes = build::inflate(&bytes[at..]);
            true
        }
        Some((EXPLICIT, at)) if dice.below(16) == 0 => {
            bytes.drain(..at);
            true
        }
        _ => false,
    };
    // Fewer more often: most damage makes a refusal, and six are seldom survived.
    let most = 1 + dice.below(6);
    for _ in 0..=dice.below(most) {
        damage(&mut bytes, sound, &mut dice);
    }
    if deflates {
        build::file(DEFLATED, &build::deflate(&bytes))
    } else {
        bytes
    }
}

fn damage(bytes: &mut Vec<u8>, sound: &[Vec<u8>], dice: &mut Dice) {
    if bytes.is_empty() {
        return;
    }
    let at = dice.below(bytes.len());
    match dice.below(12) {
        0..=2 => bytes[at] = dice.next().to_le_bytes()[0],
        3..=5 => bytes[at] ^= 1 << dice.below(8),
        6 => lie(bytes, at, dice),
        7 if dice.below(4) == 0 => bytes.truncate(at),
        7 => drop(bytes.drain(at..bytes.len().min(at + 1 + dice.below(40)))),
        8..=10 => {
            let other = dice.pick(sound);
            let from = dice.below(other.len());
            let part = &other[from..other.len().min(from + 1 + dice.below(400))];
            let over = [0, part.len(), part.len()][dice.below(3)];
            bytes.splice(at..bytes.len().min(at + over), part.iter().copied());
        }
        _ => swap_tags(bytes, at, dice),
    }
}

/// Puts a lie into the length field of the element that begins at or after `at`.
fn lie(bytes: &mut [u8], at: usize, dice: &mut Dice) {
    let Some(at) = element_from(bytes, at) else {
        return;
    };
    let syntax = *dice.pick(&[EXPLICIT, build::BIG]);
    let long = matches!(&bytes[at + 4..at + 6], b"SQ" | b"UT" | b"UN" | b"OB");
    let letters = bytes[at + 4..at + 6].iter().all(u8::is_ascii_uppercase);
    let field = match (letters, long) {
        (true, true) if at + 12 <= bytes.len() => (at + 8, 4),
        (true, false) => (at + 6, 2),
        _ => (at + 4, 4),
    };
    let own = build::number(bytes, syntax, field.0, field.1);
    build::put(bytes, syntax, field, *dice.pick(&build::lies(own)));
}

fn swap_tags(bytes: &mut [u8], at: usize, dice: &mut Dice) {
    let other = dice.below(bytes.len());
    let (Some(one), Some(other)) = (element_from(bytes, at), element_from(bytes, other)) else {
        return;
    };
    for n in 0..4 {
        bytes.swap(one + n, other + n);
    }
}

/// Where the next element seems to begin: letters of a value representation behind a tag, or an
/// item or a delimiter.
fn element_from(bytes: &[u8], from: usize) -> Option<usize> {
    let looks = |window: &[u8]| {
        window[4..6].iter().all(u8::is_ascii_uppercase)
            || matches!(window[..4], [0xFE, 0xFF, _, 0xE0] | [0xFF, 0xFE, 0xE0, _])
    };
    let found = bytes.get(from..)?.windows(8).position(looks)?;
    Some(from + found)
}

#[test]
fn mutants_end_as_a_known_word_each() {
    let sound = sound();
    let seed = asked("SHEATHLINE_SEED", SEED);
    let count = asked("SHEATHLINE_MUTANTS", MUTANTS);
    let name = |index: u64| format!("mutant {index} of seed {seed}");
    let mutants: Vec<Vec<u8>> = (0..count)
        .map(|index| mutant(seed, index, &sound))
        .collect();

    // In a process of its own first: what ends a process would end this one as well.
    let base = reader::read_all(sound.clone(), |n| format!("sound report {n}")).peak;
    let largest = mutants.iter().map(Vec::len).max().unwrap_or(0) as u64;
    let read = reader::read_all(mutants.iter().cloned(), |n| name(n as u64));
    let bound = base + 2 * largest + ROOM;
    assert!(read.peak <= bound, "{} of {bound} bytes", read.peak);

    let rules = Rules::new(Templates::builtin().expect("sound"));
    let mut words: BTreeMap<String, usize> = BTreeMap::new();
    let mut slowest = (Duration::ZERO, 0);
    for ((bytes, row), index) in mutants.iter().zip(&read.rows).zip(0..) {
        let started = processor_time();
        let reading = catch_unwind(AssertUnwindSafe(|| read_object(bytes, None, "", &rules)));
        let took = processor_time() - started;
        let reading = reading.unwrap_or_else(|_| panic!("{} panics", name(index)));
        assert!(took < PATIENCE, "{} takes {took:?}", name(index));
        slowest = slowest.max((took, index));
        // The program says what the function says.
        let reading = serde_json::to_value(&reading).expect("JSON");
        assert_eq!(
            reading["disposition"],
            row["disposition"],
            "{}",
            name(index)
        );
        let word = row["disposition"].as_str().expect("a word");
        *words.entry(word.to_owned()).or_default() += 1;
    }
    println!(
        "{count} mutants of seed {seed}: {words:?}; {} KiB, sound {} KiB; slowest {:?} (mutant {})",
        read.peak >> 10,
        base >> 10,
        slowest.0,
        slowest.1
    );
    // Damage that refuses everything, or nothing, would test little.
    let refused = words.get("quarantined").copied().unwrap_or_default() as u64;
    assert!(
        refused > count / 10 && refused < count * 95 / 100,
        "{words:?}"
    );
}

/// Processor time of this thread: the load of the machine does not count.
fn processor_time() -> Duration {
    let time = clock_gettime(ClockId::ThreadCPUTime);
    Duration::try_from(time).expect("not negative")
}
