//! The two streams. A reader that closes the pipe ends the answer quietly: that is its choice.

use crate::report::text::wrapped;
use std::io::{self, IsTerminal, Write};

/// stdout for the answer, stderr for the rest.
pub struct Output {
    out: io::BufWriter<io::Stdout>,
    closed: bool,
    failed: bool,
}

impl Default for Output {
    fn default() -> Self {
        Output::new()
    }
}

impl Output {
    /// The process's own streams.
    pub fn new() -> Self {
        Output { out: io::BufWriter::new(io::stdout()), closed: false, failed: false }
    }

    /// Part of the answer.
    pub fn answer(&mut self, text: &str) {
        if self.closed {
            return;
        }
        let written = self.out.write_all(text.as_bytes()).and_then(|()| self.out.flush());
        if let Err(error) = written {
            self.closed = true;
            if error.kind() != io::ErrorKind::BrokenPipe {
                self.failed = true;
                self.error(&format!("cannot write the answer: {error}"));
            }
        }
    }

    /// True if part of the answer could not be written, though somebody waits for it.
    pub fn failed(&self) -> bool {
        self.failed
    }

    /// One JSON object on a line.
    pub fn record(&mut self, value: &serde_json::Value) {
        self.answer(&format!("{value}\n"));
    }

    /// Narration.
    #[allow(clippy::unused_self)]
    pub fn say(&mut self, text: &str) {
        // If stderr is gone there is nobody to tell.
        let _ = writeln!(io::stderr(), "{text}");
    }

    /// A question; the answer is typed behind it.
    #[allow(clippy::unused_self)]
    pub fn ask(&mut self, question: &str) {
        // If stderr is gone there is nobody to ask.
        let _ = write!(io::stderr(), "{question}").and_then(|()| io::stderr().flush());
    }

    /// Something that touches the answer.
    pub fn warn(&mut self, text: &str) {
        self.sentence(&format!("warning: {text}"));
    }

    /// Broken between words where a person reads it; one line where a program does.
    fn sentence(&mut self, text: &str) {
        if self.watched() {
            text.lines().for_each(|line| self.say(wrapped(line, "").trim_end()));
        } else {
            self.say(text);
        }
    }

    /// Why it could not be done.
    pub fn error(&mut self, text: &str) {
        self.sentence(&format!("error: {text}"));
    }

    /// True if a person watches stderr.
    pub fn watched(&self) -> bool {
        io::stderr().is_terminal()
    }
}
