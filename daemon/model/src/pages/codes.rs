//! Unknown codes: what stands in the way of values and nobody explains, a draft of the dictionary that
//! would explain it, and what that would change on stored reports. Nothing here is in force.

use super::layout::{cell, field, heads, text, token};
use crate::domain::CodeRole;
use crate::draft::confirm::{HELP, Question};
use crate::draft::{Draft, Kind, Row, Seen};
use crate::reading::trial::{Change, Count, Tally};
use maud::{Markup, html};
use sha2::{Digest, Sha256};

/// Codes that one page shows; the draft holds all of them.
pub const SHOWN: usize = 200;

/// One code, label or word with its question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Code {
    /// What an answer to it is sent under; empty where no dictionary can explain it.
    pub key: String,
    /// The code and its scheme, or the text in quotes.
    pub name: String,
    /// Code Meanings as sent.
    pub meanings: Vec<String>,
    /// What it stands for in reports, as words.
    pub roles: Vec<&'static str>,
    /// Reports that hold it.
    pub reports: usize,
    /// Times it was met.
    pub times: usize,
    /// Senders, each with its reports.
    pub senders: Vec<(String, usize)>,
    /// Where it stands, with which values.
    pub examples: Vec<Seen>,
    /// What its meaning clearly says, in words; empty: nothing is proposed.
    pub proposed: String,
    /// What can be answered.
    pub ways: &'static str,
    /// Why nothing or no side is proposed, and what else a person should know.
    pub notes: Vec<String>,
    /// What somebody answered.
    pub answer: String,
    /// Why that is not taken.
    pub wrong: Option<String>,
}

/// The codes of a draft, commonest first, with the questions about them.
#[must_use]
pub fn codes(draft: &Draft, questions: &[Question]) -> Vec<Code> {
    let mut all: Vec<Code> = draft
        .rows
        .iter()
        .filter(|row| !matches!(row.kind, Kind::Word { .. }) || asked(questions, row).is_some())
        .map(|row| code(row, asked(questions, row)))
        .collect();
    all.sort_by_key(|one| std::cmp::Reverse((one.reports, one.times)));
    all
}

fn asked<'q>(questions: &'q [Question], row: &Row) -> Option<&'q Question> {
    questions.iter().find(|one| one.kind == row.kind)
}

/// What an answer to a question is sent under: it stays the same when other codes come and go, and holds
/// no text of a sender, which a browser or the page might write otherwise.
#[must_use]
pub fn key(kind: &Kind) -> String {
    let parts = match kind {
        Kind::Term { code, scheme } => ["term", scheme, code],
        Kind::Label { text } => ["label", text, ""],
        Kind::Word { text } => ["word", text, ""],
        Kind::Nameless => return String::new(),
    };
    let hash = Sha256::digest(format!("{parts:?}").as_bytes());
    let bytes = hash.iter().take(12);
    bytes.fold(String::new(), |key, byte| format!("{key}{byte:02x}"))
}

fn code(row: &Row, question: Option<&Question>) -> Code {
    let name = match &row.kind {
        Kind::Term { code, scheme } => format!("{code} {scheme}"),
        Kind::Label { text } | Kind::Word { text } => format!("\"{text}\""),
        Kind::Nameless => "(no concept name)".to_owned(),
    };
    let mut notes = row.notes.clone();
    if question.is_none() {
        notes.push("It has no code or no scheme, so no dictionary can explain it.".to_owned());
    }
    Code {
        key: question.map_or_else(String::new, |one| key(&one.kind)),
        name,
        meanings: row.meanings.clone(),
        roles: row
            .seen_as
            .iter()
            .map(|role: &CodeRole| role.word())
            .collect(),
        reports: row.reports,
        times: row.times,
        senders: row
            .senders
            .iter()
            .map(|(name, count)| (name.clone(), *count))
            .collect(),
        examples: row.examples.clone(),
        proposed: question.map_or_else(String::new, Question::proposal),
        ways: question.map_or("", Question::ways),
        notes,
        answer: String::new(),
        wrong: None,
    }
}

/// What a dictionary would change on stored reports.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tried {
    /// Reports that were read both ways.
    pub reports: usize,
    /// Whether the time allowed ended before all were read.
    pub cut_off: bool,
    /// By sender and device.
    pub tallies: Vec<(String, Tally)>,
    /// Values that would be lost, or become another.
    pub grave: Vec<String>,
    /// Values gained, or otherwise different.
    pub gained: Vec<String>,
    /// Objects whose bytes are gone or cannot be read.
    pub not_read: u64,
}

/// The page.
#[derive(Debug, Clone)]
pub struct View {
    /// The codes, commonest first.
    pub codes: Vec<Code>,
    /// Codes that were left out of the store's list because there were too many.
    pub left_out: usize,
    /// Reports that hold codes nobody explains and were read before these were listed.
    pub before: usize,
    /// Reports with a value that was left unread.
    pub unread: usize,
    /// Objects without bytes, which a new dictionary does not reach.
    pub missing: u32,
    /// Reports that are not told of, because there are too many kinds of them.
    pub beyond: u64,
    /// Whether readings of an earlier version of the program are still being looked at.
    pub is_gathering: bool,
    /// What else is wrong with the answers.
    pub wrong: Vec<String>,
    /// What the answers would change, where that was asked.
    pub tried: Option<Tried>,
    /// Hidden field of the form, for whoever may answer.
    pub token: Option<String>,
}

/// The body of the page.
#[must_use]
pub fn html(view: &View) -> Markup {
    html! {
        h1 { "Unknown codes" }
        p {
            "Codes and texts that stand before values and that nobody explains. What a code means only \
             somebody who knows the scanner can say: compare the values with its screen, right and left \
             apart. A proposal comes from the meaning that was sent, never from values, order or the \
             letters of a code; where that says no side, none is proposed. Nothing on this page is in \
             force: IT puts a dictionary in force by naming it in the configuration."
        }
        @for line in &view.wrong { p.wrong role="alert" { (text(line)) } }
        @if let Some(tried) = &view.tried { (outcome(tried)) }
        (told(view))
        @if view.codes.is_empty() {
            @if view.before == 0 && view.unread == 0 {
                p { strong { "Every code that looks like a sheath measurement is explained." } }
            }
        } @else {
            // Beside the form, which is not printed.
            (list(view, view.token.is_some()))
            @if let Some(hidden) = &view.token {
                form #answers method="post" action="/codes" {
                    (token(hidden))
                    (buttons())
                }
            }
            p {
                a.button href="/codes/draft.toml" { "Download the draft of all codes" }
                " Its proposals are marked as such; a configuration that names it is refused."
            }
        }
    }
}

fn told(view: &View) -> Markup {
    html! {
        @if view.missing > 0 {
            p { (view.missing) " objects have no bytes any more: a new dictionary does not reach them." }
        }
        @if view.before > 0 {
            p {
                (view.before) " reports hold codes that nobody explains and were read before these were \
                 listed: any change of dictionaries has all read again, and shows which."
            }
        }
        @if view.codes.is_empty() && view.unread > 0 {
            p {
                (view.unread) " reports have values that were left unread though each code is explained: "
                code { "sheathline read" } " tells of each why."
            }
        }
        @if view.is_gathering {
            p.notice role="note" {
                "Reports that were read before the last update of the program are still being gathered: \
                 there may be more codes, and more reports of those listed. Look again in some minutes."
            }
        }
        @if view.beyond > 0 {
            p { (view.beyond) " reports are left out because there are too many kinds of them." }
        }
        @if view.left_out > 0 {
            p { (view.left_out) " further codes are left out because there are too many." }
        }
        @if view.codes.len() > SHOWN {
            p { "The commonest " (SHOWN) " of " (view.codes.len()) " are shown; the draft holds all." }
        }
    }
}

fn list(view: &View, may_answer: bool) -> Markup {
    html! {
        @for (number, code) in view.codes.iter().take(SHOWN).enumerate() {
            (section(number, code, may_answer))
        }
    }
}

fn section(number: usize, code: &Code, may_answer: bool) -> Markup {
    let id = format!("code-{number}");
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (text(&code.name)) }
            dl.facts {
                div {
                    dt { "Meaning as sent" }
                    dd {
                        @if code.meanings.is_empty() { "none" }
                        @for (at, meaning) in code.meanings.iter().enumerate() {
                            @if at > 0 { ", " }
                            "\"" (text(meaning)) "\""
                        }
                    }
                }
                div { dt { "Stands as" } dd { (code.roles.join(", ").replace('_', " ")) } }
                div { dt { "Reports" } dd { (code.reports) } }
                div { dt { "Times" } dd { (code.times) } }
                div {
                    dt { "Senders" }
                    dd {
                        @for (at, (name, count)) in code.senders.iter().enumerate() {
                            @if at > 0 { ", " }
                            (text(name)) " (" (count) ")"
                        }
                    }
                }
            }
            @if !code.examples.is_empty() { (examples(&code.examples)) }
            @for note in &code.notes { p { (text(note)) } }
            p {
                @if code.proposed.is_empty() { "Nothing is proposed." }
                @else { "Proposed from its meaning, not confirmed: " strong { (text(&code.proposed)) } "." }
            }
            @if may_answer && !code.key.is_empty() { (answer(number, code)) }
        }
    }
}

fn examples(examples: &[Seen]) -> Markup {
    let or_none = |value: &Option<String>| match value {
        Some(value) => text(value),
        None => html! { "-" },
    };
    html! {
        table role="table" {
            caption { "Examples" }
            (heads(&["value as sent", "given as", "within", "place", "report"]))
            tbody role="rowgroup" {
                @for one in examples {
                    tr role="row" {
                        th scope="row" role="rowheader" { (or_none(&one.value)) }
                        (cell("given as", &or_none(&one.given_as)))
                        (cell("within", &or_none(&one.within)))
                        (cell("place", &text(&one.place)))
                        (cell("report", &text(&one.report)))
                    }
                }
            }
        }
    }
}

fn answer(number: usize, code: &Code) -> Markup {
    let id = format!("answer-{number}");
    let told = format!("{id}-wrong");
    let input = html! {
        input type="hidden" form="answers" name="key" value=(code.key);
        input type="text" form="answers" id=(id) name="answer" value=(code.answer) maxlength="200" autocomplete="off"
            aria-invalid=[code.wrong.is_some().then_some("true")]
            aria-describedby=[code.wrong.is_some().then_some(told.as_str())];
        @if let Some(wrong) = &code.wrong { p.wrong id=(told) { (text(wrong)) } }
    };
    let label = format!("What {} means", code.name);
    field(&id, &label, Some(code.ways), &input)
}

fn buttons() -> Markup {
    html! {
        details {
            summary { "What can be answered" }
            pre { (HELP) }
        }
        p.actions {
            button.first-choice type="submit" name="as" value="try" { "Try on stored reports" }
            " "
            button type="submit" name="as" value="download" { "Download the dictionary" }
        }
        p.help {
            "Trying reads stored reports without and with these answers and changes nothing. The \
             dictionary holds what is answered here; what is left open stands in it as a comment."
        }
    }
}

/// One of the counts of a reading.
type Of = fn(&Count) -> usize;

fn outcome(tried: &Tried) -> Markup {
    let counts: [(&str, Of); 6] = [
        ("values read", |count| count.values),
        ("usable", |count| count.usable),
        ("of the right eye", |count| count.right),
        ("of the left eye", |count| count.left),
        ("reports without a usable value", |count| count.without),
        ("codes that nobody explains", |count| count.unexplained),
    ];
    let changes = [
        ("gained", Change::Gained),
        ("lost", Change::Lost),
        ("of another side", Change::Side),
        ("of another width", Change::Width),
        ("another quantity", Change::Quantity),
    ];
    html! {
        section.told aria-labelledby="tried" role="status" {
            h2 #tried { "Tried on " (tried.reports) " stored reports; nothing of it is in force" }
            @if tried.cut_off {
                p.wrong {
                    "The time allowed ended before all reports were read: these are the newest. "
                    code { "sheathline template try" } " reads all."
                }
            }
            @if tried.not_read > 0 {
                p { (tried.not_read) " objects have no bytes any more or cannot be read; they are not in this." }
            }
            @if tried.reports == 0 { p { "No stored report holds such a code or value." } }
            @for (name, tally) in &tried.tallies {
                table role="table" {
                    caption { (text(name)) ": " (tally.reports) " reports" }
                    (heads(&["what", "without", "with these answers"]))
                    tbody role="rowgroup" {
                        @for (what, of) in counts {
                            tr role="row" {
                                th scope="row" role="rowheader" { (what) }
                                (cell("without", &html! { (of(&tally.before)) }))
                                (cell("with these answers", &html! { (of(&tally.after)) }))
                            }
                        }
                    }
                }
                p {
                    "Values "
                    @for (at, (what, how)) in changes.into_iter().enumerate() {
                        @if at > 0 { ", " }
                        (what) " " (tally.count(how))
                    }
                    "."
                }
            }
            (lines("Lost or changed", &tried.grave))
            (lines("Gained, or otherwise different", &tried.gained))
        }
    }
}

fn lines(title: &str, lines: &[String]) -> Markup {
    html! {
        @if !lines.is_empty() {
            h3 { (title) }
            ul { @for line in lines { li { (text(line)) } } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{ObjectReading, Remark, RemarkCode, Source, Unexplained};
    use crate::draft::confirm::Sheet;
    use crate::draft::{Facts, draft};
    use crate::template::Templates;

    fn view(codes: Vec<Code>) -> View {
        View {
            codes,
            left_out: 0,
            before: 0,
            unread: 0,
            missing: 0,
            beyond: 0,
            is_gathering: false,
            wrong: Vec::new(),
            tried: None,
            token: Some("T".to_owned()),
        }
    }

    fn one(name: &str) -> Code {
        Code {
            key: key(&Kind::Term {
                code: name.to_owned(),
                scheme: "99X".to_owned(),
            }),
            name: format!("{name} 99X"),
            meanings: vec!["<i>Width</i>".to_owned()],
            roles: vec!["number"],
            reports: 2,
            times: 6,
            senders: vec![("US1".to_owned(), 2)],
            examples: vec![Seen {
                report: "2.25.1".to_owned(),
                place: "1.2.1".to_owned(),
                value: Some("5.2 mm".to_owned()),
                ..Seen::default()
            }],
            proposed: String::new(),
            ways: "own words",
            notes: Vec::new(),
            answer: String::new(),
            wrong: None,
        }
    }

    #[test]
    fn each_code_is_a_question_that_is_not_answered_beforehand() {
        let mut code = one("W1");
        code.proposed = "sheath_diameter".to_owned();
        let page = html(&view(vec![code])).into_string();
        assert!(page.contains("Proposed from its meaning, not confirmed: "));
        assert!(page.contains("name=\"answer\" value=\"\""), "{page}");
        assert!(page.contains("&lt;i&gt;Width&lt;/i&gt;") && page.contains("5.2 mm"));
        assert!(page.contains("for=\"answer-0\""));
    }

    #[test]
    fn whoever_may_only_see_gets_no_form_and_nothing_unknown_is_said_so() {
        let mut view = view(vec![one("W1")]);
        view.token = None;
        let page = html(&view).into_string();
        assert!(!page.contains("<form") && page.contains("W1 99X"));
        view.codes.clear();
        assert!(html(&view).into_string().contains("is explained"));
        view.unread = 2;
        let page = html(&view).into_string();
        assert!(page.contains("2 reports have values that were left unread"));
        assert!(!page.contains("looks like a sheath measurement is explained"));
    }

    #[test]
    fn a_trial_that_was_cut_off_says_so() {
        let mut view = view(Vec::new());
        view.tried = Some(Tried {
            reports: 12,
            cut_off: true,
            grave: vec!["2.25.1 1.2: sheath right 5.2 -> not read".to_owned()],
            ..Tried::default()
        });
        let page = html(&view).into_string();
        assert!(page.contains("Tried on 12 stored reports") && page.contains("time allowed ended"));
        assert!(page.contains("Lost or changed"));
    }

    /// A code whose meaning names no side is proposed without one, and the key of its question finds it.
    #[test]
    fn no_side_is_proposed_that_the_meaning_does_not_say() {
        let unexplained = |code: &str, meaning: &str| Unexplained {
            code: code.to_owned(),
            scheme: "99X".to_owned(),
            meaning: meaning.to_owned(),
            role: CodeRole::Number,
            times: 3,
            called: Vec::new(),
            sides: Vec::new(),
            examples: Vec::new(),
        };
        let remark = Remark::of(RemarkCode::ValueNotRecognised, "x");
        let mut reading = ObjectReading::quarantined(remark);
        reading.unexplained = vec![
            unexplained("W1", "Optic nerve sheath diameter"),
            unexplained("W2", "Right optic nerve sheath diameter"),
        ];
        let mut facts = Facts::default();
        facts.add(&Source::Folder, &reading);
        let builtin = Templates::builtin().unwrap();
        let draft = draft(&facts, builtin.vocabulary().names());
        let text = draft.to_toml();
        let sheet = Sheet::open(("draft.toml", &text), ("dictionary.toml", "")).unwrap();
        let codes = codes(&draft, sheet.questions());
        let of = |name: &str| {
            let found = codes.iter().find(|one| one.name.starts_with(name));
            found.unwrap_or_else(|| panic!("{name} in {codes:?}"))
        };
        let sides = |one: &Code| one.proposed.contains("right") || one.proposed.contains("left");
        assert!(!of("W1").proposed.is_empty() && !sides(of("W1")));
        assert!(sides(of("W2")));
        assert_eq!(of("W1").key.len(), 24);
        assert_ne!(of("W1").key, of("W2").key);
    }
}
