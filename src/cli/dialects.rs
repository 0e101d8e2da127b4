//! The message definitions of a run: the built-in ones, those of `fleet.toml` and those of `--dialect`.

use std::path::{Path, PathBuf};

use super::Failure;
use super::args::DialectOption;
use super::output::Output;
use crate::fleet::Fleet;
use crate::wire::Definitions;
use crate::wire::definitions::Conflict;
use crate::wire::dialect::{Dialect, Source};

/// What an import says that was given a dialect of its own.
pub const FOR_THIS_IMPORT: &str = "--dialect holds for this import alone: logs that are read again, when a file comes that \
     goes on in them or a time is told, have the dialects of fleet.toml only (dialects = [\"FILE.xml\"] in [fleet])";

/// Bytes of a definition file that are read; the parser refuses longer ones by name.
const LONGEST: u64 = (4 << 20) + 1;

/// The definitions for this run and where dialects clash with what was known before, for the caller to show.
///
/// They live as long as the process: a run makes them once, and every thread reads them. Without a dialect they
/// are the built-in ones. `folder` is where `fleet.toml` lies; its dialects are named from there.
///
/// # Errors
/// If a file cannot be read or is no definition, with file, line and column.
pub fn definitions(
    options: &DialectOption,
    fleet: &Fleet,
    folder: Option<&Path>,
) -> Result<(&'static Definitions, Vec<Conflict>), Failure> {
    let of_fleet = fleet.dialects.iter().map(|file| folder.unwrap_or(Path::new("")).join(file));
    let mut known: Option<Definitions> = None;
    let mut conflicts = Vec::new();
    for path in of_fleet.chain(options.dialect.iter().cloned()) {
        let top = load(path).map_err(Failure)?;
        let dialect = Dialect::read(top, &mut |including, include| {
            load(Path::new(including).parent().unwrap_or(Path::new("")).join(include))
        })?;
        let (next, clashes) = known.as_ref().unwrap_or(Definitions::builtin()).with_dialect(&dialect);
        known = Some(next);
        conflicts.extend(clashes);
    }
    Ok((known.map_or(Definitions::builtin(), |known| Box::leak(Box::new(known))), conflicts))
}

/// As [`definitions`], with every conflict shown as a warning.
///
/// # Errors
/// As [`definitions`].
pub fn announced(
    options: &DialectOption,
    fleet: &Fleet,
    folder: Option<&Path>,
    output: &mut Output,
) -> Result<&'static Definitions, Failure> {
    let (definitions, conflicts) = definitions(options, fleet, folder)?;
    for conflict in conflicts {
        output.warn(&conflict.to_string());
    }
    Ok(definitions)
}

/// A file by its real path, so that one included on two ways counts once.
fn load(path: PathBuf) -> Result<Source, String> {
    use std::io::Read as _;
    let refused = |error: std::io::Error| format!("cannot read {}: {error}", path.display());
    let real = path.canonicalize().map_err(refused)?;
    if !real.is_file() {
        return Err(format!("{} is no file", path.display()));
    }
    let mut text = String::new();
    let mut file = std::fs::File::open(&real).map_err(refused)?.take(LONGEST);
    file.read_to_string(&mut text).map_err(refused)?;
    Ok(Source { name: real.display().to_string(), text })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(id: u32, name: &str, include: &str) -> String {
        format!(
            "<mavlink>{include}<messages><message id=\"{id}\" name=\"{name}\"><field type=\"char\" name=\"a\"/>\
             </message></messages></mavlink>"
        )
    }

    #[test]
    fn reads_the_fleets_dialects_and_those_of_the_command_with_their_includes() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::create_dir(at("more")).unwrap();
        std::fs::write(at("one.xml"), message(900_001, "ONE", "<include>more/two.xml</include>")).unwrap();
        std::fs::write(at("more/two.xml"), message(900_002, "TWO", "")).unwrap();
        std::fs::write(at("three.xml"), message(0, "THREE", "<include>one.xml</include>")).unwrap();
        let fleet = Fleet::parse("[fleet]\ndialects = [\"one.xml\"]\n").unwrap();
        let option = DialectOption { dialect: vec![at("three.xml")] };
        let (definitions, conflicts) = definitions(&option, &fleet, Some(folder.path())).unwrap();
        assert_eq!(definitions.by_id(900_002)[0].name, "TWO");
        assert_eq!(definitions.by_id(0).len(), 2);
        assert_eq!((conflicts.len(), conflicts[0].known.as_str()), (1, "HEARTBEAT"));

        let none = DialectOption { dialect: Vec::new() };
        let (plain, _) = super::definitions(&none, &Fleet::default(), None).unwrap();
        assert!(std::ptr::eq(plain, Definitions::builtin()));

        std::fs::write(at("bad.xml"), "<mavlink>\n<include>gone.xml</include></mavlink>").unwrap();
        for (file, what) in [
            ("bad.xml", "bad.xml:2:1: cannot include gone.xml"),
            ("none.xml", "none.xml"),
            ("more", "is no file"),
        ] {
            let option = DialectOption { dialect: vec![at(file)] };
            let Err(Failure(error)) = super::definitions(&option, &Fleet::default(), None) else {
                panic!("{file}")
            };
            assert!(error.contains(what), "{error}");
        }
    }

    #[test]
    fn the_fleets_dialects_are_texts() {
        let errors = Fleet::parse("[fleet]\nname = \"a\"\ndialects = [1, \"\"]\n").unwrap_err();
        let lines: Vec<String> = errors.iter().map(ToString::to_string).collect();
        assert_eq!(lines.len(), 2, "{lines:?}");
        assert!(lines.iter().all(|line| line.starts_with("3:")), "{lines:?}");
    }
}
