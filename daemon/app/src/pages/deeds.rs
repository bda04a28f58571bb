//! Who did what.

use super::posted::Asked;
use super::{Action, Desk, Failed, Fields, Right, Visitor};
use axum::Router;
use axum::extract::State;
use axum::response::Response;
use axum::routing::get;
use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use sheathline_model::domain::PatientKey;
use sheathline_model::pages::deeds::{self as page, Asked as Wanted, Row, View};
use sheathline_model::pages::layout::Place;
use sheathline_store::deeds::{self, Deed, Filter};
use sheathline_store::{Store, StoreError};
use std::sync::Arc;

/// Rows of a page.
const SHOWN: u32 = 500;

/// Rows read in one go for a download.
const AT_ONCE: u32 = 5000;

/// Rows of a download at most: some tens of megabytes.
const MOST: usize = page::CSV_MOST;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route(Place::Deeds.path(), get(show).post(asked))
}

async fn show(State(desk): State<Arc<Desk>>, visitor: Visitor) -> Result<Response, Failed> {
    visitor.may(Right::Deeds)?;
    answer(&desk, &visitor, Wanted::default()).await
}

async fn asked(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    Asked(fields): Asked<Fields>,
) -> Result<Response, Failed> {
    visitor.may(Right::Deeds)?;
    let wanted = Wanted {
        from: fields.one("from").to_owned(),
        to: fields.one("to").to_owned(),
        account: fields.one("account").to_owned(),
        patient: fields.one("patient").to_owned(),
        issuer: fields.one("issuer").to_owned(),
        action: fields.one("action").to_owned(),
    };
    if fields.one("as") != "csv" {
        return answer(&desk, &visitor, wanted).await;
    }
    let filter = match filter(&wanted) {
        Ok(filter) => filter,
        Err(_) => return answer(&desk, &visitor, wanted).await,
    };
    note(&desk, &visitor, Action::Downloaded, &wanted).await?;
    let table = desk.off(move |desk| Ok(table(&desk.store, filter, MOST)?));
    let table = table.await?;
    Ok(super::files::csv("who-did-what.csv", table))
}

async fn answer(desk: &Arc<Desk>, visitor: &Visitor, asked: Wanted) -> Result<Response, Failed> {
    let (wrong, rows, total) = match filter(&asked) {
        Err(wrong) => (Some(wrong), Vec::new(), 0),
        Ok(filter) => {
            note(desk, visitor, Action::Listed, &asked).await?;
            let look = desk.off(move |desk| {
                Ok(desk.store.read(|view| {
                    let rows = deeds::newest(view, &filter, SHOWN)?;
                    Ok((rows, deeds::count(view, &filter)?))
                })?)
            });
            let (rows, total) = look.await?;
            (None, rows.into_iter().map(row).collect(), total)
        }
    };
    let actions = Action::ALL.map(|action| (action.word(), action.words()));
    let view = View {
        asked,
        wrong,
        actions: actions.to_vec(),
        rows,
        total,
        token: visitor.token(),
    };
    let place = Place::Deeds;
    desk.page(visitor, Some(place), place.title(), &page::html(&view))
        .await
}

/// That somebody looked up what was done is a deed as well; whose data were asked about stands there.
async fn note(
    desk: &Arc<Desk>,
    visitor: &Visitor,
    action: Action,
    asked: &Wanted,
) -> Result<(), Failed> {
    let patient = (!asked.patient.is_empty()).then(|| PatientKey {
        issuer: asked.issuer.clone(),
        id: asked.patient.clone(),
    });
    desk.did(visitor, action, patient.as_ref(), None, "who did what")
        .await
}

fn filter(asked: &Wanted) -> Result<Filter, String> {
    let (from, to) = (day(&asked.from)?, day(&asked.to)?);
    if let (Some(from), Some(to)) = (from, to)
        && to < from
    {
        return Err(format!("{to} lies before {from}."));
    }
    let some = |text: &str| (!text.is_empty()).then(|| text.to_owned());
    let begin = |day: NaiveDate| day.and_time(NaiveTime::MIN).and_utc();
    let before: Option<DateTime<Utc>> = to
        .and_then(|day| day.checked_add_days(Days::new(1)))
        .map(begin);
    Ok(Filter {
        account: some(&asked.account),
        patient_id: some(&asked.patient),
        patient_issuer: some(&asked.issuer),
        action: some(&asked.action),
        from: from.map(begin),
        before,
        below: None,
    })
}

/// A day as a browser sends it.
pub(super) fn day(text: &str) -> Result<Option<NaiveDate>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    let day = NaiveDate::parse_from_str(text, "%Y-%m-%d");
    day.map(Some)
        .map_err(|_| format!("{text:?} is no day; write it as 2024-05-31."))
}

fn row((id, deed): (i64, Deed)) -> Row {
    Row {
        id,
        at: deed.at,
        account: deed.account,
        roles: deed.roles,
        address: deed.address,
        action: deed.action,
        patient: deed.patient,
        exam_id: deed.exam,
        detail: deed.detail,
    }
}

/// The newest deeds of a filter as a table of at most `most` rows, which says where it ends.
fn table(store: &Store, mut filter: Filter, most: usize) -> Result<String, StoreError> {
    let mut text = page::csv_head();
    let mut count = 0;
    while count < most {
        let limit = AT_ONCE.min(u32::try_from(most - count).unwrap_or(AT_ONCE));
        let rows = store.read(|view| deeds::newest(view, &filter, limit))?;
        let Some((last, _)) = rows.last() else { break };
        filter.below = Some(*last);
        count += rows.len();
        for one in rows {
            text += &page::csv_line(&row(one));
        }
    }
    let left = store.read(|view| deeds::count(view, &filter))?;
    if count >= most && left > 0 {
        text += &page::csv_cut_off(count, left);
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use sheathline_store::Mode;

    /// A trail that ends without saying so would pass for all that was done.
    #[test]
    fn a_table_that_is_cut_off_says_so_in_its_last_line() {
        let folder = tempfile::TempDir::new().unwrap();
        let store = Store::open(&folder.path().join("store.db"), Mode::Owner).unwrap();
        for n in 0..5 {
            let deed = Deed {
                at: Utc::now(),
                account: "m.brightwell".to_owned(),
                roles: Vec::new(),
                address: "10.1.2.3".to_owned(),
                action: "viewed".to_owned(),
                patient: None,
                exam: None,
                detail: format!("deed {n}"),
            };
            store.write(move |tx| deeds::add(tx, &deed)).unwrap();
        }
        let of = |most| table(&store, Filter::default(), most).unwrap();
        let cut = of(3);
        let lines: Vec<&str> = cut.lines().collect();
        assert_eq!(lines.len(), 5, "{cut}");
        assert!(lines[3].ends_with("deed 2"), "{cut}");
        assert!(
            lines[4].contains("2 older rows are not in this table"),
            "{cut}"
        );
        assert_eq!(lines[4].split(',').count(), lines[0].split(',').count());
        for whole in [of(5), of(6)] {
            assert_eq!(whole.lines().count(), 6, "{whole}");
            assert!(!whole.contains("not in this table"));
        }
    }

    #[test]
    fn a_period_holds_both_its_days_and_what_is_none_is_told() {
        let asked = |from: &str, to: &str| {
            filter(&Wanted {
                from: from.to_owned(),
                to: to.to_owned(),
                ..Wanted::default()
            })
        };
        let found = asked("2024-05-07", "2024-05-07").unwrap();
        assert_eq!(
            found.from.unwrap().to_rfc3339(),
            "2024-05-07T00:00:00+00:00"
        );
        assert_eq!(
            found.before.unwrap().to_rfc3339(),
            "2024-05-08T00:00:00+00:00"
        );
        assert_eq!(asked("", "").unwrap(), Filter::default());
        assert!(asked("2024-05-07", "2024-05-06").is_err());
        assert!(asked("7.5.2024", "").is_err());
    }
}
