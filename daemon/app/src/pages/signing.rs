//! Signing: whoever signs shows once more who they are, and says so as an author.

use super::{Desk, Failed, Fields, Visitor, Way, sign_in};
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
