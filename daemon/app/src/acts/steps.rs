//! What orders mean: exams, persons and entries, step by step.

use super::error::{ActError, NotMeant, Unfound};
use super::found::{Gone, NotOne, patient_of};
use super::person::{People, Person, named as one_of};
use super::prepare::{Serves, Step};
use super::say::{allowed, counted_again, is_noted, of_exam, of_gone, sayings, settled};
use super::{Order, Wish};
use chrono::{Local, NaiveDate};
use sheathline_model::annotations::{self, By, Draft, Kind, Of, Said};
use sheathline_model::domain::Event;
use sheathline_model::history::{Exam, Places};
use sheathline_model::pages::lines::words;
use sheathline_model::results::Site;
use sheathline_store::{Store, annotations::by_number};
use std::collections::{BTreeMap, BTreeSet};

/// An order, and what it is about: a person and, where it is about one, an exam of theirs.
struct Meant<'o> {
    order: &'o Order,
    person: usize,
    about: Named,
}

/// What of that person an order is about.
enum Named {
    /// The person as a whole.
    Person,
    /// One of their exams, by its place among them.
    Exam(usize),
    /// An exam that is told no more.
    Gone(Box<Gone>),
    /// An exam with what was taken back of it.
    Whole(Box<Exam>),
}

/// The people of some orders, and what is said of them, person by person.
pub(super) fn of(
    store: &Store,
    site: &Site,
    orders: &[Order],
) -> Result<(People, Vec<Step>), ActError> {
    let mut people = People::default();
    let meant = meant(store, site, orders, &mut people)?;
    let mut steps = Vec::with_capacity(meant.len());
    for (number, person) in people.all.iter().enumerate() {
        let theirs: Vec<&Meant<'_>> = meant.iter().filter(|one| one.person == number).collect();
        let places = Places::of(&person.exams);
        let together = together(person, &places, &theirs);
        for one in theirs {
            let step = match (&one.order.wish, &one.about) {
                (_, Named::Gone(gone)) => of_gone(store, person, number, gone, one.order)?,
                (_, Named::Whole(exam)) => counted_again(person, number, exam, one.order),
                (Wish::Event(event), _) => said_event(person, number, one.order, *event)?,
                (Wish::EventBack(event), _) => event_back(person, number, &one.order.by, *event)?,
                (Wish::TakeBackEntry(entry), _) => {
                    entry_back(store, person, number, &places, &one.order.by, *entry)?
                }
                (wish, &Named::Exam(own)) => {
                    let Some(exam) = person.exams.get(own) else {
                        continue;
                    };
                    allowed(store, person, &places, (own, exam), one.order)?;
                    let sayings = sayings(wish, exam, person.version(&exam.id));
                    let alone = BTreeSet::new();
                    let mut drafts = Vec::new();
                    for saying in sayings {
                        let together = together.get(&saying.kind()).unwrap_or(&alone);
                        drafts.extend(saying.drafts(person, &places, own, together));
                    }
                    if let Wish::Settle(outcome) = wish {
                        drafts = settled(store, person, &places, own, *outcome, drafts)?;
                    }
                    if is_noted(person, &places, own, one.order) {
                        drafts.clear();
                    }
                    of_exam(person, number, (own, exam), one.order, drafts)
                }
                (_, Named::Person) => continue,
            };
            steps.push(step);
        }
    }
    Ok((people, steps))
}

/// What every order is about; an exam that one order names twice is meant once.
fn meant<'o>(
    store: &Store,
    site: &Site,
    orders: &'o [Order],
    people: &mut People,
) -> Result<Vec<Meant<'o>>, ActError> {
    let (mut meant, mut unfound) = (Vec::new(), Vec::new());
    // Person, exam and kind, with the order that named them first.
    let mut named: BTreeMap<(usize, usize, Option<Kind>), usize> = BTreeMap::new();
    for (number, order) in orders.iter().enumerate() {
        let whole = match &order.wish {
            Wish::Event(_) | Wish::EventBack(_) => {
                Some(order.patient.clone().ok_or(ActError::NoPatient)?)
            }
            Wish::TakeBackEntry(entry) => {
                let found = store.read(|view| by_number(view, *entry))?;
                Some(found.ok_or(ActError::NoEntry(*entry))?.patient)
            }
            _ => None,
        };
        if let Some(key) = whole {
            let person = people.of(store, &key, site)?;
            meant.push(Meant {
                order,
                person,
                about: Named::Person,
            });
            continue;
        }
        for name in &order.exams {
            let mut not = |why| unfound.push(Unfound { order: number, why });
            if order.wish == Wish::CountReadings {
                match whole_of(store, site, people, name) {
                    Err(NotOne::Store(error)) => return Err(error.into()),
                    Err(why) => not(why.into()),
                    Ok((person, exam)) => meant.push(Meant {
                        order,
                        person,
                        about: Named::Whole(Box::new(exam)),
                    }),
                }
                continue;
            }
            let found = people.exam(store, name, site);
            match found {
                Err(NotOne::Store(error)) => return Err(error.into()),
                Err(NotOne::WithoutValues { name })
                    if matches!(order.wish, Wish::Acknowledge(_)) =>
                {
                    match Gone::of(store, &name)? {
                        Some(gone) => meant.push(Meant {
                            order,
                            person: people.of(store, &gone.patient, site)?,
                            about: Named::Gone(Box::new(gone)),
                        }),
                        None => not(NotOne::WithoutValues { name }.into()),
                    }
                }
                // Nothing of it is left to be taken back.
                Err(why @ NotOne::WithoutValues { .. }) if order.wish == Wish::TakeBackReadings => {
                    match whole_of(store, site, people, name) {
                        Ok((person, exam)) => meant.push(Meant {
                            order,
                            person,
                            about: Named::Whole(Box::new(exam)),
                        }),
                        Err(_) => not(why.into()),
                    }
                }
                Err(why) => not(why.into()),
                Ok((person, exam)) => match named.get(&(person, exam, order.wish.kind())) {
                    Some(first) if *first != number => not(NotMeant::Again(*first)),
                    Some(_) => {}
                    None => {
                        named.insert((person, exam, order.wish.kind()), number);
                        meant.push(Meant {
                            order,
                            person,
                            about: Named::Exam(exam),
                        });
                    }
                },
            }
        }
    }
    if unfound.is_empty() {
        Ok(meant)
    } else {
        Err(ActError::Unfound(unfound))
    }
}

/// Of each kind the exams of which something new is said. Exams of which nothing new is said keep
/// what an entry about several said of them too.
fn together(
    person: &Person,
    places: &Places<'_>,
    theirs: &[&Meant<'_>],
) -> BTreeMap<Kind, BTreeSet<usize>> {
    let mut together: BTreeMap<Kind, BTreeSet<usize>> = BTreeMap::new();
    for one in theirs {
        let Named::Exam(own) = one.about else {
            continue;
        };
        let Some(exam) = person.exams.get(own) else {
            continue;
        };
        for saying in sayings(&one.order.wish, exam, person.version(&exam.id)) {
            let drafts = saying.drafts(person, places, own, &BTreeSet::new());
            if !drafts.is_empty() {
                together.entry(saying.kind()).or_default().insert(own);
            }
        }
    }
    together
}

/// The person of a name, and the exam that it means with what was taken back of it.
fn whole_of(
    store: &Store,
    site: &Site,
    people: &mut People,
    name: &str,
) -> Result<(usize, Exam), NotOne> {
    let key = patient_of(store, name)?;
    let number = people.of(store, &key, site)?;
    let person = people.all.get(number);
    let mut exams = person.map_or_else(Vec::new, |person| person.with_taken_back(site));
    let exam = one_of(&exams, name)?;
    Ok((number, exams.swap_remove(exam)))
}

fn said_event(
    person: &Person,
    number: usize,
    order: &Order,
    event: Event,
) -> Result<Step, ActError> {
    let today = Local::now().date_naive();
    refuse(event.date, today, born(person)).map_err(ActError::Day)?;
    let key = order.patient.as_ref().ok_or(ActError::NoPatient)?;
    let drafts = annotations::say(&person.entries, key, &Said::Event(event), |_| None);
    Ok(of_day(person, number, &order.by, event, "recorded", drafts))
}

fn event_back(person: &Person, number: usize, by: &By, event: Event) -> Result<Step, ActError> {
    let drafts = annotations::take_back(&person.entries, &Said::Event(event), |_| None);
    if drafts.is_empty() {
        return Err(ActError::NoEvent);
    }
    Ok(of_day(person, number, by, event, "taken back", drafts))
}

fn of_day(
    person: &Person,
    number: usize,
    by: &By,
    event: Event,
    told: &str,
    drafts: Vec<Draft>,
) -> Step {
    Step {
        person: number,
        shown: course(person),
        told: format!("{} on {}: {told}", event.kind.title(), event.date),
        already: "that event is recorded already".to_owned(),
        exams: Vec::new(),
        drafts,
        by: by.clone(),
    }
}

fn entry_back(
    store: &Store,
    person: &Person,
    number: usize,
    places: &Places<'_>,
    by: &By,
    entry: i64,
) -> Result<Step, ActError> {
    let known = person.entries.iter().find(|one| one.id == entry);
    let one = match known {
        Some(one) => one.clone(),
        // Said since the person was looked up: the act is prepared again before it is recorded.
        None => store
            .read(|view| by_number(view, entry))?
            .ok_or(ActError::NoEntry(entry))?,
    };
    let drafts = annotations::take_back_one(&person.entries, &one)?;
    let exams = one.said.about().map(|about| places.exams(about));
    let exams: Vec<usize> = exams.into_iter().flatten().collect();
    let lines = exams.iter().filter_map(|n| person.exams.get(*n));
    let lines: Vec<String> = lines.map(|exam| person.line_of(exam)).collect();
    let value = words(&one.said);
    let of = match one.said.of() {
        Of::Day(day) => format!("day {day}"),
        Of::Exam(_) if lines.is_empty() => "no exam that is told any more".to_owned(),
        Of::Exam(_) => lines.join("; "),
    };
    Ok(Step {
        person: number,
        shown: format!("entry {entry}, {value}, of {of}"),
        told: format!("entry {entry}, {value}: taken back"),
        already: format!("entry {entry} was taken back already"),
        exams: exams.into_iter().map(|n| (n, Serves::Perhaps)).collect(),
        drafts,
        by: by.clone(),
    })
}

/// Where the patient stands: the newest exam, and what happened so far.
fn course(person: &Person) -> String {
    let newest = match person.exams.last() {
        Some(exam) => format!("newest {}", person.line_of(exam)),
        None => "no exam".to_owned(),
    };
    let events = person.known.events.iter();
    let events: Vec<String> = events
        .map(|event| format!("{} on {}", event.kind.title(), event.date))
        .collect();
    if events.is_empty() {
        format!("{newest}; no event so far")
    } else {
        format!("{newest}; events so far: {}", events.join(", "))
    }
}

/// The birth date; of several the first, so that nothing is refused that may be right.
fn born(person: &Person) -> Option<NaiveDate> {
    let readings = person.known.readings.iter();
    let patients = readings.filter_map(|reading| reading.patient.as_ref());
    patients.filter_map(|patient| patient.birth_date).min()
}

/// Why an event of that day is not taken.
fn refuse(date: NaiveDate, today: NaiveDate, born: Option<NaiveDate>) -> Result<(), String> {
    if date > today {
        return Err(format!(
            "{date} lies in the future: today is {today} by the clock of this machine. Record the event \
             once it has happened"
        ));
    }
    match born {
        Some(born) if date < born => Err(format!(
            "{date} lies before the patient's birth on {born}. Correct the day, or the birth date where \
             it is wrong"
        )),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::refuse;

    #[test]
    fn a_day_to_come_or_before_birth_is_refused_with_the_reason() {
        let day = |text: &str| text.parse().unwrap();
        let (today, born) = (day("2026-03-02"), Some(day("2020-05-01")));
        for (date, reason) in [
            ("2026-03-03", "in the future: today is 2026-03-02"),
            ("2031-01-01", "in the future"),
            ("2020-04-30", "before the patient's birth on 2020-05-01"),
        ] {
            let refused = refuse(day(date), today, born).unwrap_err();
            assert!(refused.contains(reason), "{refused}");
        }
        for date in ["2026-03-02", "2020-05-01", "2023-01-01"] {
            assert_eq!(refuse(day(date), today, born), Ok(()));
        }
        assert_eq!(refuse(day("1950-01-01"), today, None), Ok(()));
    }
}
