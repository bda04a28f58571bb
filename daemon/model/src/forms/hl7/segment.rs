//! Segments with the escapes of HL7 v2.5.1, chapter 2.7.

/// A field that is ready to be written.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Field(String);

impl Field {
    /// A field of one component.
    pub fn text(text: &str) -> Field {
        Field(escaped(text))
    }

    /// A field of components, each of subcomponents. Empty ones at the end are left away.
    pub(crate) fn from_components(components: Vec<Vec<&str>>) -> Field {
        let component = |parts: Vec<&str>| joined(parts.into_iter().map(escaped).collect(), "&");
        Field(joined(components.into_iter().map(component).collect(), "^"))
    }
}

/// A field of components.
pub fn composite<'a>(components: impl IntoIterator<Item = &'a str>) -> Field {
    Field::from_components(components.into_iter().map(|one| vec![one]).collect())
}

fn joined(mut parts: Vec<String>, by: &str) -> String {
    while parts.last().is_some_and(String::is_empty) {
        parts.pop();
    }
    parts.join(by)
}

/// Delimiters as escapes, line breaks as `\.br\`. Other control characters have no meaning in a
/// field and one of them ends the message, so they go as hexadecimal.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut letters = text.chars().peekable();
    while let Some(letter) = letters.next() {
        match letter {
            '|' => out.push_str("\\F\\"),
            '^' => out.push_str("\\S\\"),
            '&' => out.push_str("\\T\\"),
            '~' => out.push_str("\\R\\"),
            '\\' => out.push_str("\\E\\"),
            '\r' if letters.peek() == Some(&'\n') => {}
            '\n' | '\r' => out.push_str("\\.br\\"),
            c if c.is_control() => {
                let mut bytes = [0; 4];
                out.push_str("\\X");
                for byte in c.encode_utf8(&mut bytes).bytes() {
                    out.push_str(&format!("{byte:02X}"));
                }
                out.push('\\');
            }
            c => out.push(c),
        }
    }
    out
}

/// One segment.
pub struct Segment {
    name: &'static str,
    fields: Vec<Field>,
}

impl Segment {
    /// A segment of this name, without fields.
    pub fn new(name: &'static str) -> Segment {
        Segment {
            name,
            fields: Vec::new(),
        }
    }

    /// MSH, whose first field is the separator itself and whose second the other delimiters.
    pub fn header() -> Segment {
        Segment::new("MSH").field(2, Field("^~\\&".to_owned()))
    }

    /// Puts a field at its number, from 1.
    pub fn field(mut self, number: usize, field: Field) -> Segment {
        if self.fields.len() < number {
            self.fields.resize(number, Field::default());
        }
        if let Some(place) = number.checked_sub(1).and_then(|at| self.fields.get_mut(at)) {
            *place = field;
        }
        self
    }

    /// Sets a field to a text, escaped.
    pub fn text(self, number: usize, text: &str) -> Segment {
        self.field(number, Field::text(text))
    }

    /// The segment with its end.
    pub fn line(&self) -> String {
        let fields = self.fields.iter().map(|field| field.0.clone());
        // The separator after MSH is its first field.
        let fields = fields.skip(usize::from(self.name == "MSH")).collect();
        format!("{}|{}\r", self.name, joined(fields, "|"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// HL7 v2.5.1 chapter 2.7.1 and 2.7.6.
    #[test]
    fn delimiters_and_line_breaks_are_escaped() {
        let said = Field::text("a|b^c&d~e\\f\r\ng\nh\u{1c}ä");
        assert_eq!(said.0, r"a\F\b\S\c\T\d\R\e\E\f\.br\g\.br\h\X1C\ä");
    }

    #[test]
    fn fields_stand_at_their_numbers() {
        let segment = Segment::new("PID")
            .text(1, "1")
            .field(3, composite(["a", "", "b", ""]));
        assert_eq!(segment.line(), "PID|1||a^^b\r");
        assert_eq!(Segment::header().text(3, "X").line(), "MSH|^~\\&|X\r");
    }
}
