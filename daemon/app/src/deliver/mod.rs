//! Published results to other systems, each by its own way.
//!
//! A [`Carrier`] brings one result to one destination and says how it ended; when to try, in which
//! order and what to keep of the answer is decided outside it. Equal results are equal bytes under
//! equal identifiers, so a delivery that is repeated after a crash is recognised by the receiver.

pub(crate) mod dicom;
mod fhir;
mod hook;
pub mod mllp;
pub mod syslog;
pub mod worker;
pub mod workers;

use crate::parcel::Parcel;
use crate::routes::destination;
use sheathline_model::forms::FormError;
use sheathline_net::connect::{Failure, Stage, Word, check_tls, tls};

/// Brings results to one destination. Blocks; every wait inside it is bounded by
/// [`destination::Destination::timeout`].
pub trait Carrier: Send {
    /// Delivers one result. `Ok` only when the receiver has said that it took all of it, or that it
    /// had it already.
    ///
    /// # Errors
    /// Where it failed, in whose words, and whether trying again can help.
    fn deliver(&mut self, parcel: &Parcel) -> Result<(), Failure>;

    /// Delivers reports that people typed, as they are stored.
    ///
    /// # Errors
    /// As [`Carrier::deliver`]; or the destination takes none.
    fn deliver_entered(&mut self, _reports: &[Vec<u8>]) -> Result<(), Failure> {
        let words = "this destination takes no typed reports";
        Err(Failure::new(Stage::Form, Word::NotTaken, words).lasting(true))
    }

    /// Goes the way without delivering: the stages passed, in order.
    ///
    /// # Errors
    /// The first stage that is not passed.
    fn echo(&mut self) -> Result<Vec<Stage>, Failure>;
}

/// What brings results to this destination.
#[must_use]
pub fn carrier(destination: &destination::Destination) -> Box<dyn Carrier> {
    let timeout = destination.timeout;
    match destination.way.clone() {
        destination::Way::Dicom(way) => Box::new(dicom::Dicom { way, timeout }),
        destination::Way::Mllp(way) => Box::new(mllp::Mllp::new(way, timeout)),
        destination::Way::Fhir(way) => Box::new(fhir::Fhir { way, timeout }),
        destination::Way::Hook(way) => Box::new(hook::Hook {
            way: way.http,
            tell_status: way.tell_status,
            timeout,
        }),
    }
}

/// Reads the files that a destination names, as every delivery does.
///
/// # Errors
/// One of them is missing, is something else, or does not fit the others.
pub fn check_files(destination: &destination::Destination) -> Result<(), Failure> {
    let (files, bearer) = match &destination.way {
        destination::Way::Dicom(way) => (way.node.tls.as_ref(), None),
        destination::Way::Mllp(way) => (way.tls.as_ref(), None),
        destination::Way::Fhir(way) => (way.encrypted(), way.bearer.as_deref()),
        destination::Way::Hook(way) => (way.http.encrypted(), way.http.bearer.as_deref()),
    };
    bearer.map(tls::read).transpose()?;
    check_tls(files)
}

/// A form that cannot be made will not be made next time either.
fn unformed(error: impl Into<FormError>) -> Failure {
    let error: FormError = error.into();
    Failure::new(Stage::Form, Word::Form, error.to_string()).lasting(true)
}
