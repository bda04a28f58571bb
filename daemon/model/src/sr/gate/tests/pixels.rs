//! Pixel data: walked, told where it stands, and kept from the decoder (PS3.5 A.4).

use super::*;

const JPEG: &str = "1.2.840.10008.1.2.4.50";
const AFTER: Tag = Tag(0x7FE1, 0x0010);

/// Fragments behind an offset table, between two elements.
fn picture(fragments: &[u8]) -> (Vec<u8>, Vec<u8>) {
    let pen = Pen(EXPLICIT);
    let before = pen.put(LO, "LO", b"ab");
    let pixels = pen.claim(PIXELS, "OB", OPEN, fragments);
    let after = pen.put(AFTER, "LO", b"cd");
    let whole = [&*before, &*pixels, &*after].concat();
    (whole, [before, after].concat())
}

fn fragments() -> Vec<u8> {
    let pen = Pen(EXPLICIT);
    [
        pen.put(ITEM, "", b""),
        pen.put(ITEM, "", &[0xFF, 0xD8, 0xFE, 0xFF, 0x0D, 0xE0, 1, 2]),
        pen.put(ITEM, "", b"more"),
        pen.put(END_SEQUENCE, "", b""),
    ]
    .concat()
}

#[test]
fn fragments_pass_in_compressed_syntaxes_and_stay_outside() {
    let (whole, rest) = picture(&fragments());
    for syntax in COMPRESSED {
        let admitted = admit(&whole, Some(syntax), &Limits::default()).unwrap();
        assert_eq!(&*admitted.data, rest.as_slice());
        assert_eq!(admitted.syntax, EXPLICIT);
        let pixels = admitted.pixels.unwrap();
        assert_eq!(pixels, 10..10 + whole.len() - rest.len());
        assert_eq!(
            [&whole[..pixels.start], &whole[pixels.end..]].concat(),
            rest
        );
    }
    // In a file the place counts from its first byte.
    let file = sample::file_of(&whole, JPEG);
    let admitted = admit(&file, None, &Limits::default()).unwrap();
    let pixels = admitted.pixels.unwrap();
    assert!(file[pixels.start..].starts_with(&[0xE0, 0x7F, 0x10, 0x00, b'O', b'B']));
    assert_eq!(&file[pixels.end..], &rest[10..]);
    // Pixels are content: other pixels are another object.
    let (other, _) = picture(
        &fragments()
            .iter()
            .map(|b| b.saturating_sub(u8::from(*b == 2)))
            .collect::<Vec<_>>(),
    );
    let other = admit(&other, Some(JPEG), &Limits::default()).unwrap();
    let whole = admit(&whole, Some(JPEG), &Limits::default()).unwrap();
    assert_ne!(other.content_sha256, whole.content_sha256);
}

#[test]
fn native_pixels_stay_outside_too() {
    let pen = Pen(EXPLICIT);
    let rest = pen.put(LO, "LO", b"ab");
    let whole = [rest.clone(), pen.put(PIXELS, "OW", &[7; 64])].concat();
    let admitted = admit(&whole, Some(EXPLICIT), &Limits::default()).unwrap();
    assert_eq!(
        (&*admitted.data, admitted.pixels),
        (rest.as_slice(), Some(10..86))
    );
    let deflated = sample::deflate(&whole);
    let admitted = admit(&deflated, Some(DEFLATED), &Limits::default()).unwrap();
    assert_eq!((&*admitted.data, admitted.pixels), (rest.as_slice(), None));
}

#[test]
fn broken_fragments_are_refused() {
    let pen = Pen(EXPLICIT);
    let end = pen.put(END_SEQUENCE, "", b"");
    let table = [
        (pen.put(ITEM, "", b"abcd"), "gate-not-an-item"),
        (pen.claim(ITEM, "", 4000, b"abcd"), "gate-length-overrun"),
        (
            [pen.claim(ITEM, "", OPEN, b""), end.clone()].concat(),
            "gate-length-overrun",
        ),
        (
            [pen.put(LO, "LO", b"ab"), end.clone()].concat(),
            "gate-not-an-item",
        ),
    ];
    for (fragments, code) in table {
        let (whole, _) = picture(&fragments);
        assert_eq!(refusal(&whole, Some(JPEG)).0, code);
    }
    let cut = pen.claim(PIXELS, "OB", OPEN, &pen.put(ITEM, "", b"abcd"));
    assert_eq!(refusal(&cut, Some(JPEG)).0, "gate-truncated");
    // Below an item, where the decoder would see them.
    let nested = pen.claim(PIXELS, "OB", OPEN, &fragments());
    let nested = pen.open_sequence(SEQUENCE, "SQ", &pen.open_item(&nested));
    assert_eq!(refusal(&nested, Some(JPEG)).0, "gate-encapsulated-pixels");
    // A million fragments are a million elements.
    let many: Vec<u8> = pen.put(ITEM, "", b"").repeat(300_000);
    let (whole, _) = picture(&[many, end].concat());
    assert_eq!(refusal(&whole, Some(JPEG)).0, "gate-too-many-elements");
}
