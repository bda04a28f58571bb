//! From a draft and a person's answers to a dictionary.
//!
//! Pure: the text of a draft becomes questions, answers become the text of a dictionary. What an
//! answer may not say is told at once, by the same rules as `template check`.

pub use super::answer::HELP;
use super::answer::{Asked, Says, answer};
use super::doubts::doubts;
use super::quoted::{string, strings, table};
use super::row::Kind;
use super::write::{MEASURES, measure};
use crate::domain::{CodeRole, Mistake};
use crate::legible;
use crate::template::vocabulary::folded;
use crate::template::{Proposals, Templates};
use std::collections::{BTreeMap, BTreeSet};
use toml::de::DeTable;
use toml::{Spanned, Table, Value};

/// What to do about a text that names the other side.
const AGAINST: &str = "no value of it would be used. If what it names is not the side of an eye, write \
                       that phrase into the dictionary first: [[name]] with `nothing = true` and \
                       `inside = [\"...\"]`";

/// Begins the list of what is left open, at the end of a dictionary.
const OPEN: &str = "# Left open: nobody has said what these mean.";

/// One question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// What its answer is of.
    pub kind: Kind,
    /// Code Meanings as sent.
    pub meanings: Vec<String>,
    /// What it stands for in reports.
    pub seen_as: BTreeSet<CodeRole>,
    /// What is proposed, side apart.
    pub proposed: BTreeMap<String, String>,
    /// The side that is proposed.
    pub eye: Option<String>,
    /// What the draft says of it.
    pub comments: Vec<String>,
}

impl Question {
    /// The code, `value scheme`, or the text in quotes.
    #[must_use]
    pub fn name(&self) -> String {
        match &self.kind {
            Kind::Term { code, scheme } => format!("{code} {scheme}"),
            Kind::Label { text } | Kind::Word { text } => format!("\"{text}\""),
            Kind::Nameless => String::new(),
        }
    }

    /// What is proposed, in words.
    #[must_use]
    pub fn proposal(&self) -> String {
        let mut words: Vec<&str> = self.proposed.values().map(String::as_str).collect();
        words.extend(self.eye.as_deref());
        words.join(", ")
    }

    /// What can be answered.
    #[must_use]
    pub fn ways(&self) -> &'static str {
        match (&self.kind, &self.eye, self.proposed.is_empty()) {
            (Kind::Word { .. }, _, _) => {
                "r, l or b for the side, n for none, empty to leave it open"
            }
            (_, Some(_), _) => {
                "r, l or b takes it with that side; n, own words, empty for later, ? for help"
            }
            (_, None, false) => {
                "y takes it without a side, r, l or b with one; n, own words, empty for later, ? for help"
            }
            (_, None, true) => "own words, n for none of ours, empty for later, ? for help",
        }
    }

    /// What an answer says; `None` leaves it open.
    ///
    /// # Errors
    /// Why it has to be asked again, in a sentence.
    pub fn answer(&self, text: &str) -> Result<Option<BTreeMap<String, String>>, String> {
        let asked = Asked {
            seen_as: &self.seen_as,
            is_label: matches!(self.kind, Kind::Label { .. }),
            is_word: matches!(self.kind, Kind::Word { .. }),
            proposed: &self.proposed,
            eye: self.eye.as_deref(),
        };
        answer(&asked, text)
    }

    fn key(&self) -> Kind {
        match &self.kind {
            Kind::Label { text } => Kind::Label { text: folded(text) },
            Kind::Word { text } => Kind::Word { text: folded(text) },
            other => other.clone(),
        }
    }

    /// The row of the dictionary.
    fn row(&self, says: &Says) -> String {
        let says = says.iter().map(|(key, word)| (key.as_str(), word.as_str()));
        let meanings = match self.meanings.as_slice() {
            [] => String::new(),
            [one] => format!("meaning = {}\n", string(one)),
            several => format!("called = {}\n", strings(several)),
        };
        match &self.kind {
            Kind::Term { code, scheme } => format!(
                "[[term]]\ncode = {}\nscheme = {}\n{meanings}says = {}\n",
                string(code),
                string(scheme),
                table(says)
            ),
            Kind::Label { text } => {
                format!(
                    "[[label]]\ntext = {}\nsays = {}\n",
                    strings([text]),
                    table(says)
                )
            }
            Kind::Word { text } => {
                let mut words = says.map(|(_, word)| word);
                let eye = words.next().unwrap_or_default();
                format!("[[word]]\ntext = {}\neye = {}\n", string(text), string(eye))
            }
            Kind::Nameless => String::new(),
        }
    }
}

/// A draft that is being confirmed.
#[derive(Debug, Clone)]
pub struct Sheet {
    name: String,
    /// The dictionary that it adds to, without what was left open in it.
    before: String,
    /// Rows of the draft that propose nothing: rules, names, terms that somebody wrote.
    rest: String,
    questions: Vec<Question>,
    /// Codes of the draft that the dictionary has already.
    pub known: usize,
    given: BTreeMap<usize, (Says, String)>,
}

impl Sheet {
    /// Opens a draft; `before` is the dictionary that it is added to, empty for a new one.
    ///
    /// # Errors
    /// Every mistake in either.
    pub fn open(draft: (&str, &str), dictionary: (&str, &str)) -> Result<Sheet, Vec<Mistake>> {
        let (name, text) = draft;
        let file = |(name, text): (&str, &str)| [(name.to_owned(), text.to_owned())];
        Templates::load_with(&[], &file(draft), Proposals::AsConfirmed)?;
        Templates::load(&[], &file(dictionary))?;
        let spanned =
            DeTable::parse(text).map_err(|error| vec![Mistake::from_toml(name, text, &error)])?;
        let mut known = 0;
        let before = Known::of(dictionary.1);
        let mut questions = Vec::new();
        for (key, entry) in rows(spanned.get_ref()) {
            if !entry.contains_key("proposed") {
                continue;
            }
            let start = entry.get("proposed").map_or(0, |it| it.span().start);
            let Some(mut question) = question(key, entry) else {
                continue;
            };
            question.comments = comments(text, start);
            if before.has(&question.key()) {
                known += 1;
            } else {
                questions.push(question);
            }
        }
        Ok(Sheet {
            name: dictionary.0.to_owned(),
            before: without_open(dictionary.1).trim_end().to_owned(),
            rest: rest(text, &before),
            questions,
            known,
            given: BTreeMap::new(),
        })
    }

    /// What is asked, in order.
    #[must_use]
    pub fn questions(&self) -> &[Question] {
        &self.questions
    }

    /// How many are answered.
    #[must_use]
    pub fn answered(&self) -> usize {
        self.given.len()
    }

    /// Takes an answer. `told` is who gave it and when.
    ///
    /// # Errors
    /// What forbids it, in sentences; nothing is taken then.
    pub fn give(
        &mut self,
        at: usize,
        says: BTreeMap<String, String>,
        told: &str,
    ) -> Result<(), Vec<Mistake>> {
        let taken = self.given.insert(at, (says, told.to_owned()));
        let text = self.dictionary();
        let file = [(self.name.clone(), text.clone())];
        let mut wrong = Templates::load(&[], &file).err().unwrap_or_default();
        for mistake in &mut wrong {
            if mistake.what.contains("names another side") {
                mistake.instead = Some(AGAINST.to_owned());
            }
        }
        wrong.extend(super::doubts::mirrors(&self.name, &text));
        if wrong.is_empty() {
            return Ok(());
        }
        match taken {
            Some(before) => self.given.insert(at, before),
            None => self.given.remove(&at),
        };
        Err(wrong)
    }

    /// What `template check` would refuse of the whole.
    #[must_use]
    pub fn doubts(&self) -> Vec<Mistake> {
        doubts(&self.name, &self.dictionary())
    }

    /// The dictionary as far as it is confirmed.
    #[must_use]
    pub fn dictionary(&self) -> String {
        let mut text = if self.before.is_empty() {
            "# A dictionary, confirmed with `sheathline template confirm`.".to_owned()
        } else {
            self.before.clone()
        };
        text.push('\n');
        if !self.rest.is_empty() {
            text += &format!("\n{}\n", self.rest.trim_end());
        }
        for (at, (says, told)) in &self.given {
            if let Some(question) = self.questions.get(*at) {
                text += &format!("\n# {}\n{}", legible::line(told), question.row(says));
            }
        }
        for (structure, quantity) in MEASURES {
            let says = |(says, _): &(Says, String)| {
                says.get("structure").is_some_and(|part| part == structure)
            };
            let rule = measure(structure, quantity);
            if self.given.values().any(says) && !self.before.contains(rule.trim_end()) {
                text += &format!("\n{rule}");
            }
        }
        let mut open = self.questions.iter().enumerate();
        if open.any(|(at, _)| !self.given.contains_key(&at)) {
            text += &format!("\n{OPEN}\n");
            for (at, question) in self.questions.iter().enumerate() {
                if !self.given.contains_key(&at) {
                    let meanings: Vec<String> = question
                        .meanings
                        .iter()
                        .take(4)
                        .map(|text| super::quoted::told(text))
                        .collect();
                    text +=
                        &legible::line(&format!("#   {} {}", question.name(), meanings.join(" ")));
                    text = text.trim_end().to_owned();
                    text.push('\n');
                }
            }
        }
        text
    }
}

/// Every row of the kinds that a draft proposes, in the order of the file.
fn rows<'t, 'i>(root: &'t DeTable<'i>) -> Vec<(&'static str, &'t DeTable<'i>)> {
    let mut rows: Vec<(usize, &'static str, &DeTable<'i>)> = Vec::new();
    for key in ["term", "label", "word"] {
        let array = root.get(key).and_then(|value| value.get_ref().as_array());
        for entry in array.into_iter().flat_map(|array| array.iter()) {
            if let Some(table) = entry.get_ref().as_table() {
                let at = table.values().map(|value| value.span().start).min();
                rows.push((at.unwrap_or_default(), key, table));
            }
        }
    }
    rows.sort_by_key(|(at, _, _)| *at);
    rows.into_iter()
        .map(|(_, key, table)| (key, table))
        .collect()
}

fn text_of(table: &DeTable<'_>, key: &str) -> Option<String> {
    table.get(key)?.get_ref().as_str().map(str::to_owned)
}

/// One string, or a list of them.
fn texts_of(table: &DeTable<'_>, key: &str) -> Vec<String> {
    let Some(value) = table.get(key).map(Spanned::get_ref) else {
        return Vec::new();
    };
    match (value.as_str(), value.as_array()) {
        (Some(one), _) => vec![one.to_owned()],
        (None, Some(array)) => {
            let texts = array.iter().filter_map(|entry| entry.get_ref().as_str());
            texts.map(str::to_owned).collect()
        }
        (None, None) => Vec::new(),
    }
}

fn question(key: &str, entry: &DeTable<'_>) -> Option<Question> {
    let kind = match key {
        "term" => Kind::Term {
            code: text_of(entry, "code")?,
            scheme: text_of(entry, "scheme")?,
        },
        "word" => Kind::Word {
            text: text_of(entry, "text")?,
        },
        _ => Kind::Label {
            text: texts_of(entry, "text").into_iter().next()?,
        },
    };
    let mut meanings: Vec<String> = text_of(entry, "meaning").into_iter().collect();
    meanings.extend(texts_of(entry, "called"));
    let seen_as: BTreeSet<CodeRole> = texts_of(entry, "seen_as")
        .iter()
        .filter_map(|word| CodeRole::from_word(word))
        .collect();
    let mut proposed = Says::new();
    let mut eye = None;
    match entry.get("proposed").map(Spanned::get_ref) {
        Some(value) if value.as_table().is_some() => {
            for (key, word) in value.as_table().into_iter().flat_map(|table| table.iter()) {
                let (key, word) = (key.get_ref().to_string(), word.get_ref().as_str());
                match (key.as_str(), word) {
                    ("eye", Some(word)) => eye = Some(word.to_owned()),
                    (_, Some(word)) => {
                        proposed.insert(key, word.to_owned());
                    }
                    (_, None) => {}
                }
            }
        }
        Some(value) => eye = value.as_str().map(str::to_owned),
        None => {}
    }
    Some(Question {
        kind,
        meanings,
        seen_as,
        proposed,
        eye,
        comments: Vec::new(),
    })
}

/// The comments above the row that `at` stands in.
fn comments(text: &str, at: usize) -> Vec<String> {
    let before = text.get(..at).unwrap_or_default();
    let mut lines = before.lines().rev();
    if !lines.any(|line| line.trim_start().starts_with("[[")) {
        return Vec::new();
    }
    let mut comments: Vec<String> = lines
        .map_while(|line| line.strip_prefix('#'))
        .map(|line| line.strip_prefix(' ').unwrap_or(line).to_owned())
        .collect();
    comments.reverse();
    comments
}

/// What a dictionary explains already.
#[derive(Default)]
struct Known {
    rows: BTreeSet<Kind>,
    table: Table,
}

impl Known {
    fn of(text: &str) -> Known {
        let rows_of = |root: &DeTable<'_>| -> BTreeSet<Kind> {
            let rows = rows(root).into_iter();
            rows.flat_map(|(key, entry)| match key {
                "label" => texts_of(entry, "text")
                    .iter()
                    .map(|text| Kind::Label { text: folded(text) })
                    .collect(),
                _ => question(key, entry)
                    .map(|one| one.key())
                    .into_iter()
                    .collect::<Vec<_>>(),
            })
            .collect()
        };
        Known {
            rows: DeTable::parse(text)
                .map(|root| rows_of(root.get_ref()))
                .unwrap_or_default(),
            table: text.parse().unwrap_or_default(),
        }
    }

    fn has(&self, kind: &Kind) -> bool {
        self.rows.contains(kind)
    }
}

/// What a draft holds beside its proposals and the rules that go with them.
fn rest(draft: &str, before: &Known) -> String {
    let Ok(table) = draft.parse::<Table>() else {
        return String::new();
    };
    let ours: Vec<Value> = MEASURES
        .iter()
        .filter_map(|(structure, quantity)| {
            let rule: Table = measure(structure, quantity).parse().ok()?;
            rule.get("measure")?.as_array()?.first().cloned()
        })
        .collect();
    let mut rest = Table::new();
    for (key, value) in table {
        let known = before.table.get(&key);
        let kept = match value {
            Value::Array(rows) => {
                let known = known.and_then(Value::as_array);
                let rows: Vec<Value> = rows
                    .into_iter()
                    .filter(|row| row.get("proposed").is_none() && !ours.contains(row))
                    .filter(|row| !known.is_some_and(|known| known.contains(row)))
                    .collect();
                (!rows.is_empty()).then_some(Value::Array(rows))
            }
            other => known.is_none().then_some(other),
        };
        if let Some(kept) = kept {
            rest.insert(key, kept);
        }
    }
    toml::to_string(&rest).unwrap_or_default()
}

/// A dictionary without its list of what is left open, if nothing else follows it.
fn without_open(text: &str) -> &str {
    let Some(at) = text.rfind(OPEN) else {
        return text;
    };
    let (before, after) = text.split_at(at);
    let is_list = after
        .lines()
        .all(|line| line.trim().is_empty() || line.starts_with('#'));
    if is_list { before } else { text }
}
