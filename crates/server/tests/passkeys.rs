//! Passkeys with an authenticator in software, and encrypted connections.
#![allow(clippy::unwrap_used)]

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;

use crate::common;
use crate::common::{Browser, LEAD, Office};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as B64;
use earlywood_journal::Programme;
use earlywood_server::{Config, OfficeConfig, Opened, Server, Tls};
use p256::ecdsa::signature::Signer;
use p256::ecdsa::{Signature, SigningKey};
use serde_json::{Value, json};
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};

fn sha256(bytes: &[u8]) -> [u8; 32] {
    use sha2::Digest;
    sha2::Sha256::digest(bytes).into()
}

/// What a phone or key does for a browser: one key pair, user presence and verification always given.
struct Authenticator {
    key: SigningKey,
    id: Vec<u8>,
    origin: String,
    count: u32,
}

impl Authenticator {
    fn new(origin: &str, seed: u8) -> Self {
        Authenticator {
            key: SigningKey::from_slice(&[seed; 32]).unwrap(),
            id: vec![seed; 32],
            origin: origin.to_owned(),
            count: 0,
        }
    }

    fn client_data(&self, kind: &str, options: &Value) -> Vec<u8> {
        json!({"type": kind, "challenge": options["challenge"], "origin": self.origin, "crossOrigin": false})
            .to_string()
            .into_bytes()
    }

    /// RP id hash, flags, count (WebAuthn level 3, section 6.1).
    fn data(&mut self, rp: &str, flags: u8) -> Vec<u8> {
        self.count += 1;
        [&sha256(rp.as_bytes())[..], &[flags], &self.count.to_be_bytes()].concat()
    }

    /// Attestation "none" with the public key in COSE (section 6.5.1.1), CBOR by hand.
    fn register(&mut self, options: &Value) -> Value {
        let rp = options["rp"]["id"].as_str().unwrap().to_owned();
        let point = self.key.verifying_key().to_sec1_point(false);
        let point = point.as_bytes();
        let mut cose = vec![0xa5, 0x01, 0x02, 0x03, 0x26, 0x20, 0x01, 0x21, 0x58, 0x20];
        cose.extend(&point[1..33]);
        cose.extend([0x22, 0x58, 0x20]);
        cose.extend(&point[33..65]);
        // Present, verified, with a credential.
        let mut data = self.data(&rp, 0b0100_0101);
        data.extend([0; 16]);
        data.extend(u16::try_from(self.id.len()).unwrap().to_be_bytes());
        data.extend(&self.id);
        data.extend(&cose);
        let mut object = vec![0xa3, 0x63];
        object.extend(b"fmt\x64none");
        object.push(0x67);
        object.extend(b"attStmt");
        object.push(0xa0);
        object.push(0x68);
        object.extend(b"authData");
        object.extend([0x58, u8::try_from(data.len()).unwrap()]);
        object.extend(&data);
        json!({"id": B64.encode(&self.id), "rawId": B64.encode(&self.id), "type": "public-key",
            "clientExtensionResults": {},
            "response": {"attestationObject": B64.encode(object),
                "clientDataJSON": B64.encode(self.client_data("webauthn.create", options)), "transports": ["internal"]}})
    }

    fn sign_in(&mut self, options: &Value) -> Value {
        let rp = options["rpId"].as_str().unwrap().to_owned();
        let data = self.data(&rp, 0b0000_0101);
        let client = self.client_data("webauthn.get", options);
        let signature: Signature = self.key.sign(&[&data[..], &sha256(&client)].concat());
        json!({"id": B64.encode(&self.id), "rawId": B64.encode(&self.id), "type": "public-key",
            "clientExtensionResults": {},
            "response": {"authenticatorData": B64.encode(data), "clientDataJSON": B64.encode(client),
                "signature": B64.encode(signature.to_der()), "userHandle": null}})
    }
}

/// The same office, reached by the name that may have passkeys.
fn by_name(browser: &Browser, office: &Office) -> (Browser, String) {
    let mut browser = browser.clone();
    let host = format!("localhost:{}", office.port);
    browser.extra = vec![("host".into(), host.clone())];
    (browser, format!("http://{host}"))
}

#[test]
fn a_passkey_is_made_used_and_removed() {
    let office = Office::new();
    let lead = office.lead();
    let mut by_address = lead.clone();
    let refused = by_address.refused("POST", "/api/1/passkeys/register/begin", json!({}));
    assert_eq!(refused, (409, "no-passkeys-here".into()));
    let (mut lead, origin) = by_name(&lead, &office);
    let mut device = Authenticator::new(&origin, 3);
    let options = lead.good("POST", "/api/1/passkeys/register/begin", json!({}));
    assert_eq!(
        (&options["rp"]["id"], &options["user"]["name"]),
        (&json!("localhost"), &json!(LEAD))
    );
    let credential = device.register(&options);
    let finish = json!({"label": "field laptop", "credential": credential});
    let row = lead.good("POST", "/api/1/passkeys/register/finish", finish.clone());
    assert_eq!(row["label"], "field laptop");
    assert_eq!(
        lead.refused("POST", "/api/1/passkeys/register/finish", finish).0,
        409,
        "an answer counts once"
    );
    assert_eq!(
        lead.get("/api/1/me")["passkeys"],
        json!({"possible": true, "count": 1})
    );

    let (mut visitor, _) = by_name(&office.browser(), &office);
    let begin = json!({"person": LEAD});
    let options = visitor.good("POST", "/api/1/passkeys/sign-in/begin", begin.clone());
    let answer = json!({"credential": device.sign_in(&options)});
    let me = visitor.good("POST", "/api/1/passkeys/sign-in/finish", answer.clone());
    assert_eq!(me["person"], LEAD);
    visitor.get("/api/1/people");
    assert_eq!(
        visitor
            .refused("POST", "/api/1/passkeys/sign-in/finish", answer)
            .0,
        409,
        "not twice"
    );
    assert!(lead.get("/api/1/passkeys")["passkeys"][0]["used_at"].is_string());

    // Another page's answer, another key's, and somebody without any.
    let options = visitor.good("POST", "/api/1/passkeys/sign-in/begin", begin.clone());
    device.origin = "http://localhost.example".into();
    let reply = visitor.call(
        "POST",
        "/api/1/passkeys/sign-in/finish",
        json!({"credential": device.sign_in(&options)}),
    );
    assert_eq!((reply.status, reply.code().as_str()), (403, "bad-passkey"));
    device.origin = origin.clone();
    let mut thief = Authenticator::new(&origin, 4);
    thief.id = device.id.clone();
    let options = visitor.good("POST", "/api/1/passkeys/sign-in/begin", begin.clone());
    let reply = visitor.call(
        "POST",
        "/api/1/passkeys/sign-in/finish",
        json!({"credential": thief.sign_in(&options)}),
    );
    assert_eq!((reply.status, reply.code().as_str()), (403, "bad-passkey"));
    let of_nobody = visitor.good(
        "POST",
        "/api/1/passkeys/sign-in/begin",
        json!({"person": "p-nobody"}),
    );
    let keys = |options: &Value| -> Vec<String> { options.as_object().unwrap().keys().cloned().collect() };
    assert_eq!(keys(&of_nobody), keys(&options), "it looks like anybody's");
    let again = visitor.good(
        "POST",
        "/api/1/passkeys/sign-in/begin",
        json!({"person": "p-nobody"}),
    );
    assert_eq!(again["allowCredentials"], of_nobody["allowCredentials"]);

    let path = format!("/api/1/passkeys/{}", row["id"].as_str().unwrap());
    lead.good("DELETE", &path, Value::Null);
    assert_eq!(
        lead.refused("DELETE", &path, Value::Null),
        (404, "not-found".into())
    );
    let options = visitor.good("POST", "/api/1/passkeys/sign-in/begin", begin);
    let reply = visitor.call(
        "POST",
        "/api/1/passkeys/sign-in/finish",
        json!({"credential": device.sign_in(&options)}),
    );
    assert_eq!(reply.status, 409, "it is gone");
}

#[test]
fn with_a_certificate_all_is_encrypted_and_cookies_are_secure() {
    let dir = tempfile::tempdir().unwrap();
    let path = common::staffed(dir.path());
    let made = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let (certificate, key) = (dir.path().join("cert.pem"), dir.path().join("key.pem"));
    std::fs::write(&certificate, made.cert.pem()).unwrap();
    std::fs::write(&key, made.signing_key.serialize_pem()).unwrap();
    assert!(Tls::read(&key, &certificate).is_err(), "the wrong way round");
    let tls = Tls::read(&certificate, &key).unwrap();
    let (told, hear) = std::sync::mpsc::channel();
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let thread = std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .build()
            .unwrap();
        runtime.block_on(async {
            let config = OfficeConfig {
                tls: true,
                today: Some(common::TODAY.parse().unwrap()),
                ..OfficeConfig::default()
            };
            let opened = Opened::new(Programme::open(&path).unwrap(), config).unwrap();
            let server = Server::office(
                &opened,
                "127.0.0.1:0".parse().unwrap(),
                Config::default(),
                Some(tls),
            )
            .await
            .unwrap();
            told.send((server.address(), opened.first_run_code().unwrap()))
                .unwrap();
            server.run(async { drop(stopped.await) }).await;
        });
    });
    let (address, code) = hear.recv().unwrap();
    let mut roots = RootCertStore::empty();
    roots.add(CertificateDer::from(made.cert.der().to_vec())).unwrap();
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    let body = json!({"code": code, "person": LEAD, "password": common::PASSWORD}).to_string();
    let host = format!("localhost:{}", address.port());
    let connection =
        ClientConnection::new(Arc::new(config), ServerName::try_from("localhost").unwrap()).unwrap();
    let mut stream = StreamOwned::new(connection, TcpStream::connect(address).unwrap());
    write!(
        stream,
        "POST /api/1/first-run HTTP/1.1\r\nhost: {host}\r\norigin: https://{host}\r\nconnection: close\r\n\
         content-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    )
    .unwrap();
    let mut reply = String::new();
    stream.read_to_string(&mut reply).unwrap();
    assert!(reply.starts_with("HTTP/1.1 200"), "{reply}");
    let cookie = reply
        .lines()
        .find(|line| line.starts_with("set-cookie:"))
        .unwrap();
    assert!(cookie.ends_with("; Secure"), "{cookie}");
    assert!(reply.contains("\"secure\":true"));
    // Without TLS nothing is said.
    let mut plain = TcpStream::connect(address).unwrap();
    plain
        .write_all(b"GET /api/1/me HTTP/1.1\r\nhost: localhost\r\n\r\n")
        .unwrap();
    let mut answer = Vec::new();
    let _ = plain.read_to_end(&mut answer);
    assert!(!answer.starts_with(b"HTTP"));
    drop(stop);
    thread.join().unwrap();
}
