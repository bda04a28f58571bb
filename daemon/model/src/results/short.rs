//! A result in one line, in the words of its headline: for lists, and for what an act would change.

use super::statement::Statement;
use super::{Content, phrases};

impl Content {
    /// Status with its eye, whether a rise was found, and doubts: `above expected, right eye: rise found`.
    #[must_use]
    pub fn in_short(&self) -> String {
        let said = Statement::of(self, None);
        let title = phrases::small(&said.title);
        let is_compared = self.assessment.flagged || self.assessment.decided().is_some();
        let mut line = if is_compared {
            format!("{title}: {}", phrases::small(said.verdict))
        } else {
            title
        };
        for doubt in &said.doubts {
            line = format!("{line}; {}", doubt.trim_end_matches('.'));
        }
        line
    }

    /// The same as sentences, with what was measured and expected.
    #[must_use]
    pub fn in_figures(&self) -> String {
        let said = Statement::of(self, None);
        [vec![format!("{}. {}", said.title, said.found)], said.doubts]
            .concat()
            .join(" ")
    }
}
