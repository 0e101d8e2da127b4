//! A receiver on this machine that misbehaves on order, written from RFC 9112 by hand: it must not share code
//! with the client.

use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// What the receiver does with a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Act {
    /// Takes the batch and says so.
    Take,
    /// Closes the connection after half the body; takes nothing.
    DropMidRequest,
    /// Takes the batch, then closes without an answer.
    DropBeforeAnswer,
    /// Takes the batch, then breaks off in the middle of the answer's head.
    DropMidHead,
    /// Takes the batch, then breaks off in the middle of the answer's body.
    DropMidAnswer,
    /// Answers this status with these header lines and body; takes the batch only if told so.
    Answer { status: u16, headers: String, body: String, takes: bool },
    /// Takes the batch, and says so this late.
    Late(Duration),
}

impl Act {
    /// An answer that takes nothing.
    pub fn status(status: u16, headers: &str, body: &str) -> Act {
        Act::Answer { status, headers: headers.to_owned(), body: body.to_owned(), takes: false }
    }
}

/// One request as it arrived.
#[derive(Debug, Clone)]
pub struct Request {
    /// Headers, names in lower case.
    pub headers: Vec<(String, String)>,
    /// The body's lines; empty if it was not read whole.
    pub events: Vec<Value>,
    /// What was done.
    pub act: Act,
    /// What the watcher saw when the request arrived.
    pub watched: i64,
}

impl Request {
    /// A header's value.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(n, _)| n == name).map(|(_, value)| value.as_str())
    }
}

/// The receiver.
pub struct Server {
    /// Its port on the loopback interface.
    pub port: u16,
    requests: Arc<Mutex<Vec<Request>>>,
}

impl Server {
    /// Listens; request `n` (from 0) is treated by `script(n)`. `watch` is called when a request arrives.
    pub fn start(
        script: impl Fn(usize) -> Act + Send + Sync + 'static,
        watch: impl Fn() -> i64 + Send + Sync + 'static,
    ) -> Server {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let requests = Arc::new(Mutex::new(Vec::new()));
        let (seen, script, watch) = (Arc::clone(&requests), Arc::new(script), Arc::new(watch));
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let (seen, script, watch) = (Arc::clone(&seen), Arc::clone(&script), Arc::clone(&watch));
                // A client that gives up mid-way is part of the play: its connection just ends.
                std::thread::spawn(move || serve(stream.ok()?, &seen, &*script, &*watch));
            }
        });
        Server { port, requests }
    }

    /// Its address.
    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}/feed", self.port)
    }

    /// Requests so far.
    pub fn requests(&self) -> Vec<Request> {
        self.requests.lock().unwrap().clone()
    }

    /// Batches taken, in order, as lists of events.
    pub fn taken(&self) -> Vec<Vec<Value>> {
        let takes = |act: &Act| match act {
            Act::DropMidRequest => false,
            Act::Answer { takes, .. } => *takes,
            _ => true,
        };
        self.requests().into_iter().filter(|r| takes(&r.act)).map(|r| r.events).collect()
    }
}

/// Serves one connection until it ends; `None` when it does.
fn serve(
    stream: TcpStream,
    seen: &Mutex<Vec<Request>>,
    script: &(dyn Fn(usize) -> Act + Send + Sync),
    watch: &(dyn Fn() -> i64 + Send + Sync),
) -> Option<()> {
    let mut reader = BufReader::new(stream.try_clone().ok()?);
    let mut writer = stream;
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line).ok()? == 0 {
            return None;
        }
        let mut headers = Vec::new();
        loop {
            let mut line = String::new();
            reader.read_line(&mut line).ok()?;
            let Some((name, value)) = line.trim_end().split_once(':') else { break };
            headers.push((name.to_ascii_lowercase(), value.trim().to_owned()));
        }
        let length =
            headers.iter().find(|(n, _)| n == "content-length").map(|(_, v)| v.parse::<usize>().unwrap())?;
        let (index, act) = {
            // Held until the request is noted, so that numbers and notes agree.
            let mut seen = seen.lock().unwrap();
            let act = script(seen.len());
            let request = Request { headers, events: Vec::new(), act: act.clone(), watched: watch() };
            seen.push(request);
            (seen.len() - 1, act)
        };
        let mut body = vec![0; if act == Act::DropMidRequest { length / 2 } else { length }];
        reader.read_exact(&mut body).ok()?;
        if act == Act::DropMidRequest {
            return None;
        }
        let lines = String::from_utf8(body).unwrap();
        seen.lock().unwrap()[index].events =
            lines.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
        let ok = "HTTP/1.1 200 OK\r\nContent-Length: 5\r\n\r\nfine\n";
        match act {
            Act::Take => writer.write_all(ok.as_bytes()).ok()?,
            Act::Late(delay) => {
                std::thread::sleep(delay);
                writer.write_all(ok.as_bytes()).ok()?;
            }
            Act::DropMidRequest | Act::DropBeforeAnswer => return None,
            Act::DropMidHead => {
                writer.write_all(&ok.as_bytes()[..20]).ok()?;
                return None;
            }
            Act::DropMidAnswer => {
                writer.write_all(&ok.as_bytes()[..ok.len() - 2]).ok()?;
                return None;
            }
            Act::Answer { status, headers, body, .. } => {
                let head =
                    format!("HTTP/1.1 {status} Word\r\n{headers}Content-Length: {}\r\n\r\n", body.len());
                writer.write_all((head + &body).as_bytes()).ok()?;
            }
        }
    }
}
