//! A browser without a window: cookies as RFC 6265 keeps them, and whatever else a test wants to send.

use rustix::net::{AddressFamily, SocketType, bind, connect, socket};
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpStream};
use std::time::Duration;

/// An answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    /// Names in small letters; a name that came several times has the last value.
    pub(crate) headers: BTreeMap<String, String>,
    pub(crate) body: String,
}

impl Answer {
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", String::as_str)
    }

    /// The token of the first form to `action`.
    pub(crate) fn token(&self, action: &str) -> String {
        self.hidden(action, "token").expect("a token")
    }

    /// What a form sends along without showing it.
    pub(crate) fn hidden(&self, action: &str, name: &str) -> Option<String> {
        let form = self.body.split(&format!("action=\"{action}\"")).nth(1);
        let form = form.unwrap_or_else(|| panic!("no form to {action}: {}", self.body));
        let form = form.split("</form>").next()?;
        let value = form.split(&format!("name=\"{name}\" value=\"")).nth(1)?;
        Some(value.split('"').next()?.to_owned())
    }
}

pub(crate) struct Browser {
    pub(crate) address: SocketAddr,
    pub(crate) cookies: BTreeMap<String, String>,
    /// The address it comes from, if not the usual one.
    pub(crate) from: Option<Ipv4Addr>,
}

impl Browser {
    pub(crate) fn new(address: SocketAddr) -> Self {
        Browser {
            address,
            cookies: BTreeMap::new(),
            from: None,
        }
    }

    pub(crate) fn get(&mut self, path: &str) -> Answer {
        self.send("GET", path, &[], "")
    }

    /// Posts a form as a page of ours does.
    pub(crate) fn post(&mut self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let body: Vec<String> = fields
            .iter()
            .map(|(name, value)| format!("{}={}", encoded(name), encoded(value)))
            .collect();
        let origin = format!("http://{}", self.address);
        let headers = [
            ("Content-Type", "application/x-www-form-urlencoded"),
            ("Origin", origin.as_str()),
        ];
        self.send("POST", path, &headers, &body.join("&"))
    }

    pub(crate) fn sign_in(&mut self, name: &str, password: &str) -> Answer {
        self.post(
            "/sign-in",
            &[("name", name), ("password", password), ("to", "/today")],
        )
    }

    /// Sends a request; a `Host` among the headers takes the place of ours.
    pub(crate) fn send(
        &mut self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: &str,
    ) -> Answer {
        let mut head = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\n");
        if !headers.iter().any(|(name, _)| *name == "Host") {
            head.push_str(&format!("Host: {}\r\n", self.address));
        }
        if !self.cookies.is_empty() {
            let pairs = self
                .cookies
                .iter()
                .map(|(name, value)| format!("{name}={value}"));
            head.push_str(&format!(
                "Cookie: {}\r\n",
                pairs.collect::<Vec<_>>().join("; ")
            ));
        }
        for (name, value) in headers {
            head.push_str(&format!("{name}: {value}\r\n"));
        }
        head.push_str(&format!("Content-Length: {}\r\n\r\n", body.len()));
        let answer = exchange_from(self.from, self.address, format!("{head}{body}").as_bytes());
        for (name, value) in set_cookies(&answer) {
            if value.is_empty() {
                self.cookies.remove(&name);
            } else {
                self.cookies.insert(name, value);
            }
        }
        parsed(&answer)
    }
}

/// Sends bytes and reads until the other side closes.
pub(crate) fn exchange(to: SocketAddr, request: &[u8]) -> String {
    exchange_from(None, to, request)
}

fn exchange_from(from: Option<Ipv4Addr>, to: SocketAddr, request: &[u8]) -> String {
    let mut stream = match from {
        None => TcpStream::connect(to).expect("connects"),
        Some(from) => {
            let socket = socket(AddressFamily::INET, SocketType::STREAM, None).expect("a socket");
            bind(&socket, &SocketAddr::from((from, 0))).expect("an address of this machine");
            connect(&socket, &to).expect("connects");
            TcpStream::from(socket)
        }
    };
    let limit = Some(Duration::from_secs(120));
    stream.set_read_timeout(limit).expect("a limit");
    // It may have answered and closed before it has read everything.
    let _ = stream.write_all(request);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    String::from_utf8_lossy(&answer).into_owned()
}

fn set_cookies(answer: &str) -> Vec<(String, String)> {
    let head = answer.split("\r\n\r\n").next().unwrap_or_default();
    head.lines()
        .filter(|line| line.to_ascii_lowercase().starts_with("set-cookie:"))
        .filter_map(|line| {
            let (_, cookie) = line.split_once(':')?;
            let (name, value) = cookie.split(';').next()?.trim().split_once('=')?;
            Some((name.to_owned(), value.to_owned()))
        })
        .collect()
}

pub(crate) fn parsed(answer: &str) -> Answer {
    let (head, body) = answer.split_once("\r\n\r\n").unwrap_or((answer, ""));
    let mut lines = head.lines();
    let status = lines.next().and_then(|line| line.split(' ').nth(1));
    let status = status.and_then(|status| status.parse().ok()).unwrap_or(0);
    let headers = lines.filter_map(|line| line.split_once(':'));
    Answer {
        status,
        headers: headers
            .map(|(name, value)| (name.to_ascii_lowercase(), value.trim().to_owned()))
            .collect(),
        body: body.to_owned(),
    }
}

/// As a form is encoded.
pub(crate) fn encoded(text: &str) -> String {
    text.bytes()
        .map(|byte| match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.' => {
                char::from(byte).to_string()
            }
            byte => format!("%{byte:02X}"),
        })
        .collect()
}
