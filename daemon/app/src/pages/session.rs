//! Sessions in the store, for the session layer.
//!
//! The id of a cookie is kept as its hash alone. Tokens that were used are kept beside what the layer
//! keeps, so that two requests at once can neither use one twice nor forget one.

use axum::http::StatusCode;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};
use sheathline_store::web_sessions::{self, IdHash, WebSession};
use sheathline_store::{Store, StoreError};
use std::collections::HashMap;
use std::pin::Pin;
use tower_sessions::SessionStore;
use tower_sessions::cookie::time::OffsetDateTime;
use tower_sessions::session::{Id, Record};
use tower_sessions::session_store::{Error, Result};

/// What the layer keeps under this name says who is signed in.
pub(super) const WHO: &str = "who";

/// When they last asked for something.
pub(super) const SEEN: &str = "seen";

/// Tokens of one session; whoever used so many signs in anew.
const USED_MAX: usize = 5000;

/// What stands in the store.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Content {
    data: HashMap<String, Value>,
    used: Vec<String>,
}

impl Content {
    fn of(session: &WebSession) -> Content {
        // What cannot be read is nobody's.
        serde_json::from_str(&session.content).unwrap_or_default()
    }

    fn text(&self) -> std::result::Result<String, StoreError> {
        serde_json::to_string(self).map_err(|error| StoreError::Work(error.to_string()))
    }

    fn account(&self) -> String {
        let who = self.data.get(WHO).and_then(|who| who.get("account"));
        let account = who.and_then(Value::as_str);
        account.unwrap_or_default().to_owned()
    }
}

/// Sessions of the pages.
#[derive(Debug, Clone)]
pub(super) struct Sessions(pub(super) Store);

/// What became of a token.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Spent {
    /// It serves now.
    Now,
    /// It had served.
    Before,
    /// The session has ended, or has used so many that it must.
    Ended,
}

/// The hash under which a session stands.
pub(super) fn hash(id: &Id) -> IdHash {
    Sha256::digest(id.0.to_le_bytes()).into()
}

impl Sessions {
    /// Uses a token, once.
    pub(super) async fn spend(
        &self,
        id: &Id,
        token: String,
    ) -> std::result::Result<Spent, StoreError> {
        let hash = hash(id);
        let work = move |tx: &sheathline_store::Tx| {
            let Some(mut session) = web_sessions::of_id(tx, &hash, Utc::now())? else {
                return Ok(Spent::Ended);
            };
            let mut content = Content::of(&session);
            if content.used.contains(&token) {
                return Ok(Spent::Before);
            }
            if content.used.len() >= USED_MAX {
                return Ok(Spent::Ended);
            }
            content.used.push(token.clone());
            session.content = content.text()?;
            web_sessions::keep(tx, &hash, &session)?;
            Ok(Spent::Now)
        };
        self.0.write_async(work).await
    }
}

fn time(at: OffsetDateTime) -> DateTime<Utc> {
    DateTime::from_timestamp(at.unix_timestamp(), 0).unwrap_or_default()
}

fn failed(error: &StoreError) -> Error {
    tracing::error!(code = "pages-session", %error, "nobody can sign in or go on");
    Error::Backend(StatusCode::SERVICE_UNAVAILABLE.to_string())
}

/// What the trait's own macro would make of an `async fn`.
type Answer<'a, T> = Pin<Box<dyn Future<Output = Result<T>> + Send + 'a>>;

impl SessionStore for Sessions {
    fn create<'a, 'b, 'c>(&'a self, record: &'b mut Record) -> Answer<'c, ()>
    where
        'a: 'c,
        'b: 'c,
        Self: 'c,
    {
        Box::pin(async move {
            loop {
                let (hash, session) = of_record(record).map_err(|error| failed(&error))?;
                let work = move |tx: &sheathline_store::Tx| {
                    web_sessions::begin(tx, &hash, &session, Utc::now())
                };
                let begun = self.0.write_async(work).await;
                if begun.map_err(|error| failed(&error))? {
                    return Ok(());
                }
                record.id = Id::default();
            }
        })
    }

    fn save<'a, 'b, 'c>(&'a self, record: &'b Record) -> Answer<'c, ()>
    where
        'a: 'c,
        'b: 'c,
        Self: 'c,
    {
        Box::pin(async move {
            let (hash, session) = of_record(record).map_err(|error| failed(&error))?;
            let work = move |tx: &sheathline_store::Tx| {
                let Some(there) = web_sessions::of_id(tx, &hash, Utc::now())? else {
                    return Ok(());
                };
                let mut content = Content::of(&session);
                content.used = Content::of(&there).used;
                let session = WebSession {
                    content: content.text()?,
                    ..session.clone()
                };
                web_sessions::keep(tx, &hash, &session)
            };
            let kept = self.0.write_async(work).await;
            kept.map_err(|error| failed(&error))
        })
    }

    fn load<'a, 'b, 'c>(&'a self, id: &'b Id) -> Answer<'c, Option<Record>>
    where
        'a: 'c,
        'b: 'c,
        Self: 'c,
    {
        Box::pin(async move {
            let (store, id) = (self.0.clone(), *id);
            let read = tokio::task::spawn_blocking(move || {
                store.read(|view| web_sessions::of_id(view, &hash(&id), Utc::now()))
            });
            let read = read.await.unwrap_or(Err(StoreError::Panicked));
            let session = read.map_err(|error| failed(&error))?;
            Ok(session.and_then(|session| {
                let ends = session.ends_at.timestamp();
                Some(Record {
                    id,
                    data: Content::of(&session).data,
                    expiry_date: OffsetDateTime::from_unix_timestamp(ends).ok()?,
                })
            }))
        })
    }

    fn delete<'a, 'b, 'c>(&'a self, id: &'b Id) -> Answer<'c, ()>
    where
        'a: 'c,
        'b: 'c,
        Self: 'c,
    {
        Box::pin(async move {
            let hash = hash(id);
            let ended = self
                .0
                .write_async(move |tx| web_sessions::end(tx, &hash))
                .await;
            ended.map_err(|error| failed(&error))
        })
    }
}

fn of_record(record: &Record) -> std::result::Result<(IdHash, WebSession), StoreError> {
    let content = Content {
        data: record.data.clone(),
        used: Vec::new(),
    };
    let session = WebSession {
        account: content.account(),
        content: content.text()?,
        ends_at: time(record.expiry_date),
    };
    Ok((hash(&record.id), session))
}
