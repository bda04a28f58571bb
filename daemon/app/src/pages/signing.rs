//! Signing: whoever signs shows once more who they are, and says so as an author.

use super::visitor::FRESH;
use super::{Desk, Failed, Fields, Visitor, Way, sign_in};
use chrono::{DateTime, Utc};
use sheathline_model::annotations::{Author, By};
use sheathline_model::pages::measure::Proof;
use std::sync::Arc;

/// What is asked of whoever signs.
pub(super) fn asked(visitor: &Visitor) -> Proof {
    match visitor.way {
        _ if visitor.is_fresh() => Proof::Fresh,
        Way::Local => Proof::Password,
        Way::OpenId => Proof::SignIn,
    }
}

/// When somebody whom a provider lets in showed it who they are: as its token says (OpenID Connect Core 1.0,
/// OpenID Foundation, section 2, `auth_time`). A provider that knows them already asks for nothing, so
/// without that the moment they come back counts only where it was told to ask anew.
pub(super) fn proved_at(
    told: Option<DateTime<Utc>>,
    is_anew: bool,
    now: DateTime<Utc>,
) -> DateTime<Utc> {
    match told {
        // Its clock may run before ours.
        Some(told) => told.min(now),
        None if is_anew => now,
        None => now - FRESH,
    }
}

/// Whether a form shows who signs: by a sign-in a moment ago, or by the password in it.
///
/// # Errors
/// Too many passwords were refused, or the store does not answer.
pub(super) async fn is_proved(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    fields: &Fields,
) -> Result<bool, Failed> {
    match asked(visitor) {
        Proof::Fresh => Ok(true),
        Proof::SignIn => Ok(false),
        Proof::Password => {
            // Blanks at the ends of a password belong to it.
            let typed = fields.0.iter().find(|(name, _)| name == "password");
            let typed = typed.map_or("", |(_, value)| value.as_str());
            if typed.is_empty() {
                return Ok(false);
            }
            let roles = sign_in::prove(desk, &visitor.account, typed, visitor.address).await?;
            Ok(roles.is_some())
        }
    }
}

/// What is said to somebody who did not show it.
pub(super) fn not_proved(visitor: &Visitor) -> String {
    match asked(visitor) {
        Proof::SignIn => {
            "It is not signed: you signed in some time ago. Sign in once more, then sign."
        }
        _ => "It is not signed: the password is not right. What you typed is saved.",
    }
    .to_owned()
}

/// Who says something by a page.
pub(super) fn by(visitor: &Visitor, reason: &str) -> By {
    By {
        author: Author::Account(visitor.name.clone()),
        entered_by: visitor.account.clone(),
        source: "page".to_owned(),
        reason: reason.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeDelta;

    /// Who comes back from a provider that knew them already has shown nothing.
    #[test]
    fn a_sign_in_is_as_fresh_as_the_provider_says() {
        let now: DateTime<Utc> = "2026-03-01T08:00:00Z".parse().expect("a time");
        let (hour, ahead) = (now - TimeDelta::hours(1), now + TimeDelta::hours(1));
        for is_anew in [false, true] {
            assert_eq!(proved_at(Some(hour), is_anew, now), hour);
            assert_eq!(proved_at(Some(now), is_anew, now), now);
            assert_eq!(proved_at(Some(ahead), is_anew, now), now);
        }
        assert_eq!(proved_at(None, true, now), now);
        assert_eq!(proved_at(None, false, now), now - FRESH);
    }
}
