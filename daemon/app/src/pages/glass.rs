//! Breaking the glass: somebody without the role sees one patient for an hour, with a reason, where the site
//! allows it.

use super::{Action, Desk, Failed, Fields, Posted, Right, Visitor};
use axum::Router;
use axum::extract::State;
use axum::response::Response;
use axum::routing::get;
use maud::{Markup, html};
use sheathline_model::identity::Person;
use sheathline_model::pages::layout::{field, text, token};
use sheathline_store::{assessment_queue, exam_lines, identity};
use std::sync::Arc;

/// Shortest reason that says something, characters.
const REASON_MIN: usize = 10;

/// Longest reason, characters.
const REASON_MAX: usize = 1000;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route("/break-glass", get(show).post(break_it))
}

/// Whether there is a glass for this one.
fn is_there(desk: &Desk, visitor: &Visitor) -> Result<(), Failed> {
    if desk.pages().break_glass && !visitor.roles.may(Right::See) {
        Ok(())
    } else {
        Err(Failed::NotFound)
    }
}

async fn show(State(desk): State<Arc<Desk>>, visitor: Visitor) -> Result<Response, Failed> {
    is_there(&desk, &visitor)?;
    let page = form(&visitor, &Fields::default(), None);
    desk.page(&visitor, None, "See a patient in an emergency", &page)
        .await
}

fn form(visitor: &Visitor, typed: &Fields, wrong: Option<&str>) -> Markup {
    let input = |name: &str| {
        html! { input id=(name) name=(name) type="text" value=(typed.one(name)) autocomplete="off" maxlength="64"; }
    };
    let reason = html! {
        textarea id="reason" name="reason" required maxlength=(REASON_MAX) { (typed.one("reason")) }
    };
    let issuer_help = "Only where the id means several patients.";
    html! {
        h1 { "See a patient in an emergency" }
        p { "Your role does not let you see patients. For 60 minutes you may see this one. It is recorded with your \
             name, your reason and the time, and told to whoever watches over access." }
        @if let Some(wrong) = wrong { p.wrong role="alert" { (wrong) } }
        form method="post" action="/break-glass" {
            (token(&visitor.token()))
            (field("id", "Patient id", None, &input("id")))
            (field("issuer", "Issuer of the id", Some(issuer_help), &input("issuer")))
            (field("reason", "Why you must see this patient", None, &reason))
            p { button type="submit" { "See this patient" } }
        }
    }
}

async fn break_it(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Posted(typed): Posted<Fields>,
) -> Result<Response, Failed> {
    is_there(&desk, &visitor)?;
    let reason = typed.one("reason").to_owned();
    let length = reason.chars().count();
    let found = if (REASON_MIN..=REASON_MAX).contains(&length) {
        let (id, issuer) = (
            typed.one("id").to_owned(),
            typed.filled("issuer").map(str::to_owned),
        );
        desk.off(move |desk| patient(desk, &id, issuer.as_deref()))
            .await?
    } else {
        Err("Say why, in at least ten letters.")
    };
    let (person, exams) = match found {
        Ok(found) => found,
        Err(wrong) => {
            let page = form(&visitor, &typed, Some(wrong));
            let title = "See a patient in an emergency";
            return desk.page(&visitor, None, title, &page).await;
        }
    };
    let patient = &person.surviving;
    desk.did(&visitor, Action::BrokeGlass, Some(patient), None, &reason)
        .await?;
    let others = person.ids.iter().filter(|key| *key != patient);
    let page = html! {
        h1 { "You may see this patient for 60 minutes" }
        p { "Patient " (text(&patient.id)) " of " (text(&patient.issuer)) "." }
        @for key in others {
            p { "Also known as " (text(&key.id)) " of " (text(&key.issuer)) "." }
        }
        ul {
            @for exam in &exams {
                li { a href={ "/exam/" (exam.0) } { "Exam of " (exam.1) } }
            }
        }
    };
    desk.page(&visitor, None, "You may see this patient", &page)
        .await
}

/// Exam and day.
type Exams = Vec<(String, String)>;

/// The one person of an id, with their exams, newest first; else why there is none. A person is known by
/// every id that merges in force join, so it does not matter which of them is typed.
fn patient(
    desk: &Desk,
    id: &str,
    issuer: Option<&str>,
) -> Result<Result<(Person, Exams), &'static str>, Failed> {
    Ok(desk.store.read(|view| {
        let mut keys = assessment_queue::with_id(view, id)?;
        if let Some(issuer) = issuer {
            keys.retain(|key| key.issuer == issuer);
        }
        let mut persons: Vec<Person> = Vec::new();
        for key in &keys {
            if !persons.iter().any(|one| one.ids.contains(key)) {
                persons.push(identity::person(view, key)?);
            }
        }
        let mut persons = persons.into_iter();
        let (Some(person), None) = (persons.next(), persons.next()) else {
            return Ok(Err(
                "No patient has this id, or several have it: ids are compared as they are, and an issuer tells \
                 several apart.",
            ));
        };
        let mut exams = Vec::new();
        for key in &person.ids {
            let lines = exam_lines::of_patient(view, key)?.into_iter();
            exams.extend(lines.map(|line| (line.performed_at.local, line)));
        }
        exams.sort_by_key(|(at, _)| std::cmp::Reverse(*at));
        let exams = exams.into_iter();
        let exams = exams.map(|(_, line)| (line.exam_id, line.performed_at.to_string()));
        let exams = exams.collect();
        Ok(Ok((person, exams)))
    })?)
}
