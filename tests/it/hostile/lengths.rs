//! Every length field of a report in four transfer syntaxes, each with every lie; and the same of
//! an association request.

use super::super::harness::fixture;
use super::build::{self, DEFLATED, EXPLICIT};
use super::{MIB, reader};
use std::fs;

/// Twice the input and this much may a file cost beside what a sound one costs.
const ROOM: u64 = 8 * MIB;

/// Every damaged copy of a report: of the file meta group, which is always explicit, then of the
/// data set; that of a deflated one is damaged before it is deflated.
fn damaged(case: &str) -> Vec<Vec<u8>> {
    let file = fs::read(fixture(&format!("sr/{case}/report.dcm"))).expect("fixture");
    let (syntax, at) = build::parts(&file);
    let (meta, data) = file.split_at(at);
    let (data, inner) = match syntax {
        DEFLATED => (build::inflate(data), EXPLICIT),
        _ => (data.to_vec(), syntax),
    };
    let packed = |data: &[u8]| match syntax {
        DEFLATED => build::deflate(data),
        _ => data.to_vec(),
    };
    let mut copies = Vec::new();
    for field in build::length_fields(meta, EXPLICIT, 132) {
        each_lie(meta, EXPLICIT, field, |meta| {
            copies.push([meta, packed(&data)].concat())
        });
    }
    let fields = build::length_fields(&data, inner, 0);
    assert!(
        fields.len() > 250,
        "{case}: only {} lengths found",
        fields.len()
    );
    for field in fields {
        each_lie(&data, inner, field, |data| {
            copies.push([meta.to_vec(), packed(&data)].concat())
        });
    }
    copies
}

fn each_lie(sound: &[u8], syntax: &str, field: (usize, usize), mut take: impl FnMut(Vec<u8>)) {
    for length in build::lies(build::number(sound, syntax, field.0, field.1)) {
        let mut copy = sound.to_vec();
        build::put(&mut copy, syntax, field, length);
        if copy != sound {
            take(copy);
        }
    }
}

#[test]
fn every_length_of_a_file() {
    let sound = fs::read(fixture("sr/tid1500/report.dcm")).expect("fixture");
    let base = reader::read_all([sound], |_| "a sound report".to_owned()).peak;
    let mut all = 0;
    for case in [
        "tid1500",
        "tid1500-implicit",
        "tid1500-big-endian",
        "tid1500-deflated",
    ] {
        let copies = damaged(case);
        let largest = copies.iter().map(Vec::len).max().unwrap_or(0) as u64;
        all += copies.len();
        let read = reader::read_all(copies, |n| format!("{case}, damaged copy {n}"));
        let bound = base + 2 * largest + ROOM;
        assert!(read.peak <= bound, "{case}: {} of {bound} bytes", read.peak);
        let refused = read
            .rows
            .iter()
            .filter(|row| row["disposition"] == "quarantined")
            .count();
        println!(
            "{case}: {} copies, {refused} refused, {} KiB",
            read.rows.len(),
            read.peak >> 10
        );
        assert!(
            refused * 2 > read.rows.len(),
            "{case}: only {refused} lies are noticed"
        );
    }
    println!(
        "{all} lengths in all, {} KiB for a sound report",
        base >> 10
    );
}

/// The measure notices: a legal report with twenty mebibytes of text shows in it, which is held once;
/// a quarter is left for what the short one takes by chance.
#[test]
fn the_measure_of_memory_notices() {
    let plain = reader::read_all([file_with_text(16)], |_| "a short text".to_owned());
    let large = reader::read_all([file_with_text(20 << 20)], |_| "a long text".to_owned());
    assert_eq!(plain.rows[0]["disposition"], large.rows[0]["disposition"]);
    assert!(plain.peak > MIB);
    assert!(
        large.peak > plain.peak + 15 * MIB,
        "{} and {}",
        large.peak,
        plain.peak
    );
}

fn file_with_text(length: usize) -> Vec<u8> {
    let text = vec![b'x'; length];
    build::file(
        EXPLICIT,
        &build::element(EXPLICIT, build::TEXT, "UT", &text),
    )
}

/// A name of thirty mebibytes is cut before it is copied: it costs its own length where it is read
/// and decoded, and nothing behind that. One of a patient id is nobody's.
#[test]
fn a_name_without_end() {
    const NAME: usize = 30 << 20;
    const IMPLICIT: &str = "1.2.840.10008.1.2";
    let named = |length: usize| {
        let name = vec![b'A'; length];
        let elements = [
            build::element(
                IMPLICIT,
                (0x0008, 0x0016),
                "UI",
                b"1.2.840.10008.5.1.4.1.1.88.33\0",
            ),
            build::element(IMPLICIT, (0x0008, 0x0018), "UI", b"1.2.3.4\0"),
            build::element(IMPLICIT, (0x0008, 0x1070), "PN", &name),
            build::element(IMPLICIT, (0x0020, 0x000D), "UI", b"1.2.3\0"),
        ];
        build::file(IMPLICIT, &elements.concat())
    };
    let plain = reader::read_all([named(16)], |_| "a short name".to_owned());
    let long = reader::read_all([named(NAME)], |_| "a long name".to_owned());
    let operator = long.rows[0]["exam"]["operator"].as_str().expect("a name");
    assert_eq!(operator.chars().count(), 64);
    assert_eq!(plain.rows[0]["exam"]["operator"], "A".repeat(16));
    let cost = long.peak - plain.peak;
    println!("{} MiB for {} MiB", cost >> 20, NAME >> 20);
    assert!(cost < 4 * NAME as u64, "{} MiB", cost >> 20);
}
