//! The office's calls over a real connection: who may what, sign-in and its waits, writing, people, devices, the journal.
#![allow(clippy::unwrap_used)]

use std::time::Duration;

use crate::common;
use crate::common::{LEAD, Office, PASSWORD, ROLES, Reply, person_of};
use serde_json::{Value, json};

const METHODS: [&str; 5] = ["get", "put", "post", "delete", "patch"];

/// Every operation of the document: method, path, right, whether oneself may too.
fn operations(document: &Value) -> Vec<(String, String, String, bool)> {
    let mut all = Vec::new();
    for (path, item) in document["paths"].as_object().unwrap() {
        for method in METHODS {
            if let Some(operation) = item.get(method) {
                let right = operation["x-earlywood-right"]
                    .as_str()
                    .unwrap_or_default()
                    .to_owned();
                let oneself = operation.get("x-earlywood-or-oneself").is_some();
                all.push((method.to_uppercase(), path.clone(), right, oneself));
            }
        }
    }
    all
}

/// A path with something for each of its parameters.
fn filled(path: &str) -> String {
    let part = |part: &str| match part.strip_prefix('{').and_then(|p| p.strip_suffix('}')) {
        Some("person") => "p-somebody".to_owned(),
        Some("z" | "x" | "y" | "y.mvt") => "0".to_owned(),
        Some(_) => "01900000-0000-7000-8000-000000000000".to_owned(),
        None => part.to_owned(),
    };
    path.split('/').map(part).collect::<Vec<_>>().join("/")
}

#[test]
fn each_call_is_for_those_who_have_its_right_and_for_nobody_else() {
    let office = Office::new();
    let mut lead = office.lead();
    let mut browsers: Vec<_> = ROLES
        .iter()
        .map(|(role, _)| match *role {
            "lead" => ("lead", lead.clone()),
            role => (role, office.invited(&mut lead, &person_of(role))),
        })
        .collect();
    let document = lead.get("/api/1/openapi.json");
    let rights = &document["x-earlywood-rights"];
    let mut checked = 0;
    for (method, path, right, _) in operations(&document) {
        let call = format!("{method} {path}");
        // Sign-out would end the session that the next calls need; it is tried apart.
        if path == "/api/1/sign-out" {
            continue;
        }
        assert!(
            right == "device" || rights.get(&right).is_some(),
            "{call} names no right: {right:?}"
        );
        let body = if method == "GET" { Value::Null } else { json!({}) };
        let nobody = office.browser().call(&method, &filled(&path), body.clone());
        if right == "public" || right == "device" {
            assert_ne!(nobody.status, 401, "{call} asks for a sign-in");
            assert_ne!(nobody.status, 404, "{call} is not served");
            continue;
        }
        assert_eq!(
            (nobody.status, nobody.code().as_str()),
            (401, "signed-out"),
            "{call}"
        );
        for (role, browser) in &mut browsers {
            let may = rights[&right].as_array().unwrap().iter().any(|one| one == role);
            let reply = browser.call(&method, &filled(&path), body.clone());
            let refused = reply.status == 403 && reply.code() == "not-entitled";
            assert_eq!(
                refused,
                !may,
                "{call} ({right}) as {role}: {} {:?}",
                reply.status,
                reply.bytes.len()
            );
            assert_ne!(reply.status, 401, "{call} as {role}");
            assert!(
                reply.status < 500 || reply.status == 503,
                "{call} as {role}: {}",
                reply.status
            );
            checked += 1;
        }
    }
    assert!(checked > 6 * 15, "{checked} combinations were checked");
}

#[test]
fn the_document_lists_what_is_served() {
    let office = Office::new();
    let mut anybody = office.browser();
    let document = anybody.get("/api/1/openapi.json");
    assert!(document["openapi"].as_str().unwrap().starts_with("3.1"));
    assert!(document["components"]["securitySchemes"]["session"].is_object());
    let schemas = document["components"]["schemas"].as_object().unwrap();
    // Every reference leads somewhere.
    fn references<'v>(value: &'v Value, found: &mut Vec<&'v str>) {
        match value {
            Value::Object(fields) => {
                for (name, value) in fields {
                    match value {
                        Value::String(to) if name == "$ref" => found.push(to),
                        value => references(value, found),
                    }
                }
            }
            Value::Array(items) => items.iter().for_each(|item| references(item, found)),
            _ => {}
        }
    }
    let mut found = Vec::new();
    references(&document, &mut found);
    for to in found {
        let name = to.strip_prefix("#/components/schemas/").unwrap();
        assert!(schemas.contains_key(name), "{to} leads nowhere");
    }
    let operations = operations(&document);
    assert!(operations.len() > 25);
    let mut ids = std::collections::HashSet::new();
    for (path, item) in document["paths"].as_object().unwrap() {
        for method in METHODS {
            match item.get(method) {
                Some(operation) => {
                    assert!(
                        operation["summary"].is_string() || operation["description"].is_string(),
                        "{path}"
                    );
                    assert!(ids.insert(format!("{method} {path}")));
                }
                // What is not listed is not served.
                None => {
                    let reply = anybody.call(&method.to_uppercase(), &filled(path), Value::Null);
                    assert_eq!(reply.status, 405, "{method} {path}");
                }
            }
        }
    }
    assert_eq!(
        anybody.refused("GET", "/api/1/no-such-thing", Value::Null),
        (404, "no-such-call".into())
    );
}

#[test]
fn the_first_account_needs_the_code_from_the_terminal() {
    let office = Office::new();
    let mut browser = office.browser();
    let me = browser.get("/api/1/me");
    assert_eq!((&me["first_run"], &me["person"]), (&json!(true), &Value::Null));
    let code = office.code.clone().unwrap();
    let first = |code: &str, person: &str, password: &str| json!({"code": code, "person": person, "password": password});
    let wrong = browser.refused("POST", "/api/1/first-run", first("222222222222", LEAD, PASSWORD));
    assert_eq!(wrong, (403, "wrong-code".into()));
    let other = browser.refused("POST", "/api/1/first-run", first(&code, "p-clerk", PASSWORD));
    assert_eq!(other, (422, "bad-field".into()));
    let short = browser.call("POST", "/api/1/first-run", first(&code, LEAD, "short"));
    assert_eq!(
        (short.status, short.json()["where"].clone()),
        (422, json!("password"))
    );
    // As people type it.
    let typed = format!("{} {}", code[..6].to_lowercase(), &code[6..]);
    let me = browser.good("POST", "/api/1/first-run", first(&typed, LEAD, PASSWORD));
    assert_eq!(
        (&me["person"], &me["first_run"], &me["roles"]),
        (&json!(LEAD), &json!(false), &json!(["lead"]))
    );
    let again = office
        .browser()
        .refused("POST", "/api/1/first-run", first(&code, LEAD, "another password"));
    assert_eq!(again, (409, "not-first".into()));
    // The account is there after a restart, the session too, and there is no code any more.
    let (cookie, path) = (browser.cookie.clone(), office.path.clone());
    let _dir = office.stop();
    let office = Office::over(path, |_| {});
    assert_eq!(office.code, None);
    let mut browser = office.browser();
    browser.cookie = cookie;
    assert_eq!(browser.get("/api/1/me")["person"], LEAD);
}

#[cfg(unix)]
#[test]
fn what_is_secret_is_the_owners_alone_and_never_in_a_backup() {
    use std::os::unix::fs::PermissionsExt;
    let office = Office::new();
    let _lead = office.lead();
    let beside = office.path.with_file_name("office.earlywood.signin");
    assert_eq!(
        std::fs::metadata(&beside).unwrap().permissions().mode() & 0o777,
        0o600
    );
    let backup = office.path.with_file_name("backup.earlywood");
    earlywood_journal::Programme::open_read_only(&office.path)
        .unwrap()
        .backup(&backup)
        .unwrap();
    let bytes = std::fs::read(&backup).unwrap();
    assert!(!bytes.windows(9).any(|part| part == b"$argon2id"));
    let mut kept = std::fs::read(&beside).unwrap();
    kept.extend(std::fs::read(office.path.with_file_name("office.earlywood.signin-wal")).unwrap_or_default());
    assert!(kept.windows(9).any(|part| part == b"$argon2id"));
    assert!(
        !kept
            .windows(PASSWORD.len())
            .any(|part| part == PASSWORD.as_bytes())
    );
}

#[test]
fn an_invitation_counts_once_and_not_for_long() {
    let office = Office::with(|config| config.invitation_life = Duration::from_secs(2));
    let mut lead = office.lead();
    assert_eq!(
        lead.refused("POST", "/api/1/accounts/invite", json!({"person": "p-99"})),
        (422, "bad-field".into())
    );
    let code = lead.good("POST", "/api/1/accounts/invite", json!({"person": "p-clerk"}));
    assert!(
        code["link"]
            .as_str()
            .unwrap()
            .starts_with(&format!("{}/accept#", office.url))
    );
    let accept = |password: &str| json!({"code": code["code"], "password": password});
    let mut clerk = office.browser();
    assert_eq!(
        clerk.refused("POST", "/api/1/accounts/accept", accept("p-clerk")),
        (422, "bad-field".into())
    );
    let me = clerk.good("POST", "/api/1/accounts/accept", accept(PASSWORD));
    assert_eq!(
        (&me["person"], &me["roles"]),
        (&json!("p-clerk"), &json!(["clerk"]))
    );
    let again = office
        .browser()
        .refused("POST", "/api/1/accounts/accept", accept("something else again"));
    assert_eq!(again, (403, "wrong-code".into()));
    let late = lead.good("POST", "/api/1/accounts/invite", json!({"person": "p-partner"}))["code"].clone();
    std::thread::sleep(Duration::from_millis(3100));
    let late = office.browser().refused(
        "POST",
        "/api/1/accounts/accept",
        json!({"code": late, "password": PASSWORD}),
    );
    assert_eq!(late, (403, "wrong-code".into()));
    // Invited anew, what was before has ended.
    clerk.csrf = me["csrf"].as_str().map(str::to_owned);
    let mut again = office.invited(&mut lead, "p-clerk");
    assert_eq!(
        clerk.refused("GET", "/api/1/people", Value::Null),
        (401, "signed-out".into())
    );
    again.get("/api/1/people");
}

#[test]
fn an_invitation_is_worth_nothing_once_its_maker_is_no_lead() {
    let office = Office::new();
    let mut lead = office.lead();
    let enrol = |role: &str| {
        json!({"kind": "person-enrolled", "version": 1,
            "body": {"person": "p-second", "roles": [role], "from": "2026-01-01"}})
    };
    lead.good("POST", "/api/1/entries", enrol("lead"));
    let mut second = office.invited(&mut lead, "p-second");
    let code = second.good("POST", "/api/1/accounts/invite", json!({"person": "p-clerk"}))["code"].clone();
    lead.good("POST", "/api/1/entries", enrol("inspector"));
    let accept = json!({"code": code, "password": PASSWORD});
    let refused = office.browser().refused("POST", "/api/1/accounts/accept", accept);
    assert_eq!(refused, (403, "not-entitled".into()));
}

#[test]
fn sign_in_waits_longer_after_each_failure_and_says_nothing_of_accounts() {
    let office = Office::new();
    let _lead = office.lead();
    let attempt = |person: &str, password: &str| {
        office.browser().call(
            "POST",
            "/api/1/sign-in",
            json!({"person": person, "password": password}),
        )
    };
    let wrong = attempt(LEAD, "not the password");
    let nobody = attempt("p-nobody", "not the password");
    assert_eq!((wrong.status, &wrong.bytes), (403, &nobody.bytes));
    assert_eq!(attempt(LEAD, PASSWORD).status, 200, "one failure is forgiven");
    let until_refused = (0..12)
        .map(|_| attempt(LEAD, "not the password"))
        .find(|reply| reply.status == 429)
        .unwrap();
    assert_eq!(until_refused.code(), "too-many-attempts");
    assert!(until_refused.headers["retry-after"].parse::<u64>().unwrap() >= 1);
    assert_eq!(
        attempt(LEAD, PASSWORD).status,
        429,
        "the right password has to wait too"
    );
    assert_eq!(attempt("p-nobody", PASSWORD).status, 403, "others do not wait");
    // All from one address: in the end it waits whoever it names.
    let all = (0..30)
        .map(|i| attempt(&format!("p-{i}"), "not the password"))
        .find(|reply| reply.status == 429);
    assert!(all.is_some());
}

#[test]
fn sessions_end() {
    let office = Office::with(|config| config.session_idle = Duration::from_secs(2));
    let mut lead = office.lead();
    assert_eq!(lead.get("/api/1/me")["person"], LEAD);
    std::thread::sleep(Duration::from_millis(3100));
    assert_eq!(lead.get("/api/1/me")["person"], Value::Null);
    assert_eq!(
        lead.refused("GET", "/api/1/people", Value::Null),
        (401, "signed-out".into())
    );

    let office = Office::with(|config| config.session_life = Duration::from_secs(3));
    let mut lead = office.lead();
    let begun = std::time::Instant::now();
    while begun.elapsed() < Duration::from_millis(1500) {
        lead.get("/api/1/people");
        std::thread::sleep(Duration::from_millis(200));
    }
    std::thread::sleep(Duration::from_millis(2600));
    assert_eq!(
        lead.refused("GET", "/api/1/people", Value::Null),
        (401, "signed-out".into()),
        "used, and over"
    );
}

#[test]
fn a_session_is_new_with_each_sign_in_and_ends_with_the_password_the_sign_out_and_the_role() {
    let office = Office::new();
    let mut lead = office.lead();
    let before = lead.cookie.clone().unwrap();
    let reply = lead.call(
        "POST",
        "/api/1/sign-in",
        json!({"person": LEAD, "password": PASSWORD}),
    );
    let cookie = reply.headers["set-cookie"].clone();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict") && cookie.contains("Path=/"));
    assert!(!cookie.contains("Secure"), "plain http on loopback: {cookie}");
    assert_ne!(lead.cookie.as_ref(), Some(&before));
    lead.csrf = reply.json()["csrf"].as_str().map(str::to_owned);
    let mut old = office.browser();
    old.cookie = Some(before);
    assert_eq!(
        old.refused("GET", "/api/1/people", Value::Null),
        (401, "signed-out".into())
    );

    // Another password: every session ends, and the page that changed it goes on with a new one.
    let mut elsewhere = office.browser();
    elsewhere.good(
        "POST",
        "/api/1/sign-in",
        json!({"person": LEAD, "password": PASSWORD}),
    );
    let change = |old: &str| json!({"old": old, "new": "another dozen wet boots"});
    let wrong = lead.call("POST", "/api/1/password", change("not the password"));
    assert_eq!((wrong.status, wrong.json()["where"].clone()), (403, json!("old")));
    let me = lead.good("POST", "/api/1/password", change(PASSWORD));
    lead.csrf = me["csrf"].as_str().map(str::to_owned);
    lead.get("/api/1/people");
    assert_eq!(
        elsewhere.refused("GET", "/api/1/people", Value::Null),
        (401, "signed-out".into())
    );
    let sign_in = json!({"person": LEAD, "password": PASSWORD});
    assert_eq!(
        office.browser().refused("POST", "/api/1/sign-in", sign_in),
        (403, "wrong-password".into())
    );

    // The role goes, and with it the session.
    let mut clerk = office.invited(&mut lead, "p-clerk");
    clerk.get("/api/1/people");
    let until = json!({"kind": "person-enrolled", "version": 1,
        "body": {"person": "p-clerk", "roles": ["clerk"], "from": "2026-01-01", "to": "2026-05-31"}});
    lead.good("POST", "/api/1/entries", until);
    assert_eq!(
        clerk.refused("GET", "/api/1/people", Value::Null),
        (401, "signed-out".into())
    );
    let sign_in = json!({"person": "p-clerk", "password": PASSWORD});
    assert_eq!(
        clerk.refused("POST", "/api/1/sign-in", sign_in),
        (403, "not-entitled".into())
    );

    let out = lead.call("POST", "/api/1/sign-out", json!({}));
    assert!(out.headers["set-cookie"].contains("Max-Age=0"));
    assert_eq!(lead.cookie, None);
    assert_eq!(
        lead.refused("GET", "/api/1/people", Value::Null),
        (401, "signed-out".into())
    );
}

#[test]
fn requests_that_other_pages_make_are_refused() {
    let office = Office::new();
    let mut lead = office.lead();
    let enrol = json!({"kind": "crew-formed", "version": 1, "body": {"crew": "crew-1", "people": ["p-clerk"], "from": "2026-06-01"}});
    let mut forged = lead.clone();
    for csrf in [None, Some("0".repeat(64)), Some(String::new())] {
        forged.csrf = csrf;
        assert_eq!(
            forged.refused("POST", "/api/1/entries", enrol.clone()),
            (403, "csrf".into())
        );
    }
    let from = |name: &str, value: &str| vec![(name.to_owned(), value.to_owned())];
    for extra in [
        from("sec-fetch-site", "cross-site"),
        from("sec-fetch-site", "same-site"),
        from("origin", "http://elsewhere.example"),
        from("origin", "null"),
        from("origin", &format!("https://127.0.0.1:{}", office.port)),
    ] {
        let mut foreign = lead.clone();
        foreign.extra = extra;
        assert_eq!(
            foreign.refused("POST", "/api/1/entries", enrol.clone()),
            (403, "foreign-page".into())
        );
        foreign.cookie = None;
        let sign_in = json!({"person": LEAD, "password": PASSWORD});
        assert_eq!(
            foreign.refused("POST", "/api/1/sign-in", sign_in),
            (403, "foreign-page".into())
        );
    }
    lead.extra = vec![
        ("origin".into(), office.url.clone()),
        ("sec-fetch-site".into(), "same-origin".into()),
    ];
    lead.good("POST", "/api/1/entries", enrol.clone());
    // A form can send text, and no JSON.
    let reply = lead.send(
        "POST",
        "/api/1/entries",
        "text/plain",
        Some(enrol.to_string().as_bytes()),
    );
    assert_eq!((reply.status, reply.code().as_str()), (415, "not-json"));
}

#[test]
fn every_reply_carries_the_headers_that_keep_browsers_strict() {
    let office = Office::new();
    let mut browser = office.browser();
    let strict = |reply: &Reply, path: &str| {
        let policy = &reply.headers["content-security-policy"];
        for part in [
            "default-src 'self'",
            "frame-ancestors 'none'",
            "object-src 'none'",
            "worker-src 'self' blob:",
        ] {
            assert!(policy.contains(part), "{path}: {policy}");
        }
        assert!(!policy.contains("unsafe-eval") && !policy.contains("script-src 'self' 'unsafe"));
        assert_eq!(reply.headers["x-content-type-options"], "nosniff", "{path}");
        assert_eq!(reply.headers["referrer-policy"], "no-referrer", "{path}");
        assert!(reply.headers["permissions-policy"].contains("camera=(self), geolocation=(self)"));
    };
    for path in [
        "/",
        "/map",
        "/api/1/me",
        "/api/1/people",
        "/api/1/about",
        "/api/1/nothing",
        "/api/1/openapi.json",
    ] {
        let reply = browser.call("GET", path, Value::Null);
        strict(&reply, path);
        if path.starts_with("/api/") {
            assert_eq!(reply.headers["cache-control"], "no-store", "{path}");
        }
    }
    // A page whose own name was made to point here.
    browser.extra = vec![("host".into(), "rebound.example".into())];
    let reply = browser.call("GET", "/api/1/me", Value::Null);
    assert_eq!((reply.status, reply.code().as_str()), (421, "wrong-host"));
    strict(&reply, "rebound");
    browser.extra = vec![("host".into(), format!("localhost:{}", office.port))];
    assert_eq!(browser.get("/api/1/me")["secure"], true);
}

#[test]
fn behind_a_proxy_its_word_counts_and_without_one_it_does_not() {
    let office = Office::with(|config| {
        config.behind_proxy = true;
        config.loopback = false;
        config.names = vec!["office.example".into()];
    });
    let mut outside = office.browser();
    outside.extra = vec![
        ("host".into(), "office.example".into()),
        ("x-forwarded-proto".into(), "https".into()),
        ("x-forwarded-for".into(), "203.0.113.9, 198.51.100.7".into()),
        ("origin".into(), "https://office.example".into()),
    ];
    let code = office.code.clone().unwrap();
    let reply = outside.call(
        "POST",
        "/api/1/first-run",
        json!({"code": code, "person": LEAD, "password": PASSWORD}),
    );
    assert_eq!(reply.status, 200);
    assert!(reply.headers["set-cookie"].ends_with("; Secure"));
    assert_eq!(reply.json()["passkeys"], json!({"possible": true, "count": 0}));
    outside.extra[0].1 = "other.example".into();
    assert_eq!(outside.refused("GET", "/api/1/me", Value::Null).0, 421);

    let office = Office::new();
    let mut inside = office.lead();
    inside.extra = vec![("x-forwarded-proto".into(), "https".into())];
    let reply = inside.call(
        "POST",
        "/api/1/sign-in",
        json!({"person": LEAD, "password": PASSWORD}),
    );
    assert!(!reply.headers["set-cookie"].contains("Secure"));
    assert_eq!(
        reply.json()["passkeys"]["possible"],
        false,
        "an IP address can have none"
    );
}

#[test]
fn entries_are_written_in_the_callers_name_by_the_journals_own_rules() {
    let office = Office::new();
    let mut lead = office.lead();
    let mut inspector = office.invited(&mut lead, "p-inspector");
    let mut partner = office.invited(&mut lead, "p-partner");
    let registered = |trap: &str| json!({"kind": "trap-registered", "version": 1, "body": {"trap": trap, "device": "prism"}});
    let revision = || office.lead_revision(&lead);
    let before = revision();
    let receipt = inspector.good("POST", "/api/1/entries", registered("A-1"));
    let entry = inspector.get(&format!("/api/1/journal/{}", receipt["entry"].as_str().unwrap()));
    assert_eq!(
        (&entry["person"], &entry["kind"], &entry["signed"]),
        (&json!("p-inspector"), &json!("trap-registered"), &json!(true))
    );
    assert_eq!(entry["words"], "trap A-1 registered (prism)");
    assert_eq!(entry["subjects"], json!(["trap:A-1"]));
    assert_eq!(revision(), before + 1);

    let reply = partner.call("POST", "/api/1/entries", registered("A-2"));
    assert_eq!((reply.status, reply.code().as_str()), (403, "not-entitled"));
    let hold = json!({"kind": "hold-declared", "version": 1,
        "body": {"hold": "H-1", "cause": "wind", "scope": {"all": {}}, "from": "2026-06-01"}});
    let reply = inspector.call("POST", "/api/1/entries", hold);
    assert!(matches!(reply.status, 403 | 422), "{:?}", reply.json());
    let erase = json!({"kind": "person-erased", "version": 1, "body": {"person": "p-clerk"}});
    let reply = inspector.call("POST", "/api/1/entries", erase);
    assert_eq!((reply.status, reply.code().as_str()), (403, "not-entitled"));
    assert!(
        reply.json()["words"].as_str().unwrap().contains("lead"),
        "{:?}",
        reply.json()
    );

    // What can't be read names the field, and nothing is written.
    let mut bad = registered("A-3");
    bad["body"]["colour"] = json!("purple");
    let reply = inspector.call("POST", "/api/1/entries", bad);
    assert_eq!(
        (reply.status, &reply.json()["where"]),
        (422, &json!("body")),
        "{:?}",
        reply.json()
    );
    let placed = |trap: &str, hung: &str| {
        json!({"kind": "trap-placed", "version": 1, "body": {"trap": trap, "place": "P-1",
            "position": {"lat": 44.0, "lon": -121.0}, "targets": ["x"], "hung": hung}})
    };
    let reply = inspector.call("POST", "/api/1/entries", placed("A-1", "2027-01-01"));
    assert_eq!(
        (reply.status, &reply.json()["where"]),
        (422, &json!("hung")),
        "{:?}",
        reply.json()
    );
    assert_eq!(revision(), before + 1);

    // All or none.
    let batch = json!({"entries": [registered("A-4"), registered("A-5"), placed("A-4", "2027-01-01")]});
    let reply = inspector.call("POST", "/api/1/entries/batch", batch);
    assert_eq!(
        (reply.status, &reply.json()["where"]),
        (422, &json!("2.hung")),
        "{:?}",
        reply.json()
    );
    assert_eq!(revision(), before + 1);
    let batch = json!({"entries": [registered("A-4"), registered("A-5"), placed("A-4", "2026-05-20")]});
    let receipts = inspector.good("POST", "/api/1/entries/batch", batch)["receipts"].clone();
    assert_eq!(receipts.as_array().unwrap().len(), 3);
    assert_eq!(revision(), before + 4);
    assert_eq!(
        inspector.refused("POST", "/api/1/entries/batch", json!({"entries": []})),
        (422, "bad-field".into())
    );
    assert_eq!(
        inspector
            .refused("POST", "/api/1/entries", json!({"kind": "x"}))
            .0,
        400
    );
}

impl Office {
    fn lead_revision(&self, lead: &common::Browser) -> u64 {
        lead.clone().get("/api/1/me")["revision"].as_u64().unwrap()
    }
}

#[test]
fn the_journal_is_read_page_by_page_and_verified() {
    let office = Office::new();
    let mut lead = office.lead();
    for i in 0..7 {
        let body = json!({"trap": format!("A-{i}"), "device": "prism", "note": format!("100% number {i}")});
        lead.good(
            "POST",
            "/api/1/entries",
            json!({"kind": "trap-registered", "version": 1, "body": body}),
        );
    }
    let page = lead.get("/api/1/journal?kind=trap-registered&limit=3");
    let words = |page: &Value| -> Vec<String> {
        page["entries"]
            .as_array()
            .unwrap()
            .iter()
            .map(|e| e["subjects"][0].as_str().unwrap().to_owned())
            .collect()
    };
    assert_eq!(words(&page), ["trap:A-6", "trap:A-5", "trap:A-4"]);
    assert_eq!(page["more"], true);
    let last = page["entries"][2]["entry"].as_str().unwrap();
    let page = lead.get(&format!(
        "/api/1/journal?kind=trap-registered&limit=5&before={last}"
    ));
    assert_eq!(words(&page), ["trap:A-3", "trap:A-2", "trap:A-1", "trap:A-0"]);
    assert_eq!(page["more"], false);
    assert_eq!(words(&lead.get("/api/1/journal?subject=trap:A-2")), ["trap:A-2"]);
    assert_eq!(
        words(&lead.get("/api/1/journal?text=100%25%20NUMBER%205")),
        ["trap:A-5"]
    );
    assert_eq!(
        words(&lead.get("/api/1/journal?person=p-99")),
        Vec::<String>::new()
    );
    assert_eq!(
        lead.refused("GET", "/api/1/journal?before=yesterday", Value::Null),
        (400, "bad-query".into())
    );
    assert_eq!(
        lead.refused("GET", "/api/1/journal/nothing", Value::Null),
        (404, "not-found".into())
    );
    let verified = lead.get("/api/1/journal/verify");
    assert_eq!(verified["sound"], true, "{verified}");
    assert_eq!(verified["entries"], lead.get("/api/1/me")["revision"]);
    assert_eq!(lead.get("/api/1/conflicts?all=true")["conflicts"], json!([]));
}

#[test]
fn photos_are_what_they_are_and_nothing_else_is_given_out() {
    let office = Office::new();
    let mut lead = office.lead();
    let mut jpeg = vec![0xff, 0xd8, 0xff, 0xe0];
    jpeg.resize(200_000, 7);
    let reply = lead.send("POST", "/api/1/attachments", "image/jpeg", Some(&jpeg));
    let kept = reply.json();
    assert_eq!(
        (&kept["bytes"], &kept["media_type"]),
        (&json!(200_000), &json!("image/jpeg")),
        "{kept}"
    );
    let path = format!("/api/1/attachments/{}", kept["hash"].as_str().unwrap());
    let back = lead.call("GET", &path, Value::Null);
    assert_eq!(
        (back.status, &back.headers["content-type"]),
        (200, &"image/jpeg".to_owned())
    );
    assert!(back.headers["content-disposition"].contains(".jpg"));
    assert!(back.bytes == jpeg);
    assert_eq!(
        office.browser().refused("GET", &path, Value::Null),
        (401, "signed-out".into())
    );
    let html = lead.send(
        "POST",
        "/api/1/attachments",
        "image/jpeg",
        Some(b"<script>alert(1)</script>"),
    );
    assert_eq!((html.status, html.code().as_str()), (415, "no-picture"));
    let huge = lead.send(
        "POST",
        "/api/1/attachments",
        "image/jpeg",
        Some(&vec![0xff; (16 << 20) + 1]),
    );
    assert_eq!((huge.status, huge.code().as_str()), (413, "too-large"));
    // Contents of other sorts are in the file too: not for this call.
    let other = earlywood_journal::Programme::open(&office.path)
        .unwrap()
        .attach(b"{\"salt\":1}")
        .unwrap();
    assert_eq!(
        lead.refused("GET", &format!("/api/1/attachments/{other}"), Value::Null),
        (404, "not-found".into())
    );
}

#[test]
fn who_people_are_is_told_to_those_who_need_it_and_can_be_erased() {
    let office = Office::new();
    let mut lead = office.lead();
    let mut clerk = office.invited(&mut lead, "p-clerk");
    let mut inspector = office.invited(&mut lead, "p-inspector");
    let path = "/api/1/people/p-inspector/personal";
    clerk.good("PUT", path, json!({"name": "Ines Alder", "phone": "555 0100"}));
    let row = |people: Value, who: &str| {
        people["people"]
            .as_array()
            .unwrap()
            .iter()
            .find(|p| p["person"] == who)
            .unwrap()
            .clone()
    };
    assert_eq!(
        row(clerk.get("/api/1/people"), "p-inspector")["personal"]["name"],
        "Ines Alder"
    );
    let own = row(inspector.get("/api/1/people"), "p-inspector");
    assert_eq!(
        (&own["personal"]["phone"], &own["has_account"]),
        (&json!("555 0100"), &json!(true))
    );
    clerk.good(
        "PUT",
        "/api/1/people/p-supervisor/personal",
        json!({"name": "Sam Birch"}),
    );
    let supervisor = row(inspector.get("/api/1/people"), "p-supervisor");
    assert_eq!(
        (&supervisor["personal"], &supervisor["has_account"]),
        (&Value::Null, &json!(false))
    );
    assert_eq!(
        inspector.refused("GET", "/api/1/people/p-supervisor/personal", Value::Null),
        (403, "not-entitled".into())
    );
    assert_eq!(inspector.get("/api/1/me")["name"], "Ines Alder");
    inspector.good("PUT", path, json!({"name": "I. Alder"}));
    assert_eq!(
        inspector.get(path),
        json!({"name": "I. Alder"}),
        "what is left out is no longer known"
    );
    assert_eq!(
        inspector.refused("DELETE", path, Value::Null),
        (403, "not-entitled".into())
    );
    clerk.good("DELETE", path, Value::Null);
    assert_eq!(clerk.get(path), json!({}));
    let authority = json!({"kind": "authority-granted", "version": 1, "body": {"person": "p-identifier", "taxa": ["*"],
        "up_to": "confirmed", "from": "2026-01-01", "granted_by": "lead"}});
    lead.good("POST", "/api/1/entries", authority);
    let granted = row(lead.get("/api/1/people"), "p-identifier")["authorities"].clone();
    assert_eq!(granted[0]["up_to"], "confirmed");
    let unknown = lead.call("PUT", "/api/1/people/p-99/personal", json!({"name": "Nobody"}));
    assert_eq!(unknown.status, 422);
}
