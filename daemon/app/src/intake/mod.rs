//! The one way to keep an object, whatever brought it: stored, counted, told to the audit trail and to
//! the log, in one place.
//!
//! What brings objects (C-STORE, STOW-RS, the drop folder, `backfill`, `process`) judges what it may
//! take, hands it over, and turns [`Kept`] into its own answer: a status, a file moved or left, a run
//! that stops. Of an object that is new the audit trail is told once it was read, since only then it
//! is known whose it is.

mod object;
mod tell;
mod unfit;

pub(crate) use object::{History, Name, Object, Telling};
pub(crate) use unfit::Unfit;

use crate::decoding::ALWAYS_BYTES;
use crate::observe::Observed;
use object::Packed;
use sheathline_model::domain::Source;
use sheathline_net::dicom::dimse::Status;
use sheathline_store::facts::ObjectFacts;
use sheathline_store::objects::{self, ObjectId};
use sheathline_store::{Store, StoreError, Tx};
use std::sync::Arc;
use tell::About;

/// What became of an object.
#[derive(Debug)]
#[must_use = "whoever brought it is to be answered"]
pub enum Kept {
    /// On stable storage, and not seen before.
    New(ObjectId),
    /// The same bytes are on stable storage already.
    Same(ObjectId),
    /// Not kept: it is not what may come this way.
    Refused(Unfit),
    /// Not kept: it could not be stored. Whoever brought it keeps their copy.
    Failed(Trouble, Arc<StoreError>),
}

/// Why an object is not stored.
#[derive(Debug, thiserror::Error)]
pub enum NotKept {
    /// It is not what may come this way.
    #[error("{0}")]
    Unfit(Unfit),
    /// It could not be stored.
    #[error(transparent)]
    Store(StoreError),
}

/// Why the store did not take an object, as far as it matters to whoever brought it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trouble {
    /// No room on the disk.
    Full,
    /// It may be taken in a moment.
    Busy,
    /// The store takes nothing until somebody has looked.
    InDoubt,
    /// A fault of our own.
    Fault,
}

impl Trouble {
    fn of(error: &StoreError, store: &Store) -> Self {
        match error {
            _ if store.doubt().is_some() => Trouble::InDoubt,
            StoreError::InDoubt { .. } => Trouble::InDoubt,
            StoreError::Full => Trouble::Full,
            StoreError::Busy
            | StoreError::NotCommitted { .. }
            | StoreError::Away { .. }
            | StoreError::Unsure { .. }
            | StoreError::Closed => Trouble::Busy,
            _ => Trouble::Fault,
        }
    }
}

impl Kept {
    /// The number of the object, if it is stored.
    ///
    /// # Errors
    /// It is not, and why.
    pub fn stored(self) -> Result<ObjectId, NotKept> {
        match self {
            Kept::New(id) | Kept::Same(id) => Ok(id),
            Kept::Refused(unfit) => Err(NotKept::Unfit(unfit)),
            // Those of one commit share it; the last one has it whole.
            Kept::Failed(_, error) => Err(NotKept::Store(
                Arc::into_inner(error).unwrap_or(StoreError::Closed),
            )),
        }
    }

    /// The answer to a C-STORE (PS3.4 B.2.3), which STOW-RS gives as well. `Success` means that it is
    /// on stable storage.
    #[must_use]
    pub fn status(&self) -> Status {
        match self {
            Kept::New(_) | Kept::Same(_) => Status::Success,
            Kept::Refused(unfit) => unfit.status(),
            Kept::Failed(trouble, _) => match trouble {
                Trouble::Full => Status::NoSpace,
                Trouble::Busy => Status::StoreBusy,
                Trouble::InDoubt => Status::StoreInDoubt,
                Trouble::Fault => Status::NotStored,
            },
        }
    }
}

/// What the store said of one object: its number, and what is known of it if it was here already.
type Stored = Result<(objects::Kept, Option<ObjectFacts>), Arc<StoreError>>;

/// Keeps the object of a number.
type Keeping<'a> = dyn FnMut(usize) -> Result<(), StoreError> + 'a;

/// Where objects are kept, and who is told.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Intake<'a> {
    /// Where they go.
    pub store: &'a Store,
    /// Whom it is told.
    pub observed: &'a Observed,
}

impl Intake<'_> {
    /// Keeps an object; on stable storage when it says so.
    pub(crate) async fn keep(&self, object: Object, source: &Source) -> Kept {
        let about = About::of(&object);
        let stored = match packed_aside(object, source.clone()).await {
            Ok(packed) => self.store.write_async(move |tx| packed.keep(tx)).await,
            Err(error) => Err(error),
        };
        self.told(stored.map_err(Arc::new), &about, source)
    }

    /// The same for a thread that may wait.
    pub(crate) fn keep_waiting(&self, object: Object, source: &Source) -> Kept {
        let nothing = || self.fail(&Name::None, source, StoreError::Closed);
        let mut all = self.keep_all(vec![object], source);
        all.pop().unwrap_or_else(nothing)
    }

    /// The same for several that are kept with one commit, in their order; what of them the store takes
    /// it takes together.
    pub(crate) fn keep_all(&self, objects: Vec<Object>, source: &Source) -> Vec<Kept> {
        let mut abouts = Vec::new();
        let mut all_packed = Vec::new();
        for object in objects {
            let about = About::of(&object);
            match Packed::new(&object, source) {
                Ok(packed) => {
                    all_packed.push(packed);
                    abouts.push((about, None));
                }
                Err(error) => abouts.push((about, Some(error))),
            }
        }
        let work = move |tx: &_| all_packed.iter().map(|one| one.keep(tx)).collect();
        let stored: Result<Vec<_>, StoreError> = self.store.write(work);
        let (mut stored, failed) = match stored {
            Ok(stored) => (stored.into_iter(), StoreError::Closed),
            Err(error) => (Vec::new().into_iter(), error),
        };
        let failed = Arc::new(failed);
        let told = |(about, error): (About, Option<StoreError>)| {
            let one = match error {
                Some(error) => Err(Arc::new(error)),
                None => stored.next().ok_or_else(|| Arc::clone(&failed)),
            };
            self.told(one, &about, source)
        };
        abouts.into_iter().map(told).collect()
    }

    /// Keeps some of these objects by a change that records more: all of it, or nothing. `work` is given
    /// what keeps the object of a number.
    ///
    /// # Errors
    /// What was told is not kept, and nothing else of the change either.
    pub(crate) fn keep_within<T: Send + 'static>(
        &self,
        objects: Vec<Object>,
        source: &Source,
        work: impl Fn(&Tx, &mut Keeping<'_>) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        let mut abouts = Vec::new();
        let mut all_packed = Vec::new();
        for object in &objects {
            abouts.push(About::of(object));
            all_packed.push(Packed::new(object, source)?);
        }
        let change = move |tx: &Tx| {
            let mut stored = Vec::new();
            let done = work(tx, &mut |number| {
                let gone = || StoreError::Work(format!("there is no object {number}"));
                let packed = all_packed.get(number).ok_or_else(gone)?;
                stored.push((number, packed.keep(tx)?));
                Ok(())
            })?;
            Ok((done, stored))
        };
        match self.store.write(change) {
            Ok((done, stored)) => {
                for (number, one) in stored {
                    if let Some(about) = abouts.get(number) {
                        drop(self.told(Ok(one), about, source));
                    }
                }
                Ok(done)
            }
            Err(error) => match self.fail(&Name::None, source, error).stored() {
                Err(NotKept::Store(error)) => Err(error),
                _ => Err(StoreError::Closed),
            },
        }
    }

    /// Tells of an object that may not come this way.
    pub(crate) fn refuse(&self, name: &Name, source: &Source, unfit: Unfit) -> Kept {
        let kept = Kept::Refused(unfit);
        self.tell(&kept, &About::named(name), source);
        kept
    }

    /// Tells of an object that a fault of ours kept from being stored.
    pub(crate) fn fail(&self, name: &Name, source: &Source, error: StoreError) -> Kept {
        self.told(Err(Arc::new(error)), &About::named(name), source)
    }

    fn told(&self, stored: Stored, about: &About, source: &Source) -> Kept {
        let (kept, repeated) = match stored {
            Ok((objects::Kept::New(id), repeated)) => (Kept::New(id), repeated),
            Ok((objects::Kept::Repeat(id), repeated)) => (Kept::Same(id), repeated),
            Err(error) => (Kept::Failed(Trouble::of(&error, self.store), error), None),
        };
        if let Some(facts) = repeated {
            self.tell_repeated(source, &facts);
        }
        self.tell(&kept, about, source);
        kept
    }
}

/// Compresses and hashes an object where it holds up nobody, if it is large.
async fn packed_aside(object: Object, source: Source) -> Result<Packed, StoreError> {
    if object.bytes.len() <= ALWAYS_BYTES {
        return Packed::new(&object, &source);
    }
    let packing = tokio::task::spawn_blocking(move || Packed::new(&object, &source));
    packing.await.map_err(|_| StoreError::Panicked)?
}
