//! What somebody might try.

use super::{PASSWORD, Ward};
use crate::harness::lines;

/// A form without a token, with one of another session, with one that was used: nothing happens.
#[test]
fn forged_and_replayed_forms_are_refused() {
    let ward = Ward::new(&["reader", "clinician"]);
    let mut reader = ward.signed_in("reader");
    let mut clinician = ward.signed_in("clinician");
    let other = clinician.get("/today").token("/sign-out");
    for token in ["", "AAAA", other.as_str(), &"A".repeat(100_000)] {
        let answer = reader.post("/sign-out", &[("token", token)]);
        assert_eq!(answer.status, 403, "{}", answer.body);
    }
    assert_eq!(reader.post("/sign-out", &[]).status, 403);
    assert_eq!(reader.get("/today").status, 200, "still signed in");
    // One that serves, sent twice by a cookie that still counts: the page of signing out cannot be it.
    let token = reader.get("/today").token("/sign-out");
    let kept = reader.cookies.clone();
    assert_eq!(reader.post("/sign-out", &[("token", &token)]).status, 200);
    reader.cookies = kept;
    assert_eq!(reader.post("/sign-out", &[("token", &token)]).status, 401);
}

/// A page of somebody else cannot send forms here, whatever cookies a browser adds.
#[test]
fn forms_of_other_sites_are_refused() {
    let ward = Ward::new(&["reader"]);
    let mut reader = ward.signed_in("reader");
    let token = reader.get("/today").token("/sign-out");
    let form = ("Content-Type", "application/x-www-form-urlencoded");
    let body = format!("token={token}");
    for (name, value) in [
        ("Origin", "https://evil.example"),
        ("Origin", "null"),
        ("Sec-Fetch-Site", "cross-site"),
        ("Sec-Fetch-Site", "same-site"),
    ] {
        let answer = reader.send("POST", "/sign-out", &[form, (name, value)], &body);
        assert_eq!(answer.status, 403, "{name}: {value}");
    }
    // Signing somebody in as oneself, so that they type into one's own account.
    let body = format!("name=reader&password={}", crate::browser::encoded(PASSWORD));
    let headers = [form, ("Origin", "https://evil.example")];
    assert_eq!(
        ward.browser()
            .send("POST", "/sign-in", &headers, &body)
            .status,
        403
    );
    assert_eq!(reader.get("/today").status, 200);
}

/// A thousand passwords: the address is bounded, the account locked, and neither locks anybody else.
#[test]
fn a_thousand_sign_ins_are_bounded() {
    let ward = Ward::new(&["reader", "clinician"]);
    let begun = std::time::Instant::now();
    let mut statuses = std::collections::BTreeMap::<u16, usize>::new();
    for n in 0..1000 {
        let answer = ward
            .browser()
            .sign_in("reader", &format!("a guessed password {n}"));
        *statuses.entry(answer.status).or_default() += 1;
    }
    // Thirty are looked at, and of these ten are hashed; a hash takes a tenth of a second.
    assert_eq!(statuses, [(403, 30), (429, 970)].into());
    assert!(begun.elapsed().as_secs() < 120, "{:?}", begun.elapsed());
    // Not even the right one, from this address.
    assert_eq!(ward.browser().sign_in("reader", PASSWORD).status, 429);
    let listed = ward.account("list", &["--json"]);
    let state = |name: &str| {
        let all = lines(&listed);
        let one = all.iter().find(|one| one["account"] == name).cloned();
        one.expect("listed")["state"].clone()
    };
    assert_eq!(
        (state("reader"), state("clinician")),
        ("locked".into(), "active".into())
    );
    // Others at other addresses go on.
    let mut elsewhere = ward.browser();
    elsewhere.from = Some("127.0.0.9".parse().expect("an address"));
    assert_eq!(elsewhere.sign_in("clinician", PASSWORD).status, 303);
    assert_eq!(elsewhere.sign_in("reader", PASSWORD).status, 403, "locked");
    ward.account("unlock", &["reader"]);
    assert_eq!(elsewhere.sign_in("reader", PASSWORD).status, 303);
}

/// What is typed comes back as text.
#[test]
fn html_in_the_fields_of_sign_in_stays_text() {
    let ward = Ward::new(&["reader"]);
    let bad = "\"><script>alert(1)</script><img src=x onerror=alert(1)>";
    let mut browser = ward.browser();
    let answer = browser.post("/sign-in", &[("name", bad), ("password", bad), ("to", bad)]);
    assert_eq!(answer.status, 403);
    assert!(!answer.body.contains("<script>alert"), "{}", answer.body);
    assert!(!answer.body.contains("<img"), "{}", answer.body);
    assert!(answer.body.contains("&lt;script&gt;"), "{}", answer.body);
    let answer = browser.get("/sign-in?to=%22%3E%3Cscript%3Ealert(1)%3C/script%3E");
    assert!(!answer.body.contains("<script>alert"), "{}", answer.body);
}

/// After signing in, people go on at a page of ours and nowhere else.
#[test]
fn nobody_is_sent_elsewhere() {
    let ward = Ward::new(&["reader"]);
    for to in [
        "https://evil.example",
        "//evil.example",
        "/\\evil.example",
        "javascript:alert(1)",
        "/today\r\nSet-Cookie: a=b",
        "/../../etc/passwd",
        "/today?x=1",
    ] {
        let fields = [("name", "reader"), ("password", PASSWORD), ("to", to)];
        let answer = ward.browser().post("/sign-in", &fields);
        assert_eq!(
            (answer.status, answer.header("location")),
            (303, "/"),
            "{to}"
        );
    }
}

/// Nothing may frame, sniff or keep what is shown.
#[test]
fn every_answer_carries_the_headers() {
    let ward = Ward::new(&["reader"]);
    let mut reader = ward.signed_in("reader");
    for path in ["/today", "/sign-in", "/nothing", "/deeds", "/"] {
        let answer = reader.get(path);
        let policy = answer.header("content-security-policy");
        for part in [
            "default-src 'none'",
            "frame-ancestors 'none'",
            "base-uri 'none'",
            "form-action 'self'",
            "script-src 'self'",
        ] {
            assert!(policy.contains(part), "{path}: {policy}");
        }
        assert!(!policy.contains("unsafe"), "{policy}");
        assert_eq!(answer.header("cache-control"), "no-store", "{path}");
        assert_eq!(answer.header("x-content-type-options"), "nosniff");
        assert_eq!(answer.header("referrer-policy"), "no-referrer");
        assert_eq!(answer.header("x-frame-options"), "DENY");
        assert_eq!(answer.header("cross-origin-opener-policy"), "same-origin");
        assert_eq!(answer.header("cross-origin-resource-policy"), "same-origin");
    }
    let answer = ward.browser().sign_in("reader", PASSWORD);
    let cookie = answer.header("set-cookie");
    for part in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
}

/// A name that leads here and is not ours: a page under it could read ours (DNS rebinding).
#[test]
fn other_hosts_are_not_answered() {
    let ward = Ward::new(&["reader"]);
    let mut reader = ward.signed_in("reader");
    let port = ward.address.port();
    for host in [
        "evil.example".to_owned(),
        format!("evil.example:{port}"),
        "127.0.0.1.evil.example".to_owned(),
        String::new(),
    ] {
        let answer = reader.send("GET", "/today", &[("Host", &host)], "");
        assert_eq!(answer.status, 421, "{host}");
        assert!(!answer.body.contains("Today</h1>"));
    }
    for host in [format!("localhost:{port}"), format!("127.0.0.1:{port}")] {
        let answer = reader.send("GET", "/today", &[("Host", &host)], "");
        assert_eq!(answer.status, 200, "{host}");
    }
}

/// Paths and methods that are none of ours.
#[test]
fn other_methods_and_paths_lead_nowhere() {
    let ward = Ward::new(&["reader"]);
    let mut reader = ward.signed_in("reader");
    let origin = format!("http://{}", ward.address);
    for method in ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "POST"] {
        let answer = reader.send(method, "/today", &[("Origin", &origin)], "");
        assert_eq!(answer.status, 405, "{method}");
    }
    for path in [
        "/today/",
        "//today",
        "/./today",
        "/%2e%2e/today",
        "/today%00",
        "/exam/..%2f..%2fetc%2fpasswd",
        "/style-0.css",
        "/TODAY",
    ] {
        let answer = reader.get(path);
        assert!(
            [404, 400].contains(&answer.status),
            "{path}: {}",
            answer.status
        );
    }
}

/// The numbers say how often, and of nobody.
#[test]
fn refused_sign_ins_are_counted_without_names() {
    let ward = Ward::with(
        &["reader"],
        "listen = \"127.0.0.1:0\"\n[pages]\nlisten = \"127.0.0.1:0\"\n",
    );
    ward.browser()
        .sign_in("somebody-nobody-knows", "a wrong password");
    let mut reader = ward.signed_in("reader");
    reader.get("/today");
    reader.get("/exam/0123456789abcdef");
    let endpoint = crate::observe::endpoint(&ward.daemon);
    let metrics = super::Browser::new(endpoint).get("/metrics").body;
    assert!(
        metrics.contains("sheathline_sign_ins_refused_total 1"),
        "{metrics}"
    );
    let page = "sheathline_page_requests_total{page=\"today\",status=\"2xx\"} 1";
    assert!(metrics.contains(page), "{metrics}");
    assert!(!metrics.contains("somebody") && !metrics.contains("0123456789abcdef"));
    let log = format!("{:?}", ward.daemon.log());
    assert!(
        log.contains("pages-sign-in") && !log.contains("somebody"),
        "{log}"
    );
}
