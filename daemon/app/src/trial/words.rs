//! Single values that differ, in words.

use sheathline_model::reading::trial::{Changed, Told};

/// Lines about single values, as many as are told.
pub(crate) struct Details {
    /// The first of them.
    pub(crate) lines: Vec<String>,
    most: usize,
    /// How many there are.
    pub(crate) count: usize,
}

impl Details {
    pub(super) fn new(most: usize) -> Details {
        Details {
            lines: Vec::new(),
            most,
            count: 0,
        }
    }

    pub(super) fn add(&mut self, line: impl FnOnce() -> String) {
        self.count += 1;
        if self.lines.len() < self.most {
            self.lines.push(line());
        }
    }
}

/// One value that differs, on a line.
pub(super) fn told(name: &str, value: &Changed) -> String {
    let side = |told: Option<&Told>| {
        let Some(told) = told else {
            return "not read".to_owned();
        };
        let width = told
            .value_mm
            .map_or("no value".to_owned(), |width| width.to_string());
        let blocked: Vec<&str> = told.blocked_by.iter().map(|code| code.word()).collect();
        let used = match (told.usable, blocked.as_slice()) {
            (true, _) => String::new(),
            (false, []) => ", not used".to_owned(),
            (false, blocked) => format!(", not used: {}", blocked.join(", ")),
        };
        let sent = [&told.value_as_sent, &told.unit_as_sent];
        let sent: Vec<&str> = sent.into_iter().flatten().map(String::as_str).collect();
        let quantity = serde_json::to_value(told.quantity).unwrap_or_default();
        let quantity = quantity.as_str().unwrap_or_default().replace('_', " ");
        format!(
            "{quantity} {} {width} (sent as {}){used}",
            told.eye.word(),
            sent.join(" ")
        )
    };
    format!(
        "{name} {}: {} -> {}",
        value.place,
        side(value.before.as_ref()),
        side(value.after.as_ref())
    )
}
