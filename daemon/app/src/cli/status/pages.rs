//! Whether somebody can open the pages, and if not, why.

use crate::config::Config;
use crate::health::ports::PortsNow;
use serde::Serialize;
use sheathline_net::serve::tls;
use std::net::{SocketAddr, TcpStream};
use std::time::{Duration, SystemTime};

/// How long a port may take to take a connection.
const CONNECT_LIMIT: Duration = Duration::from_secs(3);

/// How the port of the pages is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum State {
    /// The configuration asks for none.
    Off,
    /// At one address at least.
    Listening,
    /// At none.
    Closed,
    /// The system chose the port, and the daemon could not be asked.
    Unknown,
}

/// The pages, as far as one can know from outside.
#[derive(Debug, Serialize)]
pub(super) struct Pages {
    state: State,
    /// Where it is listened.
    addresses: Vec<SocketAddr>,
    /// The address people open, where the configuration says one.
    public_url: Option<String>,
    /// Why not, or not everywhere.
    why: Option<String>,
}

impl Pages {
    /// By what the daemon says of its ports; where it does not, by a connection to each.
    pub(super) fn of(config: &Config, said: Option<&[PortsNow]>) -> Pages {
        let (state, addresses, why) = match said {
            _ if !config.pages.is_on() => (State::Off, Vec::new(), None),
            Some(ports) => told(ports),
            None => tried(config),
        };
        Pages {
            state,
            addresses,
            public_url: config.pages.public_url.clone(),
            why,
        }
    }

    /// In one line.
    pub(super) fn line(&self) -> String {
        let mut line = match self.state {
            State::Off => return "off; [pages] listen names no address".to_owned(),
            State::Closed => "NOT listening".to_owned(),
            State::Unknown => "not known".to_owned(),
            State::Listening => {
                let all = self.addresses.iter().map(SocketAddr::to_string);
                format!("listening on {}", all.collect::<Vec<_>>().join(", "))
            }
        };
        if let Some(url) = &self.public_url {
            line.push_str(&format!(", for people at {url}"));
        }
        if let Some(why) = &self.why {
            line.push_str(&format!("; {why}"));
        }
        line
    }
}

type Found = (State, Vec<SocketAddr>, Option<String>);

/// By the daemon's own words.
fn told(ports: &[PortsNow]) -> Found {
    let Some(own) = ports.iter().find(|one| one.table == "pages") else {
        let why = "the daemon runs with a configuration without them; reload it (SIGHUP)";
        return (State::Closed, Vec::new(), Some(why.to_owned()));
    };
    let addresses = [own.plain.as_slice(), &own.over_tls].concat();
    let why = own.closed.as_ref();
    let why = why.map(|why| format!("the port for TLS is closed: {why}"));
    let state = if addresses.is_empty() {
        State::Closed
    } else {
        State::Listening
    };
    (state, addresses, why)
}

/// By a connection to each address, and a look at the files of TLS.
fn tried(config: &Config) -> Found {
    let pages = &config.pages;
    let all = pages.listen.iter().chain(&pages.tls.listen).copied();
    let (open, silent): (Vec<_>, Vec<_>) =
        all.filter(|address| address.port() != 0)
            .partition(|address| {
                TcpStream::connect_timeout(&super::of_this_machine(*address), CONNECT_LIMIT).is_ok()
            });
    let files = (!pages.tls.listen.is_empty())
        .then(|| tls::load("pages.tls", &pages.tls, SystemTime::now()).err())
        .flatten();
    let why = match (files, silent.first()) {
        (Some(why), _) => Some(format!("the port for TLS is closed: {why}")),
        (None, Some(address)) => Some(format!("nobody answers on {address}")),
        (None, None) if open.is_empty() => {
            Some("the system chose the port, and the daemon cannot be asked".to_owned())
        }
        (None, None) => None,
    };
    let state = match (open.is_empty(), silent.is_empty()) {
        (false, _) => State::Listening,
        (true, false) => State::Closed,
        (true, true) => State::Unknown,
    };
    (state, open, why)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::TcpListener;

    fn config(text: &str) -> Config {
        Config::from_text("site.toml", text).expect("a configuration")
    }

    fn own(closed: Option<&str>, plain: &[&str]) -> PortsNow {
        PortsNow {
            table: "pages".to_owned(),
            plain: plain
                .iter()
                .map(|one| one.parse().expect("it is"))
                .collect(),
            over_tls: Vec::new(),
            closed: closed.map(str::to_owned),
        }
    }

    #[test]
    fn the_daemon_says_whether_it_listens_and_why_not() {
        let on = config("[pages]\nlisten = \"127.0.0.1:8600\"\n");
        fn pages(config: &Config, said: &[PortsNow]) -> Pages {
            Pages::of(config, Some(said))
        }
        assert_eq!(pages(&config(""), &[]).state, State::Off);
        let open = pages(&on, &[own(None, &["127.0.0.1:8600"])]);
        assert_eq!((open.state, open.why.as_deref()), (State::Listening, None));
        let half = pages(&on, &[own(Some("it has ended"), &["127.0.0.1:8600"])]);
        assert_eq!(half.state, State::Listening);
        assert!(half.line().contains("it has ended"), "{}", half.line());
        let closed = pages(&on, &[own(Some("it has ended"), &[])]);
        assert_eq!(closed.state, State::Closed);
        assert!(
            closed.line().starts_with("NOT listening; "),
            "{}",
            closed.line()
        );
        let before = pages(&on, &[]);
        assert_eq!(before.state, State::Closed);
        assert!(before.line().contains("reload it"), "{}", before.line());
    }

    #[test]
    fn without_the_daemon_a_connection_tells() {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address");
        let on = config(&format!("[pages]\nlisten = \"{address}\"\n"));
        assert_eq!(Pages::of(&on, None).addresses, [address]);
        drop(listener);
        let closed = Pages::of(&on, None);
        assert_eq!(closed.state, State::Closed);
        assert!(
            closed
                .line()
                .contains(&format!("nobody answers on {address}"))
        );
        let chosen = config("[pages]\nlisten = \"127.0.0.1:0\"\n");
        assert_eq!(Pages::of(&chosen, None).state, State::Unknown);
    }
}
