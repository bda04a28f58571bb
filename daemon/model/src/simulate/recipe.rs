//! What happens in a situation: exams with their days, labels and true widths, the last of them the one
//! assessed.

use super::dice::Dice;
use super::scenario::People;
use super::situation::Situation;
use crate::assess::Parameters;
use crate::domain::Label;

/// How much wider a crisis is, mm.
const CRISIS_MM: f64 = 0.8;
/// Mean and SD of the change of those unwell without raised pressure, mm. The mean is published: of 76 visits
/// of children with a shunt and symptoms, 62 without its failure (Change in Optic Nerve Sheath Diameter and
/// Cerebral Ventricular Shunt Failure in Children. JAMA Netw Open 2025;8(5):e2511009,
/// doi:10.1001/jamanetworkopen.2025.11009; seen in its abstract). The SD is inferred: the negative predictive
/// value of 98 % below 0.4 mm fits 49 of the 62, and so an SD of about 0.30 with the errors of measuring in
/// it; one operator's, 0.19 to 0.25 here, leave 0.15 to 0.23. Taken for everybody scanned when unwell.
const UNWELL_MM: (f64, f64) = (0.16, 0.2);
/// What stays after an event where it stays, mm.
const STAYS_MM: f64 = 0.4;
/// Share of the way from the truth to the last value.
const LEANS: f64 = 0.3;
/// SD by which an offset wanders in a year, mm.
const WANDERS_MM: f64 = 0.15;
const WRONG_LABELS: f64 = 0.1;
const CRISES_FIRST: f64 = 0.3;
/// Earlier exams before the crisis where `k` counts those after it.
const BEFORE_CRISIS: usize = 3;
const CREEP_DAYS: u64 = 10;
/// Hours at which the scans of one day begin.
const HOURS: [u32; 3] = [8, 14, 20];

/// What was measured at an exam.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Measured {
    /// The patient's own sheaths.
    Sheath,
    /// The nerves in them.
    Nerve,
    /// The sheaths, each told as the other.
    Exchanged,
    /// The sheaths of somebody else.
    AnotherPerson,
}

/// One exam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Visit {
    /// Days from the first exam.
    pub(super) day: u64,
    pub(super) hour: Option<u32>,
    pub(super) label: Option<Label>,
    /// Wider than in health, mm, whatever rise is looked for.
    pub(super) wider_mm: f64,
    /// Wider than in health where no rise is looked for, mm.
    pub(super) unwell_mm: f64,
    /// Share of the rise looked for that has come by then.
    pub(super) rise: f64,
    pub(super) measured: Measured,
}

/// The exams of one patient in order, the last one assessed, and what is different about them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Recipe {
    pub(super) visits: Vec<Visit>,
    /// Days of revisions.
    pub(super) revisions: Vec<u64>,
    pub(super) people: People,
    /// Share of the way from the truth to the last value.
    pub(super) leans: f64,
    /// SD by which the offset of an operator wanders in a year, mm.
    pub(super) wanders_mm: f64,
    /// Places of the exams that ought not to serve as baseline.
    pub(super) wrong: Vec<usize>,
}

impl Recipe {
    /// Of one patient, with `k` earlier exams, or so many since the event.
    pub(super) fn of(situation: Situation, k: usize, p: &Parameters, dice: &mut Dice) -> Self {
        let mut recipe = Recipe {
            visits: Vec::new(),
            revisions: Vec::new(),
            people: People::Pool,
            leans: 0.0,
            wanders_mm: 0.0,
            wrong: Vec::new(),
        };
        let well = Some(Label::Well);
        match situation {
            Situation::Labelled => recipe.earlier(k, well, dice).today(dice),
            Situation::Unlabelled => recipe.earlier(k, None, dice).today(dice),
            Situation::CrisisFirst => {
                recipe.earlier(k, None, dice).today(dice);
                if dice.uniform() < CRISES_FIRST {
                    recipe.change(0, |first| first.wider_mm = CRISIS_MM);
                    recipe.wrong.push(0);
                }
            }
            Situation::Creep => {
                recipe.earlier(k, None, dice).today(dice);
                let begins = recipe.day();
                recipe.visits.pop();
                for day in 1..=CREEP_DAYS {
                    recipe.visits.push(Visit {
                        rise: day as f64 / CREEP_DAYS as f64,
                        ..Visit::unlabelled(begins + day)
                    });
                }
            }
            Situation::SerialScans => {
                recipe.earlier(k, well, dice).today(dice);
                let today = recipe.day();
                recipe.visits.pop();
                let last = HOURS.len() - 1;
                recipe
                    .visits
                    .extend(HOURS.iter().enumerate().map(|(at, hour)| Visit {
                        hour: Some(*hour),
                        rise: f64::from(u8::from(at == last)),
                        ..Visit::unlabelled(today)
                    }));
            }
            Situation::SecondRise => recipe
                .earlier(k, well, dice)
                .crisis(dice)
                .since([10, 40, 75, 110], 0.0),
            Situation::SettledWider => recipe
                .earlier(k, well, dice)
                .crisis(dice)
                .since([10, 40, 80, 120], STAYS_MM),
            Situation::FailedRevisionSame
            | Situation::FailedRevisionTurns
            | Situation::FailedRevisionOthers => {
                recipe.people = match situation {
                    Situation::FailedRevisionSame => People::Same,
                    Situation::FailedRevisionTurns => People::Pool,
                    _ => People::AllOthers,
                };
                // A new level as the model has it: narrower as often as wider.
                let stays = dice.normal(p.sigma_step);
                let days = (0..=k as u64).map(|number| 1 + 2 * number);
                recipe
                    .earlier(BEFORE_CRISIS, well, dice)
                    .crisis(dice)
                    .since(days, stays);
            }
            Situation::SidesExchanged => {
                recipe.earlier(k, well, dice).today(dice);
                recipe.change(k, |today| today.measured = Measured::Exchanged);
            }
            Situation::NerveOnce => {
                recipe.earlier(k, None, dice).today(dice);
                recipe.change(k - 1, |newest| newest.measured = Measured::Nerve);
                recipe.wrong.push(k - 1);
            }
            Situation::WrongLabels => {
                recipe.earlier(k, well, dice).today(dice);
                for at in 0..k {
                    if dice.uniform() < WRONG_LABELS {
                        recipe.change(at, |one| one.wider_mm = CRISIS_MM);
                        recipe.wrong.push(at);
                    }
                }
            }
            Situation::UnwellEachTime => {
                recipe.earlier(k, None, dice).today(dice);
                for visit in &mut recipe.visits {
                    visit.unwell_mm = unwell(dice);
                }
            }
            Situation::UnwellToday => {
                recipe.earlier(k, well, dice).today(dice);
                let mm = unwell(dice);
                recipe.change(k, |today| today.unwell_mm = mm);
            }
            Situation::Leaning => {
                recipe.leans = LEANS;
                recipe.earlier(k, well, dice).today(dice);
            }
            Situation::Wandering => {
                recipe.people = People::Same;
                recipe.wanders_mm = WANDERS_MM;
                recipe.earlier(k, well, dice).today(dice);
            }
            Situation::AnotherPerson => {
                recipe.earlier(k, well, dice).today(dice);
                let wrong = dice.below(k as u64) as usize;
                recipe.change(wrong, |one| one.measured = Measured::AnotherPerson);
                recipe.wrong.push(wrong);
            }
        }
        recipe
    }

    fn day(&self) -> u64 {
        self.visits.last().map_or(0, |visit| visit.day)
    }

    fn change(&mut self, at: usize, how: impl FnOnce(&mut Visit)) {
        if let Some(visit) = self.visits.get_mut(at) {
            how(visit);
        }
    }

    fn earlier(&mut self, k: usize, label: Option<Label>, dice: &mut Dice) -> &mut Self {
        for _ in 0..k {
            let day = if self.visits.is_empty() {
                0
            } else {
                self.day() + apart(dice)
            };
            self.visits.push(Visit {
                label,
                ..Visit::unlabelled(day)
            });
        }
        self
    }

    fn today(&mut self, dice: &mut Dice) {
        self.visits.push(Visit {
            rise: 1.0,
            ..Visit::unlabelled(self.day() + apart(dice))
        });
    }

    /// An exam in a crisis that a person has confirmed, and the revision of that day.
    fn crisis(&mut self, dice: &mut Dice) -> &mut Self {
        let day = self.day() + apart(dice);
        self.visits.push(Visit {
            label: Some(Label::RaisedConfirmed),
            wider_mm: CRISIS_MM,
            ..Visit::unlabelled(day)
        });
        self.revisions.push(day);
        self
    }

    /// Unlabelled exams so many days after the last one, at a level of their own; the rise is in the last.
    fn since(&mut self, days: impl IntoIterator<Item = u64>, wider_mm: f64) {
        let event = self.day();
        self.visits.extend(days.into_iter().map(|day| Visit {
            wider_mm,
            ..Visit::unlabelled(event + day)
        }));
        if let Some(today) = self.visits.last_mut() {
            today.rise = 1.0;
        }
    }
}

impl Visit {
    fn unlabelled(day: u64) -> Self {
        Visit {
            day,
            hour: None,
            label: None,
            wider_mm: 0.0,
            unwell_mm: 0.0,
            rise: 0.0,
            measured: Measured::Sheath,
        }
    }
}

/// Days from one exam to the next.
fn apart(dice: &mut Dice) -> u64 {
    40 + dice.below(461)
}

fn unwell(dice: &mut Dice) -> f64 {
    UNWELL_MM.0 + dice.normal(UNWELL_MM.1)
}
