//! The text of a table as records (RFC 4180), strictly: what is not good CSV is told and never mended.

/// Letters of one field.
pub(super) const FIELD_MAX: usize = 1_000;

/// Fields of one record.
pub(super) const FIELDS_MAX: usize = 200;

/// Bytes of a table.
pub(super) const BYTES_MAX: usize = 64 * 1024 * 1024;

/// One record with the line it begins on, from 1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Record {
    pub(super) line: u64,
    pub(super) fields: Vec<String>,
    /// What is wrong with it: number of the field, from 1, and why.
    pub(super) wrong: Option<(usize, String)>,
}

/// The bytes of a file as text.
///
/// # Errors
/// They are no UTF-8; what to do.
pub(super) fn decoded(bytes: &[u8]) -> Result<&str, String> {
    if bytes.len() > BYTES_MAX {
        return Err(format!(
            "the table is larger than {} MiB; split it",
            BYTES_MAX / (1024 * 1024)
        ));
    }
    let advice = "save it as CSV in UTF-8 (spreadsheets call it \"CSV UTF-8\")";
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        return Err(format!("the table is written in UTF-16; {advice}"));
    }
    if bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(&[0xD0, 0xCF, 0x11, 0xE0]) {
        return Err(format!(
            "this is a spreadsheet's own file, not a table in text; {advice}"
        ));
    }
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    match std::str::from_utf8(bytes) {
        Ok(text) if text.contains('\0') => Err(format!(
            "the table holds bytes of nought, as UTF-16 has them; {advice}"
        )),
        Ok(text) => Ok(text),
        Err(error) => {
            let before = bytes.get(..error.valid_up_to()).unwrap_or_default();
            let line = 1 + before.iter().filter(|byte| **byte == b'\n').count();
            Err(format!(
                "line {line} is not UTF-8; it may be Latin-1 or another set, and none is guessed: {advice}"
            ))
        }
    }
}

struct Reader<'a> {
    letters: std::iter::Peekable<std::str::Chars<'a>>,
    separator: char,
    line: u64,
}

impl Reader<'_> {
    fn next(&mut self) -> Option<char> {
        let letter = self.letters.next()?;
        match letter {
            '\n' => self.line += 1,
            '\r' if self.letters.peek() != Some(&'\n') => self.line += 1,
            _ => {}
        }
        Some(letter)
    }

    /// Past the end of a line whose first letter was taken.
    fn end_line(&mut self, letter: char) {
        if letter == '\r' && self.letters.peek() == Some(&'\n') {
            self.next();
        }
    }
}

/// How a field ended.
enum End {
    Separator,
    Line,
    Text,
}

struct Field {
    text: String,
    letters: usize,
    wrong: Option<String>,
}

impl Field {
    fn push(&mut self, letter: char) {
        self.letters += 1;
        if self.letters <= FIELD_MAX {
            self.text.push(letter);
        }
    }

    fn wrong(&mut self, what: &str) {
        self.wrong.get_or_insert_with(|| what.to_owned());
    }
}

fn field(reader: &mut Reader<'_>) -> (Field, End) {
    let mut field = Field {
        text: String::new(),
        letters: 0,
        wrong: None,
    };
    let quoted = reader.letters.peek() == Some(&'"');
    if quoted {
        reader.next();
        loop {
            match reader.next() {
                Some('"') if reader.letters.peek() == Some(&'"') => {
                    reader.next();
                    field.push('"');
                }
                Some('"') => break,
                Some(letter) => field.push(letter),
                None => {
                    field.wrong("begins with a quote that nothing ends");
                    break;
                }
            }
        }
    }
    let end = loop {
        match reader.next() {
            None => break End::Text,
            Some(letter) if letter == reader.separator => break End::Separator,
            Some(letter @ ('\r' | '\n')) => {
                reader.end_line(letter);
                break End::Line;
            }
            Some(_) if quoted => field.wrong("goes on after its closing quote"),
            Some('"') => field.wrong("holds a quote and does not begin with one"),
            Some(letter) => field.push(letter),
        }
    };
    if field.letters > FIELD_MAX {
        let what = format!("has {} letters; {FIELD_MAX} are read", field.letters);
        field.wrong(&what);
    }
    (field, end)
}

/// All records; lines without any letter are passed over. At most `most`, and one that tells of more.
pub(super) fn records(text: &str, separator: char, most: usize) -> Vec<Record> {
    let mut reader = Reader {
        letters: text.chars().peekable(),
        separator,
        line: 1,
    };
    let mut records = Vec::new();
    while reader.letters.peek().is_some() && records.len() < most {
        let mut record = Record {
            line: reader.line,
            fields: Vec::new(),
            wrong: None,
        };
        let mut count = 0_usize;
        loop {
            let (field, end) = field(&mut reader);
            count += 1;
            if let Some(what) = field.wrong {
                record.wrong.get_or_insert((count, what));
            }
            if count <= FIELDS_MAX {
                record.fields.push(field.text.trim().to_owned());
            }
            match end {
                End::Separator => {}
                End::Line | End::Text => break,
            }
        }
        if count > FIELDS_MAX {
            let what = format!("is one of {count}; {FIELDS_MAX} columns are read");
            record.wrong.get_or_insert((FIELDS_MAX + 1, what));
        }
        let blank = record.fields.iter().all(String::is_empty);
        if !blank || record.wrong.is_some() {
            records.push(record);
        }
    }
    records
}
