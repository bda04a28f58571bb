//! The lists of work: chosen, counted and paged by columns. Only lines that are shown are read.

use super::read;
use crate::session::ToValue;
use crate::view::View;
use crate::{StoreError, stamp};
use chrono::{DateTime, NaiveDate, Utc};
use sheathline_model::worklist::{List, Today, Uncompared};

/// Names of one kind that can be chosen of; a department has fewer, a stranger may send any number.
pub const CHOICES_MAX: usize = 200;

/// Which exams a list shows; the default: all.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Filter {
    /// Of which days. A rise that waits for somebody is shown whatever its day.
    pub period: Period,
    /// Measured by this operator.
    pub operator: Option<String>,
    /// Measured with this machine, as the line names it.
    pub device: Option<String>,
    /// Measured at this place.
    pub location: Option<String>,
}

/// Of which days exams are.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Period {
    /// Of any.
    #[default]
    All,
    /// They came at this time or later: nothing comes before it is done.
    Came(DateTime<Utc>),
    /// They were done from the first day on and up to the second, both with them, by the clock of the
    /// place.
    Done(Option<NaiveDate>, Option<NaiveDate>),
}

/// A part of a list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Page {
    /// Rows before it.
    pub skip: u32,
    /// Rows at most.
    pub rows: u32,
}

impl Page {
    /// The first rows.
    #[must_use]
    pub fn first(rows: u32) -> Page {
        Page { skip: 0, rows }
    }
}

/// Which part of each list is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pages {
    /// Of rises.
    pub rises: Page,
    /// Of exams that could not be compared.
    pub not_compared: Page,
    /// Of exams with nothing earlier to compare with.
    pub first_exams: Page,
    /// Of exams without a label.
    pub unlabelled: Page,
}

impl Pages {
    /// The first rows of each.
    #[must_use]
    pub fn first(rows: u32) -> Pages {
        let page = Page::first(rows);
        Pages {
            rises: page,
            not_compared: page,
            first_exams: page,
            unlabelled: page,
        }
    }
}

/// What is asked of the lines: conditions, with a value for each `?N` in them.
struct Question<'f> {
    conditions: Vec<String>,
    values: Vec<&'f dyn ToValue>,
}

impl<'f> Question<'f> {
    /// Lines for which `which` holds, of whoever and wherever the filter says.
    fn of(which: &str, filter: &'f Filter) -> Question<'f> {
        let mut question = Question {
            conditions: vec![which.to_owned()],
            values: Vec::new(),
        };
        let chosen = [
            ("operator", &filter.operator),
            ("device", &filter.device),
            ("location", &filter.location),
        ];
        for (column, value) in chosen {
            if let Some(value) = value {
                // Never by the index of names, which most lines have alike: the lists have each name in
                // theirs.
                question.and(&format!("{column} || '' ="), value);
            }
        }
        question
    }

    fn and(&mut self, condition: &str, value: &'f dyn ToValue) {
        self.values.push(value);
        let number = self.values.len();
        self.conditions.push(format!("{condition} ?{number}"));
    }

    fn holds(&self) -> String {
        self.conditions.join(" and ")
    }

    fn count(&self, view: &View) -> Result<u64, StoreError> {
        let sql = format!("select count(*) from exam_line where {}", self.holds());
        let count: i64 = view
            .prepare(sql)
            .one(self.values.as_slice(), |row| row.get(0))?;
        Ok(count.unsigned_abs())
    }

    /// The same, that stops one beyond `most`.
    fn count_up_to(&self, view: &View, most: u32) -> Result<u64, StoreError> {
        let sql = format!(
            "select count(*) from (select 1 from exam_line where {} limit {}) as counted",
            self.holds(),
            most.saturating_add(1)
        );
        let count: i64 = view
            .prepare(sql)
            .one(self.values.as_slice(), |row| row.get(0))?;
        Ok(count.unsigned_abs())
    }

    fn page(&self, view: &View, order: &str, page: Page) -> Result<List, StoreError> {
        let total = self.count(view)?;
        // The names first, from an index alone; then the lines that are shown.
        let sql = format!(
            "select exam_id from exam_line where {} order by {order} limit {} offset {}",
            self.holds(),
            page.rows,
            page.skip
        );
        let names = view
            .prepare(sql)
            .all(self.values.as_slice(), |row| row.get::<String>(0))?;
        let line = view.prepare("select line from exam_line where exam_id = ?1");
        let lines = names.iter().map(|name| {
            let text = line.one([name], |row| row.get::<String>(0))?;
            read(&text)
        });
        Ok(List {
            lines: lines.collect::<Result<_, _>>()?,
            total,
            skipped: page.skip.into(),
            older: 0,
        })
    }
}

const RISES: &str = "rise in ('new', 'withdrawn')";
const UNLABELLED: &str = "unlabelled = 1";

/// What waits for somebody: of each list the part that is asked for, and how many there are.
///
/// # Errors
/// The store cannot be read.
pub fn today(view: &View, filter: &Filter, pages: &Pages) -> Result<Today, StoreError> {
    let uncompared = |why: Uncompared| format!("uncompared = '{}'", why.word());
    Ok(Today {
        rises: Question::of(RISES, filter).page(
            view,
            "rise_since nulls first, exam_id",
            pages.rises,
        )?,
        not_compared: list(
            view,
            filter,
            &uncompared(Uncompared::Other),
            pages.not_compared,
        )?,
        first_exams: list(
            view,
            filter,
            &uncompared(Uncompared::First),
            pages.first_exams,
        )?,
        unlabelled: list(view, filter, UNLABELLED, pages.unlabelled)?,
    })
}

/// One list of exams of the period, newest first.
fn list(view: &View, filter: &Filter, which: &str, page: Page) -> Result<List, StoreError> {
    // Text of every day that can be: years have four digits.
    let day = |day: Option<NaiveDate>| day.map(|day| day.to_string());
    let mut question = Question::of(which, filter);
    match filter.period {
        Period::All => question.page(view, "first_at desc, exam_id", page),
        Period::Came(since) => {
            let since = stamp::text(since);
            let mut older = Question::of(which, filter);
            older.and("first_at <", &since);
            question.and("first_at >=", &since);
            Ok(List {
                older: older.count_up_to(view, List::OLDER_MAX)?,
                ..question.page(view, "first_at desc, exam_id", page)?
            })
        }
        Period::Done(from, to) => {
            let (from, to) = (day(from), day(to.and_then(|to| to.succ_opt())));
            if let Some(from) = &from {
                question.and("performed_at >=", from);
            }
            if let Some(to) = &to {
                question.and("performed_at <", to);
            }
            question.page(view, "performed_at desc, exam_id", page)
        }
    }
}

/// Names of one kind that lines have.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Chosen {
    /// By the alphabet, at most [`CHOICES_MAX`].
    pub names: Vec<String>,
    /// There are more.
    pub has_more: bool,
}

/// Who measured, with what and where, of all exams there are.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Choices {
    /// Operators, as reports write them.
    pub operators: Chosen,
    /// Machines.
    pub devices: Chosen,
    /// Places.
    pub locations: Chosen,
}

/// What can be chosen of. Each name is one step along an index, however many exams have it.
///
/// # Errors
/// The store cannot be read.
pub fn choices(view: &View) -> Result<Choices, StoreError> {
    Ok(Choices {
        operators: chosen(view, "operator")?,
        devices: chosen(view, "device")?,
        locations: chosen(view, "location")?,
    })
}

fn chosen(view: &View, column: &str) -> Result<Chosen, StoreError> {
    let next = view.prepare(format!(
        "select {column} from exam_line where {column} > ?1 order by {column} limit 1"
    ));
    let mut all = Chosen::default();
    let mut after = String::new();
    while let Some(name) = next.first([&after], |row| row.get::<String>(0))? {
        if all.names.len() >= CHOICES_MAX {
            all.has_more = true;
            break;
        }
        after.clone_from(&name);
        all.names.push(name);
    }
    Ok(all)
}
