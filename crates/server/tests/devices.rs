//! A phone becomes a device by a code, gives what it has, and asks for its day.
#![allow(clippy::unwrap_used)]

use std::time::Duration;

use crate::common;
use crate::common::{Browser, Office, PASSWORD, Reply, person_of};
use earlywood_journal::sync::{Limit, Limits, Offer, Scope, encode, hex};
use earlywood_journal::{DeviceKey, Hash, Programme};
use earlywood_server::{enrol_message, reply_message, request_message};
use serde_json::{Value, json};
use uuid::Uuid;

/// A phone: a key, and what it was told of the office.
struct Phone {
    key: DeviceKey,
    programme: Uuid,
    browser: Browser,
}

impl Phone {
    fn new(office: &Office, seed: u8) -> Self {
        let programme = Programme::open_read_only(&office.path).unwrap().id().unwrap();
        Phone {
            key: DeviceKey::from_seed(Uuid::now_v7(), [seed; 32]),
            programme,
            browser: office.browser(),
        }
    }

    fn enrolment(&self, code: &str) -> Value {
        let message = enrol_message(self.programme, self.key.device(), &self.key.public().0, code);
        json!({"code": code, "device": self.key.device(), "key": self.key.public().to_string(),
            "signature": hex(&self.key.sign_message(&message))})
    }

    fn enrol(&mut self, code: &str) -> Reply {
        let body = self.enrolment(code);
        self.browser.call("POST", "/api/1/devices/enrol", body)
    }

    /// A signed call; the reply's signature is checked with the office's key.
    fn signed(&mut self, path: &str, call: &str, body: &[u8], office: &Value) -> Reply {
        let device = self.key.device();
        let challenge = self
            .browser
            .good("POST", "/api/1/sync/challenge", json!({"device": device}))["challenge"]
            .clone();
        let challenge = challenge.as_str().unwrap().parse::<Hash>().unwrap().0;
        let message = request_message(self.programme, device, call, &challenge, Hash::of(body));
        let mut browser = self.browser.clone();
        browser.extra = vec![
            ("earlywood-programme".into(), self.programme.to_string()),
            ("earlywood-device".into(), device.to_string()),
            ("earlywood-challenge".into(), hex(&challenge)),
            ("earlywood-body-hash".into(), Hash::of(body).to_string()),
            (
                "earlywood-signature".into(),
                hex(&self.key.sign_message(&message)),
            ),
            ("accept-encoding".into(), "identity".into()),
        ];
        let reply = browser.send("POST", path, "application/x-ndjson", Some(body));
        if reply.status == 200 {
            let accepted = reply
                .headers
                .get("earlywood-accepted")
                .cloned()
                .unwrap_or_default();
            let server: Uuid = office["server"]["device"].as_str().unwrap().parse().unwrap();
            let message = reply_message(
                self.programme,
                server,
                &challenge,
                &accepted,
                Hash::of(&reply.bytes),
            );
            let key: earlywood_journal::PublicKey =
                office["server"]["key"].as_str().unwrap().parse().unwrap();
            let signature = earlywood_journal::sync::unhex(&reply.headers["earlywood-signature"]).unwrap();
            assert!(
                key.signed_message(&message, &<[u8; 64]>::try_from(signature).unwrap()),
                "{path}"
            );
        }
        reply
    }
}

fn code_for(lead: &mut Browser, person: &str) -> String {
    let code = lead.good("POST", "/api/1/devices/code", json!({"person": person}));
    assert!(code["link"].as_str().unwrap().contains("/phone#"));
    let text = code["code"].as_str().unwrap().to_owned();
    assert!(
        text.len() == 8 && !text.contains(['0', 'O', '1', 'I', 'L']),
        "{text}"
    );
    text
}

#[test]
fn a_code_enrols_one_device_once() {
    let office = Office::new();
    let mut lead = office.lead();
    let inspector = person_of("inspector");
    lead.good(
        "PUT",
        "/api/1/people/p-inspector/personal",
        json!({"name": "Ines Alder"}),
    );
    let code = code_for(&mut lead, &inspector);
    let mut phone = Phone::new(&office, 1);

    // Wrong in every way; none of it uses the code up.
    let refused = |phone: &mut Phone, body: Value| {
        let reply = phone.browser.call("POST", "/api/1/devices/enrol", body);
        (reply.status, reply.code())
    };
    let guessed = phone.enrolment("23456789");
    assert_eq!(refused(&mut phone, guessed), (403, "wrong-code".into()));
    let mut stolen = phone.enrolment(&code);
    stolen["key"] = json!(DeviceKey::from_seed(Uuid::nil(), [9; 32]).public().to_string());
    assert_eq!(refused(&mut phone, stolen), (422, "bad-field".into()));
    let mut other_device = phone.enrolment(&code);
    other_device["device"] = json!(Uuid::now_v7());
    assert_eq!(refused(&mut phone, other_device), (422, "bad-field".into()));

    let enrolled = phone.enrol(&code).json();
    assert_eq!(
        (&enrolled["person"], &enrolled["name"]),
        (&json!("p-inspector"), &json!("Ines Alder"))
    );
    assert_eq!(enrolled["programme"]["name"], "Alder Reach");
    let again = phone.enrol(&code);
    assert_eq!(again.json(), enrolled, "asked again because the answer was lost");
    let mut second = Phone::new(&office, 2);
    assert_eq!(
        second.enrol(&code).code(),
        "wrong-code",
        "another device can't use it"
    );

    let devices = lead.get("/api/1/devices")["devices"].clone();
    let row = |id: Uuid| {
        devices
            .as_array()
            .unwrap()
            .iter()
            .find(|d| d["device"] == json!(id))
            .cloned()
    };
    let own = row(phone.key.device()).unwrap();
    assert_eq!(
        (&own["holder"], &own["silent"], &own["this_office"]),
        (&json!("p-inspector"), &json!(false), &json!(false))
    );
    assert!(own["last_heard"].is_string());
    assert_eq!(row(second.key.device()), None);
    assert_eq!(devices.as_array().unwrap().len(), 2, "the office and one phone");
    let entry = lead.get("/api/1/journal?kind=device-enrolled")["entries"][0].clone();
    assert_eq!(
        (&entry["person"], &entry["body"]["holder"]),
        (&json!("lead"), &json!("p-inspector"))
    );
}

#[test]
fn a_code_runs_out_and_is_worth_nothing_without_its_maker() {
    let office = Office::with(|config| config.code_life = Duration::from_secs(1));
    let mut lead = office.lead();
    let code = code_for(&mut lead, "p-inspector");
    std::thread::sleep(Duration::from_millis(2100));
    let mut phone = Phone::new(&office, 1);
    assert_eq!(phone.enrol(&code).code(), "wrong-code");
    assert_eq!(
        lead.refused("POST", "/api/1/devices/code", json!({"person": "p-99"})),
        (422, "bad-field".into())
    );

    // A second lead makes a code and is no lead any more when it is used.
    let office = Office::new();
    let mut lead = office.lead();
    let enrol = |role: &str| {
        json!({"kind": "person-enrolled", "version": 1,
        "body": {"person": "p-second", "roles": [role], "from": "2026-01-01"}})
    };
    lead.good("POST", "/api/1/entries", enrol("lead"));
    let mut second = office.invited(&mut lead, "p-second");
    let code = code_for(&mut second, "p-inspector");
    lead.good("POST", "/api/1/entries", enrol("clerk"));
    let mut phone = Phone::new(&office, 1);
    let reply = phone.enrol(&code);
    assert_eq!(
        (reply.status, reply.code().as_str()),
        (403, "not-entitled"),
        "the code was made by who is no lead now"
    );
    lead.good("POST", "/api/1/entries", enrol("lead"));
    assert_eq!(
        phone.enrol(&code).status,
        200,
        "a code that was used in vain still counts"
    );
}

#[test]
fn guessing_codes_has_to_wait() {
    let office = Office::new();
    let mut lead = office.lead();
    let code = code_for(&mut lead, "p-inspector");
    let mut phone = Phone::new(&office, 1);
    let waits = (0..30)
        .map(|_| phone.enrol("23456789"))
        .find(|reply| reply.status == 429);
    assert_eq!(waits.unwrap().code(), "too-many-attempts");
    assert_eq!(phone.enrol(&code).status, 429, "the right one waits too");
}

#[test]
fn a_phone_gives_its_entries_and_asks_for_its_day() {
    let office = Office::new();
    let mut lead = office.lead();
    let mut phone = Phone::new(&office, 1);
    // A copy of the programme that writes with the phone's key stands for the phone's own store.
    let copy = office.path.with_file_name("phone.earlywood");
    let mut own = {
        let original = Programme::open_read_only(&office.path).unwrap();
        original.backup(&copy).unwrap();
        let mut own = Programme::open(&copy).unwrap();
        let request = own.join(jiff::Timestamp::now()).unwrap();
        phone.key = DeviceKey::read(&DeviceKey::path_beside(&copy)).unwrap().unwrap();
        assert_eq!(phone.key.device(), request.device);
        own
    };
    let code = code_for(&mut lead, "p-inspector");
    let told = phone.enrol(&code).json();
    own.take_all(
        jiff::Timestamp::now(),
        &Programme::open_read_only(&office.path).unwrap(),
    )
    .unwrap();
    let act = earlywood_journal::Act::new(
        "p-inspector",
        "2026-06-01T10:00:00-07:00[-07:00]".parse().unwrap(),
    )
    .unwrap();
    let trap = |label: &str| {
        earlywood_journal::Body::TrapRegistered(earlywood_journal::TrapRegistered {
            trap: label.into(),
            device: "prism".into(),
            note: None,
        })
    };
    own.append(&act, trap("A-1")).unwrap();
    own.append(&act, trap("A-2")).unwrap();
    let theirs = Offer {
        heads: Programme::open_read_only(&office.path)
            .unwrap()
            .offer()
            .unwrap()
            .heads,
        ..own.offer().unwrap()
    };
    let mut body = Vec::new();
    encode(
        &own.bundle(&theirs, Scope::Everything, Limit::default()).unwrap(),
        &mut body,
    )
    .unwrap();
    let reply = phone.signed("/api/1/sync/give", "give", &body, &told);
    assert_eq!(reply.status, 200, "{:?}", reply.json());
    assert!(
        reply.headers["earlywood-accepted"].contains("\"new\":2"),
        "{:?}",
        reply.headers
    );
    let offer = earlywood_journal::sync::decode_offer(reply.bytes.as_slice(), &Limits::default()).unwrap();
    assert!(
        offer
            .heads
            .iter()
            .any(|head| head.device == phone.key.device() && head.number == 2)
    );
    assert_eq!(
        lead.get("/api/1/journal?kind=trap-registered")["entries"]
            .as_array()
            .unwrap()
            .len(),
        2
    );

    let day = phone.signed("/api/1/phone/day", "day", b"{\"today\":\"2026-06-02\"}", &told);
    assert_eq!(
        (day.status, day.headers["content-type"].as_str()),
        (200, "application/json"),
        "{:?}",
        day.json()
    );
    let day = day.json();
    assert_eq!(
        (&day["today"], &day["person"], &day["roles"]),
        (&json!("2026-06-02"), &json!("p-inspector"), &json!(["inspector"]))
    );
    assert_eq!(
        phone.signed("/api/1/phone/day", "day", b"", &told).json()["today"],
        common::TODAY
    );
    let wrong = phone.signed("/api/1/phone/day", "day", b"{\"tomorrow\":1}", &told);
    assert_eq!((wrong.status, wrong.code().as_str()), (400, "bad-request"));
    let wrong = phone.signed("/api/1/phone/day", "give", b"", &told);
    assert_eq!((wrong.status, wrong.code().as_str()), (401, "bad-signature"));

    // Withdrawn, it is heard no more.
    let withdrawn = json!({"kind": "device-withdrawn", "version": 1,
        "body": {"device": phone.key.device(), "last_number": 2, "reason": "lost in a creek"}});
    lead.good("POST", "/api/1/entries", withdrawn);
    let lost = phone.signed("/api/1/phone/day", "day", b"", &told);
    assert_eq!((lost.status, lost.code().as_str()), (403, "not-enrolled"));
    let rows = lead.get("/api/1/devices")["devices"].clone();
    let row = rows
        .as_array()
        .unwrap()
        .iter()
        .find(|d| d["device"] == json!(phone.key.device()))
        .cloned()
        .unwrap();
    assert_eq!(
        (&row["withdrawn_after"], &row["silent"], &row["entries"]),
        (&json!(2), &json!(false), &json!(2))
    );
}

#[test]
fn when_a_device_was_heard_of_is_kept() {
    let office = Office::new();
    let mut lead = office.lead();
    let mut phone = Phone::new(&office, 1);
    let code = code_for(&mut lead, "p-inspector");
    assert_eq!(phone.enrol(&code).status, 200);
    let (path, before) = (office.path.clone(), lead.get("/api/1/devices"));
    let _dir = office.stop();
    let office = Office::over(path, |_| {});
    let mut lead = office.browser();
    lead.good(
        "POST",
        "/api/1/sign-in",
        json!({"person": "lead", "password": PASSWORD}),
    );
    assert_eq!(lead.get("/api/1/devices"), before);
}
