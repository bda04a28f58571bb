//! What the file means: values in their bounds, and rules between keys.

use super::between;
use super::keys::{self, Key, Rows, heading};
use super::peer::Row;
use super::raw::{Entry, Raw};
use super::value::{Fault, Instead, quoted};
use super::{Config, archive, commitment, destination, pages, readers, senders, unfilled};
use std::ops::Range;
use std::path::{Component, Path};
use toml::de::DeValue;

/// Reads every setting of every layer into a configuration, then checks the rules between keys.
/// Mistakes are added to their layer; the result is only to be used when there are none.
pub(super) fn check(raws: &mut [Raw<'_>]) -> (Config, Vec<Written>) {
    let mut config = Config::default();
    let mut written = Vec::new();
    let mut ids = Vec::new();
    let (mut destinations, mut archives) = (Vec::<Row>::new(), Vec::<Row>::new());
    let (mut operators, mut devices) = (Vec::<Row>::new(), Vec::<Row>::new());
    let (mut scoped, mut callers) = (Vec::<Row>::new(), Vec::<Row>::new());
    let mut roles = Vec::<Row>::new();
    for (layer, raw) in raws.iter_mut().enumerate() {
        for entry in std::mem::take(&mut raw.entries) {
            match entry {
                Entry::Row(rows, span) => {
                    (rows.begin)(&mut config);
                    let row = Row {
                        layer,
                        span: span.clone(),
                        keys: Vec::new(),
                    };
                    match rows.table {
                        destination::TABLE => destinations.push(row),
                        archive::TABLE => archives.push(row),
                        readers::OPERATOR => operators.push(row),
                        readers::DEVICE => devices.push(row),
                        senders::TABLE => scoped.push(row),
                        senders::SENDER => callers.push(row),
                        pages::ROLE => roles.push(row),
                        _ => {}
                    }
                    ids.push(Id {
                        rows,
                        place: Place { layer, span },
                        value: IdValue::Missing,
                    });
                }
                Entry::Setting(key, value) => {
                    let span = value.span();
                    let row = match key.table {
                        destination::TABLE => destinations.last_mut(),
                        archive::TABLE => archives.last_mut(),
                        readers::OPERATOR => operators.last_mut(),
                        readers::DEVICE => devices.last_mut(),
                        senders::TABLE => scoped.last_mut(),
                        senders::SENDER => callers.last_mut(),
                        pages::ROLE => roles.last_mut(),
                        _ => None,
                    };
                    if let Some(row) = row {
                        row.keys.push((key, span.clone()));
                    }
                    let place = Place { layer, span };
                    let set = (key.set)(&mut config, value.get_ref());
                    identify(&mut ids, key, &place, &config, set.is_ok());
                    match set {
                        Ok(()) => {
                            unfilled::check(raw, key, &value);
                            written.push(Written {
                                key,
                                line: raw.line(place.span.clone()),
                                place,
                                row: keys::rows(key.table).map(|_| ids.len()),
                                value: (key.show)(&config),
                            });
                        }
                        Err(mut fault) => {
                            let further = std::mem::take(&mut fault.further);
                            for fault in std::iter::once(fault).chain(further) {
                                refuse(raw, key, &place.span, value.get_ref(), fault);
                            }
                        }
                    }
                }
            }
        }
    }
    check_ids(raws, &ids);
    check_orders(raws, &config, &written);
    check_paths(raws, &config, &written);
    between::check(raws, &config, &written);
    destination::check(raws, &config, &destinations);
    archive::check(raws, &config, &archives);
    readers::check(raws, &config, &operators, &devices);
    senders::check(raws, &config, &scoped, &callers);
    commitment::check(raws, &config, &callers);
    pages::check(raws, &config, &roles);
    (config, written)
}

/// A place in one of the layers. A later layer is a later place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) layer: usize,
    pub(super) span: Range<usize>,
}

/// A key that a layer sets, without a mistake of its own.
pub(super) struct Written {
    pub(super) key: &'static Key,
    pub(super) place: Place,
    pub(super) line: usize,
    /// Which row it belongs to, of all rows of all tables; none outside of rows.
    pub(super) row: Option<usize>,
    /// As TOML.
    pub(super) value: String,
}

pub(super) fn blame(
    raws: &mut [Raw<'_>],
    place: Place,
    what: impl Into<String>,
    instead: impl Into<String>,
) {
    if let Some(raw) = raws.get_mut(place.layer) {
        raw.mistake(place.span, what, instead);
    }
}

/// What tells one row from the others of its table.
struct Id {
    rows: &'static Rows,
    /// Where the id stands, or the row if it has none.
    place: Place,
    value: IdValue,
}

/// The id of a row.
#[derive(PartialEq)]
enum IdValue {
    Missing,
    /// There is one, with a mistake of its own.
    Mistaken,
    /// As TOML.
    Given(String),
}

/// Notes the id of the row that is being read, if `key` is that.
fn identify(ids: &mut [Id], key: &Key, place: &Place, config: &Config, good: bool) {
    if let Some(id) = ids.last_mut()
        && (id.rows.table, id.rows.id) == (key.table, key.name)
    {
        id.place = place.clone();
        id.value = if good {
            IdValue::Given((key.show)(config))
        } else {
            IdValue::Mistaken
        };
    }
}

fn check_ids(raws: &mut [Raw<'_>], ids: &[Id]) {
    for (at, id) in ids.iter().enumerate() {
        let Rows {
            table,
            id: name,
            repeats,
            example,
            ..
        } = id.rows;
        let why = if *repeats {
            "without which it says nothing"
        } else {
            "which says whom it is about"
        };
        let broken = raws.get(id.place.layer).is_none_or(|raw| raw.broken);
        match &id.value {
            IdValue::Missing if !broken => blame(
                raws,
                id.place.clone(),
                format!("[[{table}]] must have the key {name}, {why}"),
                format!("write for example {name} = {example}"),
            ),
            IdValue::Given(value) if !repeats => {
                let same = |other: &&Id| other.rows.table == *table && other.value == id.value;
                let earlier = ids.iter().take(at).find(same).map(|id| &id.place);
                let Some((there, earlier)) =
                    earlier.and_then(|place| Some((raws.get(place.layer)?, place)))
                else {
                    continue;
                };
                let line = there.line(earlier.span.clone());
                let file = if earlier.layer == id.place.layer {
                    String::new()
                } else {
                    format!(" of {}", there.file)
                };
                blame(
                    raws,
                    id.place.clone(),
                    format!("[[{table}]] {name} is {value}, as in line {line}{file} already"),
                    format!(
                        "put the keys of both into one table, or give each a {name} of its own"
                    ),
                );
            }
            _ => {}
        }
    }
}

fn refuse(raw: &mut Raw<'_>, key: &Key, span: &Range<usize>, value: &DeValue<'_>, fault: Fault) {
    let whole = raw.written(span.clone());
    let at = fault.span.clone().unwrap_or_else(|| span.clone());
    let part = raw.written(at.clone());
    let (table, name) = (heading(key.table), key.name);
    let is = if fault.is_secret {
        format!("{table} {name} has a value that is not repeated here")
    } else if at == *span {
        format!("{table} {name} is {part}")
    } else {
        format!("{table} {name} has {part}")
    };
    let dressed = meant(key, value, &whole).filter(|_| !fault.is_secret);
    let instead = match dressed.map(Instead::Value).or(fault.instead) {
        Some(Instead::Value(better)) => format!("write {name} = {better}"),
        Some(Instead::Advice(advice)) => advice.to_owned(),
        None => {
            let of_row = keys::rows(key.table).filter(|rows| rows.id == name);
            let example = match of_row {
                Some(rows) => rows.example.to_owned(),
                None => (key.show)(&Config::default()),
            };
            // A key without a default shows as empty text.
            if accepts(key, &example) {
                format!("write for example {name} = {example}")
            } else {
                format!("correct it, or take {name} out to have what holds for all")
            }
        }
    };
    raw.mistake(at, format!("{is}, but must be {}", fault.must_be), instead);
}

/// The value in another dress, if the key takes that: without quotes or with them, as a list,
/// in small letters, without a fraction.
fn meant(key: &Key, value: &DeValue<'_>, written: &str) -> Option<String> {
    let mut dresses = Vec::new();
    match value {
        DeValue::String(said) => {
            dresses.push(said.trim().to_owned());
            dresses.push(quoted(&said.to_lowercase()));
            dresses.push(format!("[{}]", quoted(said)));
            dresses.push(said.replace(',', "."));
        }
        DeValue::Float(said) => dresses.extend(said.as_str().strip_suffix(".0").map(str::to_owned)),
        DeValue::Array(_) | DeValue::Table(_) => {}
        _ => dresses.push(quoted(written)),
    }
    dresses.into_iter().find(|dress| accepts(key, dress))
}

/// Whether a value, as TOML, may stand for a key.
pub(super) fn accepts(key: &Key, toml: &str) -> bool {
    DeValue::parse(toml)
        .is_ok_and(|value| (key.set)(&mut Config::default(), value.get_ref()).is_ok())
}

/// Two numbers of one table of which the first must not pass the second.
struct Order {
    table: &'static str,
    low: &'static str,
    high: &'static str,
    must_be: &'static str,
    holds: fn(&Config) -> bool,
    why: &'static str,
}

macro_rules! orders {
    ($($section:ident: $low:ident $compare:tt $high:ident, $must_be:literal, $why:literal;)*) => {
        const ORDERS: &[Order] = &[$(Order {
            table: stringify!($section),
            low: stringify!($low),
            high: stringify!($high),
            must_be: $must_be,
            holds: |config| config.$section.$low $compare config.$section.$high,
            why: $why,
        },)*];
    };
}

orders! {
    technique: depth_caution_mm <= depth_max_off_mm, "at most",
        "a value is remarked before it is set aside";
    technique: depth_max_off_mm < depth_mm, "less than",
        "a caliper at the globe itself is at no depth";
    technique: angle_caution_deg <= angle_max_deg, "at most",
        "a value is remarked before it is set aside";
    baseline: growth_min < growth_stop, "less than",
        "growth starts before it stops";
    baseline: z_above < z_well, "less than",
        "'above' comes before 'well above'";
    baseline: z_eye_above < z_eye_well, "less than",
        "'above' comes before 'well above'";
    baseline: z_above <= z_eye_above, "at most",
        "two eyes are two chances to pass a limit, so the limit of one eye is not lower";
    baseline: z_well <= z_eye_well, "at most",
        "two eyes are two chances to pass a limit, so the limit of one eye is not lower";
    baseline: z_below <= z_eye_below, "at most",
        "two eyes are two chances to pass a limit, so the limit of one eye is not lower";
    baseline: plausible_min < plausible_max, "less than",
        "otherwise no reading is used";
}

fn check_orders(raws: &mut [Raw<'_>], config: &Config, written: &[Written]) {
    let defaults = Config::default();
    for order in ORDERS {
        let find = |name| keys::find(order.table, name);
        let (Some(low), Some(high)) = (find(order.low), find(order.high)) else {
            continue;
        };
        let place = last_of(written, &[low, high]);
        let (Some(place), false) = (place, (order.holds)(config)) else {
            continue;
        };
        let said = |key: &Key| {
            let by_default = !written.iter().any(|w| std::ptr::eq(w.key, key));
            let mark = if by_default { " by default" } else { "" };
            format!("{}{mark}", (key.show)(config))
        };
        blame(
            raws,
            place,
            format!(
                "[{}] {} is {}, but must be {} {}, which is {}",
                order.table,
                order.low,
                said(low),
                order.must_be,
                order.high,
                said(high)
            ),
            format!(
                "{}; the defaults are {} = {} and {} = {}",
                order.why,
                order.low,
                (low.show)(&defaults),
                order.high,
                (high.show)(&defaults)
            ),
        );
    }
}

/// Where the last of some keys stands.
pub(super) fn last_of(written: &[Written], keys: &[&Key]) -> Option<Place> {
    written
        .iter()
        .filter(|w| keys.iter().any(|key| std::ptr::eq(*key, w.key)))
        .map(|w| w.place.clone())
        .max_by_key(|place| (place.layer, place.span.start))
}

/// What to do about one folder in another.
pub(super) const SIDE_BY_SIDE: &str = "give each a folder of its own, side by side";

/// Whatever lies in the drop folder is taken for an object and moved away or deleted; so
/// nothing of ours may lie there. Paths are compared as written: the file system is not asked.
fn check_paths(raws: &mut [Raw<'_>], config: &Config, written: &[Written]) {
    let Some(drop) = &config.folder.path else {
        return;
    };
    let dictionaries = config.templates.dictionaries.iter();
    let spool = config.store.spools().then(|| config.store.spool_file());
    let ours = [
        ("store", "path", config.store.file()),
        ("store", "spool", spool.as_deref()),
        ("outbox", "folder", Some(config.outbox.folder.as_path())),
        ("templates", "folder", config.templates.folder.as_deref()),
        ("observe", "audit", config.observe.audit.as_deref()),
    ]
    .into_iter()
    .chain(dictionaries.map(|file| ("templates", "dictionaries", Some(file.as_path()))));
    for (table, name, path) in ours {
        let (Some(path), Some(key), Some(drop_key)) = (
            path,
            keys::find(table, name),
            keys::find("receive.folder", "path"),
        ) else {
            continue;
        };
        let what = if lies_in(path, drop) {
            format!(
                "[{table}] {name} lies in the drop folder, where it would be taken for an object"
            )
        } else if table == "outbox" && lies_in(drop, path) {
            "[receive.folder] path lies in the folder of [outbox], among results".to_owned()
        } else {
            continue;
        };
        let Some(place) = last_of(written, &[key, drop_key]) else {
            continue;
        };
        blame(
            raws,
            place,
            format!("{what}: {} and {}", path.display(), drop.display()),
            SIDE_BY_SIDE,
        );
    }
}

pub(super) fn lies_in(path: &Path, folder: &Path) -> bool {
    let (path, folder) = (plain(path), plain(folder));
    path.starts_with(&folder)
}

/// The parts of a path, without `.` and with `..` worked out where the text allows it.
pub(super) fn plain(path: &Path) -> Vec<Component<'_>> {
    let mut parts = Vec::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir if matches!(parts.last(), Some(Component::Normal(_))) => {
                parts.pop();
            }
            _ => parts.push(part),
        }
    }
    parts
}
