//! What an archive can be asked, whatever it speaks.

use super::dicom::Dicom;
use super::web::Web;
use super::window::Window;
use crate::intake::{Kept, NotKept};
use crate::observe::audit::Question;
use crate::routes::archive::{Archive, Way};
use sheathline_net::connect::{Code, Failure, Stage};
use sheathline_store::StoreError;

/// An archive that is asked. Blocks; every wait inside it is bounded.
pub trait Source {
    /// Studies of a window that may hold structured reports.
    ///
    /// # Errors
    /// See [`Trouble`].
    fn studies(&mut self, window: &Window) -> Result<Answers, Trouble>;

    /// What is asked by [`Source::studies`].
    fn question(&self, window: &Window) -> Question;

    /// Series of structured reports of a study.
    ///
    /// # Errors
    /// See [`Trouble`].
    fn series(&mut self, study: &str) -> Result<Answers, Trouble>;

    /// Structured reports of a series.
    ///
    /// # Errors
    /// See [`Trouble`].
    fn instances(&mut self, series: &Series<'_>) -> Result<Answers, Trouble>;

    /// Has these objects come, each through `keep` unless it goes to our listener. That it returns does
    /// not mean that they came; the failure is why some may not have.
    ///
    /// # Errors
    /// See [`Trouble`].
    fn fetch(
        &mut self,
        series: &Series<'_>,
        instances: &[String],
        keep: Keep<'_>,
    ) -> Result<Option<Failure>, Trouble>;

    /// Ends the connection, since nothing is asked for a while.
    fn rest(&mut self);

    /// Goes the way without asking for anything of a patient: the stages passed, in order.
    ///
    /// # Errors
    /// The first stage that is not passed.
    fn echo(&mut self) -> Result<Vec<Stage>, Failure>;
}

/// A series by its UIDs.
#[derive(Debug, Clone, Copy)]
pub struct Series<'a> {
    /// Study Instance UID.
    pub study: &'a str,
    /// Series Instance UID.
    pub series: &'a str,
}

/// Takes an object that came.
pub type Keep<'k> = &'k mut dyn FnMut(Came) -> Kept;

/// An object that came.
pub struct Came {
    /// SOP Instance UID, as the archive names it.
    pub instance: String,
    /// Transfer syntax of the data set; `None`: the bytes are a whole file, which names its own.
    pub syntax: Option<&'static str>,
    /// The data set, or the file.
    pub bytes: Vec<u8>,
}

/// UIDs that an archive answered.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Answers {
    /// In the order they came.
    pub found: Vec<String>,
    /// How it is known that there are more.
    pub cut_off: Option<String>,
}

/// Why an archive did not answer.
#[derive(Debug)]
pub enum Trouble {
    /// It answered no.
    Refused(Failure),
    /// The connection was lost, or never stood.
    Lost(Failure),
    /// What came could not be stored.
    NotKept(StoreError),
}

/// Whether an object that came is stored; if not, why.
///
/// # Errors
/// It is another one than asked for, or could not be stored.
pub(super) fn settled(kept: Kept) -> Result<(), Trouble> {
    match kept.stored() {
        Ok(_) => Ok(()),
        Err(NotKept::Unfit(unfit)) => Err(Trouble::Refused(Failure::answer(
            Code::Unfit(unfit.code()),
            unfit.to_string(),
        ))),
        Err(NotKept::Store(error)) => Err(Trouble::NotKept(error)),
    }
}

/// Whoever asks this archive.
#[must_use]
pub fn source(archive: &Archive) -> Box<dyn Source> {
    match &archive.way {
        Way::Dicom(way) => Box::new(Dicom::new(way.clone(), archive)),
        Way::Web(way) => Box::new(Web::new(way.clone(), archive)),
    }
}
