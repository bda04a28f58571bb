//! `[pages]`: pages for people, and who may sign in there.

use super::between::Rule;
use super::check::{Place, blame};
use super::peer::Row;
use super::raw::Raw;
use super::value::{Fault, Instead, is_loopback, url, url_host};
use super::{ClientCertificate, Config, TlsSettings, port_tls};
use ipnet::IpNet;
use serde::{Deserialize, Serialize};
use std::net::SocketAddr;
use std::path::PathBuf;
use toml::de::DeValue;

/// The table of roles.
pub(super) const ROLE: &str = "pages.role";

const PAGES: &str = "pages";
const TLS: &str = "pages.tls";
const OPENID: &str = "pages.openid";

/// Longest name of a client, a claim or a group, characters.
const TEXT_MAX: usize = 200;

/// `[pages]`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PagesSettings {
    /// Addresses and ports without TLS, of this machine alone; empty: none.
    pub listen: Vec<SocketAddr>,
    /// Addresses that may connect; empty means all.
    pub addresses_allowed: Vec<IpNet>,
    /// Load balancers that say in a PROXY header for whom they connect.
    pub proxy_from: Vec<IpNet>,
    /// Open connections at one time.
    pub max_connections: usize,
    /// Minutes without a request after which somebody is signed out.
    pub idle_minutes: u32,
    /// Hours after which somebody is signed out, whatever they do.
    pub most_hours: u32,
    /// Minutes after which a rise that nobody acknowledged is told again; 0: never.
    pub remind_minutes: u32,
    /// Whether somebody without the role may see one patient, with a reason.
    pub break_glass: bool,
    /// The address people open, without a path.
    pub public_url: Option<String>,
    /// Whose pages they are, as the sign-in page says it; empty: it does not.
    pub department: String,
    /// Whom to ask, as the sign-in page says it; empty: whoever runs the service.
    pub contact: String,
    /// `[pages.tls]`.
    pub tls: TlsSettings,
    /// `[pages.openid]`.
    pub openid: OpenIdSettings,
    /// `[[pages.role]]`.
    pub role: Vec<RoleSettings>,
}

/// `[pages.openid]`: sign-in by OpenID Connect.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenIdSettings {
    /// The provider; `None`: local accounts alone.
    pub issuer: Option<String>,
    /// Our name there.
    pub client: String,
    /// File of our secret there; `None`: a public client.
    pub secret: Option<PathBuf>,
    /// Authorities its certificate is checked against; `None`: those of the system.
    pub ca: Option<PathBuf>,
    /// The claim that lists the groups of a person.
    pub groups_claim: String,
}

/// `[[pages.role]]`: what members of a group may do.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RoleSettings {
    /// The group, as the claim has it.
    pub group: String,
    /// Its roles.
    pub roles: Vec<Role>,
}

/// What somebody is, and thereby may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Sees.
    Reader,
    /// Sees, types measurements and signs them.
    Measurer,
    /// Sees, labels, acknowledges.
    Clinician,
    /// A clinician who also brings old values in and takes exams out.
    Lead,
    /// Deliveries, codes and the service; no labels.
    Operator,
    /// Who did what.
    Auditor,
}

impl Role {
    /// Every role.
    pub const ALL: [Role; 6] = [
        Role::Reader,
        Role::Measurer,
        Role::Clinician,
        Role::Lead,
        Role::Operator,
        Role::Auditor,
    ];

    /// The words of the configuration, of commands and of the store.
    pub const WORDS: &'static [(&'static str, Role)] = &[
        ("reader", Role::Reader),
        ("measurer", Role::Measurer),
        ("clinician", Role::Clinician),
        ("lead", Role::Lead),
        ("operator", Role::Operator),
        ("auditor", Role::Auditor),
    ];

    /// Its word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Role::Reader => "reader",
            Role::Measurer => "measurer",
            Role::Clinician => "clinician",
            Role::Lead => "lead",
            Role::Operator => "operator",
            Role::Auditor => "auditor",
        }
    }

    /// The role of a word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Role> {
        Role::ALL.into_iter().find(|role| role.word() == word)
    }
}

impl Default for PagesSettings {
    fn default() -> Self {
        PagesSettings {
            listen: Vec::new(),
            addresses_allowed: Vec::new(),
            proxy_from: Vec::new(),
            max_connections: 64,
            idle_minutes: 15,
            most_hours: 8,
            remind_minutes: 0,
            break_glass: false,
            public_url: None,
            department: String::new(),
            contact: String::new(),
            // Browsers have none.
            tls: TlsSettings {
                client_certificate: ClientCertificate::Off,
                ..TlsSettings::default()
            },
            openid: OpenIdSettings::default(),
            role: Vec::new(),
        }
    }
}

impl Default for OpenIdSettings {
    fn default() -> Self {
        OpenIdSettings {
            issuer: None,
            client: "sheathline".to_owned(),
            secret: None,
            ca: None,
            groups_claim: "groups".to_owned(),
        }
    }
}

impl PagesSettings {
    /// Whether there are any.
    #[must_use]
    pub fn is_on(&self) -> bool {
        !self.listen.is_empty() || port_tls::is_on(&self.tls)
    }
}

impl OpenIdSettings {
    /// The paths it names.
    pub(super) fn paths(&mut self) -> impl Iterator<Item = &mut PathBuf> {
        let files = [&mut self.secret, &mut self.ca];
        files.into_iter().flatten()
    }
}

/// A URL without path, or empty.
pub(super) fn origin(value: &DeValue<'_>) -> Result<Option<String>, Fault> {
    if value.as_str() == Some("") {
        return Ok(None);
    }
    let said = url(value)?;
    let bare = said.strip_suffix('/').unwrap_or(&said);
    let rest = bare.split_once("://").map_or("", |(_, rest)| rest);
    if rest.contains(['/', '?']) {
        return Err(Fault {
            instead: Some(Instead::Advice(
                "take out what follows the host and its port: the pages are at /today and beside it",
            )),
            ..Fault::new("a URL without a path")
        });
    }
    Ok(Some(bare.to_ascii_lowercase()))
}

/// A URL, or empty.
pub(super) fn optional_url(value: &DeValue<'_>) -> Result<Option<String>, Fault> {
    match value.as_str() {
        Some("") => Ok(None),
        _ => url(value).map(Some),
    }
}

/// A text that somebody else gave a meaning.
pub(super) fn named(value: &DeValue<'_>) -> Result<String, Fault> {
    value
        .as_str()
        .map(str::trim)
        .filter(|said| (1..=TEXT_MAX).contains(&said.chars().count()))
        .filter(|said| !said.chars().any(char::is_control))
        .map(str::to_owned)
        .ok_or_else(|| Fault::new("text in quotes, 1 to 200 characters"))
}

/// As [`named`], or empty.
pub(super) fn optional_named(value: &DeValue<'_>) -> Result<String, Fault> {
    match value.as_str() {
        Some(said) if said.trim().is_empty() => Ok(String::new()),
        _ => named(value),
    }
}

/// Rules with other keys. Whatever is typed here, a password first, must not be read on its way.
pub(super) fn rules(config: &Config) -> Vec<Rule> {
    let pages = &config.pages;
    let openid = &pages.openid;
    let is_far = |address: &SocketAddr| !address.ip().to_canonical().is_loopback();
    let plainly = |address: &Option<String>| {
        let plain = address.as_deref().filter(|url| url.starts_with("http://"));
        plain.is_some_and(|url| !url_host(url).is_some_and(is_loopback))
    };
    let rule = |broken, what: &'static str, keys: &[(&'static str, &'static str)], instead| Rule {
        broken,
        what: what.into(),
        keys: keys.to_vec(),
        instead,
    };
    vec![
        rule(
            pages.listen.iter().any(is_far),
            "[pages] listen would show patients to other machines unencrypted",
            &[(PAGES, "listen")],
            "listen under [pages.tls]; only this machine itself (127.0.0.1) is served without",
        ),
        rule(
            config.shares_an_address(PAGES),
            "[pages] listens on an address that another listen key names",
            &[(PAGES, "listen"), (TLS, "listen")],
            "give the pages a port of their own, as 127.0.0.1:8600",
        ),
        rule(
            port_tls::is_on(&pages.tls) && pages.public_url.is_none(),
            "[pages.tls] is on and [pages] does not say by which address people open it",
            &[(TLS, "listen"), (PAGES, "public_url")],
            "write public_url = \"https://sheathline.hospital.example:8643\" in [pages], as people open it",
        ),
        rule(
            plainly(&pages.public_url),
            "[pages] public_url would send passwords unencrypted",
            &[(PAGES, "public_url")],
            "write the address with https://",
        ),
        rule(
            openid.issuer.is_some() && pages.public_url.is_none(),
            "[pages.openid] has no address to send people back to",
            &[(OPENID, "issuer"), (PAGES, "public_url")],
            "write public_url in [pages]; the provider sends people back to /sign-in/back there",
        ),
        rule(
            plainly(&openid.issuer),
            "[pages.openid] issuer would be asked unencrypted",
            &[(OPENID, "issuer")],
            "write the address of the provider with https://",
        ),
        rule(
            openid.issuer.is_some() && pages.role.is_empty(),
            "[pages.openid] names a provider, and no group has a role",
            &[(OPENID, "issuer")],
            "write [[pages.role]] with group = \"...\" and roles = [\"reader\"]: nobody else may sign in",
        ),
        rule(
            pages.idle_minutes > pages.most_hours.saturating_mul(60),
            "[pages] idle_minutes is longer than most_hours",
            &[(PAGES, "idle_minutes"), (PAGES, "most_hours")],
            "give idle_minutes less time than most_hours",
        ),
    ]
}

/// Every row says roles.
pub(super) fn check(raws: &mut [Raw<'_>], config: &Config, rows: &[Row]) {
    for (role, row) in config.pages.role.iter().zip(rows) {
        let is_there = row.place("roles").is_some();
        if role.roles.is_empty() && !is_there {
            let place = Place {
                layer: row.layer,
                span: row.span.clone(),
            };
            blame(
                raws,
                place,
                "[[pages.role]] must have the key roles",
                "write for example roles = [\"reader\"]",
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(text: &str) -> String {
        let read = Config::from_text("site.toml", text);
        let mistakes = read.err().unwrap_or_default();
        let told: Vec<String> = mistakes.iter().map(ToString::to_string).collect();
        told.join("\n")
    }

    #[test]
    fn pages_are_off_and_whole_settings_are_taken() {
        let config = Config::from_text("site.toml", "").expect("a configuration");
        assert!(!config.pages.is_on());
        let text = "[pages]\nlisten = \"127.0.0.1:8600\"\npublic_url = \"https://Pages.Hospital.example/\"\n\
                    [pages.tls]\nlisten = \"0.0.0.0:8643\"\ncertificate = \"a.pem\"\nkey = \"a.key\"\n\
                    [pages.openid]\nissuer = \"https://id.hospital.example\"\n\
                    [[pages.role]]\ngroup = \"ward\"\nroles = [\"reader\", \"lead\"]\n";
        assert_eq!(told(text), "");
        let pages = Config::from_text("site.toml", text)
            .expect("a configuration")
            .pages;
        let url = pages.public_url.as_deref();
        assert_eq!(url, Some("https://pages.hospital.example"));
        assert_eq!(pages.role[0].roles, [Role::Reader, Role::Lead]);
        assert!(pages.is_on());
    }

    /// Nothing that is typed or shown may be read on its way, and nobody signs in without a role.
    #[test]
    fn what_would_be_unsafe_is_a_mistake() {
        let openid = "[pages.openid]\nissuer = \"https://id.example\"\n";
        let role = "[[pages.role]]\ngroup = \"g\"\nroles = [\"reader\"]\n";
        let tls = "[pages.tls]\nlisten = \"0.0.0.0:1\"\ncertificate = \"a\"\nkey = \"b\"\n";
        let url = "[pages]\npublic_url = \"https://a.example\"\n";
        for (text, what) in [
            (
                "[pages]\nlisten = \"0.0.0.0:1\"\n".to_owned(),
                "unencrypted",
            ),
            ("[pages]\nlisten = \"[::]:1\"\n".to_owned(), "unencrypted"),
            (tls.to_owned(), "does not say by which address"),
            (
                "[pages]\npublic_url = \"http://a.example\"\n".to_owned(),
                "passwords unencrypted",
            ),
            (
                "[pages]\npublic_url = \"https://a.example/pages\"\n".to_owned(),
                "a URL without a path",
            ),
            (
                format!("{openid}{role}"),
                "no address to send people back to",
            ),
            (format!("{url}{openid}"), "no group has a role"),
            (
                format!("{url}{}{role}", openid.replace("https", "http")),
                "asked unencrypted",
            ),
            (
                "[[pages.role]]\ngroup = \"g\"\n".to_owned(),
                "must have the key roles",
            ),
            (role.replace("reader", "root"), "\"reader\" or \"measurer\""),
            (
                "[pages]\nidle_minutes = 1440\nmost_hours = 1\n".to_owned(),
                "longer than most_hours",
            ),
            (
                "[pages]\nlisten = \"127.0.0.1:11112\"\n".to_owned(),
                "another listen key names",
            ),
        ] {
            let told = told(&text);
            assert!(told.contains(what), "{text}: {told}");
        }
        assert_eq!(told(&format!("{url}{tls}")), "");
    }
}
