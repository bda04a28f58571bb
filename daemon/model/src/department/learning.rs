//! How an operator's own scatter changes with practice.

use super::enough::Enough;
use super::interval::{Interval, sd_interval};
use super::subject::Subject;
use crate::assess::rounded;
use serde::Serialize;

/// Degrees of freedom (readings beyond the first of each eye and plane) that make an SD.
pub const NEEDED: usize = 10;
/// Exams in the first block; each further block holds as many as all before it.
const FIRST: usize = 10;

/// Repeatability of one operator against the number of exams so far.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Learning {
    /// Whose.
    #[serde(flatten)]
    pub of: Subject,
    /// Exams with the operator's name, from the first one stored.
    pub exams: usize,
    /// Blocks of exams, in the order of time.
    pub blocks: Vec<Block>,
}

/// Some exams of an operator, one after the other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Block {
    /// Number of the first exam, from 1.
    pub from_exam: usize,
    /// Number of the last.
    pub to_exam: usize,
    /// Readings beyond the first of each eye and plane.
    pub degrees_of_freedom: usize,
    /// SD of one reading, with [`NEEDED`] degrees of freedom.
    #[serde(flatten)]
    pub scatter: Enough<Scatter>,
}

/// An SD with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Scatter {
    /// SD of one reading within an exam, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub s_w: f64,
    /// 95 % interval.
    pub s_w_interval: Interval,
}

impl Learning {
    /// Blocks with an SD; a course takes two.
    pub fn shown(&self) -> impl Iterator<Item = (&Block, &Scatter)> {
        let blocks = self.blocks.iter();
        blocks.filter_map(|block| Some((block, block.scatter.yes()?)))
    }
}

/// From sums of squares and degrees of freedom of an operator's exams, in the order of time.
pub(super) fn learning(of: Subject, exams: &[(f64, usize)]) -> Learning {
    let (mut blocks, mut from, mut size) = (Vec::new(), 0, FIRST);
    while from < exams.len() {
        let to = (from + size).min(exams.len());
        let block = exams.get(from..to).unwrap_or_default();
        let df: usize = block.iter().map(|(_, df)| df).sum();
        let squares: f64 = block.iter().map(|(squares, _)| squares).sum();
        blocks.push(Block {
            from_exam: from + 1,
            to_exam: to,
            degrees_of_freedom: df,
            scatter: Enough::of(df, NEEDED, || {
                Some(Scatter {
                    s_w: (squares / df as f64).sqrt(),
                    s_w_interval: sd_interval(squares, df as f64),
                })
            }),
        });
        from = to;
        size = to;
    }
    Learning {
        of,
        exams: exams.len(),
        blocks,
    }
}
