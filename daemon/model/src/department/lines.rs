//! The numbers of a department as JSON Lines.

use super::charts::Chart;
use super::components::Part;
use super::course::{Growth, Recovery};
use super::flags::Flags;
use super::learning::Learning;
use super::offsets::Against;
use super::promise::Beside;
use super::reference::{self, Band};
use super::statistics::{Compared, Repeatability, Seen, Statistics};
use super::technique::Technique;
use super::turnaround::Turnaround;
use serde::Serialize;

/// One line; `kind` names what it holds.
#[derive(Debug, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Line<'a> {
    /// What was looked at.
    Seen(&'a Seen),
    /// A control chart.
    Chart(&'a Chart),
    /// Scatter within exams.
    Repeatability(&'a Repeatability),
    /// An operator or device against the others.
    Offset(&'a Against),
    /// Why stable exams differ.
    Component(&'a Part),
    /// Scatter against practice.
    Learning(&'a Learning),
    /// What reports leave out.
    Technique(&'a Technique),
    /// How many had something to be compared with.
    Compared(&'a Compared),
    /// Flags of well exams.
    Promise(&'a Beside),
    /// Exams and flags of an operator.
    Flags(&'a Flags),
    /// Change of well patients' widths in a year.
    Growth(&'a Growth),
    /// Change of widths after an event.
    Recovery(&'a Recovery),
    /// How long results took.
    Turnaround(&'a Turnaround),
    /// Widths of well patients in an age band.
    Reference {
        /// What the figures are not.
        label: &'static str,
        /// The band.
        #[serde(flatten)]
        band: &'a Band,
    },
}

impl Statistics {
    /// All numbers, in the order of the report.
    pub fn lines(&self) -> impl Iterator<Item = Line<'_>> {
        let label = reference::LABEL;
        std::iter::once(Line::Seen(&self.seen))
            .chain(self.charts.iter().map(Line::Chart))
            .chain(self.repeatability.iter().map(Line::Repeatability))
            .chain(self.offsets.iter().map(Line::Offset))
            .chain(self.components.iter().map(Line::Component))
            .chain(self.learning.iter().map(Line::Learning))
            .chain(self.technique.iter().map(Line::Technique))
            .chain([
                Line::Compared(&self.compared),
                Line::Promise(&self.promise),
                Line::Turnaround(&self.turnaround),
            ])
            .chain(self.flags.iter().map(Line::Flags))
            .chain(self.growth.iter().map(Line::Growth))
            .chain(self.recovery.iter().map(Line::Recovery))
            .chain(
                self.reference
                    .iter()
                    .map(move |band| Line::Reference { label, band }),
            )
    }
}
