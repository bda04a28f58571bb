//! What people do, as the store and the audit trail note it.

use super::{Visitor, Way};
use crate::observe::Observed;
use crate::observe::audit::Event;
use chrono::{DateTime, Utc};
use sheathline_model::domain::PatientKey;
use sheathline_store::deeds::Deed;
use std::net::IpAddr;

/// What somebody did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Action {
    /// Signed in.
    SignedIn,
    /// Tried to, and was refused.
    Refused,
    /// Signed out.
    SignedOut,
    /// Looked at a patient's exam, course or list line by line.
    Viewed,
    /// Looked at a list of several patients.
    Listed,
    /// Said something: a label, an event, an acknowledgement.
    Entered,
    /// Signed a measurement.
    Measured,
    /// Brought a table of old values in, or took it back.
    BroughtIn,
    /// Took a file with somebody's data.
    Downloaded,
    /// Had a delivery tried again.
    Retried,
    /// Was let see a patient without the role, with a reason.
    BrokeGlass,
    /// Posted what they may not, or from elsewhere.
    NotAllowed,
}

impl Action {
    /// Every action.
    pub const ALL: [Action; 12] = [
        Action::SignedIn,
        Action::Refused,
        Action::SignedOut,
        Action::Viewed,
        Action::Listed,
        Action::Entered,
        Action::Measured,
        Action::BroughtIn,
        Action::Downloaded,
        Action::Retried,
        Action::BrokeGlass,
        Action::NotAllowed,
    ];

    /// Its word in the store.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Action::SignedIn => "signed_in",
            Action::Refused => "refused",
            Action::SignedOut => "signed_out",
            Action::Viewed => "viewed",
            Action::Listed => "listed",
            Action::Entered => "entered",
            Action::Measured => "measured",
            Action::BroughtIn => "brought_in",
            Action::Downloaded => "downloaded",
            Action::Retried => "retried",
            Action::BrokeGlass => "broke_glass",
            Action::NotAllowed => "not_allowed",
        }
    }

    /// For people.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Action::SignedIn => "signed in",
            Action::Refused => "was refused at sign-in",
            Action::SignedOut => "signed out",
            Action::Viewed => "viewed",
            Action::Listed => "viewed a list",
            Action::Entered => "entered",
            Action::Measured => "signed a measurement",
            Action::BroughtIn => "brought in old values",
            Action::Downloaded => "downloaded",
            Action::Retried => "had a delivery tried again",
            Action::BrokeGlass => "was let see a patient without the role",
            Action::NotAllowed => "tried what their role does not allow",
        }
    }

    /// The action of a word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Action> {
        Action::ALL.into_iter().find(|action| action.word() == word)
    }
}

/// The deed of a visitor.
pub(super) fn of(
    visitor: &Visitor,
    action: Action,
    patient: Option<&PatientKey>,
    exam: Option<&str>,
    detail: &str,
    now: DateTime<Utc>,
) -> Deed {
    Deed {
        at: now,
        account: visitor.account.clone(),
        roles: visitor.roles.words(),
        address: visitor.address.to_string(),
        action: action.word().to_owned(),
        patient: patient.cloned(),
        exam: exam.map(str::to_owned),
        detail: detail.to_owned(),
    }
}

/// The deed of somebody who is not signed in.
pub(super) fn of_nobody(
    account: &str,
    address: IpAddr,
    action: Action,
    detail: &str,
    now: DateTime<Utc>,
) -> Deed {
    Deed {
        at: now,
        account: account.to_owned(),
        roles: Vec::new(),
        address: address.to_string(),
        action: action.word().to_owned(),
        patient: None,
        exam: None,
        detail: detail.to_owned(),
    }
}

/// Tells the audit trail. What was entered is told there from the store, entry by entry.
pub(super) fn tell(observed: &Observed, action: Action, deed: &Deed) {
    let address = deed.address.parse().ok();
    let (account, detail) = (deed.account.clone(), deed.detail.clone());
    let patient = deed.patient.clone();
    match (action, patient) {
        (Action::SignedIn, _) => observed.note(|| Event::SignedIn { account, address }),
        (Action::SignedOut, _) => observed.note(|| Event::SignedOut { account, address }),
        (Action::Refused, _) => observed.note(|| Event::SignInRefused {
            account,
            address,
            why: detail,
        }),
        (Action::BrokeGlass, Some(patient)) => observed.note(|| Event::BrokeGlass {
            account,
            address,
            patient,
            reason: detail,
        }),
        (Action::Viewed | Action::Listed | Action::Downloaded, Some(patient)) => {
            observed.note(|| Event::Viewed {
                account,
                address,
                patient,
            });
        }
        _ => {}
    }
}

/// By which way somebody signed in, as a deed says it.
pub(super) fn way(way: Way) -> &'static str {
    match way {
        Way::Local => "local account",
        Way::OpenId => "OpenID Connect",
    }
}
