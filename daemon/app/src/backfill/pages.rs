//! Whether the pages of an answer are all of it (PS3.18 8.3.4.4, from memory: `limit`, `offset`, and a
//! Warning 299 where there is more). Pure.
//!
//! An archive that gives part of an answer and lets it look whole costs a patient the earlier values, so
//! an answer is whole only where something shows it.

use std::collections::BTreeSet;

/// Answers to one question, beyond which an archive is taken to have lost its way.
const ANSWERS_MAX: usize = 200_000;

/// The pages of one answer, taken in the order they were asked for.
#[derive(Debug)]
pub struct Pages {
    /// Answers asked for at a time.
    limit: usize,
    /// It gives no more to one question; 0: nothing is known of such a limit.
    answers_max: usize,
    seen: BTreeSet<String>,
    /// Answers so far, repeated ones among them.
    taken: usize,
    /// The last page came with a warning.
    is_warned: bool,
    /// A later page began with answers of an earlier one.
    is_shifted: bool,
    /// Answers that do not say what they are about.
    nameless: usize,
}

/// What is to be done after a page.
#[derive(Debug, PartialEq, Eq)]
pub enum Next {
    /// Ask again, from this answer on.
    From(usize),
    /// There are no more.
    Whole,
    /// There may be more, and this question does not bring them.
    CutOff(String),
    /// This archive cannot be asked in this way.
    Hopeless(String),
}

impl Pages {
    /// For a question that asks for `limit` answers at a time, of an archive that gives `answers_max` at
    /// most (0: not known).
    #[must_use]
    pub fn new(limit: usize, answers_max: usize) -> Self {
        Pages {
            limit,
            answers_max,
            seen: BTreeSet::new(),
            taken: 0,
            is_warned: false,
            is_shifted: false,
            nameless: 0,
        }
    }

    /// Takes a page: what its answers name, and whether it came with a warning. Returns which of them
    /// are new, by their places, and what is next.
    pub fn take(&mut self, page: &[Option<String>], is_warned: bool) -> (Vec<usize>, Next) {
        let is_first = self.taken == 0;
        let named: BTreeSet<&String> = page.iter().flatten().collect();
        let is_known = named.iter().any(|name| self.seen.contains(*name));
        let mut new = Vec::new();
        for (place, name) in page.iter().enumerate() {
            match name {
                Some(name) if self.seen.insert(name.clone()) => new.push(place),
                Some(_) => {}
                None => self.nameless += 1,
            }
        }
        self.taken += page.len();
        let was_warned = std::mem::replace(&mut self.is_warned, is_warned);
        let next = if page.is_empty() {
            self.at_end(was_warned || is_warned)
        } else if !is_first && new.is_empty() {
            self.at_repeat(page.len(), was_warned || is_warned)
        } else if self.taken > ANSWERS_MAX {
            Next::Hopeless(format!("it gives more than {ANSWERS_MAX} answers"))
        } else {
            self.is_shifted |= is_known;
            Next::From(self.taken)
        };
        (new, next)
    }

    /// No page comes any more.
    fn at_end(&self, is_warned: bool) -> Next {
        if is_warned {
            return Next::CutOff("it says that there is more, and gives no more".to_owned());
        }
        if self.taken > 0 && self.taken == self.answers_max {
            return Next::CutOff(format!(
                "it gave as many answers as it gives, {}",
                self.taken
            ));
        }
        self.whole()
    }

    /// The same comes again: it does not go on at `offset`.
    fn at_repeat(&self, number: usize, is_warned: bool) -> Next {
        if self.answers_max == 0 {
            return Next::Hopeless(
                "it gives the same answers again where later ones are asked for, so nothing shows that \
                 these are all; set answers_max of this [[archive]] to the most that it answers to one \
                 question"
                    .to_owned(),
            );
        }
        if is_warned || number == self.limit || number >= self.answers_max {
            return Next::CutOff(
                "it gives the same answers again where later ones are asked for, and may have more"
                    .to_owned(),
            );
        }
        self.whole()
    }

    fn whole(&self) -> Next {
        if self.nameless > 0 {
            return Next::CutOff(nameless_answers(self.nameless));
        }
        if self.is_shifted {
            return Next::CutOff(
                "its answers changed places between two pages, so some may have been passed over"
                    .to_owned(),
            );
        }
        Next::Whole
    }
}

/// Tells of answers that cannot be followed.
#[must_use]
pub fn nameless_answers(number: usize) -> String {
    format!("{number} of its answers do not say by a UID what they are about")
}

#[cfg(test)]
mod tests {
    use super::{Next, Pages};

    /// Asks an archive that answers by `gives` (offset, limit) until it is done. Returns what was new,
    /// in order, and how it ended: whole, cut off, hopeless.
    fn asked(
        limit: usize,
        answers_max: usize,
        mut gives: impl FnMut(usize, usize) -> (Vec<usize>, bool),
    ) -> (Vec<usize>, &'static str) {
        let mut pages = Pages::new(limit, answers_max);
        let mut got = Vec::new();
        let mut offset = 0;
        loop {
            let (page, is_warned) = gives(offset, limit);
            let names: Vec<Option<String>> =
                page.iter().map(|one| Some(format!("2.25.{one}"))).collect();
            let (new, next) = pages.take(&names, is_warned);
            got.extend(new.into_iter().map(|place| page[place]));
            match next {
                Next::From(next) => offset = next,
                Next::Whole => return (got, "whole"),
                Next::CutOff(_) => return (got, "cut off"),
                Next::Hopeless(_) => return (got, "hopeless"),
            }
        }
    }

    /// What stands from `offset` on, at most so many.
    fn slice(all: usize, offset: usize, most: usize) -> Vec<usize> {
        (offset..all.min(offset + most)).collect()
    }

    /// The paging of PS3.18 8.3.4.4, with and without a limit of the archive's own, and with its warning.
    #[test]
    fn pages_until_none_comes_are_whole() {
        for all in [0, 1, 4, 5, 6, 10, 23] {
            let every: Vec<usize> = (0..all).collect();
            for most in [1, 2, 5, 50] {
                let as_asked = |offset, limit: usize| (slice(all, offset, limit.min(most)), false);
                assert_eq!(asked(5, 0, as_asked), (every.clone(), "whole"));
                let told = |offset: usize, limit: usize| {
                    let page = slice(all, offset, limit.min(most));
                    let is_more = offset + page.len() < all;
                    (page, is_more)
                };
                assert_eq!(asked(5, 0, told), (every.clone(), "whole"));
            }
            // It does not know `limit`.
            let whole = |offset, _| (slice(all, offset, all), false);
            assert_eq!(asked(5, 0, whole), (every.clone(), "whole"));
        }
    }

    #[test]
    fn a_total_that_is_cut_with_a_warning_is_cut_off() {
        // 7 of more are all it gives, and only the last of the pages says so.
        let capped = |offset, limit| (slice(7, offset, limit), offset == 5);
        assert_eq!(asked(5, 0, capped), ((0..7).collect(), "cut off"));
        let at_the_end = |offset, limit| (slice(7, offset, limit), offset == 7);
        assert_eq!(asked(5, 0, at_the_end), ((0..7).collect(), "cut off"));
    }

    #[test]
    fn a_total_that_is_cut_without_a_word_is_known_by_answers_max_alone() {
        let capped = |offset, limit| (slice(7, offset, limit), false);
        assert_eq!(asked(5, 7, capped), ((0..7).collect(), "cut off"));
        assert_eq!(asked(5, 8, capped), ((0..7).collect(), "whole"));
        assert_eq!(asked(5, 0, capped), ((0..7).collect(), "whole"));
    }

    #[test]
    fn an_archive_without_offset_is_whole_only_below_its_limits() {
        let no_offset = |all| move |_, limit| (slice(all, 0, limit), false);
        assert_eq!(asked(5, 0, no_offset(3)).1, "hopeless");
        assert_eq!(asked(5, 100, no_offset(3)), (vec![0, 1, 2], "whole"));
        assert_eq!(asked(5, 3, no_offset(3)).1, "cut off");
        assert_eq!(asked(5, 100, no_offset(5)).1, "cut off");
        assert_eq!(asked(5, 100, no_offset(9)).1, "cut off");
        assert_eq!(asked(5, 100, no_offset(0)), (vec![], "whole"));
        let warned = |_, limit| (slice(3, 0, limit), true);
        assert_eq!(asked(5, 100, warned).1, "cut off");
        // It does not know `limit` either.
        let neither = |_, _| (slice(9, 0, 9), false);
        assert_eq!(asked(5, 100, neither), ((0..9).collect(), "whole"));
        assert_eq!(asked(5, 9, neither).1, "cut off");
    }

    #[test]
    fn answers_that_change_places_or_have_no_name_are_cut_off() {
        // The second page begins one too early, as after a removal it would begin one too late.
        let shifted = |offset: usize, limit| (slice(9, offset.saturating_sub(1), limit), false);
        assert_eq!(asked(5, 0, shifted), ((0..9).collect(), "cut off"));
        let mut pages = Pages::new(5, 0);
        let named = Some("2.25.1".to_owned());
        // Twice on one page is once.
        let (new, next) = pages.take(&[named.clone(), None, named], false);
        assert_eq!((new, next), (vec![0], Next::From(3)));
        assert!(matches!(pages.take(&[], false).1, Next::CutOff(_)));
    }

    #[test]
    fn answers_without_end_are_given_up() {
        let endless = |offset, limit| ((offset..offset + limit).collect(), false);
        assert_eq!(asked(10_000, 0, endless).1, "hopeless");
        let mut pages = Pages::new(5, 0);
        assert_eq!(pages.take(&[None], false).1, Next::From(1));
        assert!(matches!(pages.take(&[None], false).1, Next::Hopeless(_)));
    }
}
