//! Who did what in the pages. Rows are only ever added.

use super::{StoreError, accounts, stamp};
use crate::session::{Row, ToValue, values};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};
use sheathline_model::domain::PatientKey;

/// What somebody did.
#[derive(Clone, PartialEq, Eq)]
pub struct Deed {
    /// When.
    pub at: DateTime<Utc>,
    /// Who, by the name of the account.
    pub account: String,
    /// Words of the roles they had.
    pub roles: Vec<String>,
    /// The address they came from.
    pub address: String,
    /// A word of ours.
    pub action: String,
    /// Whose data.
    pub patient: Option<PatientKey>,
    /// Which exam.
    pub exam: Option<String>,
    /// Numbers and words of ours; a reason that somebody typed.
    pub detail: String,
}

impl std::fmt::Debug for Deed {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Deed")
    }
}

/// Notes a deed; returns its number.
///
/// # Errors
/// The store cannot be written.
pub fn add(tx: &Tx, deed: &Deed) -> Result<i64, StoreError> {
    let roles =
        serde_json::to_string(&deed.roles).map_err(|error| StoreError::Work(error.to_string()))?;
    let patient = deed.patient.as_ref();
    tx.prepare(
        "insert into deed (recorded_at, account, roles, address, action, patient_issuer, patient_id,
                           exam_id, detail)
         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) returning id",
    )
    .one(
        values![
            stamp::text(deed.at),
            deed.account,
            roles,
            deed.address,
            deed.action,
            patient.map(|key| key.issuer.as_str()),
            patient.map(|key| key.id.as_str()),
            deed.exam,
            deed.detail,
        ],
        |row| row.get(0),
    )
}

/// Which deeds are asked for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Filter {
    /// Of this account.
    pub account: Option<String>,
    /// With the data of a patient of this id.
    pub patient_id: Option<String>,
    /// Of this issuer.
    pub patient_issuer: Option<String>,
    /// Of this word.
    pub action: Option<String>,
    /// Not before.
    pub from: Option<DateTime<Utc>>,
    /// Before this.
    pub before: Option<DateTime<Utc>>,
    /// Numbers below this: what comes after a page.
    pub below: Option<i64>,
}

impl Filter {
    /// The values of the parameters of [`MEANT`].
    fn values(&self) -> [Box<dyn ToValue + '_>; 7] {
        [
            Box::new(&self.account),
            Box::new(&self.patient_issuer),
            Box::new(&self.patient_id),
            Box::new(&self.action),
            Box::new(self.from.map(stamp::text)),
            Box::new(self.before.map(stamp::text)),
            Box::new(self.below),
        ]
    }
}

/// The condition of a [`Filter`]; null means any.
const MEANT: &str = "(cast(?1 as text) is null or account = ?1)
           and (cast(?2 as text) is null or patient_issuer = ?2)
           and (cast(?3 as text) is null or patient_id = ?3)
           and (cast(?4 as text) is null or action = ?4)
           and (cast(?5 as text) is null or recorded_at >= ?5)
           and (cast(?6 as text) is null or recorded_at < ?6)
           and (cast(?7 as bigint) is null or id < ?7)";

/// The newest deeds first, each with its number; at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn newest(view: &View, filter: &Filter, limit: u32) -> Result<Vec<(i64, Deed)>, StoreError> {
    view.prepare(format!(
        "select id, recorded_at, account, roles, address, action, patient_issuer, patient_id,
                exam_id, detail
         from deed where {MEANT} order by id desc limit {limit}"
    ))
    .all(filter.values(), deed)
}

/// How many there are.
///
/// # Errors
/// The store cannot be read.
pub fn count(view: &View, filter: &Filter) -> Result<u64, StoreError> {
    let count: i64 = view
        .prepare(format!("select count(*) from deed where {MEANT}"))
        .one(filter.values(), |row| row.get(0))?;
    Ok(count.unsigned_abs())
}

/// The last time an account did this with the data of a patient.
///
/// # Errors
/// The store cannot be read.
pub fn last_of_patient(
    view: &View,
    account: &str,
    action: &str,
    patient: &PatientKey,
) -> Result<Option<DateTime<Utc>>, StoreError> {
    view.prepare(
        "select recorded_at from deed
         where patient_id = ?4 and patient_issuer = ?3 and account = ?1 and action = ?2
         order by id desc limit 1",
    )
    .first(
        values![account, action, patient.issuer, patient.id],
        |row| stamp::time(&row.get::<String>(0)?),
    )
}

fn deed(row: &Row<'_>) -> Result<(i64, Deed), StoreError> {
    let (issuer, id): (Option<String>, Option<String>) = (row.get(6)?, row.get(7)?);
    let deed = Deed {
        at: stamp::time(&row.get::<String>(1)?)?,
        account: row.get(2)?,
        roles: accounts::roles(&row.get::<String>(3)?)?,
        address: row.get(4)?,
        action: row.get(5)?,
        patient: issuer.zip(id).map(|(issuer, id)| PatientKey { issuer, id }),
        exam: row.get(8)?,
        detail: row.get(9)?,
    };
    Ok((row.get(0)?, deed))
}
