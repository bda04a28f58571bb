//! What counts of what was said.

use super::{Entry, Judgement, Outcome, Said, SecondReading, standing};
use crate::domain::{About, Event, Label, OpeningPressure};

/// What counts of everything said under some ids. Notes count for nothing but to be read.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Counting {
    /// Labels, each with the readings it was given for.
    pub labels: Vec<(About, Label)>,
    /// Opening pressures, likewise.
    pub pressures: Vec<(About, OpeningPressure)>,
    /// Events by date, each once.
    pub events: Vec<Event>,
    /// Versions that somebody has seen.
    pub acknowledged: Vec<(About, u32)>,
    /// What came of rises.
    pub settled: Vec<(About, Outcome)>,
    /// Readings whose exam serves nobody as baseline.
    pub left_out: Vec<About>,
    /// Readings that are as if they had never come.
    pub taken_back: Vec<About>,
    /// Second readings that are asked for.
    pub second_asked: Vec<About>,
    /// Second readings.
    pub second_read: Vec<(About, SecondReading)>,
    /// What they say of the first.
    pub second_judged: Vec<(About, Judgement)>,
}

impl Counting {
    /// Of these entries. In an order of its own: that of the numbers leaves no trace.
    #[must_use]
    pub fn of(all: &[Entry]) -> Counting {
        let mut counting = Counting::default();
        for one in standing(all) {
            match one.said.clone() {
                Said::Label(about, label) => counting.labels.push((about, label)),
                Said::Pressure(about, pressure) => counting.pressures.push((about, pressure)),
                Said::Event(event) => counting.events.push(event),
                Said::Acknowledged(about, seen) => counting.acknowledged.push((about, seen)),
                Said::Settled(about, outcome) => counting.settled.push((about, outcome)),
                Said::LeftOut(about) => counting.left_out.push(about),
                Said::TakenBack(about) => counting.taken_back.push(about),
                Said::SecondAsked(about) => counting.second_asked.push(about),
                Said::SecondRead(about, reading) => counting.second_read.push((about, reading)),
                Said::SecondJudged(about, one) => counting.second_judged.push((about, one)),
                Said::Note(_) | Said::Nothing(..) => {}
            }
        }
        let by_words = |one: &(About, OpeningPressure)| (one.0.clone(), one.1.to_string());
        counting.pressures.sort_by_key(by_words);
        counting.pressures.dedup();
        once(&mut counting.labels);
        once(&mut counting.events);
        once(&mut counting.acknowledged);
        once(&mut counting.settled);
        once(&mut counting.left_out);
        once(&mut counting.taken_back);
        once(&mut counting.second_asked);
        once(&mut counting.second_read);
        once(&mut counting.second_judged);
        counting
    }
}

fn once<T: Ord>(all: &mut Vec<T>) {
    all.sort_unstable();
    all.dedup();
}
