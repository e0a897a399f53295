//! CSV in: one reader cuts the file into blocks at line ends, as many workers as there are cores parse them.

use std::fs::File;
use std::io::{BufRead, BufReader, Read as _, Seek, SeekFrom};
use std::path::Path;
use std::sync::mpsc::{Receiver, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use csv::{ByteRecord, ReaderBuilder};
use plant::BadRow;

use crate::HistoryError;
use crate::import::{ImportSettings, Outcome, Progress};
use crate::import_row::{Cell, Rows};
use crate::layout::Layout;
use crate::spool::Spool;
use crate::staging::{Resumed, Source, Stretch};
use crate::table::line_of;

const BLOCK_BYTES: usize = 4 << 20;

/// Whole lines, and the number of the first.
struct Block {
    first_line: u64,
    bytes: Vec<u8>,
}

/// Reads one file, on all cores, in stretches after each of which it is written down how far it went.
pub(crate) fn read(
    path: &Path,
    settings: &ImportSettings,
    source: &Source,
    progress: &dyn Fn(Progress<'_>),
) -> Result<Outcome, HistoryError> {
    let mut file = File::open(path).map_err(HistoryError::io("open", path))?;
    let total = file.metadata().map_err(HistoryError::io("look at", path))?.len();
    let (header, body) = header(&mut file, path)?;
    let layout = match hint(&header).map_or_else(|| Layout::of(&header, settings, None), |bad| Err(vec![bad])) {
        Ok(layout) => layout,
        Err(bad) => return Ok(Outcome::bad_header(bad)),
    };
    let Resumed { mut number, next, mut line, mut outcome } = source.resume(body as i64, 2);
    let mut at = next.unsigned_abs();
    file.seek(SeekFrom::Start(at)).map_err(HistoryError::io("read", path))?;
    let mut lines = Lines { file, path, rest: Vec::new() };
    let table = Table { settings, layout: &layout, width: header.len(), folder: &source.folder };
    let workers = thread::available_parallelism().map_or(1, usize::from);
    loop {
        let check_only = outcome.bad_count > 0;
        let read = |done: u64| progress(Progress { source: path, done: at + done, total });
        let stretch = stretch(&mut lines, &table, (number, line, check_only), workers, &read)?;
        if stretch.bytes == 0 {
            return Ok(outcome);
        }
        at += stretch.bytes;
        line += stretch.lines;
        let kept = Stretch { next: at as i64, line, outcome: stretch.outcome };
        source.keep(number, &kept)?;
        outcome.add(kept.outcome);
        number += 1;
    }
}

/// What does not change from one stretch to the next.
struct Table<'a> {
    settings: &'a ImportSettings,
    layout: &'a Layout,
    /// Cells in a row.
    width: usize,
    folder: &'a Path,
}

/// How much was read in a stretch, and what it gave.
struct Read {
    bytes: u64,
    lines: u64,
    outcome: Outcome,
}

/// Reads a stretch on all cores: its number, its first line, and whether it is only checked, for nothing will be taken.
fn stretch(
    lines: &mut Lines<'_>,
    table: &Table<'_>,
    (number, first, check_only): (usize, u64, bool),
    workers: usize,
    progress: &dyn Fn(u64),
) -> Result<Read, HistoryError> {
    let (send, receive) = sync_channel::<Block>(workers);
    let receive = Arc::new(Mutex::new(receive));
    thread::scope(|scope| {
        let parse = |worker| {
            let receive = Arc::clone(&receive);
            let units = table.settings.units.iter().collect();
            let spool = Spool::new(table.folder, format!("{number}-{worker}"), units);
            move || work(&receive, table, check_only, spool)
        };
        let parsers: Vec<_> = (0..workers).map(|worker| scope.spawn(parse(worker))).collect();
        // The receiving end lives with the workers alone: when the last one has failed, sending fails too.
        drop(receive);
        let mut read = Read { bytes: 0, lines: 0, outcome: Outcome::default() };
        while read.bytes < table.settings.stretch_bytes * workers as u64 {
            let block = lines.block()?;
            if block.is_empty() {
                break;
            }
            let (bytes, ends) = (block.len() as u64, block.iter().filter(|byte| **byte == b'\n').count() as u64);
            // All workers have failed: their error is told below.
            if send.send(Block { first_line: first + read.lines, bytes: block }).is_err() {
                break;
            }
            read.bytes += bytes;
            read.lines += ends;
            progress(read.bytes);
        }
        drop(send);
        for parser in parsers {
            read.outcome.add(parser.join().expect("a panic in frame work is caught at its door")?);
        }
        Ok(read)
    })
}

/// A file cut at line ends.
struct Lines<'a> {
    file: File,
    path: &'a Path,
    /// What follows the last line end that was handed out.
    rest: Vec<u8>,
}

impl Lines<'_> {
    /// The next whole lines; empty at the end.
    fn block(&mut self) -> Result<Vec<u8>, HistoryError> {
        let mut block = std::mem::take(&mut self.rest);
        loop {
            let wanted = (BLOCK_BYTES.saturating_sub(block.len())).max(BLOCK_BYTES / 4) as u64;
            let read = self.file.by_ref().take(wanted).read_to_end(&mut block);
            if read.map_err(HistoryError::io("read", self.path))? == 0 {
                return Ok(block);
            }
            if let Some(end) = block.iter().rposition(|byte| *byte == b'\n') {
                self.rest.extend_from_slice(&block[end + 1..]);
                block.truncate(end + 1);
                return Ok(block);
            }
        }
    }
}

/// The names in the first line, and where the second one begins.
fn header(file: &mut File, path: &Path) -> Result<(Vec<String>, u64), HistoryError> {
    let mut line = Vec::new();
    BufReader::new(file).read_until(b'\n', &mut line).map_err(HistoryError::io("read", path))?;
    let text = line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&line);
    let mut record = ByteRecord::new();
    // Reading from memory does not fail, and every length of record is taken.
    let _ = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text).read_byte_record(&mut record);
    let names = record.iter().map(|name| String::from_utf8_lossy(name.trim_ascii()).into_owned()).collect();
    Ok((names, line.len() as u64))
}

fn hint(header: &[String]) -> Option<BadRow> {
    let [only] = header else { return None };
    let separator = if only.contains(';') {
        "semicolons"
    } else if only.contains('\t') {
        "tabs"
    } else {
        return None;
    };
    let problem = format!("the columns are separated by {separator}: save it with commas (and decimal points)");
    Some(BadRow::new(1, "", problem))
}

fn work(
    blocks: &Mutex<Receiver<Block>>,
    table: &Table<'_>,
    check_only: bool,
    mut spool: Spool<'_>,
) -> Result<Outcome, HistoryError> {
    let mut rows = Rows::new(table.settings, check_only);
    let mut record = ByteRecord::new();
    let mut count = 0;
    let next = || blocks.lock().unwrap_or_else(PoisonError::into_inner).recv();
    while let Ok(block) = next() {
        let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(&block.bytes[..]);
        // Reading from memory does not fail, and every length of record is taken.
        while reader.read_byte_record(&mut record).unwrap_or(false) {
            count += 1;
            let line = block.first_line + record.position().map_or(0, |position| line_of(position, &block.bytes) - 1);
            if record.len() != table.width {
                let problem =
                    format!("the row has {} cells, the header {}: a decimal comma?", record.len(), table.width);
                rows.refuse(BadRow::new(line, "", problem));
                continue;
            }
            let cell = |place| Cell::Text(record.get(place).unwrap_or(b"").trim_ascii());
            table.layout.take(line, cell, &mut rows, &mut spool)?;
        }
    }
    let parts = spool.finish()?;
    Ok(rows.outcome(parts, count))
}
