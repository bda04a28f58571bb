//! Who is signed in.

use super::desk::is_over;
use super::rights::{Right, Roles};
use super::session::{SEEN, Spent, WHO};
use super::{Action, Desk, Failed, token};
use crate::config::Role;
use axum::extract::FromRequestParts;
use axum::http::Method;
use axum::http::request::Parts;
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use sheathline_model::domain::PatientKey;
use sheathline_store::{accounts, deeds, identity};
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use tower_sessions::Session;
use tower_sessions::session::Id;

/// For how long a password or a fresh sign-in counts as one for signing.
pub(super) const FRESH: TimeDelta = TimeDelta::minutes(5);

/// For how long a broken glass lets somebody see a patient.
pub(super) const GLASS: TimeDelta = TimeDelta::minutes(60);

/// Between two notes of when somebody last asked for something.
const SEEN_EVERY: TimeDelta = TimeDelta::seconds(20);

/// By which way somebody signed in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Way {
    /// By a password that the store knows the hash of.
    Local,
    /// By the provider of `[pages.openid]`.
    OpenId,
}

/// The address a request came from.
#[derive(Debug, Clone, Copy)]
pub(super) struct From(pub(super) IpAddr);

/// Who is signed in, as the session keeps it.
#[derive(Clone, Serialize, Deserialize)]
pub(super) struct SignedIn {
    pub(super) account: String,
    pub(super) name: String,
    pub(super) roles: Vec<Role>,
    pub(super) way: Way,
    pub(super) begun_at: DateTime<Utc>,
    /// When they last showed who they are.
    pub(super) proved_at: DateTime<Utc>,
    /// What the tokens of forms are made with.
    pub(super) secret: String,
}

/// Who asks: somebody who is signed in.
#[derive(Clone)]
pub struct Visitor {
    /// The account; of OpenID Connect the subject of the provider, behind `openid:`.
    pub account: String,
    /// What they are called.
    pub name: String,
    /// Their roles now.
    pub roles: Roles,
    /// Where they come from.
    pub address: IpAddr,
    /// By which way they signed in.
    pub way: Way,
    /// When they last showed who they are.
    pub proved_at: DateTime<Utc>,
    secret: String,
    session: Id,
}

impl std::fmt::Debug for Visitor {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Visitor")
    }
}

impl Visitor {
    /// Whether they may do this.
    ///
    /// # Errors
    /// None of their roles allows it.
    pub fn may(&self, right: Right) -> Result<(), Failed> {
        if self.roles.may(right) {
            Ok(())
        } else {
            Err(Failed::NotAllowed(right))
        }
    }

    /// A token for one form; each form has one of its own.
    #[must_use]
    pub fn token(&self) -> String {
        token::mint(&self.secret)
    }

    /// Whether they showed a moment ago who they are, as signing asks for.
    #[must_use]
    pub fn is_fresh(&self) -> bool {
        !is_over(self.proved_at, FRESH, Utc::now())
    }

    /// Whether a token is one of this session, used or not.
    ///
    /// # Errors
    /// It is none.
    pub(super) fn owns(&self, shown: &str) -> Result<(), Failed> {
        let checked = token::checked(&self.secret, shown);
        checked.map(drop).ok_or(Failed::Forged)
    }

    /// Uses the token of a form that was posted to a path.
    ///
    /// # Errors
    /// It is none of this session, or served already.
    pub(super) async fn spend(&self, desk: &Desk, shown: &str, to: &str) -> Result<(), Failed> {
        let token = token::checked(&self.secret, shown).ok_or(Failed::Forged)?;
        match desk.sessions().spend(&self.session, token).await? {
            Spent::Now => Ok(()),
            Spent::Before => Err(Failed::Replayed(to.to_owned())),
            Spent::Ended => Err(Failed::SignedOut(None)),
        }
    }
}

impl Desk {
    /// Whether somebody may see a patient: by their role, or for an hour after they broke the glass for one
    /// of the ids under which this person is known now.
    ///
    /// # Errors
    /// They may not, or the store cannot be read.
    pub async fn may_see(
        self: &Arc<Self>,
        visitor: &Visitor,
        patient: &PatientKey,
    ) -> Result<(), Failed> {
        if visitor.roles.may(Right::See) {
            return Ok(());
        }
        if !self.pages().break_glass {
            return Err(Failed::NotAllowed(Right::See));
        }
        let (account, patient) = (visitor.account.clone(), patient.clone());
        let broke = self.off(move |desk| {
            let action = Action::BrokeGlass.word();
            Ok(desk.store.read(|view| {
                let mut ids = identity::person(view, &patient)?.ids.into_iter();
                ids.try_fold(None, |newest, id| {
                    let last = deeds::last_of_patient(view, &account, action, &id)?;
                    Ok(last.max(newest))
                })
            })?)
        });
        match broke.await? {
            Some(at) if !is_over(at, GLASS, Utc::now()) => Ok(()),
            _ => Err(Failed::NotAllowed(Right::See)),
        }
    }
}

impl FromRequestParts<Arc<Desk>> for Visitor {
    type Rejection = Failed;

    async fn from_request_parts(parts: &mut Parts, desk: &Arc<Desk>) -> Result<Self, Failed> {
        if let Some(visitor) = parts.extensions.get::<Visitor>() {
            return Ok(visitor.clone());
        }
        let to = (parts.method == Method::GET || parts.method == Method::HEAD)
            .then(|| parts.uri.path().to_owned());
        let session = parts.extensions.get::<Session>().cloned();
        let session = session.ok_or_else(|| Failed::SignedOut(to.clone()))?;
        let visitor = of_session(desk, &session, address(parts)).await?;
        let visitor = visitor.ok_or(Failed::SignedOut(to))?;
        parts.extensions.insert(visitor.clone());
        Ok(visitor)
    }
}

/// The address a request came from.
pub(super) fn address(parts: &Parts) -> IpAddr {
    let from = parts.extensions.get::<From>();
    from.map_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED), |from| from.0)
}

/// Who is signed in by a session, if it still counts; else it ends.
pub(super) async fn of_session(
    desk: &Arc<Desk>,
    session: &Session,
    address: IpAddr,
) -> Result<Option<Visitor>, Failed> {
    let who: Option<SignedIn> = session.get(WHO).await?;
    let (Some(who), Some(id)) = (who, session.id()) else {
        return Ok(None);
    };
    let now = Utc::now();
    let seen: DateTime<Utc> = session.get(SEEN).await?.unwrap_or(who.begun_at);
    let pages = desk.pages();
    let is_late = is_over(who.begun_at, TimeDelta::hours(pages.most_hours.into()), now)
        || is_over(seen, TimeDelta::minutes(pages.idle_minutes.into()), now);
    let roles = match who.way {
        _ if is_late => None,
        Way::OpenId => pages
            .openid
            .issuer
            .is_some()
            .then(|| Roles::new(who.roles.iter().copied())),
        Way::Local => {
            let (account, begun) = (who.account.clone(), who.begun_at);
            desk.off(move |desk| {
                let account = desk.store.read(|view| accounts::of_name(view, &account))?;
                let counts = account.filter(|one| {
                    one.ended_at.is_none() && one.signed_out_at.is_none_or(|at| at < begun)
                });
                Ok(counts.map(|one| Roles::of_words(one.roles.iter().map(String::as_str))))
            })
            .await?
        }
    };
    let Some(roles) = roles else {
        session.flush().await?;
        return Ok(None);
    };
    if is_over(seen, SEEN_EVERY, now) {
        session.insert(SEEN, now).await?;
    }
    Ok(Some(Visitor {
        account: who.account,
        name: who.name,
        roles,
        address,
        way: who.way,
        proved_at: who.proved_at,
        secret: who.secret,
        session: id,
    }))
}
