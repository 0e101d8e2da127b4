//! The commands: thin, one file each. stdout carries the answer, stderr everything else.
//!
//! - [`args`]: what can be asked
//! - [`output`]: the two streams; a closed pipe ends quietly
//! - [`fleet`]: finding and reading `fleet.toml`
//! - [`dialects`]: message definitions beside the built-in ones
//! - [`signing`]: the key that signed frames are verified with
//! - [`reading`]: one log file through the recorder
//! - [`find`]: which files on a card are worth reading
//! - [`filing`]: a recording into the archive; [`recordings`]: logs that go on in one another; [`which`]: one of them
//! - [`init`], [`import`], [`read`], [`list`], [`tables`], [`reassess`], [`clock`], [`join`]: the commands
//! - [`logbook_args`], [`journal_args`]: what can be asked of the logbook
//! - [`feed`]: what a tracker is told
//! - [`records`]: flights, findings and logbook together; [`entering`]: how an entry is made
//! - [`component`], [`fitting`], [`hours`], [`due`], [`sign`], [`note`], [`task`], [`journal`]: its commands

pub mod args;
pub mod clock;
pub mod component;
pub mod dialects;
pub mod due;
pub mod entering;
pub mod feed;
pub mod filing;
pub mod find;
pub mod fitting;
pub mod fleet;
pub mod hours;
pub mod import;
pub mod init;
pub mod join;
pub mod journal;
pub mod journal_args;
pub mod list;
pub mod logbook_args;
pub mod note;
pub mod output;
mod paths;
pub mod read;
pub mod reading;
pub mod reassess;
pub mod recordings;
pub mod records;
pub mod sign;
pub mod signing;
pub mod tables;
pub mod task;
pub mod which;

use args::{Arguments, Command};
use clap::Parser;
use output::Output;
use std::fmt::Display;
use std::ops::RangeInclusive;
use std::process::ExitCode;

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Done, every byte accounted for: 0.
    Done,
    /// Done, but part of the input was unusable: 3.
    Partly,
    /// A finding at or above `--fail-on`: 4.
    Found,
}

/// Why a command could not be done: one line, causes joined.
#[derive(Debug)]
pub struct Failure(pub String);

impl<E: std::error::Error> From<E> for Failure {
    fn from(error: E) -> Self {
        Failure(chain(&error))
    }
}

/// An error and its causes, outermost first, joined by `: `.
pub fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        text.push_str(": ");
        text.push_str(&cause.to_string());
        source = cause.source();
    }
    text
}

/// Refuses an option's number that lies outside a range.
///
/// # Errors
/// With the range.
pub fn within<T: PartialOrd + Display>(
    option: &str,
    value: Option<T>,
    range: RangeInclusive<T>,
) -> Result<(), Failure> {
    match value.filter(|value| !range.contains(value)) {
        Some(value) => {
            let (from, to) = range.into_inner();
            Err(Failure(format!("{option} {value} must lie from {from} to {to}")))
        }
        None => Ok(()),
    }
}

/// Runs the command of this process's arguments.
pub fn run() -> ExitCode {
    let arguments = Arguments::parse();
    // Every file appears by rename, so an interrupt leaves nothing half-written under a final name.
    let handler = ctrlc::set_handler(|| std::process::exit(130));
    let mut output = Output::new();
    if let Err(error) = handler {
        output.warn(&format!("interrupts end the program at once: {error}"));
    }
    let result = match &arguments.command {
        Command::Init(options) => init::run(options, &mut output),
        Command::Import(options) => import::run(options, &mut output),
        Command::Read(options) => read::run(options, &mut output),
        Command::Flights(options) => list::flights(options, &mut output),
        Command::Findings(options) => list::findings(options, &mut output),
        Command::Reassess(options) => reassess::run(options, &mut output),
        Command::Tables(options) => tables::run(options, &mut output),
        Command::Clock(options) => clock::run(options, &mut output),
        Command::Join(options) => join::run(options, &mut output),
        Command::Hours(options) => hours::run(options, &mut output),
        Command::Due(options) => due::run(options, &mut output),
        Command::Sign(options) => sign::sign(options, &mut output),
        Command::Answer(options) => sign::answer(options, &mut output),
        Command::Fit(options) => fitting::fit(options, &mut output),
        Command::Remove(options) => fitting::remove(options, &mut output),
        Command::Component(command) => component::run(command, &mut output),
        Command::Pack(options) => note::pack(options, &mut output),
        Command::Event(options) => note::event(options, &mut output),
        Command::Exclude(options) => note::exclude(options, &mut output),
        Command::Task(command) => task::run(command, &mut output),
        Command::Feed(options) => feed::run(options, &mut output),
        Command::Verify(options) => journal::verify(options, &mut output),
        Command::Logbook(command) => journal::run(command, &mut output),
    };
    match result {
        // A full disk under the answer: what it holds is not all of it.
        Ok(_) if output.failed() => ExitCode::FAILURE,
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::Partly) => ExitCode::from(3),
        Ok(Outcome::Found) => ExitCode::from(4),
        Err(Failure(message)) => {
            output.error(&message);
            ExitCode::FAILURE
        }
    }
}
