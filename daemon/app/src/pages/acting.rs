//! What people say of exams and patients: every form of the pages of an exam and of a patient comes
//! here, is worked out, shown with what it would change, and recorded once that was seen.

use super::{Action, Desk, Failed, Fields, Posted, Right, Visitor, gathered};
use crate::acts::{
    self, ActError, Look, NotMeant, NotOne, Order, Person, Prepared, Question, Wish,
};
use axum::Router;
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::post;
use chrono::NaiveDate;
use sheathline_model::annotations::{Author, By, Kind, Outcome};
use sheathline_model::domain::{Event, EventKind, OpeningPressure, PatientKey};
use sheathline_model::pages::layout::{Place, TOKEN, Whose};
use sheathline_model::pages::preview::{self, SHOWN, YES};
use sheathline_model::results::Site;
use std::sync::Arc;

/// Exams that one form may name.
const EXAMS_MAX: usize = 500;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/exam/{exam}/{act}", post(of_exam))
        .route("/patient/{exam}/{act}", post(of_patient))
}

/// What can be said of an exam, by the last word of its address, each with the right that it takes
/// before anything of the form is looked at.
const OF_EXAM: [(&str, Right); 9] = [
    ("acknowledge", Right::Label),
    ("label", Right::Label),
    ("leave-out", Right::TakeOut),
    ("note", Right::Label),
    ("pressure", Right::Label),
    ("readings-back", Right::Correct),
    ("second", Right::Label),
    ("settle", Right::Label),
    ("take-back", Right::Label),
];

/// The same of a patient.
const OF_PATIENT: [(&str, Right); 4] = [
    ("event", Right::Label),
    ("event-back", Right::Label),
    ("label", Right::Label),
    ("leave-out", Right::TakeOut),
];

/// Whether somebody may say this at all.
fn let_in(visitor: &Visitor, acts: &[(&str, Right)], act: &str) -> Result<(), Failed> {
    let right = acts.iter().find(|(word, _)| *word == act);
    visitor.may(right.ok_or(Failed::NotFound)?.1)
}

async fn of_exam(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path((exam, act)): Path<(String, String)>,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    let_in(&visitor, &OF_EXAM, &act)?;
    let wish = match act.as_str() {
        "label" => label(&fields)?,
        "pressure" => pressure(&fields)?,
        "acknowledge" => Wish::Acknowledge(version(&fields)?),
        "settle" => Wish::Settle(
            Outcome::of_word(fields.one("outcome"))
                .ok_or_else(|| Failed::Bad("choose what came of the rise".to_owned()))?,
        ),
        "note" => Wish::Note,
        "second" => Wish::SecondAsk,
        "leave-out" => leave_out(&fields),
        "readings-back" => match fields.one("back") {
            "yes" => Wish::CountReadings,
            _ => Wish::TakeBackReadings,
        },
        "take-back" => Wish::TakeBackEntry(
            fields
                .one("entry")
                .parse()
                .map_err(|_| Failed::Bad("the number of an entry is missing".to_owned()))?,
        ),
        _ => return Err(Failed::NotFound),
    };
    let back = match fields.one("back") {
        "today" => Place::Today.path().to_owned(),
        _ => format!("/exam/{exam}"),
    };
    let asked = Asked {
        exams: vec![exam.clone()],
        by_exam: exam.clone(),
        wish,
        action: format!("/exam/{exam}/{act}"),
        back,
        fields,
    };
    carry_out(&desk, visitor, asked).await
}

async fn of_patient(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Path((exam, act)): Path<(String, String)>,
    Posted(fields): Posted<Fields>,
) -> Result<Response, Failed> {
    let_in(&visitor, &OF_PATIENT, &act)?;
    let wish = match act.as_str() {
        "label" => label(&fields)?,
        "leave-out" => leave_out(&fields),
        "event" => Wish::Event(event(&fields)?),
        "event-back" => Wish::EventBack(event(&fields)?),
        _ => return Err(Failed::NotFound),
    };
    let exams: Vec<String> = match &wish {
        Wish::Event(_) | Wish::EventBack(_) => Vec::new(),
        _ => fields.all("exam").map(str::to_owned).collect(),
    };
    match (&wish, exams.len()) {
        (Wish::Label(_) | Wish::LeaveOut | Wish::LeaveOutBack, 0) => {
            return Err(Failed::Bad("choose at least one exam".to_owned()));
        }
        (_, EXAMS_MAX..) => return Err(Failed::TooLarge),
        _ => {}
    }
    let asked = Asked {
        exams,
        wish,
        action: format!("/patient/{exam}/{act}"),
        back: format!("/patient/{exam}"),
        by_exam: exam,
        fields,
    };
    carry_out(&desk, visitor, asked).await
}

/// What a form asks for.
struct Asked {
    /// The exams it is about; of an event none.
    exams: Vec<String>,
    /// The exam that the address names: all are of its patient.
    by_exam: String,
    wish: Wish,
    action: String,
    back: String,
    fields: Fields,
}

/// What a form came to.
enum Came {
    /// It is shown first, or asked about.
    Shown(Box<preview::View>),
    /// It is recorded.
    Recorded { patient: PatientKey, first: i64 },
}

async fn carry_out(desk: &Arc<Desk>, visitor: Visitor, asked: Asked) -> Result<Response, Failed> {
    let by = By {
        author: Author::Account(visitor.name.clone()),
        entered_by: visitor.account.clone(),
        source: "page".to_owned(),
        reason: reason(&asked.fields)?,
    };
    let (exam, back) = (asked.by_exam.clone(), asked.back.clone());
    let who = visitor.clone();
    let came = desk.off(move |desk| work(desk, &who, &asked, &by)).await?;
    match came {
        Came::Shown(view) => {
            let patient = PatientKey {
                issuer: view.whose.issuer.clone(),
                id: view.whose.id.clone(),
            };
            let viewed = Action::Viewed;
            desk.did(
                &visitor,
                viewed,
                Some(&patient),
                Some(&exam),
                "what an act would change",
            )
            .await?;
            let body = preview::html(&view, &|| visitor.token());
            desk.page(&visitor, None, "Before it is recorded", &body)
                .await
        }
        Came::Recorded { patient, first } => {
            let detail = format!("entry {first}");
            desk.did(
                &visitor,
                Action::Entered,
                Some(&patient),
                Some(&exam),
                &detail,
            )
            .await?;
            Ok(Redirect::to(&format!("{back}?recorded={first}")).into_response())
        }
    }
}

/// The right that an entry of a kind needs, also to take it back. To mend what somebody else said needs
/// another one too.
pub(super) fn right(kind: Kind) -> Right {
    match kind {
        Kind::LeftOut => Right::TakeOut,
        Kind::TakenBack => Right::Correct,
        _ => Right::Label,
    }
}

/// Works a form out, and records it where everything was seen.
fn work(desk: &Desk, visitor: &Visitor, asked: &Asked, by: &By) -> Result<Came, Failed> {
    let key = acts::patient_of(&desk.store, &asked.by_exam).map_err(|_| Failed::NotFound)?;
    let whole = Person::of(&desk.store, &key, &desk.site)?;
    // An exam of somebody else is none of this page.
    let is_theirs =
        |name: &String| *name == asked.by_exam || whole.exams.iter().any(|exam| exam.id == *name);
    if !asked.exams.iter().all(is_theirs) {
        return Err(Failed::NotFound);
    }
    // All that came since, before anything of the form is held against what stands now.
    if let Some(shown) = asked
        .fields
        .filled("stamp")
        .filter(|one| *one != whole.stamp())
    {
        return Err(stale(&whole, shown, asked));
    }
    let order = Order {
        exams: asked.exams.clone(),
        patient: Some(key),
        wish: asked.wish.clone(),
        by: by.clone(),
    };
    let prepared = prepared(desk, &desk.site, &order)?;
    let person = match prepared.people() {
        [one] if one.ids.surviving == whole.ids.surviving => one,
        // The number of an entry of somebody else.
        _ => return Err(Failed::NotFound),
    };
    let shown = asked.fields.filled("stamp");
    match (shown, &asked.wish) {
        (Some(shown), _) if shown != person.stamp() => return Err(stale(person, shown, asked)),
        (Some(_), _) | (None, Wish::Acknowledge(Some(_))) => {}
        (None, _) => {
            return Err(Failed::Bad(
                "the form does not say what was shown; load the page again".to_owned(),
            ));
        }
    }
    for kind in prepared.kinds() {
        visitor.may(right(kind))?;
    }
    if prepared.corrects_others(&visitor.account) {
        visitor.may(Right::Correct)?;
    }
    let is_seen = asked.fields.one(SHOWN) == "yes" || !asked.wish.is_shown_first();
    let is_agreed = prepared
        .asked()
        .is_none_or(|question| question == asked.fields.one(YES));
    // What is so already is said, and not recorded a second time.
    if !is_seen || !is_agreed || prepared.is_nothing() {
        let mut view = view(&prepared, person, asked);
        view.whose.name = gathered::name(desk, &person.ids.ids)?;
        return Ok(Came::Shown(Box::new(view)));
    }
    match acts::record(&desk.store, &prepared)? {
        Some(recorded) => Ok(Came::Recorded {
            patient: person.ids.surviving.clone(),
            first: recorded.first,
        }),
        // Somebody was faster between the two.
        None => {
            let now = Person::of(&desk.store, &person.ids.surviving, &desk.site)?;
            Err(stale(&now, &person.stamp(), asked))
        }
    }
}

fn prepared(desk: &Desk, site: &Site, order: &Order) -> Result<Prepared, Failed> {
    let orders = std::slice::from_ref(order);
    acts::prepare(&desk.store, site, orders, Look::All).map_err(|error| match error {
        ActError::Store(error) => Failed::Store(error),
        ActError::Unfound(unfound) => match unfound.into_iter().next().map(|one| one.why) {
            Some(NotMeant::NotOne(NotOne::Store(error))) => Failed::Store(error),
            _ => Failed::NotFound,
        },
        ActError::NoPatient | ActError::NoEntry(_) => Failed::NotFound,
        ActError::Newer { .. } => Failed::Stale(preview::difference(
            &[error.to_string()],
            &format!("/exam/{}", order.exams.first().map_or("", String::as_str)),
        )),
        other => Failed::Bad(other.to_string()),
    })
}

fn stale(person: &Person, shown: &str, asked: &Asked) -> Failed {
    Failed::Stale(preview::difference(&person.since(shown), &asked.back))
}

fn view(prepared: &Prepared, person: &Person, asked: &Asked) -> preview::View {
    let (new, old): (Vec<_>, Vec<_>) = prepared.steps().iter().partition(|step| step.is_new());
    let changes = prepared.changes().first();
    let effects = changes.into_iter().flat_map(|changes| &changes.effects);
    let patient = person.known.readings.iter().rev();
    let patient = patient
        .filter_map(|reading| reading.patient.as_ref())
        .next();
    let mut fields: Vec<(String, String)> = asked
        .fields
        .0
        .iter()
        .filter(|(name, _)| ![TOKEN, SHOWN, YES, "stamp"].contains(&name.as_str()))
        .cloned()
        .collect();
    // What was shown from here on is this page.
    fields.push(("stamp".to_owned(), person.stamp()));
    preview::View {
        whose: Whose {
            id: person.ids.surviving.id.clone(),
            issuer: person.ids.surviving.issuer.clone(),
            birth_date: person.birth_date(),
            sex: patient.and_then(|patient| patient.sex),
            name: None,
            age_years: None,
        },
        said: new.iter().map(|step| step.told.clone()).collect(),
        already: old.iter().map(|step| step.already.clone()).collect(),
        reason: prepared
            .steps()
            .first()
            .map_or(String::new(), |step| step.by.reason.clone()),
        effects: effects
            .map(|effect| preview::Effect {
                exam_id: effect.exam.clone(),
                at: effect.at,
                now: effect.now.clone(),
                then: effect.then.clone(),
                why: effect.why.clone(),
            })
            .collect(),
        of: changes.map_or(0, |changes| changes.of),
        question: prepared.asked().map(|yes| preview::Question {
            sentences: prepared
                .questions()
                .map(|one| sentence(person, one))
                .collect(),
            yes,
        }),
        action: asked.action.clone(),
        fields,
        back: asked.back.clone(),
    }
}

/// What is asked, in a sentence that names the exam by its time.
fn sentence(person: &Person, question: &Question) -> String {
    let exam = person.exams.iter().find(|exam| exam.id == question.exam());
    let of = exam.map_or_else(|| question.exam().to_owned(), acts::moment);
    match question {
        Question::BecomesBaseline(_) => format!(
            "The exam of {of} is flagged and would become part of the baseline: a rise that is real would \
             then hide later ones."
        ),
        Question::LosesFlag(_) => format!(
            "The exam of {of} is flagged and would lose its flag: a rise that is real would then be told no \
             more."
        ),
    }
}

fn label(fields: &Fields) -> Result<Wish, Failed> {
    acts::table::word(fields.one("label"))
        .map(Wish::Label)
        .map_err(Failed::Bad)
}

fn leave_out(fields: &Fields) -> Wish {
    if fields.one("back") == "yes" {
        Wish::LeaveOutBack
    } else {
        Wish::LeaveOut
    }
}

fn pressure(fields: &Fields) -> Result<Wish, Failed> {
    match (fields.one("value"), fields.one("unit")) {
        ("none", _) => Ok(Wish::Pressure(None)),
        (value, unit) => OpeningPressure::typed(value, unit)
            .map(|pressure| Wish::Pressure(Some(pressure)))
            .map_err(|why| Failed::Bad(why.to_string())),
    }
}

/// The version that was shown: without it nothing is acknowledged.
fn version(fields: &Fields) -> Result<Option<u32>, Failed> {
    let version = fields.one("version").parse();
    version
        .map(Some)
        .map_err(|_| Failed::Bad("the form does not say which version was shown".to_owned()))
}

fn event(fields: &Fields) -> Result<Event, Failed> {
    let date: NaiveDate = fields
        .one("date")
        .parse()
        .map_err(|_| Failed::Bad("write the day as YYYY-MM-DD".to_owned()))?;
    let word = fields.one("kind");
    let kind = EventKind::ALL.into_iter().find(|kind| kind.word() == word);
    let kind = kind.ok_or_else(|| Failed::Bad("choose what happened".to_owned()))?;
    Ok(Event { date, kind })
}

/// The reason as it is kept: lines of a text field become one.
fn reason(fields: &Fields) -> Result<String, Failed> {
    let words: Vec<&str> = fields.one("reason").split_whitespace().collect();
    acts::reason(&words.join(" ")).map_err(|what| Failed::Bad(format!("the reason {what}")))
}
