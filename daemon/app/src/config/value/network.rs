//! Values that name other machines: addresses, networks, AE titles, hosts, URLs.

use super::{Fault, quoted};
use ipnet::IpNet;
use std::net::{IpAddr, SocketAddr};
use toml::de::DeValue;

/// An address and a port, as `127.0.0.1:11112` or `[::1]:11112`.
pub(in crate::config) fn address(value: &DeValue<'_>) -> Result<SocketAddr, Fault> {
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
pub(in crate::config) fn network(value: &DeValue<'_>) -> Result<IpNet, Fault> {
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
pub(in crate::config) fn ae_title(value: &DeValue<'_>) -> Result<String, Fault> {
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

/// A host name or a numeric address, without a port.
pub(in crate::config) fn host(value: &DeValue<'_>) -> Result<String, Fault> {
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
pub(in crate::config) fn optional_host(value: &DeValue<'_>) -> Result<Option<String>, Fault> {
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
pub(in crate::config) fn url(value: &DeValue<'_>) -> Result<String, Fault> {
    let said = value.as_str().unwrap_or_default();
    let whole = said.bytes().all(|byte| byte.is_ascii_graphic()) && !said.contains('#');
    if whole && url_host(said).is_some() {
        return Ok(said.to_owned());
    }
    let with_scheme = format!("https://{said}");
    let is_bare = whole && !said.contains("://") && url_host(&with_scheme).is_some();
    let meant = if is_bare {
        with_scheme
    } else {
        "https://fhir.example/r4".to_owned()
    };
    Err(Fault::new(
        "a URL in quotes that starts with https:// or http://, with a host, without user or #",
    )
    .value(Some(quoted(&meant))))
}

/// The host of such a URL, if it has a good one.
pub(in crate::config) fn url_host(url: &str) -> Option<&str> {
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
pub(in crate::config) fn is_loopback(host: &str) -> bool {
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|at| at.is_loopback())
}
