//! Unknown codes: what stands in the way, answers, and what they would change.

use super::posted::Asked;
use super::{Action, Desk, Failed, Fields, Right, Visitor};
use crate::trial::unexplained::{self, Told};
use crate::trial::{self, Both, Details, More, Outcome};
use axum::Router;
use axum::extract::{Extension, State};
use axum::response::Response;
use axum::routing::get;
use chrono::{SecondsFormat, Utc};
use sheathline_model::draft::confirm::Sheet;
use sheathline_model::draft::{Draft, draft};
use sheathline_model::legible;
use sheathline_model::pages::codes::{self as page, SHOWN, Tried, View};
use sheathline_model::pages::layout::Place;
use sheathline_model::reading::Rules;
use sheathline_model::reading::trial::{Tally, compare};
use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// How long what the store tells of codes is shown before it is asked anew.
const KEPT: Duration = Duration::from_secs(60);

/// How long a trial may take; the command has all the time there is.
const TRIAL: Duration = Duration::from_secs(20);

/// Names of the draft and of the dictionary, in messages and downloads.
const DRAFT: &str = "draft.toml";
const DICTIONARY: &str = "dictionary.toml";

/// What the store told, and when; and whether somebody tries answers now.
#[derive(Default)]
struct Shared {
    told: Mutex<Option<(Instant, Arc<Told>)>>,
    trying: Mutex<()>,
}

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route(Place::Codes.path(), get(show).post(answered))
        .route("/codes/draft.toml", get(download))
        .layer(Extension(Arc::new(Shared::default())))
}

/// What somebody answered, by the key of its question.
type Answers = BTreeMap<String, String>;

async fn show(
    State(desk): State<Arc<Desk>>,
    Extension(shared): Extension<Arc<Shared>>,
    visitor: Visitor,
) -> Result<Response, Failed> {
    visitor.may(Right::Codes)?;
    let work = desk.off(move |desk| {
        let told = shared.told(desk)?;
        let draft = drafted(desk, &told);
        let (mut view, _) = answers(&draft, &told, &Answers::new(), "")?;
        view.token = Some(String::new());
        Ok(view)
    });
    shown(&desk, &visitor, work.await?).await
}

async fn shown(desk: &Arc<Desk>, visitor: &Visitor, mut view: View) -> Result<Response, Failed> {
    view.token = Some(visitor.token());
    let place = Place::Codes;
    desk.page(visitor, Some(place), place.title(), &page::html(&view))
        .await
}

async fn download(
    State(desk): State<Arc<Desk>>,
    Extension(shared): Extension<Arc<Shared>>,
    visitor: Visitor,
) -> Result<Response, Failed> {
    visitor.may(Right::Codes)?;
    let text = desk.off(move |desk| Ok(drafted(desk, &*shared.told(desk)?).to_toml()));
    let text = text.await?;
    desk.did(&visitor, Action::Downloaded, None, None, DRAFT)
        .await?;
    Ok(super::files::file(
        DRAFT,
        "application/toml; charset=utf-8",
        text,
    ))
}

async fn answered(
    State(desk): State<Arc<Desk>>,
    Extension(shared): Extension<Arc<Shared>>,
    visitor: Visitor,
    Asked(fields): Asked<Fields>,
) -> Result<Response, Failed> {
    visitor.may(Right::Codes)?;
    let keys = fields.all("key").map(str::to_owned);
    let given: Answers = keys
        .zip(fields.all("answer").map(str::to_owned))
        .filter(|(_, answer)| !answer.is_empty())
        .collect();
    let is_trial = fields.one("as") == "try";
    let by = visitor.account.clone();
    let work = desk.off(move |desk| {
        let told = shared.told(desk)?;
        let draft = drafted(desk, &told);
        let (mut view, sheet) = answers(&draft, &told, &given, &by)?;
        let is_wrong = !view.wrong.is_empty() || view.codes.iter().any(|one| one.wrong.is_some());
        let mut dictionary = None;
        match &sheet {
            Some(sheet) if !is_wrong && sheet.answered() == 0 => {
                view.wrong.push("Nothing is answered yet.".to_owned());
            }
            Some(sheet) if !is_wrong => {
                let text = sheet.dictionary();
                let doubts = sheet.doubts();
                view.wrong.extend(doubts.iter().map(ToString::to_string));
                if is_trial {
                    match shared.tried(desk, &text)? {
                        Ok(tried) => view.tried = Some(tried),
                        Err(wrong) => view.wrong.extend(wrong),
                    }
                } else if doubts.is_empty() {
                    dictionary = Some(text);
                }
            }
            _ => {}
        }
        Ok((view, dictionary))
    });
    match work.await? {
        (_, Some(text)) => {
            desk.did(&visitor, Action::Downloaded, None, None, DICTIONARY)
                .await?;
            let kind = "application/toml; charset=utf-8";
            Ok(super::files::file(DICTIONARY, kind, text))
        }
        (view, None) => shown(&desk, &visitor, view).await,
    }
}

fn drafted(desk: &Desk, told: &Told) -> Draft {
    draft(&told.facts, desk.rules.templates.vocabulary().names())
}

/// The page with these answers, and the sheet that took them.
fn answers(
    draft: &Draft,
    told: &Told,
    given: &Answers,
    by: &str,
) -> Result<(View, Option<Sheet>), Failed> {
    let mut view = View {
        codes: Vec::new(),
        left_out: draft.left_out,
        before: told.before,
        unread: told.unread,
        missing: told.missing,
        beyond: told.beyond,
        is_gathering: told.is_gathering,
        wrong: Vec::new(),
        tried: None,
        token: None,
    };
    let mut sheet = match Sheet::open((DRAFT, &draft.to_toml()), (DICTIONARY, "")) {
        Ok(sheet) => sheet,
        Err(mistakes) => {
            view.codes = page::codes(draft, &[]);
            view.wrong = mistakes.iter().map(ToString::to_string).collect();
            return Ok((view, None));
        }
    };
    view.codes = page::codes(draft, sheet.questions());
    let now = Utc::now().to_rfc3339_opts(SecondsFormat::Secs, true);
    let by = format!("Confirmed {now} by {}", legible::short(by, 100));
    let mut taken = 0;
    for code in view.codes.iter_mut().take(SHOWN) {
        let Some(answer) = given.get(&code.key).filter(|_| !code.key.is_empty()) else {
            continue;
        };
        taken += 1;
        code.answer = answer.clone();
        let mut questions = sheet.questions().iter();
        let Some(at) = questions.position(|one| page::key(&one.kind) == code.key) else {
            continue;
        };
        let says = sheet.questions().get(at).map(|one| one.answer(answer));
        code.wrong = match says {
            Some(Ok(Some(says))) => sheet.give(at, says, &by).err().map(|mistakes| {
                let lines: Vec<String> = mistakes.iter().map(ToString::to_string).collect();
                lines.join("; ")
            }),
            Some(Ok(None)) | None => None,
            Some(Err(why)) => Some(why),
        };
    }
    if taken < given.len() {
        let gone = given.len() - taken;
        view.wrong.push(format!(
            "{gone} answers are to codes that are not in the list any more; they are not taken."
        ));
    }
    Ok((view, Some(sheet)))
}

impl Shared {
    fn told(&self, desk: &Desk) -> Result<Arc<Told>, Failed> {
        let mut kept = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((at, told)) = &*kept
            && at.elapsed() < KEPT
        {
            return Ok(Arc::clone(told));
        }
        let told = Arc::new(unexplained::of_store(&desk.store)?);
        *kept = Some((Instant::now(), Arc::clone(&told)));
        Ok(told)
    }

    /// Tries a dictionary; one trial at a time, in bounded time. Mistakes of it are told in words.
    fn tried(&self, desk: &Desk, text: &str) -> Result<Result<Tried, Vec<String>>, Failed> {
        let Ok(_one) = self.trying.try_lock() else {
            return Err(Failed::Busy);
        };
        let (files, missing) = match trial::files(&desk.config, &[]) {
            Ok(files) => files,
            Err(why) => return Ok(Err(vec![why])),
        };
        if !missing.is_empty() {
            return Ok(Err(missing));
        }
        let more = More::of(files, (DICTIONARY.to_owned(), text.to_owned()), None);
        let templates = match more.templates() {
            Ok(templates) => templates,
            Err(wrong) => return Ok(Err(wrong.iter().map(ToString::to_string).collect())),
        };
        let after = Rules {
            templates,
            ..Rules::clone(&desk.rules)
        };
        let both = Both {
            before: &desk.rules,
            after: &after,
        };
        let (begun, mut outcome) = (Instant::now(), Outcome::default());
        let (mut not_read, mut cut_off) = (0, false);
        both.stored(
            &desk.store,
            None,
            |source, read| {
                let [before, after] = read;
                outcome.take(after.uid(), source, read, &compare(before, after));
                cut_off = begun.elapsed() >= TRIAL;
                if cut_off {
                    ControlFlow::Break(())
                } else {
                    ControlFlow::Continue(())
                }
            },
            |_, _| not_read += 1,
        )?;
        Ok(Ok(found(outcome, not_read, cut_off)))
    }
}

fn found(outcome: Outcome, not_read: u64, cut_off: bool) -> Tried {
    let reports = outcome.reports();
    let mut tallies: Vec<_> = outcome.tallies.into_iter().collect();
    // What changes first.
    let changes = |tally: &Tally| tally.changes.values().sum::<usize>();
    tallies.sort_by_key(|(_, tally)| Reverse((changes(tally), tally.reports)));
    let name = |(sender, device): (String, String)| match device.as_str() {
        "" => sender,
        device => format!("{sender}, {}", device.replace('|', " ")),
    };
    Tried {
        reports,
        cut_off,
        tallies: tallies
            .into_iter()
            .map(|(key, tally)| (name(key), tally))
            .collect(),
        grave: lines(outcome.grave),
        gained: lines(outcome.gained),
        not_read,
    }
}

fn lines(details: Details) -> Vec<String> {
    let more = details.count - details.lines.len();
    let mut lines = details.lines;
    if more > 0 {
        lines.push(format!("and {more} more"));
    }
    lines
}
