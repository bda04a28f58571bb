//! The one way to keep an object, whatever brought it: stored, counted, told to the audit trail and to
//! the log, in one place.
//!
//! What brings objects (C-STORE, STOW-RS, the drop folder, `backfill`, `process`) judges what it may
//! take, hands it over, and turns [`Kept`] into its own answer: a status, a file moved or left, a run
//! that stops. Of an object that is new the audit trail is told once it was read, since only then it
//! is known whose it is.
//!
//! Objects go into the store, or first into the spool of this machine ([`Reception`]). In the spool nobody knows
//! yet whether an object is new: that is told when it is forwarded.

mod object;
mod reception;
mod tell;
mod unfit;

pub(crate) use object::{History, Name, Object, Telling};
pub(crate) use reception::Reception;
pub(crate) use unfit::Unfit;

use crate::decoding::ALWAYS_BYTES;
use crate::observe::Observed;
use object::Packed;
use sheathline_model::domain::Source;
use sheathline_net::dicom::dimse::Status;
use sheathline_store::facts::ObjectFacts;
use sheathline_store::objects::{self, ObjectId};
use sheathline_store::spool::{Spool, Told};
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
    /// On stable storage of this machine, under this number of the spool; whether it is new is known
    /// when it is forwarded.
    Spooled(i64),
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
    fn of(error: &StoreError, is_in_doubt: bool) -> Self {
        match error {
            _ if is_in_doubt => Trouble::InDoubt,
            StoreError::InDoubt { .. } => Trouble::InDoubt,
            StoreError::Full => Trouble::Full,
            StoreError::Busy
            | StoreError::NotCommitted { .. }
            | StoreError::Away { .. }
            | StoreError::Unsure { .. }
            // It joins again by itself.
            | StoreError::PutOut
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
            // Whoever asks brought it by a way that leads into the store.
            Kept::Spooled(_) => Err(NotKept::Store(StoreError::Work(
                "an object that was to be stored waits in the spool; internal error; please report it"
                    .to_owned(),
            ))),
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
            Kept::New(_) | Kept::Same(_) | Kept::Spooled(_) => Status::Success,
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
    store: &'a Store,
    /// Where what is received goes first, if it does.
    spool: Option<&'a Spool>,
    /// Whom it is told.
    observed: &'a Observed,
}

impl<'a> Intake<'a> {
    /// For what has to be in the store with its answer: it is told as which object it is stored
    /// (`process`), shown at once (typed reports, tables), or ticked off in the store (history).
    pub(crate) fn of_store(store: &'a Store, observed: &'a Observed) -> Self {
        Intake {
            store,
            spool: None,
            observed,
        }
    }

    /// For what senders bring.
    pub(crate) fn by(reception: &'a Reception, observed: &'a Observed) -> Self {
        Intake {
            store: reception.store(),
            spool: reception.spool(),
            observed,
        }
    }
}

impl Intake<'_> {
    /// Keeps an object; on stable storage when it says so.
    pub(crate) async fn keep(&self, object: Object, source: &Source) -> Kept {
        let about = About::of(&object);
        // A day of an archive is done when its objects are in the store.
        if let (Some(spool), None) = (self.spool, &object.history) {
            let spooled = match packed_aside(object, source.clone()).await {
                Ok(packed) => spool.take_async(packed.into_incoming()).await,
                Err(error) => Err(error),
            };
            return self.told_spooled(spooled.map_err(Arc::new), &about, source);
        }
        let stored = match packed_aside(object, source.clone()).await {
            Ok(packed) => self.store.write_async(move |tx| packed.keep(tx)).await,
            Err(error) => Err(error),
        };
        self.told(stored.map_err(Arc::new), &about, source)
    }

    /// The same for a thread that may wait, and into the store.
    pub(crate) fn keep_waiting(&self, object: Object, source: &Source) -> Kept {
        let nothing = || self.fail(&Name::None, source, StoreError::Closed);
        let mut all = self.store_all(vec![object], source);
        all.pop().unwrap_or_else(nothing)
    }

    /// The same for several that are kept with one commit, in their order; what of them the store takes
    /// it takes together.
    pub(crate) fn keep_all(&self, objects: Vec<Object>, source: &Source) -> Vec<Kept> {
        match self.spool {
            Some(spool) if objects.iter().all(|one| one.history.is_none()) => {
                self.spool_all(spool, objects, source)
            }
            _ => self.store_all(objects, source),
        }
    }

    fn spool_all(&self, spool: &Spool, objects: Vec<Object>, source: &Source) -> Vec<Kept> {
        let take = |packed: Vec<Packed>| {
            spool.take(packed.into_iter().map(Packed::into_incoming).collect())
        };
        each(objects, source, take)
            .map(|(about, one)| self.told_spooled(one, &about, source))
            .collect()
    }

    fn store_all(&self, objects: Vec<Object>, source: &Source) -> Vec<Kept> {
        let take = |packed: Vec<Packed>| {
            let work = move |tx: &_| packed.iter().map(|one| one.keep(tx)).collect();
            self.store.write(work)
        };
        each(objects, source, take)
            .map(|(about, one)| self.told(one, &about, source))
            .collect()
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
            Ok((kept, repeated)) => (kept.into(), repeated),
            Err(error) => {
                let is_in_doubt = self.store.doubt().is_some();
                (Kept::Failed(Trouble::of(&error, is_in_doubt), error), None)
            }
        };
        if let Some(facts) = repeated {
            self.tell_repeated(source, &facts);
        }
        self.tell(&kept, about, source);
        kept
    }
}

impl Intake<'_> {
    fn told_spooled(
        &self,
        spooled: Result<i64, Arc<StoreError>>,
        about: &About,
        source: &Source,
    ) -> Kept {
        let is_in_doubt = self.spool.is_some_and(|spool| spool.doubt().is_some());
        let kept = match spooled {
            Ok(number) => Kept::Spooled(number),
            Err(error) => Kept::Failed(Trouble::of(&error, is_in_doubt), error),
        };
        self.tell(&kept, about, source);
        kept
    }

    /// Tells what became of an object of the spool.
    pub(crate) fn forwarded(&self, told: Told<'_>) {
        match told {
            Told::Kept {
                source,
                kept,
                repeated,
            } => {
                let (kept, about) = (kept.into(), About::named(&Name::None));
                if let Some(facts) = repeated {
                    self.tell_repeated(source, &facts);
                }
                self.tell(&kept, &about, source);
            }
            Told::Aside { number, why } => tracing::error!(
                code = "spool-set-aside",
                number,
                why,
                "the store does not take it; it stays in the spool"
            ),
        }
    }
}

impl From<objects::Kept> for Kept {
    fn from(kept: objects::Kept) -> Kept {
        match kept {
            objects::Kept::New(id) => Kept::New(id),
            objects::Kept::Repeat(id) => Kept::Same(id),
        }
    }
}

/// Packs objects, has those that can be packed taken together, and gives what became of each, in their
/// order.
fn each<T>(
    objects: Vec<Object>,
    source: &Source,
    take: impl FnOnce(Vec<Packed>) -> Result<Vec<T>, StoreError>,
) -> impl Iterator<Item = (About, Result<T, Arc<StoreError>>)> {
    let mut all_packed = Vec::new();
    let mut abouts = Vec::new();
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
    let (mut taken, failed) = match take(all_packed) {
        Ok(taken) => (taken.into_iter(), StoreError::Closed),
        Err(error) => (Vec::new().into_iter(), error),
    };
    let failed = Arc::new(failed);
    abouts.into_iter().map(move |(about, error)| {
        let one = match error {
            Some(error) => Err(Arc::new(error)),
            None => taken.next().ok_or_else(|| Arc::clone(&failed)),
        };
        (about, one)
    })
}

/// Compresses and hashes an object where it holds up nobody, if it is large.
async fn packed_aside(object: Object, source: Source) -> Result<Packed, StoreError> {
    if object.bytes.len() <= ALWAYS_BYTES {
        return Packed::new(&object, &source);
    }
    let packing = tokio::task::spawn_blocking(move || Packed::new(&object, &source));
    packing.await.map_err(|_| StoreError::Panicked)?
}
