//! Reports put together from the vocabulary by the input: always well formed, seldom sensible. Read
//! in every byte order alike, and read mirrored when right and left change places. With `SHOW` set
//! in the environment it prints what it reads.

#![no_main]

use libfuzzer_sys::fuzz_target;
use sheathline_model::domain::{Disposition, Laterality, ObjectReading, Severity};
use sheathline_model::reading::{Rules, read_object};
use sheathline_model::template::Templates;
use std::sync::LazyLock;

const LOCAL: &str = include_str!("../../../fixtures/sr/local-codes/dictionary.toml");

static RULES: LazyLock<Rules> = LazyLock::new(|| {
    let site = [("site.toml".to_owned(), LOCAL.to_owned())];
    let mut rules = Rules::new(Templates::load(&[], &site).expect("sound"));
    rules.presentation_states = true;
    rules
});

static SHOW: LazyLock<bool> = LazyLock::new(|| std::env::var_os("SHOW").is_some());

const SYNTAXES: [&str; 3] = [
    "1.2.840.10008.1.2",
    "1.2.840.10008.1.2.1",
    "1.2.840.10008.1.2.2",
];

/// Value and scheme; those of one side stand beside those of the other.
const CODES: [(&str, &str); 40] = [
    ("24028007", "SCT"),
    ("7771000", "SCT"),
    ("18944008", "SCT"),
    ("8966001", "SCT"),
    ("458766", "FMA"),
    ("458765", "FMA"),
    ("ONSD-R", "99TARNHOLT"),
    ("ONSD-L", "99TARNHOLT"),
    ("51440002", "SCT"),
    ("66459002", "SCT"),
    ("18234004", "SCT"),
    ("81745001", "SCT"),
    ("363698007", "SCT"),
    ("272741003", "SCT"),
    ("106233006", "SCT"),
    ("125105", "DCM"),
    ("121401", "DCM"),
    ("121404", "DCM"),
    ("370129005", "SCT"),
    ("121008", "DCM"),
    ("121024", "DCM"),
    ("121026", "DCM"),
    ("121001", "DCM"),
    ("126070", "DCM"),
    ("121069", "DCM"),
    ("81827009", "SCT"),
    ("103355008", "SCT"),
    ("131197000", "SCT"),
    ("121206", "DCM"),
    ("373098007", "SCT"),
    ("371912002", "SCT"),
    ("121410", "DCM"),
    ("62824007", "SCT"),
    ("30730003", "SCT"),
    ("sheath", "99SHEATHLINE"),
    ("nerve", "99SHEATHLINE"),
    ("sheath-diameter", "99SHEATHLINE"),
    ("126000", "DCM"),
    ("125007", "DCM"),
    ("X", "99NOBODY"),
];
const SIDED: usize = 8;

const UNITS: [&str; 8] = ["mm", "cm", "um", "m", "1", "kg", "[in_i]", "{px}"];
const NUMBERS: [&str; 16] = [
    "5.6",
    "5.4",
    "0.56",
    "56",
    "5600",
    "-5.6",
    "0",
    "1e1",
    "5,6",
    "",
    " ",
    "NaN",
    "inf",
    "1e308",
    "5.60000000000001",
    "9.99\\1",
];
const KINDS: [&str; 10] = [
    "CONTAINER",
    "NUM",
    "CODE",
    "TEXT",
    "NUM",
    "CODE",
    "DATETIME",
    "UIDREF",
    "IMAGE",
    "SCOORD",
];
const RELATIONS: [&str; 8] = [
    "CONTAINS",
    "HAS CONCEPT MOD",
    "HAS OBS CONTEXT",
    "HAS PROPERTIES",
    "INFERRED FROM",
    "HAS ACQ CONTEXT",
    "SELECTED FROM",
    "SEES",
];
const TIMES: [&str; 4] = [
    "20240501101500",
    "20240501",
    "20300230",
    "20230101000000+1400",
];

/// The input, read byte by byte; nought for ever after its end.
struct Feed<'a>(&'a [u8]);

impl Feed<'_> {
    fn byte(&mut self) -> usize {
        let (first, rest) = self.0.split_first().unwrap_or((&0, &[]));
        self.0 = rest;
        usize::from(*first)
    }

    fn pick<T: Copy>(&mut self, list: &[T]) -> T {
        list[self.byte() % list.len()]
    }
}

/// Writes elements after PS3.5 section 7.1, and codes of the other side when it is a mirror.
struct Pen {
    syntax: &'static str,
    mirror: bool,
}

impl Pen {
    fn number(&self, value: u64, width: usize) -> Vec<u8> {
        match self.syntax == SYNTAXES[2] {
            true => value.to_be_bytes()[8 - width..].to_vec(),
            false => value.to_le_bytes()[..width].to_vec(),
        }
    }

    fn put(&self, out: &mut Vec<u8>, tag: (u16, u16), vr: &str, value: &[u8]) {
        out.extend(self.number(tag.0.into(), 2));
        out.extend(self.number(tag.1.into(), 2));
        let odd = value.len() % 2;
        let length = (value.len() + odd) as u64;
        if self.syntax == SYNTAXES[0] || tag.0 == 0xFFFE {
            out.extend(self.number(length, 4));
        } else {
            out.extend(vr.bytes());
            match vr {
                "SQ" | "UT" => out.extend([vec![0, 0], self.number(length, 4)].concat()),
                _ => out.extend(self.number(length, 2)),
            }
        }
        out.extend(value);
        out.extend(&[if vr == "UI" { 0 } else { b' ' }][..odd]);
    }

    fn item(&self, out: &mut Vec<u8>, inside: &[u8]) {
        self.put(out, (0xFFFE, 0xE000), "", inside);
    }

    /// A sequence of one item.
    fn one(&self, out: &mut Vec<u8>, tag: (u16, u16), inside: &[u8]) {
        let mut item = Vec::new();
        self.item(&mut item, inside);
        self.put(out, tag, "SQ", &item);
    }

    fn code(&self, out: &mut Vec<u8>, tag: (u16, u16), (value, scheme): (&str, &str)) {
        let mut inside = Vec::new();
        self.put(&mut inside, (8, 0x100), "SH", value.as_bytes());
        self.put(&mut inside, (8, 0x102), "SH", scheme.as_bytes());
        self.put(&mut inside, (8, 0x104), "LO", b"meaning");
        self.one(out, tag, &inside);
    }

    fn pick_code(&self, out: &mut Vec<u8>, tag: (u16, u16), feed: &mut Feed<'_>) {
        let at = feed.byte() % CODES.len();
        let at = if self.mirror && at < SIDED {
            at ^ 1
        } else {
            at
        };
        self.code(out, tag, CODES[at]);
    }

    /// One content item (PS3.3 C.17.3) and what is below it.
    fn content(&self, out: &mut Vec<u8>, feed: &mut Feed<'_>, depth: usize, left: &mut usize) {
        let root = depth == 0;
        let kind = if root { "CONTAINER" } else { feed.pick(&KINDS) };
        if !root {
            self.put(out, (0x40, 0xA010), "CS", feed.pick(&RELATIONS).as_bytes());
        }
        if feed.byte() % 8 == 1 {
            self.put(out, (0x40, 0xA032), "DT", feed.pick(&TIMES).as_bytes());
        }
        self.put(out, (0x40, 0xA040), "CS", kind.as_bytes());
        self.pick_code(out, (0x40, 0xA043), feed);
        match kind {
            "CONTAINER" => self.put(out, (0x40, 0xA050), "CS", b"SEPARATE"),
            "DATETIME" => self.put(out, (0x40, 0xA120), "DT", feed.pick(&TIMES).as_bytes()),
            "UIDREF" => self.put(out, (0x40, 0xA124), "UI", b"1.2.3"),
            "TEXT" => self.put(out, (0x40, 0xA160), "UT", feed.pick(&NUMBERS).as_bytes()),
            "CODE" => self.pick_code(out, (0x40, 0xA168), feed),
            "NUM" => self.measured(out, feed),
            "IMAGE" => {
                let mut inside = Vec::new();
                self.put(
                    &mut inside,
                    (8, 0x1150),
                    "UI",
                    b"1.2.840.10008.5.1.4.1.1.6.1",
                );
                self.put(&mut inside, (8, 0x1155), "UI", b"1.2.7");
                self.one(out, (8, 0x1199), &inside);
            }
            _ => {
                let points: Vec<u8> = (0..feed.byte() % 6)
                    .flat_map(|_| self.number(((feed.byte() * 8) as f32).to_bits().into(), 4))
                    .collect();
                self.put(out, (0x70, 0x22), "FL", &points);
                self.put(out, (0x70, 0x23), "CS", b"POLYLINE");
            }
        }
        let mut below = Vec::new();
        let children = if depth < 6 { feed.byte() % 6 } else { 0 };
        for _ in 0..children.min(*left) {
            *left = left.saturating_sub(1);
            let mut child = Vec::new();
            if feed.byte() % 32 == 31 {
                // By reference (PS3.3 C.17.3.2.5).
                self.put(&mut child, (0x40, 0xA010), "CS", b"INFERRED FROM");
                let path = [1, feed.byte() as u64 % 4, feed.byte() as u64 % 4];
                let path: Vec<u8> = path.iter().flat_map(|&n| self.number(n, 4)).collect();
                self.put(&mut child, (0x40, 0xDB73), "UL", &path);
            } else {
                self.content(&mut child, feed, depth + 1, left);
            }
            self.item(&mut below, &child);
        }
        if !below.is_empty() {
            self.put(out, (0x40, 0xA730), "SQ", &below);
        }
    }

    fn measured(&self, out: &mut Vec<u8>, feed: &mut Feed<'_>) {
        let shape = feed.byte();
        let mut inside = Vec::new();
        self.code(&mut inside, (0x40, 0x08EA), (feed.pick(&UNITS), "UCUM"));
        self.put(
            &mut inside,
            (0x40, 0xA30A),
            "DS",
            feed.pick(&NUMBERS).as_bytes(),
        );
        if shape % 4 == 1 {
            let float = feed.pick(&[5.6, 5.4, 0.56, f64::NAN, f64::INFINITY, -0.0, 1e300]);
            self.put(
                &mut inside,
                (0x40, 0xA161),
                "FD",
                &self.number(float.to_bits(), 8),
            );
        }
        if shape % 16 != 15 {
            self.one(out, (0x40, 0xA300), &inside);
        }
    }

    fn report(&self, input: &[u8]) -> Vec<u8> {
        let mut feed = Feed(input);
        let mut out = Vec::new();
        self.put(&mut out, (8, 0x16), "UI", b"1.2.840.10008.5.1.4.1.1.88.33");
        self.put(&mut out, (8, 0x18), "UI", b"1.2.3.4");
        self.put(&mut out, (8, 0x20), "DA", b"20240501");
        self.put(&mut out, (8, 0x30), "TM", b"101500");
        self.put(&mut out, (0x10, 0x20), "LO", b"T-1");
        self.put(&mut out, (0x20, 0xD), "UI", b"1.2.3.5");
        self.put(&mut out, (0x20, 0xE), "UI", b"1.2.3.6");
        self.content(&mut out, &mut feed, 0, &mut 60);
        out
    }

    fn read(&self, input: &[u8]) -> ObjectReading {
        read_object(&self.report(input), Some(self.syntax), "", &RULES)
    }
}

fuzz_target!(|input: &[u8]| {
    let [reading, explicit, big] = SYNTAXES.map(|syntax| {
        let pen = Pen {
            syntax,
            mirror: false,
        };
        pen.read(input)
    });
    let text = |reading: &ObjectReading| serde_json::to_string(reading).expect("JSON");
    if *SHOW {
        eprintln!("{}", text(&reading));
    }
    assert_eq!(text(&reading), text(&explicit));
    assert_eq!(text(&reading), text(&big));

    let unread = reading
        .remarks
        .iter()
        .any(|remark| remark.code.starts_with("gate-"));
    assert!(!unread, "well formed and refused: {}", text(&reading));
    let blocked = |one: &[sheathline_model::domain::Remark]| {
        one.iter()
            .any(|remark| remark.severity == Severity::Blocking)
    };
    let mut all = reading.measurements.iter();
    if reading.disposition == Disposition::Quarantined {
        assert!(blocked(&reading.remarks) || all.any(|one| blocked(&one.remarks)));
    }
    for one in reading.measurements.iter().filter(|one| one.usable) {
        assert!(one.value_mm.is_some() && !blocked(&one.remarks), "{one:?}");
        assert!(one.eye != Laterality::Unresolved, "{one:?}");
    }

    let mirror = Pen {
        syntax: SYNTAXES[1],
        mirror: true,
    };
    let eyes = |reading: &ObjectReading, mirrored: bool| -> Vec<_> {
        let other = |eye| match eye {
            Laterality::Right if mirrored => Laterality::Left,
            Laterality::Left if mirrored => Laterality::Right,
            eye => eye,
        };
        let all = reading.measurements.iter();
        all.map(|one| (one.place.clone(), other(one.eye), one.value_mm, one.usable))
            .collect()
    };
    assert_eq!(eyes(&reading, false), eyes(&mirror.read(input), true));
});
