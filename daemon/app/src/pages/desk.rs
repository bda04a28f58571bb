//! What every handler works with.

use super::attempts::Attempts;
use super::openid::OpenId;
use super::rights::Roles;
use super::session::Sessions;
use super::{Action, Failed, Visitor, deed};
use crate::config::{Config, PagesSettings};
use crate::health::Health;
use crate::observe::Observed;
use axum::response::{Html, IntoResponse, Response};
use chrono::{DateTime, Utc};
use maud::Markup;
use sheathline_model::domain::PatientKey;
use sheathline_model::pages::layout::{Age, Frame, Place, Reader, whole};
use sheathline_model::reading::Rules;
use sheathline_model::results::Site;
use sheathline_store::{Store, StoreError, backlog, overview};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::Semaphore;

/// Passwords that are hashed at one time: each takes 64 MiB.
const HASHING_MAX: usize = 2;

/// Requests that may wait for their password to be hashed.
const WAITING_MAX: usize = 32;

/// How long the age of the data is shown before it is looked at anew.
const AGE_KEPT: Duration = Duration::from_secs(2);

/// What pages follow that can change while they are served.
#[derive(Debug, Clone)]
pub struct DeskSettings {
    /// The configuration in force.
    pub config: Arc<Config>,
    /// How objects are read.
    pub rules: Arc<Rules>,
    /// What results follow.
    pub site: Arc<Site>,
}

/// What every handler works with.
#[derive(Debug)]
pub struct Desk {
    /// The store.
    pub store: Store,
    /// Whom to tell what was done.
    pub observed: Observed,
    /// The configuration in force.
    pub config: Arc<Config>,
    /// How objects are read.
    pub rules: Arc<Rules>,
    /// What results follow.
    pub site: Arc<Site>,
    pub(super) common: Arc<Common>,
}

/// What stays when the settings change.
#[derive(Debug)]
pub(super) struct Common {
    pub(super) attempts: Attempts,
    pub(super) hashing: Semaphore,
    /// Requests that wait for a password to be hashed.
    pub(super) waiting: Semaphore,
    pub(super) openid: OpenId,
    health: Option<Arc<Health>>,
    age: Mutex<Option<(Instant, Age)>>,
}

impl Common {
    pub(super) fn new(health: Option<Arc<Health>>) -> Self {
        Common {
            attempts: Attempts::default(),
            hashing: Semaphore::new(HASHING_MAX),
            waiting: Semaphore::new(WAITING_MAX),
            openid: OpenId::default(),
            health,
            age: Mutex::default(),
        }
    }
}

impl Desk {
    /// The settings of the pages.
    #[must_use]
    pub fn pages(&self) -> &PagesSettings {
        &self.config.pages
    }

    pub(super) fn sessions(&self) -> Sessions {
        Sessions(self.store.clone())
    }

    /// Does what waits (the store, a file, much arithmetic) on a thread for that.
    ///
    /// # Errors
    /// Those of the work.
    pub async fn off<T: Send + 'static>(
        self: &Arc<Self>,
        work: impl FnOnce(&Desk) -> Result<T, Failed> + Send + 'static,
    ) -> Result<T, Failed> {
        let desk = Arc::clone(self);
        let done = tokio::task::spawn_blocking(move || work(&desk)).await;
        done.unwrap_or(Err(Failed::Store(StoreError::Panicked)))
    }

    /// Notes what somebody did with whose data, in the store and the audit trail. Belongs before anything
    /// of a patient is shown.
    ///
    /// # Errors
    /// It cannot be noted, so it must not happen.
    pub async fn did(
        &self,
        visitor: &Visitor,
        action: Action,
        patient: Option<&PatientKey>,
        exam: Option<&str>,
        detail: &str,
    ) -> Result<(), Failed> {
        let deed = deed::of(visitor, action, patient, exam, detail, Utc::now());
        let kept = deed.clone();
        let noted = self
            .store
            .write_async(move |tx| sheathline_store::deeds::add(tx, &kept))
            .await;
        noted?;
        deed::tell(&self.observed, action, &deed);
        Ok(())
    }

    /// A whole page: what stands round it, with the age of the data.
    ///
    /// # Errors
    /// The store cannot be read.
    pub async fn page(
        self: &Arc<Self>,
        visitor: &Visitor,
        here: Option<Place>,
        title: &str,
        body: &Markup,
    ) -> Result<Response, Failed> {
        let age = self.off(Desk::age).await?;
        let frame = Frame {
            title: title.to_owned(),
            here,
            reader: Some(reader(visitor)),
            age: Some(age),
        };
        Ok(Html(whole(&frame, body)).into_response())
    }

    /// How old the data are. Asks the store and the file system.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn age(&self) -> Result<Age, Failed> {
        let kept = self.kept_age().clone();
        if let Some((_, age)) = kept.filter(|(at, _)| at.elapsed() < AGE_KEPT) {
            return Ok(age);
        }
        let (backlog, newest) = self
            .store
            .read(|view| Ok((backlog::backlog(view)?, overview::newest(view)?)))?;
        let reasons = self.common.health.as_ref().map(|health| health.reasons());
        let why = reasons.unwrap_or_default();
        let age = Age {
            made_at: Utc::now(),
            last_received: newest,
            waiting: backlog.objects.count + backlog.patients.count,
            standing_still: why.first().map(|reason| sentence(reason.what)),
        };
        *self.kept_age() = Some((Instant::now(), age.clone()));
        Ok(age)
    }

    fn kept_age(&self) -> std::sync::MutexGuard<'_, Option<(Instant, Age)>> {
        // It is whole between any two operations.
        let age = self.common.age.lock();
        age.unwrap_or_else(PoisonError::into_inner)
    }
}

/// Who looks, as a page says it.
fn reader(visitor: &Visitor) -> Reader {
    Reader {
        account: visitor.name.clone(),
        roles: visitor.roles.words(),
        places: Roles::places(&visitor.roles),
        token: visitor.token(),
    }
}

/// Words as a sentence.
fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|letter| letter.to_ascii_uppercase());
    let text: String = first.into_iter().chain(letters).collect();
    if text.ends_with('.') {
        text
    } else {
        text + "."
    }
}

/// When a time limit that was set at `at` is over.
pub(super) fn is_over(at: DateTime<Utc>, limit: chrono::TimeDelta, now: DateTime<Utc>) -> bool {
    // A clock that was set back ends nothing early.
    now.signed_duration_since(at) >= limit
}
