//! Names and reasons as they are kept.

/// Letters of a name.
const NAME_MAX: usize = 100;

/// Letters of a reason, or of a note.
const REASON_MAX: usize = 2000;

/// A name as it is kept.
///
/// # Errors
/// It cannot be kept; in words that go on from what it is.
pub fn author(text: &str) -> Result<String, String> {
    let name = kept(text, NAME_MAX)?;
    if name.is_empty() {
        Err("is empty; name somebody, or leave it out".to_owned())
    } else {
        Ok(name)
    }
}

/// A reason as it is kept.
///
/// # Errors
/// It cannot be kept; in words that go on from what it is.
pub fn reason(text: &str) -> Result<String, String> {
    kept(text, REASON_MAX)
}

fn kept(text: &str, most: usize) -> Result<String, String> {
    let text = text.trim();
    let length = text.chars().count();
    if length > most {
        return Err(format!("has {length} letters; {most} are kept"));
    }
    if text.chars().any(char::is_control) {
        Err("holds a control character; write it on one line".to_owned())
    } else {
        Ok(text.to_owned())
    }
}
