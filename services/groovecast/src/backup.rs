//! `backup` and `restore`: the record, the day files and the photos, copied while the service runs, and back into an empty
//! place.
//!
//! Day files stand still while a backup holds the right to change them; the hours that close meanwhile wait in the
//! journal. The list is written last: a folder without it is no backup.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, IsTerminal, Read, Write};
use std::path::Path;
use std::sync::Arc;

use anyhow::Context;
use jiff::Timestamp;
use ledger::{Backup, Ledger, LedgerError, new_file};
use plant::{Clock, DayFile};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::config::Config;
use crate::exit::Failure;
use crate::history_in::lock_days;
use crate::plant_store::{PlantStore, blocking};

/// Where the tables lie in a backup.
const RECORD: &str = "record";
/// Where the files of the data folder lie in a backup, under the names that they have there.
const FILES: &str = "files";
/// What the backup holds besides the tables.
const LIST: &str = "backup.json";
/// Where day files lie below the data folder.
const READINGS: &str = "readings";
/// Where photos lie below the data folder.
const PHOTOS: &str = "photos";
/// How the folder is laid out.
const FORMAT: u32 = 1;

/// What a backup holds besides the tables, which have a list of their own.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct List {
    /// How the folder is laid out; 1.
    format: u32,
    /// When it was made.
    made_at: Timestamp,
    /// Day files and photos by their path below the data folder.
    files: BTreeMap<String, Sum>,
}

/// How long a file is, and its SHA-256, hexadecimal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Sum {
    bytes: u64,
    sha256: String,
}

/// Copies everything that is kept into a new folder, while the service may go on.
pub async fn backup(config: Config, out: &Path, clock: &dyn Clock) -> Result<(), Failure> {
    if fs::read_dir(out).is_ok_and(|mut entries| entries.next().is_some()) {
        return Err(Failure::Usage(format!("{} is not empty; right would be a new folder", out.display())));
    }
    private_folder(out).with_context(|| format!("cannot make {}", out.display()))?;
    let store = PlantStore::open(Arc::new(config)).await?;
    let _still = lock_days(&store).await?;
    let made_at = clock.now();
    let tables = store.ledger.backup(&out.join(RECORD), made_at).await?;
    let listed = store.ledger.day_files().await?;
    let (data, folder) = (store.config.data.clone(), out.to_owned());
    let list = blocking(move || {
        let mut wanted: Vec<String> = listed.into_iter().map(|DayFile { path, .. }| path).collect();
        // Photos are never changed: those that came after the tables were read do no harm.
        wanted.extend(names(&data.join(PHOTOS))?.into_iter().map(|name| format!("{PHOTOS}/{name}")));
        let files = copy_all(&data, &folder.join(FILES), &wanted)?;
        let list = List { format: FORMAT, made_at, files };
        write_synced(&folder.join(LIST), &serde_json::to_vec_pretty(&list)?)?;
        File::open(&folder)?.sync_all()?;
        Ok::<_, anyhow::Error>(list)
    })
    .await?;
    println!("{}: {}", out.display(), contents(&tables, &list));
    eprintln!("it holds password and token hashes: it is as secret as the database");
    Ok(())
}

/// Brings a backup into an empty place, verified on the way and compared afterwards.
pub async fn restore(config: Config, from: &Path) -> Result<(), Failure> {
    let tables = Backup::read(&from.join(RECORD)).await.map_err(bad_backup)?;
    let list = read_list(from)?;
    let data = config.data.clone();
    let store = PlantStore::open(Arc::new(config)).await?;
    let _only_one = store.lock_service()?;
    let _still = lock_days(&store).await?;
    // From here on nobody else writes there: what is put in below is ours to take away again.
    for folder in [READINGS, PHOTOS] {
        if !names(&data.join(folder)).map_err(anyhow::Error::from)?.is_empty() {
            let full = data.join(folder);
            return Err(Failure::Usage(format!(
                "{} is not empty; a backup goes into an empty place only",
                full.display()
            )));
        }
    }
    let (source, target) = (from.join(FILES), data.clone());
    let wanted: Vec<String> = list.files.keys().cloned().collect();
    let names = wanted.clone();
    let copied = blocking(move || copy_all(&source, &target, &names)).await;
    let restored = async {
        let copied = copied?;
        if let Some((name, sum)) = list.files.iter().find(|(name, sum)| copied.get(*name) != Some(sum)) {
            let sentence = format!(
                "{}: it is not as it was when the backup was made; right would be {} bytes with SHA-256 {}",
                from.join(FILES).join(name).display(),
                sum.bytes,
                sum.sha256
            );
            return Err(Failure::Input(sentence));
        }
        Ledger::restore(&from.join(RECORD), &store.config.database).await.map_err(bad_backup)?;
        Ok(())
    };
    if let Err(failure) = restored.await {
        // What was copied must not stand in the way of the next try; folders go only if nothing else is in them.
        for name in &wanted {
            fs::remove_file(data.join(name)).unwrap_or_default();
            let folders = Path::new(name).ancestors().skip(1).filter(|folder| !folder.as_os_str().is_empty());
            folders.for_each(|folder| fs::remove_dir(data.join(folder)).unwrap_or_default());
        }
        return Err(failure);
    }
    let (target, expected) = (data, list.files.clone());
    let differing = blocking(move || differing(&target, &expected)).await?;
    let tables_differing = store.ledger.compare(&from.join(RECORD)).await?;
    if let Some(name) = differing.first() {
        return Err(Failure::Other(anyhow::anyhow!("{name} does not read back as it was written: is the disk sound?")));
    }
    if let Some((there, _)) = tables_differing.first() {
        return Err(Failure::Other(anyhow::anyhow!("table {} does not read back as it was written", there.table)));
    }
    println!("{}: {}, all compared", store.config.data.display(), contents(&tables, &list));
    Ok(())
}

fn bad_backup(error: LedgerError) -> Failure {
    match error {
        LedgerError::Backup { .. } => Failure::Input(error.to_string()),
        LedgerError::NotEmpty { .. } => Failure::Usage(error.to_string()),
        error => error.into(),
    }
}

fn read_list(from: &Path) -> Result<List, Failure> {
    let path = from.join(LIST);
    let wrong =
        |why: String| Failure::Input(format!("{}: {why}; right would be a folder made by backup", path.display()));
    let text = fs::read(&path).map_err(|error| wrong(error.to_string()))?;
    let list: List = serde_json::from_slice(&text).map_err(|error| wrong(error.to_string()))?;
    if list.format != FORMAT {
        return Err(wrong(format!("it has layout {}, not {FORMAT}", list.format)));
    }
    // A path that leads elsewhere is none of ours.
    let stays = |name: &String| {
        let path = Path::new(name);
        let inside = path.components().all(|part| matches!(part, std::path::Component::Normal(_)));
        inside && [READINGS, PHOTOS].iter().any(|folder| path.starts_with(folder) && path != Path::new(folder))
    };
    match list.files.keys().find(|name| !stays(name)) {
        Some(name) => Err(wrong(format!("{name:?} is no file of readings or photos"))),
        None => Ok(list),
    }
}

fn contents(tables: &Backup, list: &List) -> String {
    let rows: u64 = tables.tables.iter().map(|table| table.rows).sum();
    let photos = list.files.keys().filter(|name| name.starts_with(PHOTOS)).count();
    let bytes: u64 = list.files.values().map(|sum| sum.bytes).sum();
    format!(
        "{rows} rows in {} tables, {} day files, {photos} photos, {:.1} MB of files",
        tables.tables.len(),
        list.files.len() - photos,
        bytes as f64 / 1e6
    )
}

/// The names of the files in a folder; none if it is not there.
fn names(folder: &Path) -> io::Result<Vec<String>> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let names = entries.map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned()));
    // What is still being written has a name with a dot in front, and no row.
    let mut names: Vec<String> = names.collect::<io::Result<Vec<_>>>()?;
    names.retain(|name| !name.starts_with('.'));
    names.sort();
    Ok(names)
}

/// Copies files from one folder to another under their names, synced; what each was.
fn copy_all(from: &Path, to: &Path, names: &[String]) -> anyhow::Result<BTreeMap<String, Sum>> {
    let terminal = io::stderr().is_terminal();
    let mut sums = BTreeMap::new();
    for (done, name) in (1..).zip(names) {
        let (source, target) = (from.join(name), to.join(name));
        let folder = target.parent().unwrap_or(to);
        fs::create_dir_all(folder).with_context(|| format!("cannot make {}", folder.display()))?;
        let sum = copy(&source, &target)
            .with_context(|| format!("cannot copy {} to {}", source.display(), target.display()))?;
        sums.insert(name.clone(), sum);
        if terminal {
            eprint!("\r{done} of {} files", names.len());
        }
    }
    if terminal && !names.is_empty() {
        eprintln!();
    }
    Ok(sums)
}

fn copy(from: &Path, to: &Path) -> io::Result<Sum> {
    let mut out = new_file(to)?;
    let sum = read_through(from, |piece| out.write_all(piece))?;
    out.sync_all()?;
    Ok(sum)
}

/// The files that are not as they should be.
fn differing(folder: &Path, expected: &BTreeMap<String, Sum>) -> io::Result<Vec<String>> {
    let mut found = Vec::new();
    for (name, sum) in expected {
        if read_through(&folder.join(name), |_| Ok(()))? != *sum {
            found.push(name.clone());
        }
    }
    Ok(found)
}

fn read_through(path: &Path, mut take: impl FnMut(&[u8]) -> io::Result<()>) -> io::Result<Sum> {
    let (mut file, mut hash, mut bytes) = (File::open(path)?, Sha256::new(), 0);
    let mut piece = vec![0; 1 << 16];
    loop {
        let length = file.read(&mut piece)?;
        if length == 0 {
            let sha256 = hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
            return Ok(Sum { bytes, sha256 });
        }
        hash.update(&piece[..length]);
        take(&piece[..length])?;
        bytes += length as u64;
    }
}

fn write_synced(path: &Path, text: &[u8]) -> io::Result<()> {
    let mut out = new_file(path)?;
    out.write_all(text)?;
    out.sync_all()
}

/// A folder that only its owner enters.
fn private_folder(path: &Path) -> io::Result<()> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(path)
}
