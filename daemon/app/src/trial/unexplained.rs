//! What a store tells of codes that nobody explains.

use sheathline_model::draft::Facts;
use sheathline_store::objects::ObjectId;
use sheathline_store::readings::{self, gists};
use sheathline_store::{Store, StoreError, objects};

/// Most kinds of reports that are looked at; a department has some dozens, a stranger may send any number.
const GISTS: usize = 2_000;

/// What the store tells of codes that nobody explains.
pub(crate) struct Told {
    pub(crate) facts: Facts,
    /// Reports that have such codes and were read before they were listed.
    pub(crate) before: usize,
    /// Reports with a value that was left unread.
    pub(crate) unread: usize,
    /// Objects without bytes, which a new dictionary does not reach.
    pub(crate) missing: u32,
    /// Reports that are not told of, because there are too many kinds of them.
    pub(crate) beyond: u64,
    /// Whether readings of an earlier version of the program are still being looked at.
    pub(crate) is_gathering: bool,
}

/// Gathers the facts of a whole store: of each kind of report once, and of few reports their places.
pub(crate) fn of_store(store: &Store) -> Result<Told, StoreError> {
    store.read(|view| {
        let (kinds, beyond) = gists::alike(view, GISTS)?;
        let mut facts = Facts::default();
        let (mut before, mut unread) = (0, 0);
        for kind in &kinds {
            let reports = usize::try_from(kind.reports).unwrap_or(usize::MAX);
            before += if kind.gist.before { reports } else { 0 };
            unread += if kind.gist.unread { reports } else { 0 };
            facts.add_alike(&kind.gist, reports);
        }
        // The first reports of a code are among the first of each kind that has it.
        let limit = u32::try_from(Facts::EXAMPLES).unwrap_or(u32::MAX);
        let mut first: Vec<(ObjectId, usize)> = Vec::new();
        for (number, kind) in kinds.iter().enumerate() {
            if !kind.gist.codes.is_empty() {
                let ids = gists::first_of(view, kind, limit)?;
                first.extend(ids.into_iter().map(|id| (id, number)));
            }
        }
        first.sort_unstable();
        for (id, number) in first {
            let Some(kind) = kinds.get(number) else {
                continue;
            };
            if facts.wants_examples(&kind.gist)
                && let Some(one) = readings::reading_of(view, id)?
            {
                facts.add_examples(&kind.gist.sender(), &one.reading);
            }
        }
        Ok(Told {
            facts,
            before,
            unread,
            missing: objects::count_missing(view)?,
            beyond,
            is_gathering: gists::wanted(view)?.is_some(),
        })
    })
}
