//! Opening the logbook: settings, migrations, and a dated copy before any migration.

use super::schema::{APPLICATION_ID, MIGRATIONS};
use super::{LogbookError, projection};
use rusqlite::{Connection, MAIN_DB, OpenFlags};
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a second writer waits for the first.
const PATIENCE: Duration = Duration::from_secs(10);

/// An open logbook.
pub struct Logbook {
    pub(super) db: Connection,
    pub(super) path: PathBuf,
    /// The copy made before a migration, if one was needed.
    pub migrated: Option<PathBuf>,
}

impl Logbook {
    /// Opens the logbook, makes it if there is none, and brings it to the newest version; `now_us` dates the
    /// copy that is made before.
    ///
    /// # Errors
    /// If it cannot be opened, belongs to something else or to a newer fettle, or cannot be migrated.
    pub fn open(path: &Path, now_us: i64) -> Result<Logbook, LogbookError> {
        let db = Connection::open(path).map_err(database("open", path))?;
        let mut logbook = Logbook { db, path: path.to_owned(), migrated: None };
        logbook.settle()?;
        logbook.migrate(now_us)?;
        Ok(logbook)
    }

    /// Opens the logbook if there is one. It is brought to the newest version as well.
    ///
    /// # Errors
    /// As [`Logbook::open`].
    pub fn existing(path: &Path, now_us: i64) -> Result<Option<Logbook>, LogbookError> {
        let io = |source| LogbookError::Io { action: "reach", path: path.to_owned(), source };
        match fs::symlink_metadata(path) {
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
            // A link to a disk that is away is not the same as no logbook.
            link => link.and_then(|_| fs::metadata(path)).map_err(io)?,
        };
        Logbook::open(path, now_us).map(Some)
    }

    /// The feed's tables; the journal is reached by its own methods only, and its triggers refuse the rest.
    pub(crate) fn feed(&self) -> &Connection {
        &self.db
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn settle(&self) -> Result<(), LogbookError> {
        let fail = database("set up", &self.path);
        let set = || -> rusqlite::Result<i64> {
            self.db.busy_timeout(PATIENCE)?;
            // Asked first: a file of another kind must stay as it is.
            self.db.query_row("PRAGMA application_id", [], |r| r.get(0))
        };
        let owner = set().map_err(fail)?;
        let tables: i64 = self
            .db
            .query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0))
            .map_err(database("read", &self.path))?;
        if owner != APPLICATION_ID && (owner != 0 || tables > 0) {
            return Err(LogbookError::Foreign { path: self.path.clone() });
        }
        self.db
            .pragma_update(None, "journal_mode", "WAL")
            .and_then(|()| self.db.pragma_update(None, "synchronous", "FULL"))
            .and_then(|()| self.db.pragma_update(None, "foreign_keys", true))
            .map_err(database("set up", &self.path))
    }

    fn version(&self) -> Result<i64, LogbookError> {
        self.db
            .query_row("PRAGMA user_version", [], |r| r.get(0))
            .map_err(database("read the version of", &self.path))
    }

    fn migrate(&mut self, now_us: i64) -> Result<(), LogbookError> {
        let known = MIGRATIONS.len() as i64;
        let found = self.version()?;
        if found > known {
            return Err(LogbookError::Newer { path: self.path.clone(), found, known });
        }
        if found == known {
            return Ok(());
        }
        if found > 0 {
            self.migrated = Some(self.backup_dated(now_us, &format!("before-version-{known}"))?);
        }
        let fail = database("migrate", &self.path);
        let transaction =
            self.db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate).map_err(fail)?;
        let step = || -> rusqlite::Result<()> {
            // Another process may have been first.
            let found: i64 = transaction.query_row("PRAGMA user_version", [], |r| r.get(0))?;
            for migration in MIGRATIONS.iter().skip(usize::try_from(found).unwrap_or(0)) {
                transaction.execute_batch(migration)?;
            }
            transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
            transaction.pragma_update(None, "user_version", known)
        };
        step().map_err(database("migrate", &self.path))?;
        let lines = super::journal::read(&transaction).map_err(database("migrate", &self.path))?;
        let entries = lines.iter().map(super::Line::entry).collect::<Result<Vec<_>, _>>()?;
        let ledger = crate::usage::Ledger::project(&entries)?;
        projection::write(&transaction, &ledger).map_err(database("migrate", &self.path))?;
        transaction.commit().map_err(database("migrate", &self.path))
    }

    /// Copies the whole logbook to `target` while it may be in use (SQLite's online backup).
    ///
    /// # Errors
    /// If the target exists or cannot be written.
    pub fn backup(&self, target: &Path) -> Result<(), LogbookError> {
        if target.exists() {
            return Err(LogbookError::Io {
                action: "write the backup",
                path: target.to_owned(),
                source: std::io::ErrorKind::AlreadyExists.into(),
            });
        }
        let folder = crate::archive::atomic::folder_of(target);
        let io = |action, path: &Path| {
            let path = path.to_owned();
            move |source| LogbookError::Io { action, path, source }
        };
        std::fs::create_dir_all(folder).map_err(io("create the folder", folder))?;
        let part = crate::archive::atomic::temporary_name(target);
        let copied = self
            .db
            .backup(MAIN_DB, &part, None::<fn(rusqlite::backup::Progress)>)
            .map_err(database("back up", &self.path));
        let synced = copied.and_then(|()| {
            std::fs::File::open(&part).and_then(|f| f.sync_all()).map_err(io("sync", &part))?;
            std::fs::rename(&part, target).map_err(io("rename into place", target))?;
            std::fs::File::open(folder).and_then(|f| f.sync_all()).map_err(io("sync the folder", folder))
        });
        if synced.is_err() {
            // The error that matters is the first one.
            let _ = std::fs::remove_file(&part);
        }
        synced
    }

    /// A backup under `backups/` beside the logbook, named by date and reason.
    ///
    /// # Errors
    /// As [`Logbook::backup`].
    pub fn backup_dated(&self, now_us: i64, reason: &str) -> Result<PathBuf, LogbookError> {
        let date = crate::usage::utc(now_us).replace([':', '-'], "");
        let folder = crate::archive::atomic::folder_of(&self.path).join("backups");
        let name = |n: u32| match n {
            0 => folder.join(format!("logbook-{date}-{reason}.db")),
            n => folder.join(format!("logbook-{date}-{reason}-{n}.db")),
        };
        let target = (0..1000).map(name).find(|p| !p.exists()).unwrap_or_else(|| name(1000));
        self.backup(&target)?;
        Ok(target)
    }

    /// SQLite's own check of the file, by name what is wrong.
    ///
    /// # Errors
    /// If the file cannot be read.
    pub fn damage(&self) -> Result<Vec<String>, LogbookError> {
        let check = || -> rusqlite::Result<Vec<String>> {
            let mut statement = self.db.prepare("PRAGMA integrity_check")?;
            let mut found: Vec<String> = statement.query_map([], |r| r.get(0))?.collect::<Result<_, _>>()?;
            found.retain(|line| line != "ok");
            let mut statement = self.db.prepare("PRAGMA foreign_key_check")?;
            let orphans = statement.query_map([], |r| r.get::<_, String>(0))?;
            for table in orphans {
                found.push(format!("a row of {} refers to nothing", table?));
            }
            Ok(found)
        };
        check().map_err(database("check", &self.path))
    }

    /// Opens a logbook or a backup of one to read only, as it is.
    ///
    /// # Errors
    /// If it cannot be opened.
    pub fn read_only(path: &Path) -> Result<Logbook, LogbookError> {
        let db = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY)
            .map_err(database("open", path))?;
        Ok(Logbook { db, path: path.to_owned(), migrated: None })
    }
}

/// Wraps a refusal of SQLite with what was attempted.
pub(super) fn database(
    action: &'static str,
    path: &Path,
) -> impl FnOnce(rusqlite::Error) -> LogbookError + use<> {
    let path = path.to_owned();
    move |source| LogbookError::Database { action, path, source }
}
