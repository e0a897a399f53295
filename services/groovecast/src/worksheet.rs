//! The work sheet of a unit as a file: HTML, or PDF printed by the machine's Chromium.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context;
use plant::{Clock, Suspicions, UnitId};

use crate::config::Config;
use crate::exit::Failure;
use crate::plant_store::PlantStore;
use crate::scoring::Scorer;
use crate::{run, snapshot};

/// Browsers that print a page as PDF, by the names that they have on PATH.
const BROWSERS: [&str; 2] = ["chromium", "chromium-browser"];
/// Longest time that a browser may take.
const PRINTING: Duration = Duration::from_secs(60);

/// Writes the work sheet of a unit, as known now.
///
/// # Errors
/// [`Failure::Usage`] for a unit that is not in the config, or an ending other than .html or .pdf; and if no browser is
/// there to print with, or it fails.
pub async fn worksheet(
    config: Config,
    unit: &str,
    out: &Path,
    browser: Option<&Path>,
    clock: &dyn Clock,
) -> Result<(), Failure> {
    let name = UnitId::new(unit).map_err(|error| Failure::Usage(error.to_string()))?;
    if !config.units.contains(&name) {
        let known: Vec<&str> = config.units.iter().map(UnitId::as_str).collect();
        return Err(Failure::Usage(format!("no unit {unit:?} is in the config; right would be {}", known.join(", "))));
    }
    let ending = out.extension().and_then(|ending| ending.to_str());
    if !matches!(ending, Some("html" | "pdf")) {
        return Err(Failure::Usage(format!("--out {} ends neither in .pdf nor in .html", out.display())));
    }
    let store = PlantStore::open(Arc::new(config)).await?;
    let config = store.config.clone();
    let model = store.published_model().await?;
    let fleet = store.fleet(clock.now(), model.baseline_version).await?;
    let scores = Scorer::new(&fleet, &model, &config, &config.model.horizons_h).scores(&fleet);
    let known = snapshot::evaluated(&fleet, scores, vec![], Suspicions::default(), &config.time_zone);
    let origin = format!("http://{}", config.listen);
    let html = publisher::worksheet_file(&known, &run::site(&config), &name, &origin)
        .ok_or_else(|| anyhow::anyhow!("the work sheet of {name} cannot be written"))?;
    if ending == Some("html") {
        std::fs::write(out, html).with_context(|| format!("cannot write {}", out.display()))?;
    } else {
        let (file, browser): (PathBuf, Option<PathBuf>) = (out.to_owned(), browser.map(Path::to_owned));
        tokio::task::spawn_blocking(move || print(&html, &file, browser.as_deref()))
            .await
            .context("printing broke")??;
    }
    println!("{}: work sheet of {name}", out.display());
    Ok(())
}

/// Prints a page as PDF.
fn print(html: &str, out: &Path, browser: Option<&Path>) -> anyhow::Result<()> {
    let folder =
        tempfile::Builder::new().prefix("groovecast-sheet-").tempdir().context("cannot make a folder to print in")?;
    let page = folder.path().join("sheet.html");
    std::fs::write(&page, html).with_context(|| format!("cannot write {}", page.display()))?;
    // A browser that dies half way must not leave half a file where a whole one is looked for.
    let (printed, said) = (folder.path().join("sheet.pdf"), folder.path().join("said.txt"));
    let names: Vec<&Path> = browser.map_or_else(|| BROWSERS.map(Path::new).to_vec(), |browser| vec![browser]);
    for name in &names {
        let mut command = Command::new(name);
        // The page is our own and runs nothing, and accounts of services often cannot make a sandbox.
        command
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"])
            .args(["--disable-component-update", "--disable-sync", "--no-pdf-header-footer"])
            .arg(format!("--user-data-dir={}", folder.path().join("profile").display()))
            .arg(format!("--print-to-pdf={}", printed.display()))
            .arg(&page)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(File::create(&said).with_context(|| format!("cannot write {}", said.display()))?);
        let mut child = match command.spawn() {
            Ok(child) => child,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
            Err(error) => return Err(error).with_context(|| format!("cannot start {}", name.display())),
        };
        let began = Instant::now();
        let status = loop {
            if let Some(status) = child.try_wait().context("cannot wait for the browser")? {
                break status;
            }
            if began.elapsed() > PRINTING {
                child.kill().context("cannot end the browser")?;
                child.wait().context("cannot wait for the browser")?;
                anyhow::bail!("{} did not print within {} s", name.display(), PRINTING.as_secs());
            }
            std::thread::sleep(Duration::from_millis(50));
        };
        if !status.success() || !printed.exists() {
            let said = std::fs::read_to_string(&said).unwrap_or_default();
            let last = said.lines().rev().find(|line| !line.trim().is_empty()).unwrap_or("it said nothing");
            anyhow::bail!("{} did not print ({status}): {last}", name.display());
        }
        std::fs::copy(&printed, out).with_context(|| format!("cannot write {}", out.display()))?;
        return Ok(());
    }
    let tried: Vec<String> = names.iter().map(|name| name.display().to_string()).collect();
    anyhow::bail!(
        "no browser to print with: {} is not there; right would be --browser FILE, or --out FILE.html and print that",
        tried.join(", ")
    )
}
