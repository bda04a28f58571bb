//! What a store tells of codes that nobody explains.

use sheathline_model::domain::{ObjectReading, Remark, RemarkCode};
use sheathline_model::draft::Facts;
use sheathline_store::{Store, StoreError, objects, readings};

/// What the store tells of codes that nobody explains.
pub(crate) struct Told {
    pub(crate) facts: Facts,
    /// Reports that have such codes and were read before they were listed.
    pub(crate) before: usize,
    /// Reports with a value that was left unread.
    pub(crate) unread: usize,
    /// Objects without bytes, which a new dictionary does not reach.
    pub(crate) missing: u32,
}

/// Gathers the facts of a whole store.
pub(crate) fn of_store(store: &Store) -> Result<Told, StoreError> {
    let mut facts = Facts::default();
    let (mut before, mut unread) = (0, 0);
    store.read(|view| {
        readings::each(view, |stored| {
            before += usize::from(is_from_before(&stored.reading));
            unread += usize::from(stored.reading.leaves_values_unread());
            facts.add(&stored.source, &stored.reading);
        })
    })?;
    Ok(Told {
        facts,
        before,
        unread,
        missing: store.read(objects::count_missing)?,
    })
}

/// Whether a reading was stored before there was a list of such codes, and has some.
fn is_from_before(reading: &ObjectReading) -> bool {
    let tells = |remark: &Remark| {
        matches!(
            remark.code,
            RemarkCode::ValueNotRecognised | RemarkCode::LocalCodeUnknown
        )
    };
    reading.unexplained.is_empty() && reading.remarks.iter().any(tells)
}
