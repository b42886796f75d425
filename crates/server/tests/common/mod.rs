//! An office on loopback, and browsers that are no more than their cookies.
#![allow(dead_code, unreachable_pub, clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use earlywood_journal::{Act, PersonEnrolled, Programme, Role};
use earlywood_server::{Config, OfficeConfig, Opened, Server};
use serde_json::{Value, json};

pub const LEAD: &str = "lead";
pub const PASSWORD: &str = "nine wet boots dry";
pub const TODAY: &str = "2026-06-01";

pub const ROLES: [(&str, Role); 6] = [
    ("lead", Role::Lead),
    ("supervisor", Role::Supervisor),
    ("inspector", Role::Inspector),
    ("identifier", Role::Identifier),
    ("clerk", Role::Clerk),
    ("partner", Role::Partner),
];

pub fn act() -> Act {
    // The day before TODAY: the office's clock has the day of TODAY and this moment's time of day, and a device whose
    // clock went back is listed.
    let now = "2026-05-31T09:00:00-07:00[-07:00]";
    Act::new(LEAD, now.parse().unwrap()).unwrap()
}

/// A running office. It stops when it is dropped.
pub struct Office {
    pub url: String,
    pub port: u16,
    pub code: Option<String>,
    pub path: PathBuf,
    dir: Option<tempfile::TempDir>,
    stop: Option<tokio::sync::oneshot::Sender<()>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

/// A programme whose people are called after their roles ("p-supervisor"); the founder is the lead.
pub fn staffed(dir: &std::path::Path) -> PathBuf {
    let path = dir.join("office.earlywood");
    let mut p = Programme::create(&path, "Alder Reach", &act()).unwrap();
    for (word, role) in ROLES.into_iter().skip(1) {
        let person = PersonEnrolled {
            person: format!("p-{word}"),
            roles: vec![role],
            from: "2026-01-01".parse().unwrap(),
            to: None,
        };
        p.enrol_person(&act(), person).unwrap();
    }
    path
}

pub fn person_of(role: &str) -> String {
    match role {
        "lead" => LEAD.into(),
        role => format!("p-{role}"),
    }
}

impl Office {
    pub fn new() -> Self {
        Self::with(|_| {})
    }

    pub fn with(set: impl FnOnce(&mut OfficeConfig)) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let path = staffed(dir.path());
        let mut office = Self::over(path, set);
        office.dir = Some(dir);
        office
    }

    pub fn over(path: PathBuf, set: impl FnOnce(&mut OfficeConfig)) -> Self {
        let mut config = OfficeConfig {
            today: Some(TODAY.parse().unwrap()),
            ..OfficeConfig::default()
        };
        set(&mut config);
        let (told, hear) = std::sync::mpsc::channel();
        let (stop, stopped) = tokio::sync::oneshot::channel();
        let file = path.clone();
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_multi_thread()
                .worker_threads(2)
                .enable_all()
                .build()
                .unwrap();
            runtime.block_on(async {
                let opened = Opened::new(Programme::open(&file).unwrap(), config).unwrap();
                let server = Server::office(&opened, "127.0.0.1:0".parse().unwrap(), Config::default(), None)
                    .await
                    .unwrap();
                told.send((server.address().port(), opened.first_run_code()))
                    .unwrap();
                server.run(async { drop(stopped.await) }).await;
            });
        });
        let (port, code) = hear.recv().unwrap();
        Office {
            url: format!("http://127.0.0.1:{port}"),
            port,
            code,
            path,
            dir: None,
            stop: Some(stop),
            thread: Some(thread),
        }
    }

    /// Stops it and gives the folder, so that it can be opened again.
    pub fn stop(mut self) -> Option<tempfile::TempDir> {
        let dir = self.dir.take();
        drop(self);
        dir
    }

    pub fn browser(&self) -> Browser {
        Browser::of(self.url.clone())
    }

    /// The lead, signed in by the first-run code.
    pub fn lead(&self) -> Browser {
        let mut lead = self.browser();
        let code = self.code.clone().unwrap();
        let me = lead.good(
            "POST",
            "/api/1/first-run",
            json!({"code": code, "person": LEAD, "password": PASSWORD}),
        );
        lead.csrf = me["csrf"].as_str().map(str::to_owned);
        lead
    }

    /// A person invited by the lead, signed in.
    pub fn invited(&self, lead: &mut Browser, person: &str) -> Browser {
        let code = lead.good("POST", "/api/1/accounts/invite", json!({"person": person}))["code"].clone();
        let mut browser = self.browser();
        let me = browser.good(
            "POST",
            "/api/1/accounts/accept",
            json!({"code": code, "password": PASSWORD}),
        );
        browser.csrf = me["csrf"].as_str().map(str::to_owned);
        browser
    }
}

impl Drop for Office {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

#[derive(Debug, Clone)]
pub struct Reply {
    pub status: u16,
    pub headers: BTreeMap<String, String>,
    pub bytes: Vec<u8>,
}

impl Reply {
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.bytes)
            .unwrap_or_else(|_| panic!("{}: {}", self.status, String::from_utf8_lossy(&self.bytes)))
    }

    pub fn code(&self) -> String {
        self.json()["code"].as_str().unwrap_or_default().to_owned()
    }
}

/// A browser: its cookie, its page's token, and where its requests say they come from.
#[derive(Clone)]
pub struct Browser {
    agent: ureq::Agent,
    pub url: String,
    pub cookie: Option<String>,
    pub csrf: Option<String>,
    pub extra: Vec<(String, String)>,
}

impl Browser {
    pub fn of(url: String) -> Self {
        let config = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .proxy(None)
            .timeout_global(Some(Duration::from_secs(60)))
            .allow_non_standard_methods(true)
            .build();
        Browser {
            agent: config.into(),
            url,
            cookie: None,
            csrf: None,
            extra: Vec::new(),
        }
    }

    pub fn send(&mut self, method: &str, path: &str, kind: &str, body: Option<&[u8]>) -> Reply {
        let mut request = ureq::http::Request::builder()
            .method(method)
            .uri(format!("{}{path}", self.url));
        if let Some(cookie) = &self.cookie {
            request = request.header("cookie", format!("earlywood-session={cookie}"));
        }
        if let Some(csrf) = &self.csrf {
            request = request.header("x-earlywood-csrf", csrf);
        }
        for (name, value) in &self.extra {
            request = request.header(name, value);
        }
        let done = match body {
            Some(body) => self
                .agent
                .run(request.header("content-type", kind).body(body).unwrap()),
            None => self.agent.run(request.body(()).unwrap()),
        };
        let mut response = done.unwrap();
        let text = |value: &ureq::http::HeaderValue| value.to_str().unwrap().to_owned();
        if let Some(cookie) = response.headers().get("set-cookie").map(text) {
            let value = cookie
                .split(';')
                .next()
                .unwrap()
                .split_once('=')
                .unwrap()
                .1
                .to_owned();
            self.cookie = Some(value).filter(|value| !value.is_empty());
        }
        Reply {
            status: response.status().as_u16(),
            headers: response
                .headers()
                .iter()
                .map(|(name, value)| (name.to_string(), text(value)))
                .collect(),
            bytes: response
                .body_mut()
                .with_config()
                .limit(64 << 20)
                .read_to_vec()
                .unwrap(),
        }
    }

    pub fn call(&mut self, method: &str, path: &str, body: Value) -> Reply {
        match body {
            Value::Null => self.send(method, path, "application/json", None),
            body => self.send(
                method,
                path,
                "application/json",
                Some(body.to_string().as_bytes()),
            ),
        }
    }

    pub fn good(&mut self, method: &str, path: &str, body: Value) -> Value {
        let reply = self.call(method, path, body);
        assert_eq!(
            reply.status,
            200,
            "{method} {path}: {}",
            String::from_utf8_lossy(&reply.bytes)
        );
        reply.json()
    }

    pub fn get(&mut self, path: &str) -> Value {
        self.good("GET", path, Value::Null)
    }

    /// Status and code of a refusal.
    pub fn refused(&mut self, method: &str, path: &str, body: Value) -> (u16, String) {
        let reply = self.call(method, path, body);
        assert!(
            reply.status >= 400,
            "{method} {path}: {}",
            String::from_utf8_lossy(&reply.bytes)
        );
        (reply.status, reply.code())
    }
}
