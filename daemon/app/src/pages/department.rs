//! Department: its statistics, worked out beside the requests and kept for a while.

use super::posted::Question;
use super::{Action, Desk, Failed, Right, Visitor};
use crate::department::{NoStatistics, statistics};
use axum::Router;
use axum::extract::{Extension, State};
use axum::response::Response;
use axum::routing::get;
use chrono::{DateTime, Local, Utc};
use maud::html;
use serde::Deserialize;
use sheathline_model::department::report::Report;
use sheathline_model::department::{Period, calibrate};
use sheathline_model::pages::department::{self as page, Found, View};
use sheathline_model::pages::layout::{Place, instant};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::watch;

/// What was found is shown for so long before it is worked out anew: numbers of years do not hurry.
const KEPT: chrono::TimeDelta = chrono::TimeDelta::minutes(10);

/// How long a request waits for numbers before it tells how far they are.
const PATIENCE: Duration = Duration::from_secs(5);

/// Shown while numbers are worked out, and where that failed.
type Progress = Result<(usize, usize), String>;

/// What was found, and when.
type At = (DateTime<Utc>, Arc<Found>);

/// One working out: whatever it is asked for meanwhile waits.
#[derive(Clone)]
struct Work {
    period: Period,
    progress: watch::Receiver<Progress>,
    found: Arc<Mutex<Option<At>>>,
}

/// The last working out.
type Kept = Arc<Mutex<Option<Work>>>;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route(Place::Department.path(), get(show))
        .route("/department/table.csv", get(table))
        .layer(Extension(Kept::default()))
}

/// Days as a browser sends them.
#[derive(Debug, Default, Deserialize)]
struct Days {
    #[serde(default)]
    from: String,
    #[serde(default)]
    to: String,
}

impl Days {
    fn period(&self) -> Result<Period, String> {
        let (from, to) = (super::deeds::day(&self.from)?, super::deeds::day(&self.to)?);
        match (from, to) {
            (Some(from), Some(to)) if to < from => Err(format!("{to} lies before {from}.")),
            (from, to) => Ok(Period { from, to }),
        }
    }
}

async fn show(
    State(desk): State<Arc<Desk>>,
    Extension(kept): Extension<Kept>,
    visitor: Visitor,
    Question(days): Question<Days>,
) -> Result<Response, Failed> {
    visitor.may(Right::Department)?;
    let mut view = View {
        wrong: None,
        found: None,
        from: days.from.clone(),
        to: days.to.clone(),
    };
    let mut more = html! {};
    match days.period() {
        Err(wrong) => view.wrong = Some(wrong),
        Ok(period) => match worked_out(&desk, &kept, period).await? {
            Ok((at, found)) => {
                view.found = Some(Found::clone(&found));
                more = html! { p.help { "Worked out at " (instant(at)) "." } };
            }
            Err((done, all)) => {
                more = html! {
                    p.told role="status" {
                        "Being worked out: " (done) " of " (all) " patients. "
                        a href=(address(&period)) { "Look again" }
                    }
                };
            }
        },
    }
    let body = html! { (page::html(&view)) (more) };
    let place = Place::Department;
    desk.page(&visitor, Some(place), place.title(), &body).await
}

async fn table(
    State(desk): State<Arc<Desk>>,
    Extension(kept): Extension<Kept>,
    visitor: Visitor,
    Question(days): Question<Days>,
) -> Result<Response, Failed> {
    visitor.may(Right::Department)?;
    let period = days.period().map_err(Failed::Bad)?;
    let Ok((_, found)) = worked_out(&desk, &kept, period).await? else {
        let why = "The numbers are still being worked out. Show the page first.";
        return Err(Failed::Bad(why.to_owned()));
    };
    desk.did(&visitor, Action::Downloaded, None, None, "department")
        .await?;
    Ok(super::files::csv("department.csv", page::table(&found)))
}

fn address(period: &Period) -> String {
    let day = |day: Option<chrono::NaiveDate>| day.map_or(String::new(), |day| day.to_string());
    format!(
        "/department?from={}&to={}",
        day(period.from),
        day(period.to)
    )
}

/// The numbers and when they were worked out, or how far that is.
async fn worked_out(
    desk: &Arc<Desk>,
    kept: &Kept,
    period: Period,
) -> Result<Result<At, (usize, usize)>, Failed> {
    let mut work = begun(desk, kept, period)?;
    let ended = |work: &Work| {
        let found = work.found.lock();
        found.unwrap_or_else(PoisonError::into_inner).clone()
    };
    let finish = async { while work.progress.changed().await.is_ok() {} };
    let _ = tokio::time::timeout(PATIENCE, finish).await;
    if let Some(found) = ended(&work).filter(|_| work.period == period) {
        return Ok(Ok(found));
    }
    let progress = work.progress.borrow().clone();
    progress.map(Err).map_err(Failed::Bad)
}

/// The work that is under way, or new work where none is and what was found is of other days or old.
fn begun(desk: &Arc<Desk>, kept: &Kept, period: Period) -> Result<Work, Failed> {
    let mut kept = kept.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(work) = &*kept {
        let found = work.found.lock().unwrap_or_else(PoisonError::into_inner);
        let is_under_way = found.is_none() && work.progress.has_changed().is_ok();
        let is_good = found
            .as_ref()
            .is_some_and(|(at, _)| work.period == period && Utc::now() - *at < KEPT);
        if is_under_way || is_good {
            return Ok(work.clone());
        }
    }
    let (tell, progress) = watch::channel(Ok((0, 0)));
    let work = Work {
        period,
        progress,
        found: Arc::default(),
    };
    let (desk, found) = (Arc::clone(desk), Arc::clone(&work.found));
    // On a thread of its own: a daemon that stops does not wait for it.
    let run = move || {
        let step = |done, all| drop(tell.send(Ok((done, all))));
        match gather(&desk, period, step) {
            Ok(all) => {
                let mut found = found.lock().unwrap_or_else(PoisonError::into_inner);
                *found = Some((Utc::now(), Arc::new(all)));
            }
            Err(why) => drop(tell.send(Err(why.to_string()))),
        }
    };
    let thread = std::thread::Builder::new().name("department".to_owned());
    thread.spawn(run).map_err(|_| Failed::Busy)?;
    *kept = Some(work.clone());
    Ok(work)
}

fn gather(desk: &Desk, period: Period, step: impl Fn(usize, usize)) -> Result<Found, NoStatistics> {
    let (of, mut persons) = ((&*desk.site, desk.config.baseline), Vec::new());
    let also = |patients| persons.extend(patients);
    let found = statistics(&desk.store, of, period, step, also)?;
    Ok(Found {
        report: Report::of(&found, Local::now().date_naive()),
        calibration: calibrate(&persons, &desk.config.baseline).ok(),
    })
}
