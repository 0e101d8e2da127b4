//! Sends batches of events over HTTP until the receiver has said that it has them.
//!
//! A batch is NDJSON (`application/x-ndjson`) with an `Idempotency-Key` made of its first cursor, last
//! cursor and hash, so that the same batch sent again carries the same key. Delivery is at least once:
//! a batch whose answer got lost is sent again, and ids with revisions make that harmless.
//!
//! | answer                                   | then                                              |
//! |------------------------------------------|---------------------------------------------------|
//! | 2xx, whole                               | the cursor is written as acknowledged             |
//! | 408, 429, 5xx, no or half an answer      | the same batch again, see [`super::backoff`]      |
//! | other 4xx, a certificate not trusted     | stop, with the server's words                     |
//! | 3xx                                      | stop: no redirect is followed, so no token strays |

use super::backoff::{Policy, Step, http_date, retry_after, step};
use super::delivery::{acknowledge, acknowledged};
use super::event::Event;
use super::outbox::{OutboxError, Scope, since};
use super::target::{Target, quoted};
use rusqlite::Connection;
use std::hash::{BuildHasher, RandomState};
use std::io::Read;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use ureq::tls::{Certificate, PemItem, RootCerts, TlsConfig, parse_pem};
use ureq::{Agent, Body, http::Response};

/// Events in a batch unless asked otherwise.
pub const BATCH: usize = 500;

/// Most bytes of an answer that are read.
const ANSWER_LONGEST: u64 = 64 * 1024;

/// Why a delivery stopped. What was acknowledged before stays so; running it again resumes there.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PostError {
    /// The receiver does not want it.
    #[error("{origin} refused the batch with {status}: {words}; acknowledged up to cursor {acknowledged}")]
    Refused {
        /// Scheme, host and port.
        origin: String,
        /// HTTP status.
        status: u16,
        /// The server's words, made harmless.
        words: String,
        /// Cursor reached.
        acknowledged: i64,
    },
    /// The receiver is elsewhere.
    #[error("{origin} redirects ({status}) to {to}; redirects are not followed: give the final address")]
    Redirected {
        /// Scheme, host and port.
        origin: String,
        /// HTTP status.
        status: u16,
        /// Origin it points to.
        to: String,
    },
    /// Repeating did not help.
    #[error(
        "gave up on {origin} after {attempts} attempt(s), the last: {last}{wait}; acknowledged up to cursor \
         {acknowledged}, run it again later to go on from there"
    )]
    GaveUp {
        /// Scheme, host and port.
        origin: String,
        /// Requests made for this batch.
        attempts: u32,
        /// Why the last one failed.
        last: String,
        /// `; it asks to wait 900 s`, or nothing.
        wait: String,
        /// Cursor reached.
        acknowledged: i64,
    },
    /// TLS or the address cannot work however often it is tried.
    #[error("cannot send to {origin}: {why}")]
    Unusable {
        /// Scheme, host and port.
        origin: String,
        /// Why.
        why: String,
    },
    /// The certificates to trust are not readable as such.
    #[error("the file of certificates to trust holds no PEM certificate")]
    Certificates,
    /// The logbook.
    #[error(transparent)]
    Outbox(#[from] OutboxError),
}

/// What a delivery did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Delivered {
    /// Events the receiver said it has.
    pub events: usize,
    /// Batches they came in.
    pub batches: usize,
    /// Requests repeated.
    pub repeated: u32,
    /// Cursor up to which the receiver has everything.
    pub acknowledged: i64,
    /// Cursor behind which the sending began.
    pub from: i64,
    /// Cursor of the last event sent; `from` if there was none.
    pub to: i64,
}

impl Delivered {
    /// True if the sending began behind events that the receiver has not: it is not known to have what came between.
    #[must_use]
    pub fn left_out(&self) -> bool {
        self.from > self.acknowledged
    }
}

/// Sends to one receiver.
pub struct Sender {
    agent: Agent,
    target: Target,
    policy: Policy,
    random: Box<dyn FnMut() -> f64>,
    notice: Notice,
}

/// Told why a delivery waits, and for how long.
type Notice = Box<dyn FnMut(&str, Duration)>;

impl std::fmt::Debug for Sender {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Sender")
            .field("target", &self.target)
            .field("policy", &self.policy)
            .finish_non_exhaustive()
    }
}

impl Sender {
    /// A sender; with `trust` (PEM) only those certificates are trusted, else the public ones.
    ///
    /// # Errors
    /// If `trust` holds no certificate.
    pub fn new(target: Target, policy: Policy, trust: Option<&[u8]>) -> Result<Self, PostError> {
        let mut tls = TlsConfig::builder();
        if let Some(pem) = trust {
            let items: Result<Vec<PemItem<'static>>, ureq::Error> = parse_pem(pem).collect();
            let certificates: Vec<Certificate<'static>> = items
                .map_err(|_| PostError::Certificates)?
                .into_iter()
                .filter_map(|item| if let PemItem::Certificate(c) = item { Some(c) } else { None })
                .collect();
            if certificates.is_empty() {
                return Err(PostError::Certificates);
            }
            tls = tls.root_certs(RootCerts::from(certificates));
        }
        let mut config = Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .max_redirects_will_error(false)
            .timeout_global(Some(policy.request))
            .user_agent(concat!("fettle/", env!("CARGO_PKG_VERSION")))
            .tls_config(tls.build());
        if target.plain() {
            // A proxy would read an unencrypted token.
            config = config.proxy(None);
        }
        let agent = config.build().new_agent();
        Ok(Sender { agent, target, policy, random: Box::new(uniform), notice: Box::new(|_, _| {}) })
    }

    /// Scheme, host and port of the receiver.
    pub fn origin(&self) -> &str {
        self.target.origin()
    }

    /// The same with another source of random numbers in 0..1.
    #[must_use]
    pub fn with_random(mut self, random: impl FnMut() -> f64 + 'static) -> Self {
        self.random = Box::new(random);
        self
    }

    /// The same, telling before each wait why it waits and how long.
    #[must_use]
    pub fn with_notice(mut self, notice: impl FnMut(&str, Duration) + 'static) -> Self {
        self.notice = Box::new(notice);
        self
    }

    /// Sends everything after `from`, or after what this receiver acknowledged, in batches. After each
    /// batch the receiver has, its cursor is written and `progress` is told. A `from` beyond what was acknowledged
    /// leaves events out, so no cursor is written then: the next delivery would never send them.
    ///
    /// # Errors
    /// If the receiver refuses, cannot be reached within the policy, or the logbook fails.
    pub fn deliver(
        &mut self,
        connection: &Connection,
        from: Option<i64>,
        batch: usize,
        progress: &mut dyn FnMut(&Delivered),
    ) -> Result<Delivered, PostError> {
        let known = acknowledged(connection, self.target.id())?;
        let from = from.unwrap_or(known);
        let mut done = Delivered { acknowledged: known, from, to: from, ..Delivered::default() };
        loop {
            let events = since(connection, done.to, batch.max(1), Scope::History)?;
            let Some(last) = events.last().map(|e| e.cursor) else { break };
            done.repeated += self.send(&events, done.acknowledged)? - 1;
            if from <= known {
                acknowledge(connection, &self.target, last, now_us())?;
                done.acknowledged = known.max(last);
            }
            done =
                Delivered { events: done.events + events.len(), batches: done.batches + 1, to: last, ..done };
            progress(&done);
        }
        Ok(done)
    }

    /// Sends one batch until it is taken; how many requests it took.
    fn send(&mut self, events: &[Event], acknowledged: i64) -> Result<u32, PostError> {
        let (key, body) = envelope(events);
        let origin = self.target.origin().to_owned();
        let started = Instant::now();
        let mut attempt = 1;
        loop {
            let (last, asked) = match self.request(&key, &body) {
                Answer::Taken => return Ok(attempt),
                Answer::Refused(status, words) => {
                    return Err(PostError::Refused { origin, status, words, acknowledged });
                }
                Answer::Redirected(status, to) => return Err(PostError::Redirected { origin, status, to }),
                Answer::Unusable(why) => return Err(PostError::Unusable { origin, why }),
                Answer::Later(why, asked) => (why, asked),
            };
            let wait = match step(&self.policy, attempt, started.elapsed(), asked, (self.random)()) {
                Step::Wait(wait) => {
                    (self.notice)(&last, wait);
                    std::thread::sleep(wait);
                    attempt += 1;
                    continue;
                }
                Step::OutOfTime(_) if asked.is_some() => {
                    format!("; it asks to wait {} s", asked.unwrap_or_default().as_secs())
                }
                Step::OutOfTime(_) | Step::OutOfAttempts => String::new(),
            };
            return Err(PostError::GaveUp { origin, attempts: attempt, last, wait, acknowledged });
        }
    }

    fn request(&self, key: &str, body: &[u8]) -> Answer {
        let mut request = self
            .agent
            .post(self.target.uri.clone())
            .header("Content-Type", "application/x-ndjson")
            .header("Idempotency-Key", key);
        if let Some(token) = &self.target.token {
            request = request.header("Authorization", token.header());
        }
        match request.send(body) {
            Ok(response) => self.judge(response),
            Err(error) => self.failed(&error),
        }
    }

    fn judge(&self, mut response: Response<Body>) -> Answer {
        let status = response.status().as_u16();
        let header =
            |name: &str| response.headers().get(name).and_then(|v| v.to_str().ok()).map(str::to_owned);
        let (asked, date, location) = (header("Retry-After"), header("Date"), header("Location"));
        let mut words = Vec::new();
        let read = response.body_mut().as_reader().take(ANSWER_LONGEST).read_to_end(&mut words);
        let words = quoted(&String::from_utf8_lossy(&words), self.target.token.as_ref());
        let described = if words.is_empty() { status.to_string() } else { format!("{status}: {words}") };
        match status {
            200..=299 if read.is_ok() => Answer::Taken,
            200..=299 => Answer::Later(format!("the answer {status} broke off"), None),
            300..=399 => Answer::Redirected(status, origin_of(location.as_deref())),
            408 | 429 | 500..=599 => {
                // The server's own clock is the one its date was reckoned with.
                let now = date.as_deref().and_then(http_date).unwrap_or_else(|| now_us() / 1_000_000);
                Answer::Later(described, asked.as_deref().and_then(|value| retry_after(value, now)))
            }
            _ => Answer::Refused(status, if words.is_empty() { "no reason given".to_owned() } else { words }),
        }
    }

    fn failed(&self, error: &ureq::Error) -> Answer {
        let why = quoted(&error.to_string(), self.target.token.as_ref());
        match error {
            // A certificate that is not trusted, or no TLS at the other end.
            ureq::Error::Io(io) if io.kind() == std::io::ErrorKind::InvalidData => Answer::Unusable(why),
            ureq::Error::Io(_) | ureq::Error::Timeout(_) | ureq::Error::HostNotFound => {
                Answer::Later(why, None)
            }
            ureq::Error::ConnectionFailed | ureq::Error::Protocol(_) => Answer::Later(why, None),
            ureq::Error::ConnectProxyFailed(_) => Answer::Later("the proxy did not connect".to_owned(), None),
            ureq::Error::BadUri(_) => Answer::Unusable("the address is not usable".to_owned()),
            _ => Answer::Unusable(why),
        }
    }
}

enum Answer {
    Taken,
    Later(String, Option<Duration>),
    Refused(u16, String),
    Redirected(u16, String),
    Unusable(String),
}

/// The idempotency key and the body of a batch.
pub fn envelope(events: &[Event]) -> (String, Vec<u8>) {
    let mut body = Vec::new();
    for event in events {
        body.extend_from_slice(event.line().as_bytes());
        body.push(b'\n');
    }
    let cursor = |event: Option<&Event>| event.map_or(0, |e| e.cursor);
    let hash = blake3::hash(&body).to_hex();
    (format!("{}-{}-{}", cursor(events.first()), cursor(events.last()), &hash[..32]), body)
}

/// The origin a `Location` names: its path may hold a secret.
fn origin_of(location: Option<&str>) -> String {
    let uri = location.and_then(|l| l.parse::<ureq::http::Uri>().ok());
    let parts = uri.as_ref().and_then(|u| Some((u.scheme_str()?, u.host()?, u.port_u16())));
    match parts {
        Some((scheme, host, Some(port))) => format!("{scheme}://{host}:{port}"),
        Some((scheme, host, None)) => format!("{scheme}://{host}"),
        None => "another path".to_owned(),
    }
}

fn now_us() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_micros()).unwrap_or(i64::MAX)
}

/// Uniform in 0..1 from the keys that the standard library draws for its hash maps: enough for jitter.
fn uniform() -> f64 {
    (RandomState::new().hash_one(0u8) >> 11) as f64 / (1u64 << 53) as f64
}
