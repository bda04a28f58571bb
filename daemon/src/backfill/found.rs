//! Answers of QIDO-RS: an array of data sets in the DICOM JSON model (PS3.18 annex F).

use serde_json::{Map, Value};

/// One answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Found(Map<String, Value>);

/// Reads a page of answers.
///
/// # Errors
/// It is no array of objects.
pub fn page(body: &[u8]) -> Result<Vec<Found>, String> {
    // An empty body is what some servers answer in the place of an empty array.
    if body.trim_ascii().is_empty() {
        return Ok(Vec::new());
    }
    let value: Vec<Map<String, Value>> =
        serde_json::from_slice(body).map_err(|error| format!("no array of data sets ({error})"))?;
    Ok(value.into_iter().map(Found).collect())
}

impl Found {
    /// The values of an attribute, by its tag in eight hexadecimal digits; none when it is absent.
    #[must_use]
    pub fn texts(&self, tag: &str) -> Vec<String> {
        let values = self.0.get(tag).and_then(|element| element.get("Value"));
        let values = values.and_then(Value::as_array);
        let texts = values.into_iter().flatten().filter_map(Value::as_str);
        let trimmed = texts.map(|text| text.trim_matches([' ', '\0']).to_owned());
        trimmed.filter(|text| !text.is_empty()).collect()
    }

    /// The UID of this tag, by which it is asked for.
    #[must_use]
    pub fn name(&self, tag: &str) -> Option<String> {
        self.texts(tag).into_iter().next()
    }

    /// The only value of an attribute, or the first.
    #[must_use]
    pub fn text(&self, tag: &str) -> String {
        self.name(tag).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::page;

    /// Shortened from the example of PS3.18 F.4 (from memory), with a value that some servers pad.
    #[test]
    fn answers_are_read_by_tag() {
        let body = br#"[
            {"0020000D": {"vr": "UI", "Value": ["1.2.392.200036.9116.2.2.2.1762893313\u0000"]},
             "00080061": {"vr": "CS", "Value": ["CT", "SR "]},
             "00080050": {"vr": "SH"}},
            {"0020000D": {"vr": "UI", "Value": ["1.2.3"]}}
        ]"#;
        let found = page(body).unwrap();
        assert_eq!(found.len(), 2);
        assert_eq!(
            found[0].text("0020000D"),
            "1.2.392.200036.9116.2.2.2.1762893313"
        );
        assert_eq!(found[0].texts("00080061"), ["CT", "SR"]);
        assert_eq!(found[0].text("00080050"), "");
        assert_eq!(found[1].text("00080061"), "");
    }

    #[test]
    fn what_is_no_array_of_data_sets_is_told() {
        assert_eq!(page(b"").unwrap().len(), 0);
        assert_eq!(page(b" [] ").unwrap().len(), 0);
        for body in [&b"{}"[..], b"[1]", b"<html>", b"[{\"a\":", b"\xff"] {
            assert!(page(body).is_err());
        }
    }
}
