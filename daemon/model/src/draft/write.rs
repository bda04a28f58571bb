//! A draft as the text of a dictionary file. Texts of senders end no line and begin no key.

use super::claims::Claims;
use super::facts::Seen;
use super::quoted::{string, strings, table, told};
use super::row::{Draft, Kind, Row, word_of};
use crate::domain::CodeRole;
use std::fmt::Write;

const HEAD: &str = "\
# A draft of a dictionary. Nothing in it is in force, and a configuration that names it is refused.
# `proposed` is what the meaning of a code clearly says; `proposed = {}` is left open. A proposal can be
# wrong: compare the values with the scanner's screen, right and left apart.
# Next: sheathline template try THIS_FILE REPORTS, to see what it would change;
#       sheathline template confirm THIS_FILE --output DICTIONARY, to answer for each.
";

/// The rules that go with codes for a part: a width of what is called the sheath is the sheath's.
pub(super) const MEASURES: [(&str, &str); 2] =
    [("sheath", "sheath_diameter"), ("nerve", "nerve_diameter")];

/// One such rule.
pub(super) fn measure(structure: &str, quantity: &str) -> String {
    format!(
        "# A width whose part is said to be the {structure}.\n[[measure]]\nquantity = \"{quantity}\"\n\
         concept = [\"diameter\", \"width\", \"distance\"]\nstructure = [\"{structure}\"]\n"
    )
}

impl Draft {
    /// The file.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let mut text = String::from(HEAD);
        for sender in &self.senders {
            text += &format!("# Made from reports of {}\n", told(&sender.name()));
        }
        if self.left_out > 0 {
            text += &format!(
                "# {} further codes were left out because there were too many; draft again after these.\n",
                self.left_out
            );
        }
        for row in &self.rows {
            text.push('\n');
            text += &row.to_toml();
        }
        for (structure, quantity) in MEASURES {
            let says = |row: &Row| row.claims.get("structure") == Some(&structure);
            if self.rows.iter().any(says) {
                text.push('\n');
                text += &measure(structure, quantity);
            }
        }
        text
    }
}

/// What a code stands for, for people.
fn stands_for(role: CodeRole) -> &'static str {
    match role {
        CodeRole::Number => "names a number",
        CodeRole::Context => "says something of numbers",
        CodeRole::Unit => "is a unit",
        CodeRole::Section => "names a section around numbers",
        CodeRole::Item => "names an item below numbers or around them",
        CodeRole::Site => "is a finding site",
        CodeRole::Part => "is a part of a site",
        CodeRole::Side => "is a laterality",
        CodeRole::Plane => "is a plane or view",
        CodeRole::Derivation => "is a derivation",
        CodeRole::Method => "is a method",
        CodeRole::Definition => "says which borders were touched",
        CodeRole::Value => "is the value of an item that nobody explains",
        CodeRole::Label => "is a text beside a number",
    }
}

impl Row {
    /// Its comments, a line each, without the sign before them.
    #[must_use]
    pub fn comments(&self) -> Vec<String> {
        let stands: Vec<&str> = self.seen_as.iter().map(|role| stands_for(*role)).collect();
        let senders: Vec<String> = self.senders.keys().take(4).map(|name| told(name)).collect();
        let more = match self.senders.len().saturating_sub(4) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        let mut comments = vec![format!(
            "It {}: {} times in {} reports of {}{more}.",
            stands.join(" and "),
            self.times,
            self.reports,
            senders.join(", ")
        )];
        let is_meaning = matches!(self.kind, Kind::Word { .. }) && !self.is_text();
        if is_meaning {
            comments =
                vec!["It is a meaning of a code above, which several sides share.".to_owned()];
        } else {
            comments.extend(self.examples.iter().map(example));
        }
        if let Kind::Term { scheme, .. } = &self.kind
            && !scheme.starts_with("99")
            && scheme != "L"
        {
            comments.push(
                "Its scheme is not a maker's own: the standard or the scheme's owner says what it means."
                    .to_owned(),
            );
        }
        comments.extend(self.notes.iter().map(|note| sentence(note)));
        comments
    }

    /// Whether it is a text beside a number, and no code.
    #[must_use]
    pub fn is_text(&self) -> bool {
        self.seen_as.contains(&CodeRole::Label)
    }

    /// Its entry with what it means left for a person to write.
    #[must_use]
    pub fn to_fill_in(&self) -> String {
        let open = Row {
            claims: Claims::new(),
            side: None,
            notes: Vec::new(),
            kind: match &self.kind {
                // A text may be a label as well as a word.
                Kind::Word { text } => Kind::Label { text: text.clone() },
                kind => kind.clone(),
            },
            ..self.clone()
        };
        let text = open.to_toml();
        let lines = text.lines().filter(|line| !line.starts_with("seen_as = "));
        let lines = lines.map(|line| match line {
            "proposed = {}" => "# says = { }\n",
            line => line,
        });
        lines.collect::<Vec<&str>>().join("\n")
    }

    fn to_toml(&self) -> String {
        let mut text = String::new();
        for comment in self.comments() {
            // Each comment is made fit to be shown where it is made; this holds if one is not.
            text += &format!("# {}\n", crate::legible::line(&comment));
        }
        // Writing to a String cannot fail.
        let _ = match &self.kind {
            Kind::Nameless => writeln!(
                text,
                "# It has no code or no scheme, so no dictionary can explain it."
            ),
            Kind::Term { code, scheme } => writeln!(
                text,
                "[[term]]\ncode = {}\nscheme = {}\n{}seen_as = {}\nproposed = {}",
                string(code),
                string(scheme),
                self.called(),
                strings(self.seen_as.iter().map(|role| role.word())),
                table(self.proposed())
            ),
            Kind::Label { text: label } => writeln!(
                text,
                "[[label]]\ntext = {}\nproposed = {}",
                strings([label]),
                table(self.proposed())
            ),
            Kind::Word { text: word } => writeln!(
                text,
                "[[word]]\ntext = {}\nproposed = {}",
                string(word),
                string(self.side.map_or("unilateral", word_of))
            ),
        };
        text
    }

    /// Its meanings, as keys of a term.
    fn called(&self) -> String {
        let meanings: Vec<&String> = self
            .meanings
            .iter()
            .filter(|text| !text.trim().is_empty())
            .collect();
        match meanings.as_slice() {
            [] => String::new(),
            [one] => format!("meaning = {}\n", string(one)),
            several => format!("called = {}\n", strings(several)),
        }
    }
}

fn example(seen: &Seen) -> String {
    let what = match (&seen.value, &seen.given_as) {
        (Some(value), Some(name)) => format!("{}, as {}", told(value), told(name)),
        (Some(value), None) => told(value),
        (None, Some(name)) => format!("as {}", told(name)),
        (None, None) => "there".to_owned(),
    };
    format!(
        "  {what} at {} of {}",
        told_bare(&seen.place),
        told_bare(&seen.report)
    )
}

fn told_bare(text: &str) -> String {
    crate::legible::short(text, 80)
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters
        .next()
        .map(|letter| letter.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}
