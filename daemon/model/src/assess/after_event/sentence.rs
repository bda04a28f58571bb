//! What is told of the time since an event, in plain sentences with the numbers behind them.

use super::{AfterEvent, AfterState, Difference, Happened, HappenedKind, Nadir};
use crate::assess::answer::EIGHT_OF_TEN;
use crate::assess::since_last::SinceLast;
use crate::domain::time::written;

/// Facts of an event that are named beside the first.
const NAMED_MOST: usize = 3;

impl AfterEvent {
    /// Where the time since the event has led, in one or two plain sentences. `is_told` says that today
    /// stands beside the narrowest exam since already, with its numbers.
    #[must_use]
    pub fn sentence(&self, is_told: bool) -> String {
        let after = self.after();
        let state = match self.state {
            AfterState::WideningAgain => match self.nadir.as_ref().filter(|_| is_told) {
                Some(nadir) => format!(
                    "{after} the sheath is widening again: it is wider than at {} by more than error, a \
                     rise whatever the earlier baseline says.",
                    nadir.title()
                ),
                None => format!("{after} the sheath is widening again."),
            },
            AfterState::TooEarly => format!(
                "{after} nothing can be said yet of where the sheath will settle. An exam from {} on \
                 is needed to say whether it has returned, and two that lie 60 days apart to say \
                 that it has settled.",
                self.new_baseline_from
            ),
            AfterState::Returned => match &self.level {
                Some(level) if level.upper_mm > 0.0 => format!(
                    "{after} the sheath is back to the earlier level; a remainder of up to {:.2} mm \
                     cannot be excluded.",
                    level.upper_mm
                ),
                Some(level) => format!(
                    "{after} the sheath is narrower than before: by {:.2} mm ({:.2} to {:.2}).",
                    -level.mm, -level.upper_mm, -level.lower_mm
                ),
                None => format!("{after} the sheath is back to the earlier level."),
            },
            AfterState::Narrowing => match &self.narrowed {
                Some(fall) => format!(
                    "{after} the sheath is narrowing: by {:.2} mm ({:.2} to {:.2}) since {}.",
                    -fall.mm, -fall.upper_mm, -fall.lower_mm, fall.with
                ),
                None => format!("{after} the sheath is narrowing."),
            },
            AfterState::SettledWider => match &self.level {
                Some(level) => format!(
                    "{after} the sheath has settled {:.2} mm wider ({:.2} to {:.2}).",
                    level.mm, level.lower_mm, level.upper_mm
                ),
                None => format!("{after} the sheath has settled wider."),
            },
            AfterState::Unclear => {
                format!("{after} these exams do not tell where the sheath has settled.")
            }
        };
        let mut said = vec![state];
        match self.state {
            AfterState::WideningAgain => said.extend(self.rise().filter(|_| !is_told)),
            AfterState::Unclear => said.extend(self.old_level()),
            AfterState::SettledWider => said.push(self.baseline()),
            AfterState::TooEarly | AfterState::Returned | AfterState::Narrowing => {}
        }
        if self.state == AfterState::WideningAgain {
            let new = self.returned_on;
            said.extend(new.map(|date| {
                format!("It had returned to the earlier level by {date}: this is a new rise.")
            }));
        }
        said.join(" ")
    }

    /// The numbers behind it that [`AfterEvent::sentence`] leaves out, a sentence each. `last` is what is
    /// told of the last exam beside it, and is not told again.
    #[must_use]
    pub fn numbers(&self, last: Option<&SinceLast>) -> Vec<String> {
        let mut said = Vec::new();
        if self.state != AfterState::WideningAgain {
            said.extend(self.rise());
        }
        if self.state != AfterState::Unclear {
            said.extend(self.old_level());
        }
        if self.state != AfterState::Returned {
            said.extend(self.crisis(last));
        }
        if self.state != AfterState::SettledWider {
            said.push(self.baseline());
        }
        said
    }

    /// Whether the change since the last exam is what it tells of the time since the event.
    #[must_use]
    pub fn tells(&self, last: &SinceLast) -> bool {
        match self.state {
            AfterState::WideningAgain => {
                let nadir = self.nadir.as_ref();
                nadir.is_some_and(|nadir| nadir.exam == last.exam)
            }
            AfterState::Narrowing => {
                let fall = self.narrowed.as_ref();
                fall.is_some_and(|fall| fall.is_since(last))
            }
            _ => false,
        }
    }

    /// "After raised pressure was confirmed on 2024-08-20 (shunt revision 2024-08-21)".
    fn after(&self) -> String {
        let Some((first, others)) = self.what.split_first() else {
            return format!("After the event of {}", self.event);
        };
        let date = first.date;
        let first = match first.kind {
            HappenedKind::RaisedConfirmed => {
                format!("After raised pressure was confirmed on {date}")
            }
            HappenedKind::CsfSurgery => format!("After CSF surgery on {date}"),
            HappenedKind::ShuntRevision => format!("After the shunt revision of {date}"),
            HappenedKind::Other => format!("After the event of {date}"),
            HappenedKind::AfterDecompression => {
                format!("After the pressure was relieved by {date}")
            }
        };
        let told = others.iter().take(NAMED_MOST).map(Happened::title);
        let more = others.len().saturating_sub(NAMED_MOST);
        let more = (more > 0).then(|| format!("{more} more"));
        let others: Vec<String> = told.chain(more).collect();
        if others.is_empty() {
            first
        } else {
            format!("{first} ({})", others.join(", "))
        }
    }

    /// Today beside the narrowest exam since; nothing where it was no comparison at all.
    fn rise(&self) -> Option<String> {
        let nadir = self.nadir.as_ref()?;
        let (at, exams) = (written(nadir.date, nadir.time), nadir.title());
        let (mm, limit) = (nadir.mm, nadir.limit_mm);
        match self.state {
            AfterState::WideningAgain => Some(format!(
                "Today it is {mm:.2} mm wider than at {exams} ({at}); {limit:.2} mm would be enough for a \
                 flag, whatever the earlier baseline says."
            )),
            _ if mm <= 0.0 => None,
            _ => {
                let new = match (self.state, self.returned_on) {
                    (AfterState::Returned, _) | (_, None) => String::new(),
                    (_, Some(date)) => format!(
                        " It had returned to the earlier level by {date}: what rises after that is new."
                    ),
                };
                // Of several exams the narrowest is found a little more often.
                let most = limit + EIGHT_OF_TEN * nadir.sd_mm;
                Some(format!(
                    "Today it is {mm:.2} mm wider than at {exams} ({at}), which is not flagged: that \
                     needs {limit:.2} mm. At most half of such exams miss a true rise of that size, at \
                     most two of ten one of {most:.2} mm.{new}"
                ))
            }
        }
    }

    /// The level since the event, or today alone, against the one before it.
    fn old_level(&self) -> Option<String> {
        let before = |d: &Difference| {
            let exams = match d.exams {
                1 => "1 exam".to_owned(),
                n => format!("{n} exams"),
            };
            format!("the level before ({exams}, last {})", d.with)
        };
        if let (Some(level), false) = (&self.level, self.state == AfterState::WideningAgain) {
            let exams = match self.level_exams.len() {
                1 => "The exam since lies".to_owned(),
                n => format!("The level of {n} exams since lies"),
            };
            return Some(format!("{exams} {} {}.", level.side(), before(level)));
        }
        let Some(today) = &self.residual else {
            return Some(
                "No baseline exam from before is in use, so the level before is not known."
                    .to_owned(),
            );
        };
        Some(format!("Today lies {} {}.", today.side(), before(today)))
    }

    /// Today against the exam at the event.
    fn crisis(&self, last: Option<&SinceLast>) -> Option<String> {
        let since = self.since.as_ref()?;
        let told = match (self.state, &self.narrowed) {
            (AfterState::Narrowing, Some(fall)) => fall.with == since.with,
            _ => last.is_some_and(|last| since.is_since(last)),
        };
        let side = if since.mm < 0.0 { "narrower" } else { "wider" };
        (!told).then(|| {
            format!(
                "Against the exam of {} today is {:.2} mm {side} ({:+.2} to {:+.2}).",
                since.with,
                since.mm.abs(),
                since.lower_mm,
                since.upper_mm
            )
        })
    }

    fn baseline(&self) -> String {
        match (self.state, self.new_baseline) {
            (AfterState::SettledWider, _) => {
                "If the patient is well at this width, label these exams as well: they are then the \
                 baseline."
                    .to_owned()
            }
            (_, Some(date)) => format!("The exam of {date} started a new baseline."),
            (_, None) => format!(
                "A new baseline starts with the first exam that may serve, from {} on.",
                self.new_baseline_from
            ),
        }
    }
}

impl Nadir {
    fn title(&self) -> String {
        match self.comparisons {
            1 => "the one exam since".to_owned(),
            n => format!("the narrowest of {n} exams since"),
        }
    }
}

impl Happened {
    fn title(&self) -> String {
        let what = match self.kind {
            HappenedKind::RaisedConfirmed => "raised pressure confirmed",
            HappenedKind::CsfSurgery => "CSF surgery",
            HappenedKind::ShuntRevision => "shunt revision",
            HappenedKind::Other => "other event",
            HappenedKind::AfterDecompression => "exam after relief of pressure",
        };
        format!("{what} {}", self.date)
    }
}

impl Difference {
    /// Whether it is the change since that exam, as it is printed.
    fn is_since(&self, last: &SinceLast) -> bool {
        self.with == last.date && format!("{:.2}", self.mm) == format!("{:.2}", last.mm)
    }

    /// "0.39 mm above (+0.03 to +0.75)".
    fn side(&self) -> String {
        let side = if self.mm < 0.0 { "below" } else { "above" };
        format!(
            "{:.2} mm ({:+.2} to {:+.2}) {side}",
            self.mm.abs(),
            self.lower_mm,
            self.upper_mm
        )
    }
}
