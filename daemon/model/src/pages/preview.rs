//! What an act would change, before it is recorded.

use super::layout::{self, Whose, cell, heads};
use chrono::NaiveDateTime;
use maud::{Markup, html};

/// A result that gets a new version.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Effect {
    /// The exam.
    pub exam_id: String,
    /// When it was performed.
    pub at: NaiveDateTime,
    /// What stands; `None` where the exam was told no more.
    pub now: Option<String>,
    /// What it would say; `None` where the exam would be told no more.
    pub then: Option<String>,
    /// Why it gets a new version, where it says the same.
    pub why: Vec<String>,
}

/// What has to be answered once more.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// The sentences, one for each way in which a rise could be hidden.
    pub sentences: Vec<String>,
    /// What the form sends for yes: it belongs to this question alone.
    pub yes: String,
}

/// Everything the page shows.
#[derive(Clone)]
pub struct View {
    /// Of whom something is said.
    pub whose: Whose,
    /// What is said, each in words.
    pub said: Vec<String>,
    /// What is so already, each in words.
    pub already: Vec<String>,
    /// The reason given; empty for none.
    pub reason: String,
    /// What changes, oldest exam first.
    pub effects: Vec<Effect>,
    /// Of how many results.
    pub of: usize,
    /// What has to be answered once more.
    pub question: Option<Question>,
    /// Where the form goes.
    pub action: String,
    /// The fields that were filled in, to be sent again.
    pub fields: Vec<(String, String)>,
    /// Where to go without recording anything.
    pub back: String,
}

/// The name of the field that answers the question.
pub const YES: &str = "yes";

/// The name of the field that says that this page was shown.
pub const SHOWN: &str = "shown";

/// The page. `token` makes a token for one form.
#[must_use]
pub fn html(view: &View, token: &dyn Fn() -> String) -> Markup {
    html! {
        (layout::whose(&view.whose, &html! {}))
        h1 { @if view.said.is_empty() { "It is recorded already" } @else { "Nothing is recorded yet" } }
        @if view.said.is_empty() {
            p { "All of it stands already; nothing was recorded a second time." }
            (list(&view.already))
            @if !view.reason.is_empty() { p { "You wrote: " bdi { (view.reason) } } }
            p { a.button href=(view.back) { "Back" } }
        } @else {
            section aria-labelledby="said-title" {
                h2 #said-title { "This would be recorded" }
                (list(&view.said))
                @if !view.already.is_empty() {
                    p { "So already:" }
                    (list(&view.already))
                }
                @if !view.reason.is_empty() { p { "Reason: " bdi { (view.reason) } } }
            }
            (changes(view))
            (form(view, token))
        }
    }
}

fn list(lines: &[String]) -> Markup {
    html! { ul { @for line in lines { li { bdi { (line) } } } } }
}

fn changes(view: &View) -> Markup {
    html! {
        section aria-labelledby="changes-title" {
            h2 #changes-title { "What it changes" }
            @if view.effects.is_empty() {
                p { "No result changes." }
            } @else {
                p {
                    (view.effects.len()) " of " (view.of)
                    @if view.of == 1 { " result changes:" } @else { " results change:" }
                }
                table.work role="table" {
                    (heads(&["exam", "now", "then"]))
                    tbody role="rowgroup" {
                        @for effect in &view.effects {
                            tr role="row" {
                                th scope="row" role="rowheader" data-label="exam" {
                                    (effect.at.format("%Y-%m-%d %H:%M"))
                                }
                                (cell("now", &words(effect.now.as_deref())))
                                (cell("then", &then(effect)))
                            }
                        }
                    }
                }
            }
        }
    }
}

fn words(said: Option<&str>) -> Markup {
    html! { @match said { Some(said) => bdi { (said) }, None => "not told: its readings are taken back" } }
}

fn then(effect: &Effect) -> Markup {
    html! {
        @if effect.then == effect.now && effect.then.is_some() {
            "the same; " bdi { (effect.why.join("; ")) }
        } @else {
            (words(effect.then.as_deref()))
        }
    }
}

fn form(view: &View, token: &dyn Fn() -> String) -> Markup {
    html! {
        form method="post" action=(view.action) {
            (layout::token(&token()))
            @for (name, value) in &view.fields { input type="hidden" name=(name) value=(value); }
            input type="hidden" name=(SHOWN) value="yes";
            @if let Some(question) = &view.question {
                fieldset {
                    legend { "Once more" }
                    @for sentence in &question.sentences { p { strong { bdi { (sentence) } } } }
                    label.pick {
                        input type="checkbox" name=(YES) value=(question.yes) required;
                        "I have looked at this and want it recorded all the same."
                    }
                }
            }
            p.actions {
                button.first-choice type="submit" { "Record it" }
                " "
                a.button href=(view.back) { "Back, without recording" }
            }
        }
    }
}

/// What came since a page was loaded, for the page that says why nothing was recorded.
#[must_use]
pub fn difference(lines: &[String], back: &str) -> Markup {
    html! {
        p { "Since you loaded the page, this came:" }
        (list(lines))
        p { a.button href=(back) { "Look at it as it stands now" } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view() -> View {
        View {
            whose: Whose {
                id: "T-1<b>".into(),
                issuer: "TARNHOLT".into(),
                birth_date: None,
                sex: None,
                name: None,
                age_years: None,
            },
            said: vec!["exam E1 of 2024-03-01 10:12: well".into()],
            already: Vec::new(),
            reason: "<script>alert(1)</script>".into(),
            effects: vec![Effect {
                exam_id: "E1".into(),
                at: "2024-03-01T10:12:00".parse().expect("a time"),
                now: Some("Above expected, right eye. Rise found: right eye 5.6 mm.".into()),
                then: Some("Within expected. No rise found: right eye 5.6 mm.".into()),
                why: Vec::new(),
            }],
            of: 4,
            question: Some(Question {
                sentences: vec!["E1 is flagged and would lose its flag".into()],
                yes: "abc".into(),
            }),
            action: "/exam/E1/label".into(),
            fields: vec![("reason".into(), "\"><img src=x>".into())],
            back: "/exam/E1".into(),
        }
    }

    #[test]
    fn it_shows_both_identifiers_what_changes_and_asks_once_more() {
        let page = html(&view(), &|| "T".to_owned()).into_string();
        for wanted in [
            "T-1&lt;b&gt;",
            "born ",
            "Nothing is recorded yet",
            "1 of 4 results change:",
            "Above expected, right eye. Rise found",
            "Within expected. No rise found",
            "would lose its flag",
            "name=\"yes\" value=\"abc\" required",
            "name=\"shown\" value=\"yes\"",
            "name=\"token\" value=\"T\"",
        ] {
            assert!(page.contains(wanted), "{wanted} in {page}");
        }
        assert!(
            !page.contains("<script>") && !page.contains("<img"),
            "{page}"
        );
        assert_eq!(page.matches("<h1").count(), 1);
    }

    #[test]
    fn without_a_question_there_is_none_and_with_nothing_to_say_no_form() {
        let calm = View {
            question: None,
            effects: Vec::new(),
            ..view()
        };
        let page = html(&calm, &|| "T".to_owned()).into_string();
        assert!(!page.contains("Once more") && page.contains("No result changes."));
        let nothing = View {
            said: Vec::new(),
            already: vec!["exam E1 has that label already".into()],
            ..view()
        };
        let page = html(&nothing, &|| "T".to_owned()).into_string();
        assert!(
            !page.contains("<form") && page.contains("has that label already"),
            "{page}"
        );
    }

    #[test]
    fn an_exam_that_would_be_told_no_more_says_so() {
        let mut view = view();
        view.effects[0].then = None;
        let page = html(&view, &|| "T".to_owned()).into_string();
        assert!(page.contains("its readings are taken back"), "{page}");
    }
}
