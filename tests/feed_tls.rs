//! The feed over TLS: a certificate that is not trusted ends the delivery before the token is sent.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod feed_support;

use feed_support::{many, memory, tell};
use fettle::feed::backoff::Policy;
use fettle::feed::post::{PostError, Sender};
use fettle::feed::target::{Target, Token};
use rustls::pki_types::PrivateKeyDer;
use std::io::{Read, Write};
use std::net::TcpListener;
use std::sync::{Arc, Mutex};

/// A server for `localhost` with a certificate of its own; its port, the certificate as PEM, and everything it
/// could decrypt.
fn serve() -> (u16, String, Arc<Mutex<Vec<u8>>>) {
    let made = rcgen::generate_simple_self_signed(["localhost".to_owned()]).unwrap();
    let key = PrivateKeyDer::try_from(made.signing_key.serialize_der()).unwrap();
    let config = rustls::ServerConfig::builder_with_provider(rustls::crypto::ring::default_provider().into())
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![made.cert.der().clone()], key)
        .unwrap();
    let config = Arc::new(config);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let heard = Arc::new(Mutex::new(Vec::new()));
    let ears = Arc::clone(&heard);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let session = rustls::ServerConnection::new(Arc::clone(&config)).unwrap();
            let mut tls = rustls::StreamOwned::new(session, stream.unwrap());
            let mut bytes = [0; 4096];
            // A client that does not trust us ends the handshake: that is what is looked for.
            while let Ok(read @ 1..) = tls.read(&mut bytes) {
                let mut ears = ears.lock().unwrap();
                ears.extend_from_slice(&bytes[..read]);
                if ears.ends_with(b"}\n") && tls.write_all(b"HTTP/1.1 204 Done\r\n\r\n").is_err() {
                    break;
                }
            }
        }
    });
    (port, made.cert.pem(), heard)
}

#[test]
fn only_a_trusted_receiver_hears_the_token() {
    let (port, certificate, heard) = serve();
    let db = memory();
    tell(&db, many(3));
    let target = |host: &str| {
        let token = Token::new("s3cret", "a test").unwrap();
        Target::new(&format!("https://{host}:{port}/feed"), Some(token)).unwrap()
    };
    let deliver = |host: &str, trust: Option<&str>| {
        let mut sender = Sender::new(target(host), Policy::default(), trust.map(str::as_bytes))?;
        sender.deliver(&db, None, 500, &mut |_| {})
    };
    // Not repeated: the default policy would take seconds.
    let started = std::time::Instant::now();
    for (host, trust) in [("localhost", None), ("127.0.0.1", Some(certificate.as_str()))] {
        let error = deliver(host, trust).unwrap_err();
        assert!(matches!(error, PostError::Unusable { .. }), "{error}");
        assert!(error.to_string().to_lowercase().contains("certificate"), "{error}");
    }
    assert!(started.elapsed() < std::time::Duration::from_secs(2));
    assert!(heard.lock().unwrap().is_empty(), "nothing was said before the handshake held");
    assert!(matches!(deliver("localhost", Some("no certificate")).unwrap_err(), PostError::Certificates));

    assert_eq!(deliver("localhost", Some(&certificate)).unwrap().events, 3);
    let heard = String::from_utf8(heard.lock().unwrap().clone()).unwrap();
    assert!(heard.to_lowercase().contains("authorization: bearer s3cret\r\n"), "{heard}");
    assert!(heard.contains("POST /feed HTTP/1.1\r\n") && heard.contains("\"cursor\":3"), "{heard}");
}
