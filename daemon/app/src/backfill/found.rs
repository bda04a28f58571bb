//! Answers of QIDO-RS: an array of data sets in the DICOM JSON model (PS3.18 annex F), read as they come.
//! Only what is asked for is kept of them.

use serde::de::{DeserializeSeed, Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};
use std::fmt;
use std::io::{BufRead, BufReader, Read};

/// Answers of one page, beyond which an archive is taken to have lost its way: some give all at once.
const ANSWERS_MAX: usize = 200_000;

/// Bytes that are kept of one page.
const KEPT_MAX: usize = 64 << 20;

/// Characters that are kept of a text: one more than the longest UID has, so that what is longer is none.
const TEXT_MAX: usize = 65;

/// What one text, or one answer, takes besides its letters.
const AROUND: usize = 48;

/// The attributes that are kept, by their tags in eight hexadecimal digits.
const KEPT: [&str; 7] = [
    "00080016", "00080018", "00080020", "00080060", "00080061", "0020000D", "0020000E",
];

/// One answer: the texts of each attribute that is kept.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Found(Vec<(&'static str, Vec<String>)>);

/// Reads a page of answers.
///
/// # Errors
/// It is no array of objects, or there is no end to it.
pub fn page(body: impl Read) -> Result<Vec<Found>, String> {
    let mut body = BufReader::new(body);
    // An empty body is what some servers answer in the place of an empty array.
    if is_blank(&mut body).map_err(|error| error.to_string())? {
        return Ok(Vec::new());
    }
    let mut json = serde_json::Deserializer::from_reader(body);
    let read = Kept::default().deserialize(&mut json);
    let found = read.and_then(|found| json.end().map(|()| found));
    found.map_err(|error| format!("no array of data sets ({error})"))
}

/// Whether nothing comes but white space, which is passed over.
fn is_blank(body: &mut impl BufRead) -> std::io::Result<bool> {
    loop {
        let held = body.fill_buf()?;
        let blank = held.iter().take_while(|byte| byte.is_ascii_whitespace());
        let (blank, all) = (blank.count(), held.len());
        body.consume(blank);
        if blank < all || all == 0 {
            return Ok(all == 0);
        }
    }
}

impl Found {
    /// The values of an attribute, by its tag in eight hexadecimal digits; none when it is absent. It has
    /// to be one that is kept.
    #[must_use]
    pub fn texts(&self, tag: &str) -> &[String] {
        debug_assert!(KEPT.contains(&tag), "{tag} is not kept");
        let mut all = self.0.iter();
        all.find(|(known, _)| *known == tag)
            .map_or(&[], |(_, texts)| texts)
    }

    /// The UID of this tag, by which it is asked for.
    #[must_use]
    pub fn name(&self, tag: &str) -> Option<String> {
        self.texts(tag).first().cloned()
    }

    /// The only value of an attribute, or the first.
    #[must_use]
    pub fn text(&self, tag: &str) -> String {
        self.name(tag).unwrap_or_default()
    }
}

/// Anything may stand where nothing of use does.
macro_rules! of_no_use {
    ($default:expr) => {
        fn visit_bool<E>(self, _: bool) -> Result<Self::Value, E> {
            Ok($default)
        }
        fn visit_i64<E>(self, _: i64) -> Result<Self::Value, E> {
            Ok($default)
        }
        fn visit_u64<E>(self, _: u64) -> Result<Self::Value, E> {
            Ok($default)
        }
        fn visit_f64<E>(self, _: f64) -> Result<Self::Value, E> {
            Ok($default)
        }
        fn visit_unit<E>(self) -> Result<Self::Value, E> {
            Ok($default)
        }
    };
}

fn pass_array<'de, A: SeqAccess<'de>>(mut array: A) -> Result<(), A::Error> {
    while array.next_element::<IgnoredAny>()?.is_some() {}
    Ok(())
}

fn pass_object<'de, A: MapAccess<'de>>(mut object: A) -> Result<(), A::Error> {
    while object.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
    Ok(())
}

/// Reads the array; counts what is kept of it.
#[derive(Default)]
struct Kept {
    bytes: usize,
}

impl Kept {
    fn more<E: Error>(&mut self, bytes: usize) -> Result<(), E> {
        self.bytes += bytes + AROUND;
        if self.bytes > KEPT_MAX {
            Err(E::custom("it has no end"))
        } else {
            Ok(())
        }
    }
}

impl<'de> DeserializeSeed<'de> for Kept {
    type Value = Vec<Found>;

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<Vec<Found>, D::Error> {
        json.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for Kept {
    type Value = Vec<Found>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an array")
    }

    fn visit_seq<A: SeqAccess<'de>>(mut self, mut array: A) -> Result<Vec<Found>, A::Error> {
        let mut all = Vec::new();
        while let Some(found) = array.next_element_seed(DataSet(&mut self))? {
            if all.len() >= ANSWERS_MAX {
                return Err(A::Error::custom("it has no end"));
            }
            all.push(found);
        }
        Ok(all)
    }
}

/// Reads one answer.
struct DataSet<'a>(&'a mut Kept);

impl<'de> DeserializeSeed<'de> for DataSet<'_> {
    type Value = Found;

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<Found, D::Error> {
        json.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for DataSet<'_> {
    type Value = Found;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut object: A) -> Result<Found, A::Error> {
        let DataSet(kept) = self;
        kept.more(0)?;
        let mut found = Found::default();
        while let Some(tag) = object.next_key_seed(OneOf(&KEPT))? {
            let Some(tag) = tag else {
                object.next_value::<IgnoredAny>()?;
                continue;
            };
            let texts = object.next_value_seed(Element(kept))?;
            // Of two the later one, as JSON readers have it.
            found.0.retain(|(known, _)| *known != tag);
            found.0.push((tag, texts));
        }
        Ok(found)
    }
}

/// Reads a key that may be one of these.
struct OneOf(&'static [&'static str]);

impl<'de> DeserializeSeed<'de> for OneOf {
    type Value = Option<&'static str>;

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<Self::Value, D::Error> {
        json.deserialize_str(self)
    }
}

impl Visitor<'_> for OneOf {
    type Value = Option<&'static str>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a key")
    }

    fn visit_str<E>(self, key: &str) -> Result<Self::Value, E> {
        Ok(self.0.iter().find(|known| **known == key).copied())
    }
}

/// Reads the texts under `Value` of an attribute.
struct Element<'a>(&'a mut Kept);

impl<'de> DeserializeSeed<'de> for Element<'_> {
    type Value = Vec<String>;

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<Vec<String>, D::Error> {
        json.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Element<'_> {
    type Value = Vec<String>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an attribute")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut object: A) -> Result<Vec<String>, A::Error> {
        let mut texts = Vec::new();
        while let Some(key) = object.next_key_seed(OneOf(&["Value"]))? {
            match key {
                Some(_) => texts = object.next_value_seed(Values(self.0))?,
                None => drop(object.next_value::<IgnoredAny>()?),
            }
        }
        Ok(texts)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, array: A) -> Result<Vec<String>, A::Error> {
        pass_array(array)?;
        Ok(Vec::new())
    }

    fn visit_str<E>(self, _: &str) -> Result<Vec<String>, E> {
        Ok(Vec::new())
    }

    of_no_use!(Vec::new());
}

/// Reads the array of values.
struct Values<'a>(&'a mut Kept);

impl<'de> DeserializeSeed<'de> for Values<'_> {
    type Value = Vec<String>;

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<Vec<String>, D::Error> {
        json.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Values<'_> {
    type Value = Vec<String>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("values")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut array: A) -> Result<Vec<String>, A::Error> {
        let mut texts = Vec::new();
        while let Some(text) = array.next_element_seed(Text)? {
            if !text.is_empty() {
                self.0.more(text.len())?;
                texts.push(text);
            }
        }
        Ok(texts)
    }

    fn visit_map<A: MapAccess<'de>>(self, object: A) -> Result<Vec<String>, A::Error> {
        pass_object(object)?;
        Ok(Vec::new())
    }

    fn visit_str<E>(self, _: &str) -> Result<Vec<String>, E> {
        Ok(Vec::new())
    }

    of_no_use!(Vec::new());
}

/// Reads a value; what is no text is an empty one.
struct Text;

impl<'de> DeserializeSeed<'de> for Text {
    type Value = String;

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<String, D::Error> {
        json.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Text {
    type Value = String;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a value")
    }

    fn visit_str<E>(self, text: &str) -> Result<String, E> {
        let text = text.trim_matches([' ', '\0']);
        Ok(text.chars().take(TEXT_MAX).collect())
    }

    fn visit_seq<A: SeqAccess<'de>>(self, array: A) -> Result<String, A::Error> {
        pass_array(array)?;
        Ok(String::new())
    }

    fn visit_map<A: MapAccess<'de>>(self, object: A) -> Result<String, A::Error> {
        pass_object(object)?;
        Ok(String::new())
    }

    of_no_use!(String::new());
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(body: &[u8]) -> Result<Vec<Found>, String> {
        page(body)
    }

    /// Shortened from the example of PS3.18 F.4 (from memory), with a value that some servers pad.
    #[test]
    fn answers_are_read_by_tag() {
        let body = br#" [
            {"0020000D": {"vr": "UI", "Value": ["1.2.392.200036.9116.2.2.2.1762893313\u0000"]},
             "00080061": {"vr": "CS", "Value": ["CT", "SR "]},
             "00080016": {"vr": "UI"}},
            {"0020000D": {"vr": "UI", "Value": ["1.2.3"]}}
        ] "#;
        let found = read(body).unwrap();
        assert_eq!(found.len(), 2);
        assert_eq!(
            found[0].text("0020000D"),
            "1.2.392.200036.9116.2.2.2.1762893313"
        );
        assert_eq!(found[0].texts("00080061"), ["CT", "SR"]);
        assert_eq!(found[0].text("00080016"), "");
        assert_eq!(found[1].text("00080061"), "");
    }

    #[test]
    fn what_is_of_no_use_is_passed_over() {
        let body = br#"[{"00100010": {"vr": "PN", "Value": [{"Alphabetic": "A^B"}]},
            "00080061": {"Value": [null, 1, -1, 1.5, true, ["x"], {"y": []}, "", "SR"]},
            "00080060": "SR", "00080016": [1], "00080018": {"Value": {"a": 1}}, "0020000E": null,
            "00080020": {"Value": "20240101"}, "0020000D": {"Value": ["1"], "Value": ["2"]}}]"#;
        let found = read(body).unwrap();
        assert_eq!(found[0].texts("00080061"), ["SR"]);
        for tag in ["00080060", "00080016", "00080018", "0020000E", "00080020"] {
            assert!(found[0].texts(tag).is_empty(), "{tag}");
        }
        assert_eq!(found[0].text("0020000D"), "2");
    }

    #[test]
    fn a_text_that_is_too_long_is_no_uid() {
        let long = format!(
            r#"[{{"0020000D": {{"Value": ["1{}"]}}}}]"#,
            ".1".repeat(1000)
        );
        let name = read(long.as_bytes()).unwrap()[0].text("0020000D");
        assert_eq!(name.len(), 65);
        assert!(!sheathline_model::sr::is_uid(&name));
    }

    #[test]
    fn a_page_without_end_is_refused() {
        let many = format!("[{}{{}}]", "{},".repeat(ANSWERS_MAX));
        assert!(read(many.as_bytes()).unwrap_err().contains("no end"));
        let value = format!("\"{}\",", "1".repeat(64)).repeat(KEPT_MAX / 100);
        let much = format!(r#"[{{"0020000D": {{"Value": [{value}"1"]}}}}]"#);
        assert!(read(much.as_bytes()).unwrap_err().contains("no end"));
        let deep = "[".repeat(100_000);
        assert!(read(format!("[{{\"a\": {deep}").as_bytes()).is_err());
    }

    #[test]
    fn what_is_no_array_of_data_sets_is_told() {
        assert_eq!(read(b"").unwrap().len(), 0);
        assert_eq!(read(b" \n").unwrap().len(), 0);
        assert_eq!(read(b" [] ").unwrap().len(), 0);
        for body in [
            &b"{}"[..],
            b"[1]",
            b"<html>",
            b"[{\"a\":",
            b"\xff",
            b"[] []",
        ] {
            assert!(read(body).is_err());
        }
    }
}
