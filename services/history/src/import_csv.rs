//! CSV in: one reader cuts the file into blocks at line ends, as many workers as there are cores parse them.

use std::fs::File;
use std::io::Read;
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
use crate::table::line_of;

const BLOCK_BYTES: usize = 4 << 20;

/// Whole lines, and the number of the first.
struct Block {
    first_line: u64,
    bytes: Vec<u8>,
}

/// Reads one file.
pub(crate) fn read(
    path: &Path,
    settings: &ImportSettings,
    folder: &Path,
    progress: &dyn Fn(Progress<'_>),
) -> Result<Outcome, HistoryError> {
    let mut file = File::open(path).map_err(HistoryError::io("open", path))?;
    let total = file.metadata().map_err(HistoryError::io("look at", path))?.len();
    let mut rest = Vec::new();
    let mut block = next_block(&mut file, &mut rest, path)?;
    if block.starts_with(b"\xef\xbb\xbf") {
        block.drain(..3);
    }
    let (header, header_bytes) = header(&block);
    let layout = match hint(&header).map_or_else(|| Layout::of(&header, settings, None), |bad| Err(vec![bad])) {
        Ok(layout) => layout,
        Err(bad) => return Ok(Outcome { bad_count: bad.len() as u64, bad, ..Outcome::default() }),
    };
    block.drain(..header_bytes);
    let workers = thread::available_parallelism().map_or(1, usize::from);
    let (send, receive) = sync_channel::<Block>(workers);
    let receive = Arc::new(Mutex::new(receive));
    let (width, layout) = (header.len(), &layout);
    thread::scope(|scope| {
        let parse = |number| {
            let receive = Arc::clone(&receive);
            let spool = Spool::new(folder, number, settings.units.iter().collect());
            move || work(&receive, settings, layout, width, spool)
        };
        let parsers: Vec<_> = (0..workers).map(|number| scope.spawn(parse(number))).collect();
        // The receiving end lives with the workers alone: when the last one has failed, sending fails too.
        drop(receive);
        let mut done = 0;
        let mut first_line = 2;
        while !block.is_empty() {
            done += block.len() as u64;
            let lines = block.iter().filter(|byte| **byte == b'\n').count() as u64;
            // All workers have failed: their error is told below.
            if send.send(Block { first_line, bytes: block }).is_err() {
                break;
            }
            first_line += lines;
            progress(Progress { file: path, done, total });
            block = next_block(&mut file, &mut rest, path)?;
        }
        drop(send);
        let mut outcome = Outcome::default();
        for parser in parsers {
            let part = parser.join().expect("a panic in frame work is caught at its door")?;
            outcome.rows += part.rows;
            outcome.zone_assumed += part.zone_assumed;
            outcome.disbelieved.add(part.disbelieved);
            outcome.bad.extend(part.bad);
            outcome.bad_count += part.bad_count;
            for (day, mut parts) in part.parts {
                outcome.parts.entry(day).or_default().append(&mut parts);
            }
        }
        Ok(outcome)
    })
}

/// The next whole lines; what follows the last line end waits in `rest`.
fn next_block(file: &mut File, rest: &mut Vec<u8>, path: &Path) -> Result<Vec<u8>, HistoryError> {
    let mut block = std::mem::take(rest);
    loop {
        let wanted = (BLOCK_BYTES.saturating_sub(block.len())).max(BLOCK_BYTES / 4) as u64;
        let read = file.by_ref().take(wanted).read_to_end(&mut block).map_err(HistoryError::io("read", path))?;
        if read == 0 {
            return Ok(block);
        }
        if let Some(end) = block.iter().rposition(|byte| *byte == b'\n') {
            rest.extend_from_slice(&block[end + 1..]);
            block.truncate(end + 1);
            return Ok(block);
        }
    }
}

/// The names in the first line, and its length in bytes.
fn header(block: &[u8]) -> (Vec<String>, usize) {
    let bytes = block.iter().position(|byte| *byte == b'\n').map_or(block.len(), |end| end + 1);
    let mut record = ByteRecord::new();
    // Reading from memory does not fail, and every length of record is taken.
    let _ = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(&block[..bytes])
        .read_byte_record(&mut record);
    (record.iter().map(|name| String::from_utf8_lossy(name.trim_ascii()).into_owned()).collect(), bytes)
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
    settings: &ImportSettings,
    layout: &Layout,
    width: usize,
    mut spool: Spool<'_>,
) -> Result<Outcome, HistoryError> {
    let mut rows = Rows::new(settings);
    let mut record = ByteRecord::new();
    let mut count = 0;
    let next = || blocks.lock().unwrap_or_else(PoisonError::into_inner).recv();
    while let Ok(block) = next() {
        let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(&block.bytes[..]);
        // Reading from memory does not fail, and every length of record is taken.
        while reader.read_byte_record(&mut record).unwrap_or(false) {
            count += 1;
            let line = block.first_line + record.position().map_or(0, |position| line_of(position, &block.bytes) - 1);
            if record.len() != width {
                let problem = format!("the row has {} cells, the header {width}: a decimal comma?", record.len());
                rows.refuse(BadRow::new(line, "", problem));
                continue;
            }
            let cell = |place| Cell::Text(record.get(place).unwrap_or(b"").trim_ascii());
            layout.take(line, cell, &mut rows, &mut spool)?;
        }
    }
    let parts = spool.finish()?;
    let Rows { zone_assumed, disbelieved, bad, bad_count, .. } = rows;
    Ok(Outcome { parts, rows: count, zone_assumed, disbelieved, bad, bad_count })
}
