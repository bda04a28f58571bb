//! Readers: one TOML value to one typed value, or what it must be instead.
//!
//! Each function returns a reader, so that the list of keys reads like a table.

use super::settings::Sha256Hex;
use crate::backfill::hours::Hours;
use crate::sr::FallbackCharset;
use ipnet::IpNet;
use std::net::{IpAddr, SocketAddr};
use std::ops::Range;
use std::path::PathBuf;
use toml::de::DeValue;

/// Why a value cannot stand.
#[derive(Debug)]
pub(super) struct Fault {
    /// Completes "... but must be".
    pub(super) must_be: String,
    /// The way out, if there is a better one than the default.
    pub(super) instead: Option<Instead>,
    /// Where, if not the whole value.
    pub(super) span: Option<Range<usize>>,
}

/// A way out of a fault.
#[derive(Debug)]
pub(super) enum Instead {
    /// A value, as TOML.
    Value(String),
    /// What to do, in words.
    Advice(&'static str),
}

impl Fault {
    fn new(must_be: impl Into<String>) -> Self {
        Fault {
            must_be: must_be.into(),
            instead: None,
            span: None,
        }
    }

    fn value(mut self, toml: Option<String>) -> Self {
        self.instead = toml.map(Instead::Value);
        self
    }

    /// The same fault at one entry of a list.
    fn of_entry(self, span: Range<usize>, advice: &'static str) -> Self {
        Fault {
            instead: Some(Instead::Advice(advice)),
            span: Some(span),
            ..self
        }
    }
}

/// Limits of a number; both ends belong to it or neither does.
#[derive(Debug, Clone, Copy)]
pub(super) struct Limits {
    low: f64,
    high: f64,
    ends: bool,
}

/// More than `low`, less than `high`.
pub(super) const fn inside(low: f64, high: f64) -> Limits {
    Limits {
        low,
        high,
        ends: false,
    }
}

/// From `low` to `high`, both allowed.
pub(super) const fn from_to(low: f64, high: f64) -> Limits {
    Limits {
        low,
        high,
        ends: true,
    }
}

impl Limits {
    fn hold(self, number: f64) -> bool {
        // Written so that "not a number" fails.
        if self.ends {
            self.low <= number && number <= self.high
        } else {
            self.low < number && number < self.high
        }
    }

    fn must_be(self) -> String {
        let Limits { low, high, ends } = self;
        if ends {
            format!("a number from {low} to {high}")
        } else {
            format!("a number more than {low} and less than {high}")
        }
    }
}

/// `true` or `false`.
pub(super) fn flag(value: &DeValue<'_>) -> Result<bool, Fault> {
    value
        .as_bool()
        .ok_or_else(|| Fault::new("true or false, without quotes"))
}

/// A number within limits; whole numbers need no `.0`.
pub(super) fn number(limits: Limits) -> impl Fn(&DeValue<'_>) -> Result<f64, Fault> {
    move |value| {
        let number = match value {
            DeValue::Float(float) => float.as_str().parse().ok(),
            DeValue::Integer(_) => integer(value).map(|whole| whole as f64),
            _ => None,
        };
        number
            .filter(|number| limits.hold(*number))
            .ok_or_else(|| Fault::new(limits.must_be()))
    }
}

/// A whole number from `low` to `high`.
pub(super) fn whole<T: TryFrom<i64>>(
    low: i64,
    high: i64,
) -> impl Fn(&DeValue<'_>) -> Result<T, Fault> {
    move |value| {
        integer(value)
            .filter(|whole| (low..=high).contains(whole))
            .and_then(|whole| T::try_from(whole).ok())
            .ok_or_else(|| Fault::new(format!("a whole number from {low} to {high}")))
    }
}

fn integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

/// One of some words.
pub(super) fn word<T: Copy>(
    words: &'static [(&'static str, T)],
) -> impl Fn(&DeValue<'_>) -> Result<T, Fault> {
    move |value| {
        let said = value.as_str();
        let found = words.iter().find(|(word, _)| said == Some(word));
        found.map(|(_, meaning)| *meaning).ok_or_else(|| {
            let list: Vec<String> = words.iter().map(|(word, _)| quoted(word)).collect();
            // "warning" is "warn", but "remove" is not "move": only whole beginnings count.
            let near = words.iter().find(|(word, _)| {
                said.is_some_and(|said| said.starts_with(word) || word.starts_with(said))
            });
            let near = near.filter(|_| said != Some(""));
            Fault::new(list.join(" or ")).value(near.map(|(word, _)| quoted(word)))
        })
    }
}

/// An address and a port, as `127.0.0.1:11112` or `[::1]:11112`.
pub(super) fn address(value: &DeValue<'_>) -> Result<SocketAddr, Fault> {
    let said = match value {
        DeValue::String(said) => said.to_string(),
        DeValue::Integer(port) => port.to_string(),
        _ => String::new(),
    };
    let address = value.as_str().and_then(|said| said.parse().ok());
    address.ok_or_else(|| {
        Fault::new("a numeric address with a port, in quotes")
            .value(nearest_address(&said).map(|address| quoted(&address.to_string())))
    })
}

/// What a person may have meant: a port alone, an address alone, `localhost`, or IPv6 without
/// its brackets.
fn nearest_address(said: &str) -> Option<SocketAddr> {
    const USUAL_PORT: u16 = 11112;
    let localhost = IpAddr::from([127, 0, 0, 1]);
    let host = |host: &str| match host {
        "localhost" => Some(localhost),
        "" | "*" => Some(IpAddr::from([0, 0, 0, 0])),
        _ => host.trim_matches(['[', ']']).parse().ok(),
    };
    if let Ok(port) = said.parse::<u16>() {
        return Some((localhost, port).into());
    }
    // A port below 1024 after the last colon is more likely the end of an IPv6 address.
    if let Some((before, port)) = said.rsplit_once(':')
        && let (Some(ip), Ok(port)) = (host(before), port.parse::<u16>())
        && (port >= 1024 || ip.is_ipv4())
    {
        return Some((ip, port).into());
    }
    (!said.is_empty())
        .then(|| host(said))?
        .map(|ip| (ip, USUAL_PORT).into())
}

/// A network as `192.0.2.0/24` or `2001:db8::/32`, or one address.
pub(super) fn network(value: &DeValue<'_>) -> Result<IpNet, Fault> {
    let said = value.as_str().unwrap_or_default();
    let one = said.parse::<IpAddr>().map(IpNet::from);
    match one.or_else(|_| said.parse::<IpNet>()) {
        Ok(network) if network.addr() == network.network() => Ok(network),
        // It may be meant as one address or as the whole network; they differ by much.
        Ok(network) => {
            let (one, whole) = (network.addr(), network.trunc());
            Err(Fault::new(format!(
                "either the one address \"{one}\" or the network \"{whole}\""
            )))
        }
        Err(_) => Err(Fault::new(
            "an address or a network in quotes, as \"192.0.2.7\", \"192.0.2.0/24\" or \"2001:db8::/32\"",
        )),
    }
}

/// An AE title: 1 to 16 printable ASCII characters, no backslash, not blank (DICOM PS3.5
/// table 6.2-1, AE). Spaces at either end do not count, so they are cut.
pub(super) fn ae_title(value: &DeValue<'_>) -> Result<String, Fault> {
    let said = value.as_str().unwrap_or_default().trim_matches(' ');
    let good =
        (1..=16).contains(&said.len()) && said.chars().all(|c| matches!(c, ' '..='~') && c != '\\');
    if good {
        return Ok(said.to_owned());
    }
    let cut: String = said
        .chars()
        .filter(|c| matches!(c, ' '..='~') && *c != '\\')
        .take(16)
        .collect();
    let cut = cut.trim_matches(' ');
    Err(Fault::new(
        "an AE title in quotes: 1 to 16 printable ASCII characters, no backslash, not blank",
    )
    .value((!cut.is_empty()).then(|| quoted(cut))))
}

/// A name of our own for something: letters, digits and dashes.
pub(super) fn plain_name(value: &DeValue<'_>) -> Result<String, Fault> {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-';
    value
        .as_str()
        .filter(|said| (1..=64).contains(&said.len()) && said.chars().all(plain))
        .map(str::to_owned)
        .ok_or_else(|| Fault::new("1 to 64 letters, digits and dashes, in quotes"))
}

/// A host name or a numeric address, without a port.
pub(super) fn host(value: &DeValue<'_>) -> Result<String, Fault> {
    let said = value.as_str().unwrap_or_default();
    if is_host(said) {
        return Ok(said.to_owned());
    }
    // What a person may have meant: an address of IPv6 in brackets, or a host with its port.
    let bare = said.trim().trim_start_matches('[').trim_end_matches(']');
    let before = said.rsplit_once(':').map_or("", |(before, _)| before);
    let meant = url_host(said)
        .into_iter()
        .chain([bare, before])
        .find(|text| is_host(text));
    Err(
        Fault::new("a host name or a numeric address in quotes; the port is a key of its own")
            .value(Some(quoted(meant.unwrap_or("archive.example")))),
    )
}

/// The same; empty text means none.
pub(super) fn optional_host(value: &DeValue<'_>) -> Result<Option<String>, Fault> {
    match value.as_str() {
        Some("") => Ok(None),
        _ => host(value).map(Some),
    }
}

/// A name as RFC 1123 2.1 allows it, with the underscores that are met in practice, or an address.
fn is_host(said: &str) -> bool {
    let label = |label: &str| {
        (1..=63).contains(&label.len())
            && !label.starts_with('-')
            && !label.ends_with('-')
            && label
                .bytes()
                .all(|byte| byte.is_ascii_alphanumeric() || b"-_".contains(&byte))
    };
    let name = || said.len() <= 253 && said.split('.').all(label);
    // Digits and points alone are an address, or a slip in one.
    let digits = said.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    said.parse::<IpAddr>().is_ok() || (!digits && name())
}

/// A URL of HTTP: scheme, host, port and path, without user or fragment.
pub(super) fn url(value: &DeValue<'_>) -> Result<String, Fault> {
    let said = value.as_str().unwrap_or_default();
    let whole = said.bytes().all(|byte| byte.is_ascii_graphic()) && !said.contains('#');
    if whole && url_host(said).is_some() {
        return Ok(said.to_owned());
    }
    let with_scheme = format!("https://{said}");
    let is_bare = whole && !said.contains("://") && url_host(&with_scheme).is_some();
    let meant = match is_bare {
        true => with_scheme,
        false => "https://fhir.example/r4".to_owned(),
    };
    Err(Fault::new(
        "a URL in quotes that starts with https:// or http://, with a host, without user or #",
    )
    .value(Some(quoted(&meant))))
}

/// The host of such a URL, if it has a good one.
pub(super) fn url_host(url: &str) -> Option<&str> {
    let rest = url
        .strip_prefix("https://")
        .or_else(|| url.strip_prefix("http://"))?;
    let authority = rest.split(['/', '?']).next()?;
    let (host, port) = match authority.strip_prefix('[') {
        Some(inside) => {
            let (host, after) = inside.split_once(']')?;
            let port = (!after.is_empty()).then(|| after.strip_prefix(':'));
            (host, port.map_or(Some(None), |port| port.map(Some))?)
        }
        None => match authority.split_once(':') {
            Some((host, port)) => (host, Some(port)),
            None => (authority, None),
        },
    };
    let good = port.is_none_or(|port| port.parse::<u16>().is_ok_and(|port| port > 0));
    (is_host(host) && good).then_some(host)
}

/// Whether a host is this machine itself.
pub(super) fn is_loopback(host: &str) -> bool {
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|at| at.is_loopback())
}

/// An issuer of patient ids, or empty: at most 64 characters, no backslash, nothing that does
/// not print (DICOM PS3.5 table 6.2-1, LO, as Issuer of Patient ID is).
pub(super) fn issuer(value: &DeValue<'_>) -> Result<String, Fault> {
    value
        .as_str()
        .map(|said| said.trim_matches(' '))
        .filter(|said| said.chars().count() <= 64)
        .filter(|said| !said.chars().any(|c| c == '\\' || c.is_control()))
        .map(str::to_owned)
        .ok_or_else(|| Fault::new("text in quotes, at most 64 characters, without backslash"))
}

/// What Specific Character Set may say, or empty for nothing.
pub(super) fn charset(value: &DeValue<'_>) -> Result<Option<FallbackCharset>, Fault> {
    let fault = || Fault::new("a defined term of Specific Character Set in quotes, or empty");
    let said = value.as_str().ok_or_else(fault)?.trim_matches(' ');
    if said.is_empty() {
        return Ok(None);
    }
    FallbackCharset::of(said).map(Some).ok_or_else(|| {
        // By sight, else by another name of the same encoding.
        let near = nearest(said, FallbackCharset::single_terms());
        let meant = near
            .first()
            .copied()
            .or_else(|| FallbackCharset::term_for(said));
        fault().value(meant.map(quoted))
    })
}

/// A value of a row that need not be there.
pub(super) fn some<T>(
    read: impl Fn(&DeValue<'_>) -> Result<T, Fault>,
) -> impl Fn(&DeValue<'_>) -> Result<Option<T>, Fault> {
    move |value| read(value).map(Some)
}

/// A value without a default, so that a message needs an example.
pub(super) fn example<T>(
    toml: &'static str,
    read: impl Fn(&DeValue<'_>) -> Result<T, Fault>,
) -> impl Fn(&DeValue<'_>) -> Result<T, Fault> {
    move |value| {
        read(value).map_err(|fault| Fault {
            instead: fault
                .instead
                .or_else(|| Some(Instead::Value(toml.to_owned()))),
            ..fault
        })
    }
}

/// A list that is not empty.
pub(super) fn filled<T>(
    read: impl Fn(&DeValue<'_>) -> Result<Vec<T>, Fault>,
) -> impl Fn(&DeValue<'_>) -> Result<Vec<T>, Fault> {
    move |value| {
        let items = read(value)?;
        match items.is_empty() {
            true => Err(Fault::new("a list with at least one entry")),
            false => Ok(items),
        }
    }
}

/// The SHA-256 of a certificate.
pub(super) fn sha256(value: &DeValue<'_>) -> Result<Sha256Hex, Fault> {
    value.as_str().and_then(Sha256Hex::parse).ok_or_else(|| {
        Fault::new("64 hexadecimal digits in quotes, as openssl x509 -fingerprint -sha256 prints")
    })
}

/// A path.
pub(super) fn path(value: &DeValue<'_>) -> Result<PathBuf, Fault> {
    optional_path(value)?.ok_or_else(|| Fault::new("a path in quotes, not empty"))
}

/// A path; empty text means none.
pub(super) fn optional_path(value: &DeValue<'_>) -> Result<Option<PathBuf>, Fault> {
    let Some(said) = value.as_str() else {
        return Err(Fault::new("a path in quotes"));
    };
    if said.starts_with('~') {
        return Err(
            Fault::new("a path without ~, which only a shell knows").value(Some(quoted(&format!(
                "/home/name{}",
                said.trim_start_matches('~')
            )))),
        );
    }
    if said.chars().any(char::is_control) {
        // In TOML "C:\temp" holds a tab: single quotes keep the backslash.
        return Err(Fault::new(
            "a path without control characters; in single quotes a backslash stays one",
        ));
    }
    Ok((!said.is_empty()).then(|| PathBuf::from(said)))
}

/// A list of one kind of value, each at most once.
pub(super) fn list<T: PartialEq>(
    read: impl Fn(&DeValue<'_>) -> Result<T, Fault>,
) -> impl Fn(&DeValue<'_>) -> Result<Vec<T>, Fault> {
    move |value| {
        let Some(array) = value.as_array() else {
            return Err(Fault::new("a list in square brackets"));
        };
        let mut items = Vec::with_capacity(array.len());
        for element in array.iter() {
            let item = read(element.get_ref()).map_err(|fault| {
                Fault::new(format!("a list where each entry is {}", fault.must_be))
                    .of_entry(element.span(), "correct this entry or take it out")
            })?;
            if items.contains(&item) {
                return Err(Fault::new("a list that names each entry once")
                    .of_entry(element.span(), "take this entry out"));
            }
            items.push(item);
        }
        Ok(items)
    }
}

/// A list, or its only entry by itself.
pub(super) fn one_or_list<T: PartialEq>(
    read: impl Fn(&DeValue<'_>) -> Result<T, Fault>,
) -> impl Fn(&DeValue<'_>) -> Result<Vec<T>, Fault> {
    move |value| match value {
        DeValue::Array(_) => list(&read)(value),
        _ => Ok(vec![read(value)?]),
    }
}

/// Hours of the day; empty text for all of them.
pub(super) fn hours(value: &DeValue<'_>) -> Result<Option<Hours>, Fault> {
    let must_be = "empty, or two times of the day as \"22:00-06:00\"";
    match value.as_str() {
        Some("") => Ok(None),
        Some(text) => Hours::parse(text).map(Some).ok_or(Fault::new(must_be)),
        None => Err(Fault::new(must_be)),
    }
}

/// `text` as a TOML string.
pub(super) fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

/// The candidates that `said` most likely was meant to be: none if none is close, several if
/// they are equally close.
pub(super) fn nearest<'c>(said: &str, candidates: impl Iterator<Item = &'c str>) -> Vec<&'c str> {
    let folded = |text: &str| text.to_lowercase().replace('-', "_");
    let said = folded(said);
    // One slip in three characters; more is another word.
    let mut closest = (said.chars().count() / 3).max(1);
    let mut near = Vec::new();
    for candidate in candidates {
        let slips = strsim::damerau_levenshtein(&said, &folded(candidate));
        if slips < closest {
            closest = slips;
            near.clear();
        }
        if slips == closest {
            near.push(candidate);
        }
    }
    near
}
