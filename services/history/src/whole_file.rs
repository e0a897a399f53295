//! Files that are there whole or not at all.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use crate::HistoryError;

/// Whether a file must outlive a power cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Keep {
    /// It is synced before it gets its name, and its folder after.
    Durable,
    /// It can be made again.
    Remakeable,
}

/// What ends the names of files that are being written.
pub(crate) const TEMPORARY: &str = ".part";

/// A name beside a file's own that no other writer uses, in this process or another.
fn temporary_for(path: &Path) -> PathBuf {
    static WRITTEN: AtomicU64 = AtomicU64::new(0);
    let number = WRITTEN.fetch_add(1, Ordering::Relaxed);
    path.with_extension(format!("{}-{number}{TEMPORARY}", std::process::id()))
}

/// Writes a file so that it is there whole or not at all: temporary file in the same folder, sync, rename, sync of the
/// folder. Returns its size in bytes.
pub(crate) fn write_whole(
    path: &Path,
    keep: Keep,
    fill: impl FnOnce(&Path, &File) -> Result<(), HistoryError>,
) -> Result<u64, HistoryError> {
    let folder = path.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(folder).map_err(HistoryError::io("create the folder", folder))?;
    let temporary = temporary_for(path);
    let written = write_temporary(&temporary, keep, fill).and_then(|bytes| {
        fs::rename(&temporary, path).map_err(HistoryError::io("rename", &temporary))?;
        Ok(bytes)
    });
    if written.is_err() {
        // The error to tell is why it could not be written.
        let _ = fs::remove_file(&temporary);
    }
    let bytes = written?;
    for folder in [Some(folder), folder.parent()].into_iter().flatten().filter(|_| keep == Keep::Durable) {
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(HistoryError::io("sync the folder", folder))?;
    }
    Ok(bytes)
}

fn write_temporary(
    path: &Path,
    keep: Keep,
    fill: impl FnOnce(&Path, &File) -> Result<(), HistoryError>,
) -> Result<u64, HistoryError> {
    let file = File::create(path).map_err(HistoryError::io("create", path))?;
    fill(path, &file)?;
    if keep == Keep::Durable {
        file.sync_all().map_err(HistoryError::io("sync", path))?;
    }
    Ok(file.metadata().map_err(HistoryError::io("look at", path))?.len())
}

/// Removes a file; one that another process has removed is gone all the same.
pub(crate) fn remove(path: &Path) -> Result<(), HistoryError> {
    match fs::remove_file(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        removed => removed.map_err(HistoryError::io("remove", path)),
    }
}
