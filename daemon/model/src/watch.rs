//! What the reports of one sender brought lately, and whether that has become worse.
//!
//! A sender is a source and the machine that the header names ([`Sender`]). Of each the last reports are
//! known with what they brought ([`Brought`]), in the order in which they came first, so what is said here
//! is the same after a restart and after reports were read again: it is a function of the readings.
//!
//! **The reports stopped having sheath values** ([`Window::stopped`]): the last reports brought none, and at
//! the share of before so long a run would come by chance once in 100,000. It is at least
//! [`RUN`] long; a sender whose reports always had values is told after 5 or 6 reports, one whose every
//! second had after 17. Only reports count that have values or something that nobody explains: a sender
//! that also sends reports of other things, all understood, is judged by the others. A sender whose reports
//! nearly all had values (9 of 10) is told as well after [`OTHERS`] reports of whatever else. One that
//! sends nothing has no run.
//!
//! **Unexplained codes grew** ([`Window::grew`]): the last [`RUN`] or more of the same reports each hold more
//! codes that nobody explains than any of at least [`RUN`] before.
//!
//! Both last until reports are as before, be it that the codes were explained and the reports read again.

use crate::domain::{Device, ObjectReading, Quantity, RemarkCode, Source, Unexplained};
use crate::extract::is_local_scheme;
use crate::reading::left_unread::lost_by_codes;
use std::fmt;
use std::str::FromStr;

/// Reports known of one sender.
const MOST: usize = 128;

/// Reports kept of a state that lasts: what was before it is not forgotten over it.
const LASTING: usize = 64;

/// The shortest run that says something.
pub const RUN: usize = 5;

/// Reports of whatever else after which a sender is told that nearly always had values.
pub const OTHERS: usize = 20;

/// Reports with values before there is a share to go by.
const KNOWN: usize = 3;

/// How often chance alone may give a run.
const CHANCE: f64 = 1e-5;

/// Letters kept of each name of a machine.
const NAME: usize = 64;

/// SR Storage classes begin with this (PS3.4 B.5).
const REPORTS: &str = "1.2.840.10008.5.1.4.1.1.88.";

/// Who sends.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Sender {
    /// `dicom:` and the calling AE title, `folder` or `web`.
    pub source: String,
    /// `MAKER|MODEL|SERIAL` by the header; empty where it names none.
    pub machine: String,
}

impl Sender {
    /// The name that a source is counted under: an address is none.
    #[must_use]
    pub fn source(source: &Source) -> String {
        match source {
            Source::Web(_) | Source::Unknown(_) => source.kind().to_owned(),
            _ => source.to_string(),
        }
    }

    /// Whose report it is. None of an archive's history, which comes in any order, and of files named on
    /// the command line.
    #[must_use]
    pub fn of(source: &Source, machine: &Device) -> Option<Sender> {
        if !matches!(source, Source::Dicom(_) | Source::Web(_) | Source::Folder) {
            return None;
        }
        let parts = [&machine.manufacturer, &machine.model, &machine.serial];
        let parts = parts.map(|part| {
            let part = part.as_deref().unwrap_or_default();
            let letters = part.chars().filter(|c| !c.is_control() && *c != '|');
            letters.take(NAME).collect::<String>()
        });
        let machine = parts.join("|");
        let machine = if machine == "||" {
            String::new()
        } else {
            machine
        };
        Some(Sender {
            source: Sender::source(source),
            machine,
        })
    }
}

impl fmt::Display for Sender {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.source)?;
        if !self.machine.is_empty() {
            write!(f, " {}", self.machine)?;
        }
        Ok(())
    }
}

/// What a report brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Brought {
    /// Sheath values that can be used.
    Values,
    /// None, and codes that nobody explains or that keep the values from use.
    Unexplained,
    /// None, and nothing that nobody explains.
    Else,
}

/// One report of a sender.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Report {
    /// Number of the object, in the order of arrival.
    pub object: i64,
    /// What it brought.
    pub brought: Brought,
    /// Codes and labels of its own that nobody explains, each once.
    pub codes: u16,
}

impl Report {
    /// What a reading brought; `None` where it says nothing of that: no report, a result of our own, values
    /// that are not used for what they are.
    #[must_use]
    pub fn of(object: i64, reading: &ObjectReading) -> Option<Report> {
        let class = reading.sop_class_uid.as_deref()?;
        let has = |code: RemarkCode| reading.remarks.iter().any(|one| one.code == code);
        if !class.starts_with(REPORTS) || has(RemarkCode::OwnResult) {
            return None;
        }
        let all = || reading.measurements.iter();
        let codes = reading.unexplained.iter().filter(|one| is_own(one)).count();
        let codes = u16::try_from(codes).unwrap_or(u16::MAX);
        let sheath = || all().filter(|one| one.quantity == Quantity::SheathDiameter);
        let brought = if sheath().any(|one| one.usable) {
            Brought::Values
        } else if codes > 0
            || has(RemarkCode::LeftUnread)
            || has(RemarkCode::TemplateTie)
            || lost_by_codes(all()).next().is_some()
        {
            Brought::Unexplained
        } else if sheath().next().is_some() {
            return None;
        } else {
            Brought::Else
        };
        Some(Report {
            object,
            brought,
            codes,
        })
    }
}

/// Whether an unexplained code is the sender's own word: a report of something else holds standard codes
/// that nobody here needs. Labels and numbers without a name have no scheme.
fn is_own(one: &Unexplained) -> bool {
    is_local_scheme(&one.scheme)
}

/// A state that lasts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Since {
    /// Number of the first object of it.
    pub object: i64,
    /// Reports since, that one included; a long state has more than are known.
    pub reports: usize,
    /// Reports known before it.
    pub before: usize,
    /// Of those, how many had values; or the most codes that one of them held.
    pub then: usize,
}

/// The last reports of a sender, in the order of arrival.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Window(Vec<Report>);

impl Window {
    /// The reports.
    #[must_use]
    pub fn reports(&self) -> &[Report] {
        &self.0
    }

    /// Notes a report that was read, once or again: `None` where it says nothing any more.
    pub fn note(&mut self, object: i64, report: Option<Report>) {
        match (
            self.0.binary_search_by_key(&object, |one| one.object),
            report,
        ) {
            (Ok(at), Some(report)) => {
                if let Some(old) = self.0.get_mut(at) {
                    *old = report;
                }
            }
            (Ok(at), None) => {
                self.0.remove(at);
            }
            (Err(at), Some(report)) => self.0.insert(at, report),
            (Err(_), None) => {}
        }
        while self.0.len() > MOST {
            let lasts = [self.stopped(), self.grew()];
            let began = lasts.into_iter().flatten().map(|since| since.object).min();
            let began = began.and_then(|object| self.0.iter().position(|one| one.object == object));
            match began {
                // The first report of what lasts says since when it does.
                Some(at) if self.0.len() - at > LASTING => self.0.remove(at + 1),
                _ => self.0.remove(0),
            };
        }
    }

    /// Reports that may have values: those that count by themselves.
    fn candidates(&self) -> Vec<Report> {
        let all = self.0.iter();
        all.filter(|one| one.brought != Brought::Else)
            .copied()
            .collect()
    }

    /// Since when no report brought values, where that is no chance.
    #[must_use]
    pub fn stopped(&self) -> Option<Since> {
        let rare = |run: &Since| {
            let share = (run.then as f64 + 0.5) / (run.before as f64 + 1.0);
            let run_by_chance = (1.0 - share).powi(i32::try_from(run.reports).unwrap_or(i32::MAX));
            run.reports >= RUN && run.then >= KNOWN && run_by_chance <= CHANCE
        };
        let of_all = |run: &Since| {
            run.reports >= OTHERS && run.before >= OTHERS / 2 && run.then * 10 >= run.before * 9
        };
        let run = without_values(&self.candidates()).filter(rare);
        run.or_else(|| without_values(&self.0).filter(of_all))
    }

    /// Since when all reports hold more codes that nobody explains than any before.
    #[must_use]
    pub fn grew(&self) -> Option<Since> {
        let all = self.candidates();
        let mut least = u16::MAX;
        let mut found = None;
        let most: Vec<u16> = all
            .iter()
            .scan(0, |most, one| {
                *most = one.codes.max(*most);
                Some(*most)
            })
            .collect();
        for (at, one) in all.iter().enumerate().rev() {
            least = least.min(one.codes);
            let (reports, Some(&before)) = (
                all.len() - at,
                at.checked_sub(1).and_then(|at| most.get(at)),
            ) else {
                break;
            };
            if reports >= RUN && at >= RUN && least > before {
                found = Some(Since {
                    object: one.object,
                    reports,
                    before: at,
                    then: before.into(),
                });
            }
        }
        found
    }
}

/// The run of reports without values at the end.
fn without_values(reports: &[Report]) -> Option<Since> {
    let has = |one: &Report| one.brought == Brought::Values;
    let before = reports.iter().rposition(has)? + 1;
    let first = reports.get(before)?;
    Some(Since {
        object: first.object,
        reports: reports.len() - before,
        before,
        then: reports.iter().filter(|one| has(one)).count(),
    })
}

/// As the store keeps it: number, letter, number of codes, for each report.
impl fmt::Display for Window {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, one) in self.0.iter().enumerate() {
            let letter = match one.brought {
                Brought::Values => 'v',
                Brought::Unexplained => 'u',
                Brought::Else => 'e',
            };
            let blank = if at == 0 { "" } else { " " };
            write!(f, "{blank}{}{letter}{}", one.object, one.codes)?;
        }
        Ok(())
    }
}

/// The text is no window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NotAWindow;

impl FromStr for Window {
    type Err = NotAWindow;

    fn from_str(text: &str) -> Result<Window, NotAWindow> {
        let mut window = Window::default();
        for word in text.split_whitespace().take(MOST) {
            let at = word
                .find(|c: char| c.is_ascii_lowercase())
                .ok_or(NotAWindow)?;
            let (object, rest) = word.split_at(at);
            let (letter, codes) = rest.split_at(1);
            let report = Report {
                object: object.parse().map_err(|_| NotAWindow)?,
                brought: match letter {
                    "v" => Brought::Values,
                    "u" => Brought::Unexplained,
                    "e" => Brought::Else,
                    _ => return Err(NotAWindow),
                },
                codes: codes.parse().map_err(|_| NotAWindow)?,
            };
            window.note(report.object, Some(report));
        }
        Ok(window)
    }
}

#[cfg(test)]
mod tests;
