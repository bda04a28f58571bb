//! Text in the character sets of DICOM (PS3.3 C.12.1.1.2), code extensions included (PS3.5 6.1.2).
//!
//! The decoder of data sets follows the first value only, so the gate hides the declaration from
//! it and it hands every byte over as the Latin-1 letter of the same number. Here letters become
//! bytes again and are decoded in full. Bytes that fit nothing stay apart from each other.

use super::FallbackCharset;
use dicom_core::Tag;
use encoding_rs::{DecoderResult, Encoding};
use std::borrow::Cow;

/// Where the gate puts Specific Character Set: a tag that the standard does not use.
pub(super) const DECLARED: Tag = Tag(0x0008, 0x0004);

/// Letters that stand for undecodable bytes until the text is shown: private use, plane 16.
const MARK: u32 = 0x10_FF00;

const ESCAPE: u8 = 0x1B;

/// One coded set of characters.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Set {
    Ascii,
    Latin1,
    /// The upper half, one byte a letter.
    Single(&'static Encoding),
    /// The upper half, two bytes a letter.
    Double(&'static Encoding),
    /// JIS X 0208 and 0212, two bytes of the lower half.
    Jis0208,
    Jis0212,
}

/// The declared sets of a data set.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Charset {
    /// A set that takes the whole text and knows no escapes.
    whole: Option<&'static Encoding>,
    upper: Option<Set>,
    /// Every declared term is known.
    pub(super) known: bool,
    pub(super) word: Word,
}

/// On whose word text is in a set.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Word {
    /// Nobody's: nothing but ASCII is read.
    Nobody,
    /// The object declares it.
    Declared,
    /// The configuration says so, in these terms, of objects that declare nothing.
    Assumed(String),
}

impl Default for Charset {
    /// Nothing declared, nothing assumed.
    fn default() -> Self {
        Charset {
            whole: None,
            upper: None,
            known: true,
            word: Word::Nobody,
        }
    }
}

/// Terms that can stand alone (PS3.3 tables C.12-2 and C.12-5), and the encoding that reads each.
pub(super) const SINGLE: &[(&str, &Encoding)] = &[
    ("ISO_IR 100", encoding_rs::WINDOWS_1252),
    ("ISO_IR 101", encoding_rs::ISO_8859_2),
    ("ISO_IR 109", encoding_rs::ISO_8859_3),
    ("ISO_IR 110", encoding_rs::ISO_8859_4),
    ("ISO_IR 144", encoding_rs::ISO_8859_5),
    ("ISO_IR 127", encoding_rs::ISO_8859_6),
    ("ISO_IR 126", encoding_rs::ISO_8859_7),
    ("ISO_IR 138", encoding_rs::ISO_8859_8),
    ("ISO_IR 148", encoding_rs::WINDOWS_1254),
    ("ISO_IR 203", encoding_rs::ISO_8859_15),
    ("ISO_IR 13", encoding_rs::SHIFT_JIS),
    ("ISO_IR 166", encoding_rs::WINDOWS_874),
    ("ISO_IR 192", encoding_rs::UTF_8),
    ("GB18030", encoding_rs::GB18030),
    ("GBK", encoding_rs::GBK),
];

/// What a defined term names.
enum Half {
    /// A lower half alone.
    Lower,
    /// An upper half.
    Upper(Set),
}

impl Half {
    fn upper(self) -> Option<Set> {
        match self {
            Half::Lower => None,
            Half::Upper(set) => Some(set),
        }
    }
}

/// The half that a defined term names; `None` when the term is unknown.
fn half(term: &str) -> Option<Half> {
    use Set::{Double, Latin1, Single};
    let number = term
        .strip_prefix("ISO_IR ")
        .or_else(|| term.strip_prefix("ISO 2022 IR "))?;
    Some(match number {
        // Lower halves, which stand by themselves or are reached by escapes.
        "6" | "87" | "159" => Half::Lower,
        "100" => Half::Upper(Latin1),
        "149" => Half::Upper(Double(encoding_rs::EUC_KR)),
        "58" => Half::Upper(Double(encoding_rs::GBK)),
        // No half of anything.
        "192" => return None,
        _ => Half::Upper(Single(single(&format!("ISO_IR {number}"))?)),
    })
}

/// The encoding of a term that can stand alone.
fn single(term: &str) -> Option<&'static Encoding> {
    let mut all = SINGLE.iter();
    all.find_map(|(one, encoding)| (*one == term).then_some(*encoding))
}

impl Charset {
    /// The sets that a value of Specific Character Set declares.
    pub(super) fn of(value: &str) -> Charset {
        let terms: Vec<&str> = value
            .split('\\')
            .map(|t| t.trim_matches([' ', '\0']))
            .collect();
        let declared = terms.iter().any(|term| !term.is_empty());
        let whole = match terms.as_slice() {
            [one @ ("ISO_IR 192" | "GB18030" | "GBK")] => single(one),
            _ => None,
        };
        if !declared || whole.is_some() {
            let word = if declared {
                Word::Declared
            } else {
                Word::Nobody
            };
            return Charset {
                whole,
                word,
                ..Charset::default()
            };
        }
        let mut known = true;
        let mut first = None;
        for (at, term) in terms.iter().enumerate() {
            let named = match *term {
                "" => Some(Half::Lower),
                term => half(term),
            };
            known &= named.is_some();
            if at == 0 {
                // A set nobody knows reads as Latin-1, so that different bytes stay different.
                first = named.unwrap_or(Half::Upper(Set::Latin1)).upper();
            }
        }
        Charset {
            whole: None,
            upper: first,
            known,
            word: Word::Declared,
        }
    }

    /// What holds around an object, until it declares something.
    pub(super) fn before(fallback: Option<&FallbackCharset>) -> Charset {
        fallback.map_or_else(Charset::default, |fallback| Charset {
            word: Word::Assumed(fallback.terms().to_owned()),
            ..Charset::of(fallback.terms())
        })
    }

    /// Decodes; bytes that fit nothing become marks. `name`: a person name, whose `^` and `=` end
    /// what an escape began.
    pub(super) fn decode<'b>(&self, bytes: &'b [u8], name: bool) -> Decoded<'b> {
        if let Some(text) = plain(bytes) {
            return Decoded {
                text: Cow::Borrowed(text),
                marked: false,
                plain: true,
            };
        }
        let mut out = Decoding {
            text: String::with_capacity(bytes.len()),
            marked: false,
        };
        match (self.whole, &self.word) {
            (Some(encoding), _) => out.run(encoding, bytes),
            // Escapes too are a declared set's.
            (None, Word::Nobody) => {
                for &byte in bytes {
                    if byte.is_ascii() && byte != ESCAPE {
                        out.text.push(char::from(byte))
                    } else {
                        out.mark(byte)
                    }
                }
            }
            (None, _) => self.extended(bytes, name, &mut out),
        }
        Decoded {
            text: Cow::Owned(out.text),
            marked: out.marked,
            plain: false,
        }
    }

    fn extended(&self, bytes: &[u8], name: bool, out: &mut Decoding) {
        let (mut lower, mut high) = (Set::Ascii, self.upper);
        let mut rest = bytes;
        while let Some((&byte, after)) = rest.split_first() {
            if byte == ESCAPE
                && let Some((set, is_lower, length)) = escape(after)
            {
                if is_lower {
                    lower = set
                } else {
                    high = Some(set)
                }
                rest = after.get(length..).unwrap_or_default();
                continue;
            }
            let ends = matches!(byte, b'\t' | b'\n' | 0x0C | b'\r')
                || lower == Set::Ascii && (byte == b'\\' || name && matches!(byte, b'^' | b'='));
            if ends {
                (lower, high) = (Set::Ascii, self.upper);
            }
            let set = match byte {
                0..=0x20 | 0x7F => Some(Set::Ascii),
                0x21..=0x7E => Some(lower),
                0x80.. => high,
            };
            let two = after.first().map(|&next| [byte | 0x80, next | 0x80]);
            rest = after;
            match (set, two) {
                (Some(Set::Ascii | Set::Latin1), _) => out.text.push(char::from(byte)),
                (Some(Set::Single(encoding)), _) => out.run(encoding, &[byte]),
                (Some(Set::Double(encoding)), Some(pair)) => {
                    out.run(encoding, &pair);
                    rest = after.get(1..).unwrap_or_default();
                }
                (Some(Set::Jis0208), Some(pair)) => {
                    out.run(encoding_rs::EUC_JP, &pair);
                    rest = after.get(1..).unwrap_or_default();
                }
                (Some(Set::Jis0212), Some([one, two])) => {
                    out.run(encoding_rs::EUC_JP, &[0x8F, one, two]);
                    rest = after.get(1..).unwrap_or_default();
                }
                _ => out.mark(byte),
            }
        }
    }
}

/// Escape sequences of PS3.3 tables C.12-3 and C.12-4: set, whether it is a lower half, length
/// behind the escape byte.
fn escape(after: &[u8]) -> Option<(Set, bool, usize)> {
    let upper = |number: &str| half(&format!("ISO_IR {number}")).and_then(Half::upper);
    let (set, lower, length) = match *after {
        [b'(', b'B' | b'J', ..] => (Some(Set::Ascii), true, 2),
        [b')', b'I', ..] => (upper("13"), false, 2),
        [b'-', letter, ..] => {
            let number = match letter {
                b'A' => "100",
                b'B' => "101",
                b'C' => "109",
                b'D' => "110",
                b'L' => "144",
                b'G' => "127",
                b'F' => "126",
                b'H' => "138",
                b'M' => "148",
                b'T' => "166",
                b'b' => "203",
                _ => return None,
            };
            (upper(number), false, 2)
        }
        [b'$', b'B', ..] => (Some(Set::Jis0208), true, 2),
        [b'$', b'(', b'D', ..] => (Some(Set::Jis0212), true, 3),
        [b'$', b')', b'C', ..] => (upper("149"), false, 3),
        [b'$', b')', b'A', ..] => (upper("58"), false, 3),
        _ => return None,
    };
    Some((set?, lower, length))
}

/// ASCII without escapes, which is the same in every set.
fn plain(bytes: &[u8]) -> Option<&str> {
    let plain = bytes.is_ascii() && !bytes.contains(&ESCAPE);
    plain.then(|| std::str::from_utf8(bytes).ok())?
}

/// Decoded text, with marks for bytes that fit nothing.
#[derive(Debug)]
pub(super) struct Decoded<'b> {
    pub(super) text: Cow<'b, str>,
    /// There are marks.
    pub(super) marked: bool,
    /// ASCII, the same in every set.
    pub(super) plain: bool,
}

/// Text as far as it is decoded.
struct Decoding {
    text: String,
    marked: bool,
}

impl Decoding {
    fn mark(&mut self, byte: u8) {
        self.marked = true;
        self.text.extend(char::from_u32(MARK + u32::from(byte)));
    }

    fn run(&mut self, encoding: &'static Encoding, bytes: &[u8]) {
        let mut decoder = encoding.new_decoder_without_bom_handling();
        let mut rest = bytes;
        loop {
            // Four bytes of UTF-8 a byte are more than any letter takes.
            self.text.reserve(rest.len() * 4 + 16);
            let (result, read) =
                decoder.decode_to_string_without_replacement(rest, &mut self.text, true);
            let done = rest.get(..read).unwrap_or_default();
            rest = rest.get(read..).unwrap_or_default();
            match result {
                DecoderResult::InputEmpty => return,
                DecoderResult::OutputFull => {}
                DecoderResult::Malformed(bad, sound) => {
                    let end = done.len().saturating_sub(usize::from(sound));
                    let start = end.saturating_sub(usize::from(bad));
                    for &byte in done.get(start..end).unwrap_or_default() {
                        self.mark(byte);
                    }
                }
            }
        }
    }
}

/// Text for people and keys: marks as a backslash and three octal digits.
pub(super) fn shown(text: &str) -> String {
    if text.is_ascii() {
        return text.to_owned();
    }
    let mut shown = String::with_capacity(text.len());
    for letter in text.chars() {
        match u32::from(letter).checked_sub(MARK) {
            Some(byte) if byte < 0x100 => shown.push_str(&format!("\\{byte:03o}")),
            _ => shown.push(letter),
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `fixtures/charset/texts.json` is what pydicom decodes: the examples of PS3.5 annexes H to
    /// K, and texts of every set.
    #[test]
    fn texts_against_pydicom() {
        let said = include_str!("../../../../fixtures/charset/texts.json");
        let said: Vec<serde_json::Value> = serde_json::from_str(said).unwrap();
        assert!(said.len() >= 25);
        for case in said {
            let text = |key: &str| case[key].as_str().unwrap();
            let hex = text("hex").as_bytes();
            let bytes: Vec<u8> = hex
                .chunks(2)
                .map(|two| u8::from_str_radix(std::str::from_utf8(two).unwrap(), 16).unwrap())
                .collect();
            let charset = Charset::of(text("sets"));
            let decoded = charset.decode(&bytes, case["name"].as_bool().unwrap());
            assert_eq!(shown(&decoded.text), text("text"), "{}", text("sets"));
            assert!(charset.known && !decoded.marked, "{}", text("sets"));
        }
    }

    #[test]
    fn what_fits_nothing_stays_apart() {
        for sets in [
            "ISO_IR 192",
            "\\ISO 2022 IR 87",
            "GB18030",
            "ISO_IR 6",
            "ISO 2022 IR 149",
            "",
        ] {
            let charset = Charset::of(sets);
            let read: std::collections::BTreeSet<String> = (0..=255_u8)
                .map(|byte| shown(&charset.decode(&[b'A', byte], false).text))
                .collect();
            assert_eq!(read.len(), 256, "{sets}");
        }
        assert!(!Charset::of("ISO_IR 999").known);
        assert_eq!(Charset::of("").word, Word::Nobody);
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_decode(bytes: Vec<u8>, at in 0_usize..6) {
            let sets = ["", "ISO_IR 192", "GB18030", "ISO 2022 IR 13\\ISO 2022 IR 87",
                "\\ISO 2022 IR 149", "\\ISO 2022 IR 159"];
            let _ = Charset::of(sets[at]).decode(&bytes, true);
        }
    }
}
