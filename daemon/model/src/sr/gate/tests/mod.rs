//! What the gate refuses and what it lets pass, by hand-made bytes.

mod hostile;
mod mutation;
mod pixels;

use super::*;
use crate::domain::RemarkCode;
use crate::sr::sample::{self, BIG, DEFLATED, EXPLICIT, IMPLICIT};
use dicom_core::Tag;

/// Undefined length (PS3.5 7.1.1).
pub(super) const OPEN: u32 = u32::MAX;
const ITEM: Tag = Tag(0xFFFE, 0xE000);
const END_ITEM: Tag = Tag(0xFFFE, 0xE00D);
const END_SEQUENCE: Tag = Tag(0xFFFE, 0xE0DD);
const SEQUENCE: Tag = Tag(0x0040, 0xA730);
const PRIVATE: Tag = Tag(0x0041, 0x1001);
const PIXELS: Tag = Tag(0x7FE0, 0x0010);
const LO: Tag = Tag(0x0008, 0x0070);

/// Writes headers and values one after another, with lengths as told.
#[derive(Clone, Copy)]
pub(super) struct Pen(pub(super) &'static str);

impl Pen {
    fn u16(self, number: u16) -> [u8; 2] {
        if self.0 == BIG {
            number.to_be_bytes()
        } else {
            number.to_le_bytes()
        }
    }

    fn u32(self, number: u32) -> [u8; 4] {
        if self.0 == BIG {
            number.to_be_bytes()
        } else {
            number.to_le_bytes()
        }
    }

    /// An element, item or delimiter that claims `length`; PS3.5 7.1.2, 7.1.3 and 7.5.
    pub(super) fn claim(self, tag: Tag, vr: &str, length: u32, value: &[u8]) -> Vec<u8> {
        let mut bytes = [self.u16(tag.0), self.u16(tag.1)].concat();
        if self.0 == IMPLICIT || tag.0 == 0xFFFE {
            bytes.extend(self.u32(length));
        } else if matches!(vr, "SQ" | "UN" | "OB" | "OW" | "UT" | "UC" | "OD" | "ZZ") {
            bytes.extend(vr.as_bytes());
            bytes.extend([0, 0]);
            bytes.extend(self.u32(length));
        } else {
            bytes.extend(vr.as_bytes());
            bytes.extend(self.u16(u16::try_from(length).unwrap()));
        }
        bytes.extend(value);
        bytes
    }

    pub(super) fn put(self, tag: Tag, vr: &str, value: &[u8]) -> Vec<u8> {
        self.claim(tag, vr, u32::try_from(value.len()).unwrap(), value)
    }

    fn open_item(self, value: &[u8]) -> Vec<u8> {
        [
            self.claim(ITEM, "", OPEN, value),
            self.put(END_ITEM, "", b""),
        ]
        .concat()
    }

    fn open_sequence(self, tag: Tag, vr: &str, value: &[u8]) -> Vec<u8> {
        [
            self.claim(tag, vr, OPEN, value),
            self.put(END_SEQUENCE, "", b""),
        ]
        .concat()
    }
}

fn refusal(bytes: &[u8], syntax: Option<&str>) -> (String, String) {
    let error = admit(bytes, syntax, &Limits::default()).unwrap_err();
    (error.code().to_string(), error.place.to_string())
}

/// PS3.5 7.1 to 7.5: one broken rule a line, in all three ways to write it.
#[test]
fn broken_rules_of_the_data_set() {
    for syntax in [IMPLICIT, EXPLICIT, BIG] {
        let pen = Pen(syntax);
        let explicit = syntax != IMPLICIT;
        let long = if explicit { 12 } else { 8 };
        let lo = pen.put(LO, "LO", b"ab");
        let empty = pen.put(ITEM, "", b"");
        let place = |rest: &str, at: usize| format!("{rest}byte {at}");
        let table = [
            (
                pen.claim(LO, "LO", 4, b"ab"),
                "gate-length-overrun",
                place("(0008,0070), ", 0),
            ),
            (
                pen.claim(Tag(0x0040, 0xA160), "UT", 0xFFFF_FFFE, b"ab"),
                "gate-length-overrun",
                place("(0040,A160), ", 0),
            ),
            (
                lo[..7].to_vec(),
                "gate-truncated",
                place("", 4 + usize::from(explicit) * 2),
            ),
            (lo[..3].to_vec(), "gate-truncated", place("", 0)),
            (
                [&*lo, &lo].concat(),
                "gate-duplicate-element",
                place("(0008,0070), ", 20),
            ),
            (
                [&*pen.put(SEQUENCE, "SQ", b""), &lo, &lo].concat(),
                "gate-duplicate-element",
                place("(0008,0070), ", 20 + long),
            ),
            ([&*lo, &[0; 2]].concat(), "gate-truncated", place("", 10)),
            (
                [&*lo, &pen.put(Tag(0, 0), "UL", &[0; 4])].concat(),
                "gate-trailing-bytes",
                place("(0000,0000), ", 10),
            ),
            (
                pen.put(Tag(0, 0), "UL", &[0; 4]),
                "gate-forbidden-group",
                place("(0000,0000), ", 0),
            ),
            (
                pen.put(Tag(2, 0x10), "UI", b"1.2\0"),
                "gate-forbidden-group",
                place("(0002,0010), ", 0),
            ),
            (
                pen.put(Tag(0xFFFF, 1), "UN", b""),
                "gate-forbidden-group",
                place("(FFFF,0001), ", 0),
            ),
            (
                empty.clone(),
                "gate-item-outside-sequence",
                place("(FFFE,E000), ", 0),
            ),
            (
                pen.put(END_ITEM, "", b""),
                "gate-delimiter-misplaced",
                place("(FFFE,E00D), ", 0),
            ),
            (
                pen.put(END_SEQUENCE, "", b""),
                "gate-delimiter-misplaced",
                place("(FFFE,E0DD), ", 0),
            ),
            (
                pen.put(Tag(0xFFFE, 1), "", b""),
                "gate-delimiter-misplaced",
                place("(FFFE,0001), ", 0),
            ),
            (
                pen.put(SEQUENCE, "SQ", &lo),
                "gate-not-an-item",
                place("(0040,A730) > (0008,0070), ", long),
            ),
            (
                pen.put(SEQUENCE, "SQ", &pen.put(END_SEQUENCE, "", b"")),
                "gate-delimiter-misplaced",
                place("(0040,A730) > (FFFE,E0DD), ", long),
            ),
            (
                pen.put(SEQUENCE, "SQ", &pen.put(END_ITEM, "", b"")),
                "gate-delimiter-misplaced",
                place("(0040,A730) > (FFFE,E00D), ", long),
            ),
            (
                pen.put(
                    SEQUENCE,
                    "SQ",
                    &pen.put(ITEM, "", &pen.put(END_ITEM, "", b"")),
                ),
                "gate-delimiter-misplaced",
                place("(0040,A730) item 1 > (FFFE,E00D), ", long + 8),
            ),
            (
                pen.open_sequence(
                    SEQUENCE,
                    "SQ",
                    &pen.claim(ITEM, "", OPEN, &pen.claim(END_ITEM, "", 2, b"ab")),
                ),
                "gate-delimiter-misplaced",
                place("(0040,A730) item 1 > (FFFE,E00D), ", long + 8),
            ),
            (
                pen.claim(SEQUENCE, "SQ", OPEN, &pen.claim(END_SEQUENCE, "", 2, b"ab")),
                "gate-delimiter-misplaced",
                place("(0040,A730) > (FFFE,E0DD), ", long),
            ),
            (
                pen.claim(SEQUENCE, "SQ", OPEN, &empty),
                "gate-truncated",
                place("(0040,A730) > ", long + 8),
            ),
            (
                pen.put(SEQUENCE, "SQ", &pen.claim(ITEM, "", OPEN, &lo)),
                "gate-truncated",
                place("(0040,A730) item 1 > ", long + 18),
            ),
            (
                pen.put(SEQUENCE, "SQ", &pen.claim(ITEM, "", 12, &lo)),
                "gate-length-overrun",
                place("(0040,A730) > (FFFE,E000), ", long),
            ),
            (
                [pen.claim(SEQUENCE, "SQ", 9, &empty), lo.clone()].concat(),
                "gate-truncated",
                place("(0040,A730) > ", long + 8),
            ),
            (
                pen.put(
                    SEQUENCE,
                    "SQ",
                    &[&*empty, &pen.put(ITEM, "", &pen.claim(LO, "LO", 4, b"ab"))].concat(),
                ),
                "gate-length-overrun",
                place("(0040,A730) item 2 > (0008,0070), ", long + 16),
            ),
            (
                pen.put(Tag(0x0028, 0x0010), "US", b"abc"),
                "gate-word-length",
                place("(0028,0010), ", 0),
            ),
            (
                pen.put(Tag(0x0040, 0xDB73), "UL", b"abcdef"),
                "gate-word-length",
                place("(0040,DB73), ", 0),
            ),
            (
                pen.put(Tag(0x0040, 0xA161), "FD", b"abcd"),
                "gate-word-length",
                place("(0040,A161), ", 0),
            ),
            (
                pen.put(Tag(0x0028, 0x0009), "AT", b"ab"),
                "gate-word-length",
                place("(0028,0009), ", 0),
            ),
            (
                pen.claim(PIXELS, "OW", OPEN, &empty),
                "gate-encapsulated-pixels",
                place("(7FE0,0010), ", 0),
            ),
            (
                pen.claim(Tag(0x0040, 0xA160), "UT", OPEN, &empty),
                "gate-undefined-length",
                place("(0040,A160), ", 0),
            ),
        ];
        for (bytes, code, place) in table {
            assert_eq!(
                refusal(&bytes, Some(syntax)),
                (code.to_owned(), place),
                "{syntax} {bytes:02x?}"
            );
        }
    }
}

/// Rules that only explicit VR can break (PS3.5 7.1.2, 6.2.2).
#[test]
fn broken_rules_of_explicit_vr() {
    for syntax in [EXPLICIT, BIG] {
        let pen = Pen(syntax);
        let item = pen.put(ITEM, "", b"");
        for (bytes, code) in [
            (pen.put(LO, "??", b"ab"), "gate-vr-letters"),
            (pen.put(LO, "lo", b"ab"), "gate-vr-letters"),
            (pen.put(LO, "\0\0", b"ab"), "gate-vr-letters"),
            (
                pen.claim(PRIVATE, "ZZ", OPEN, &item),
                "gate-undefined-length",
            ),
            (
                pen.claim(PRIVATE, "OB", OPEN, &item),
                "gate-undefined-length",
            ),
            // US or SS by Pixel Representation, so the decoder may read it as words.
            (
                pen.put(Tag(0x0028, 0x0106), "OB", b"abc"),
                "gate-word-length",
            ),
            (pen.put(Tag(0x0028, 0x0106), "SQ", b""), "gate-not-an-item"),
            (
                pen.open_sequence(Tag(0x0028, 0x0106), "UN", b""),
                "gate-undefined-length",
            ),
            // Inside UN only implicit VR is read.
            (
                pen.open_sequence(
                    PRIVATE,
                    "UN",
                    &Pen(EXPLICIT).open_item(&Pen(EXPLICIT).put(LO, "LO", b"ab")),
                ),
                "gate-length-overrun",
            ),
        ] {
            assert_eq!(
                refusal(&bytes, Some(syntax)).0,
                code,
                "{syntax} {bytes:02x?}"
            );
        }
    }
}

/// PS3.10 7.1: preamble, prefix, group 0002 in Explicit VR Little Endian.
#[test]
fn broken_files() {
    let data = sample::encode(&sample::report(), EXPLICIT);
    let good = sample::file_of(&data, EXPLICIT);
    let bad = |at: usize, byte: u8| {
        let mut bytes = good.clone();
        bytes[at] = byte;
        bytes
    };
    let empty = good[..good.len() - data.len()].to_vec();
    for (bytes, code) in [
        (vec![], "gate-not-dicom"),
        (b"%PDF-1.4".to_vec(), "gate-not-dicom"),
        (vec![0; 200], "gate-not-dicom"),
        (data.clone(), "gate-no-preamble"),
        (sample::encode(&sample::report(), BIG), "gate-no-preamble"),
        (good[128..].to_vec(), "gate-no-preamble"),
        (good[132..].to_vec(), "gate-no-preamble"),
        (empty, "gate-empty"),
        (good[..132].to_vec(), "gate-no-transfer-syntax"),
        (good[..140].to_vec(), "gate-length-overrun"),
        (good[..137].to_vec(), "gate-truncated"),
        // The value representation of the group length.
        (bad(136, b'S'), "gate-meta-broken"),
        (bad(139, 0xFF), "gate-length-overrun"),
        // Its element number, which then repeats.
        (bad(134, 2), "gate-meta-broken"),
        (
            sample::file_of(&data, "1.2.840.10008.1.2.4.100"),
            "transfer-syntax-unsupported",
        ),
        (sample::file_of(&data, ""), "gate-no-transfer-syntax"),
        // Named implicit but written explicit, and the other way round.
        (sample::file_of(&data, IMPLICIT), "gate-length-overrun"),
        (
            sample::file_of(&sample::encode(&sample::report(), IMPLICIT), EXPLICIT),
            "gate-vr-letters",
        ),
    ] {
        assert_eq!(
            refusal(&bytes, None).0,
            code,
            "{:02x?}",
            bytes.get(120..150)
        );
    }
    assert_eq!(refusal(b"", Some(EXPLICIT)).0, "gate-empty");
    assert_eq!(
        refusal(&data, Some("1.2.3")).0,
        "transfer-syntax-unsupported"
    );
    // Offsets count from the start of the file.
    let (code, place) = refusal(&good[..good.len() - 1], None);
    assert_eq!(code, "gate-truncated");
    assert_eq!(place, format!("(0040,A730) > byte {}", good.len() - 4));
}

#[test]
fn a_wrong_group_length_is_only_remarked() {
    let mut bytes = sample::file(&sample::report(), EXPLICIT);
    bytes[140] += 2;
    let admitted = admit(&bytes, None, &Limits::default()).unwrap();
    assert_eq!(admitted.remarks[0].code, "file-meta-length-wrong");
    assert_eq!(
        admitted.media_instance.as_deref(),
        Some(sample::SOP_INSTANCE)
    );
    assert_eq!(
        admitted.media_class.as_deref(),
        Some("1.2.840.10008.5.1.4.1.1.88.33")
    );
}

/// What is legal though rare passes: PS3.5 7.5, 6.2.2, 7.1.2.
#[test]
fn rare_but_legal() {
    for syntax in [IMPLICIT, EXPLICIT, BIG] {
        let pen = Pen(syntax);
        let lo = pen.put(LO, "LO", b"ab");
        for bytes in [
            pen.put(SEQUENCE, "SQ", b""),
            pen.open_sequence(SEQUENCE, "SQ", b""),
            // Defined around undefined and the other way round.
            pen.put(SEQUENCE, "SQ", &pen.open_item(&lo)),
            pen.open_sequence(SEQUENCE, "SQ", &pen.put(ITEM, "", &lo)),
            pen.open_sequence(
                SEQUENCE,
                "SQ",
                &[pen.open_item(b""), pen.put(ITEM, "", b"")].concat(),
            ),
            // Out of order, though against 7.1, hides nothing.
            [&*pen.put(SEQUENCE, "SQ", b""), &lo].concat(),
            // Odd lengths of text, though against 7.1.1, neither.
            pen.put(LO, "LO", b"abc"),
            // Letters of a later edition.
            pen.put(PRIVATE, "ZZ", b"abc"),
            pen.put(PRIVATE, "UN", &pen.claim(ITEM, "", OPEN, b"")),
        ] {
            let admitted = admit(&bytes, Some(syntax), &Limits::default());
            assert_eq!(admitted.unwrap().data, bytes, "{syntax} {bytes:02x?}");
        }
    }
}

/// PS3.5 6.2.2: the inside of UN of undefined length is implicit VR; the decoder would read it
/// as explicit, so it gets a defined length and stays closed. The hash sees the inside.
#[test]
fn unknown_sequences_are_closed_to_the_decoder() {
    let inside = Pen(IMPLICIT);
    let lo = inside.put(LO, "LO", b"ab");
    let nested = inside.open_sequence(SEQUENCE, "SQ", &inside.open_item(&lo));
    let items = inside.open_item(&nested);
    let open = |pen: Pen| {
        let delimiter = inside.put(END_SEQUENCE, "", b"");
        [pen.claim(PRIVATE, "UN", OPEN, &items), delimiter].concat()
    };
    let hash = |bytes: &[u8], syntax| {
        admit(bytes, Some(syntax), &Limits::default())
            .unwrap()
            .content_sha256
    };
    let as_sequence = {
        let pen = Pen(EXPLICIT);
        let nested = pen.put(
            SEQUENCE,
            "SQ",
            &pen.put(ITEM, "", &pen.put(LO, "LO", b"ab")),
        );
        hash(
            &pen.open_sequence(PRIVATE, "SQ", &pen.open_item(&nested)),
            EXPLICIT,
        )
    };
    assert_eq!(hash(&open(inside), IMPLICIT), as_sequence);
    for syntax in [EXPLICIT, BIG] {
        let pen = Pen(syntax);
        let bytes = open(pen);
        let admitted = admit(&bytes, Some(syntax), &Limits::default()).unwrap();
        let closed = pen.put(PRIVATE, "UN", &bytes[12..]);
        assert_eq!(admitted.data, closed);
        assert_eq!(admitted.content_sha256, as_sequence);
    }
}

#[test]
fn limits_are_the_last_allowed() {
    let pen = Pen(EXPLICIT);
    let nest = |levels| {
        (0..levels).fold(Vec::new(), |inner, _| {
            pen.put(SEQUENCE, "SQ", &pen.put(ITEM, "", &inner))
        })
    };
    let limits = Limits {
        depth: 5,
        elements: 10,
        inflated_bytes: 100,
    };
    let code = |bytes: &[u8], syntax| {
        let refused = admit(bytes, Some(syntax), &limits).err();
        refused.map(|error| error.code())
    };
    assert_eq!(code(&nest(5), EXPLICIT), None);
    let deeper = Limits {
        elements: 100,
        inflated_bytes: 1000,
        ..limits
    };
    let error = admit(&nest(6), Some(EXPLICIT), &deeper).unwrap_err();
    assert_eq!(error.code(), "gate-too-deep");
    assert_eq!(error.place.path, vec![(SEQUENCE, 1); 5]);

    // A sequence and its items count, and so does every further value of a text.
    let items = |count| pen.put(SEQUENCE, "SQ", &pen.put(ITEM, "", b"").repeat(count));
    assert_eq!(code(&items(9), EXPLICIT), None);
    assert_eq!(
        code(&items(10), EXPLICIT),
        Some(RemarkCode::GateTooManyElements)
    );
    assert_eq!(code(&pen.put(LO, "LO", &[b'\\'; 9]), EXPLICIT), None);
    assert_eq!(
        code(&pen.put(LO, "LO", &[b'\\'; 10]), EXPLICIT),
        Some(RemarkCode::GateTooManyElements)
    );

    let exact = |size: usize| pen.put(LO, "LO", &vec![b'a'; size - 8]);
    assert_eq!(code(&exact(100), EXPLICIT), None);
    assert_eq!(code(&exact(101), EXPLICIT), Some(RemarkCode::GateTooBig));
    assert_eq!(code(&sample::deflate(&exact(100)), DEFLATED), None);
    assert_eq!(
        code(&sample::deflate(&exact(101)), DEFLATED),
        Some(RemarkCode::GateInflatedTooBig)
    );
}

/// PS3.5 A.5: a raw deflate stream, padded to even length with one NUL.
#[test]
fn deflated_streams() {
    let data = sample::encode(&sample::report(), EXPLICIT);
    let good = sample::deflate(&data);
    let admitted = admit(&good, Some(DEFLATED), &Limits::default()).unwrap();
    // The first element is Specific Character Set (0008,0005), which the gate hides.
    let hidden = [&data[..2], &[4], &data[3..]].concat();
    assert_eq!(admitted.syntax, EXPLICIT);
    assert!(*admitted.data == *hidden && data[2] == 5);
    let with = |tail: &[u8]| [&good, tail].concat();
    assert!(admit(&with(&[0]), Some(DEFLATED), &Limits::default()).is_ok());
    // RFC 1952 2.3.1: CRC-32 and size, little endian.
    let mut crc = flate2::Crc::new();
    crc.update(&data);
    let trailer = [crc.sum().to_le_bytes(), (data.len() as u32).to_le_bytes()].concat();
    for tail in [trailer.clone(), [&*trailer, &[0]].concat()] {
        assert!(admit(&with(&tail), Some(DEFLATED), &Limits::default()).is_ok());
    }
    let mut forged = trailer.clone();
    forged[0] ^= 1;
    // Two bytes of zlib header, which raw deflate does not have.
    let zlib = [&[0x78, 0x9C][..], &good].concat();
    for (bytes, code) in [
        (with(&[0, 0]), "gate-trailing-bytes"),
        (with(b"x"), "gate-trailing-bytes"),
        (with(&forged), "gate-trailing-bytes"),
        (with(&trailer[..7]), "gate-trailing-bytes"),
        (good[..good.len() / 2].to_vec(), "gate-inflate-broken"),
        (good[..good.len() - 1].to_vec(), "gate-inflate-broken"),
        (vec![], "gate-inflate-broken"),
        (zlib, "gate-inflate-broken"),
        (sample::deflate(b""), "gate-empty"),
        (data.clone(), "gate-inflate-broken"),
    ] {
        assert_eq!(refusal(&bytes, Some(DEFLATED)).0, code);
    }
    let (code, place) = refusal(&sample::deflate(&data[..data.len() - 3]), Some(DEFLATED));
    assert_eq!(code, "gate-truncated");
    assert!(place.ends_with(" of the inflated data set"), "{place}");
}

#[test]
fn long_paths_are_cut_at_the_outer_end() {
    let place = Place {
        offset: 7,
        path: vec![(SEQUENCE, 1); 64],
        ..Place::default()
    };
    let text = place.to_string();
    assert!(
        text.starts_with("56 more > (0040,A730) item 1 > "),
        "{text}"
    );
    assert_eq!(text.matches("item").count(), 8);
}

/// The manual lists every code once.
#[test]
fn codes_are_distinct_and_kebab() {
    let faults = [
        Fault::NotDicom,
        Fault::NoPreamble,
        Fault::Meta(""),
        Fault::NoTransferSyntax,
        Fault::TransferSyntax(String::new()),
        Fault::Empty,
        Fault::TooBig { bytes: 0, limit: 0 },
        Fault::InflatedTooBig { limit: 0 },
        Fault::Inflate,
        Fault::TooDeep { limit: 0 },
        Fault::TooMany { limit: 0 },
        Fault::LengthOverrun {
            declared: 0,
            left: 0,
        },
        Fault::Truncated,
        Fault::UndefinedLength,
        Fault::EncapsulatedPixels,
        Fault::Delimiter,
        Fault::ItemOutside,
        Fault::NotAnItem,
        Fault::WordLength { length: 0, word: 0 },
        Fault::VrLetters,
        Fault::Duplicate,
        Fault::Group,
        Fault::Trailing,
    ];
    let codes: std::collections::BTreeSet<_> = faults.iter().map(Fault::code).collect();
    assert_eq!(codes.len(), faults.len());
    assert!(
        codes
            .iter()
            .all(|code| code.bytes().all(|b| b.is_ascii_lowercase() || b == b'-'))
    );
}
