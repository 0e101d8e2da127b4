//! `fettle-simulate`: writes invented logs with stated truth. `sample-logs DIR` makes the demonstration
//! set; `log OUT` makes one log of any size, streamed, in bounded memory.

use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, Subcommand, ValueEnum};
use fettle::simulator::{Container, Frame, Protocol, Scenario, Streams, Truth, demo, write_to};

/// Invented MAVLink logs with stated truth.
#[derive(Parser)]
#[command(name = "fettle-simulate", version)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Write the demonstration set: three aircraft, seven flights each.
    SampleLogs {
        /// Folder to write into; made if absent.
        dir: PathBuf,
    },
    /// Write one log, flight after flight until it is long enough.
    Log {
        /// Geometry.
        #[arg(long, value_enum, default_value = "hexa-x")]
        frame: FrameName,
        /// Length in millions of bytes; at least one flight.
        #[arg(long, default_value_t = 0)]
        megabytes: u64,
        /// Another seed makes another aircraft and other flights.
        #[arg(long, default_value_t = 1)]
        seed: u64,
        /// Only HEARTBEAT, SERVO_OUTPUT_RAW, VFR_HUD and GLOBAL_POSITION_INT.
        #[arg(long)]
        minimal: bool,
        /// HIGHRES_IMU so many times a second.
        #[arg(long, default_value_t = 0.0, value_name = "HZ")]
        imu: f64,
        /// MAVLink 1 frames.
        #[arg(long)]
        v1: bool,
        /// 8-byte capture stamps before each frame.
        #[arg(long)]
        timestamped: bool,
        /// Also write the truth as JSON.
        #[arg(long, value_name = "FILE")]
        truth: Option<PathBuf>,
        /// File to write.
        out: PathBuf,
    },
}

#[derive(Clone, Copy, ValueEnum)]
enum FrameName {
    QuadX,
    HexaX,
    OctoX,
}

fn main() -> ExitCode {
    let done = match Arguments::parse().command {
        Command::SampleLogs { dir } => sample_logs(&dir),
        Command::Log { frame, megabytes, seed, minimal, imu, v1, timestamped, truth, out } => {
            let frame = match frame {
                FrameName::QuadX => Frame::QuadX,
                FrameName::HexaX => Frame::HexaX,
                FrameName::OctoX => Frame::OctoX,
            };
            let mut scenario = Scenario::new(frame, seed);
            if minimal {
                scenario.streams = Streams::MINIMAL;
            }
            scenario.streams.highres_imu = imu;
            scenario.reboot = true;
            scenario.at_least_bytes = megabytes * 1_000_000;
            scenario.protocol = if v1 { Protocol::V1 } else { Protocol::V2 };
            scenario.container = if timestamped { Container::Timestamped } else { Container::Bare };
            one_log(&scenario, &out, truth.as_deref())
        }
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(words) => {
            // Nothing is left to be done when even stderr is gone.
            writeln!(io::stderr(), "fettle-simulate: {words}")
                .map_or(ExitCode::FAILURE, |()| ExitCode::FAILURE)
        }
    }
}

fn one_log(scenario: &Scenario, out: &Path, truth_to: Option<&Path>) -> Result<(), String> {
    let truth = write_log(scenario, out)?;
    if let Some(path) = truth_to {
        write_text(path, &json(&truth)?)?;
    }
    let words = format!(
        "{}: {} bytes, {} frames, {} flights",
        out.display(),
        truth.bytes,
        truth.frames,
        truth.flights.len()
    );
    writeln!(io::stdout(), "{words}").map_err(|e| format!("cannot write to standard output: {e}"))
}

fn write_log(scenario: &Scenario, path: &Path) -> Result<Truth, String> {
    let file = fs::File::create(path).map_err(|e| format!("cannot write {}: {e}", path.display()))?;
    write_to(scenario, BufWriter::with_capacity(1 << 20, file))
        .map_err(|e| format!("cannot write {}: {e}", path.display()))
}

fn write_text(path: &Path, text: &str) -> Result<(), String> {
    fs::write(path, text).map_err(|e| format!("cannot write {}: {e}", path.display()))
}

fn json(value: &impl serde::Serialize) -> Result<String, String> {
    let text =
        serde_json::to_string_pretty(value).map_err(|e| format!("cannot write the truth as JSON: {e}"))?;
    Ok(text + "\n")
}

fn sample_logs(dir: &Path) -> Result<(), String> {
    let mut made = Vec::new();
    for log in demo::logs() {
        let path = dir.join(&log.path);
        let folder = path.parent().unwrap_or(dir);
        fs::create_dir_all(folder).map_err(|e| format!("cannot make {}: {e}", folder.display()))?;
        let truth = write_log(&log.scenario, &path)?;
        made.push((log, truth));
    }
    write_text(&dir.join("fleet.toml"), &demo::fleet_toml())?;
    let rows: Vec<_> = made
        .iter()
        .map(|(log, truth)| {
            serde_json::json!({
                "log": log.path, "aircraft": log.aircraft, "fault": log.fault,
                "faults": log.scenario.faults_of(0), "truth": truth,
            })
        })
        .collect();
    write_text(&dir.join("truth.json"), &json(&rows)?)?;
    let readme = include_str!("../simulator/demo.md").replace("{table}", &demo::table(&made, utc));
    write_text(&dir.join("README.md"), &readme)
}

/// Seconds Unix as RFC 3339 in UTC, to the tenth of a second.
fn utc(unix_s: f64) -> String {
    jiff::Timestamp::from_millisecond((unix_s * 10.0).round() as i64 * 100)
        .map_or_else(|_| "unknown".to_owned(), |t| t.to_string())
}
