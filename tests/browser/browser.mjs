// Debian's Chromium without a window, and pages that write down everything that goes wrong in them.

import { mkdtemp, rm } from "node:fs/promises";
import { existsSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

import axe from "axe-core";
import puppeteer from "puppeteer-core";

export const SIZES = {
  desktop: { width: 1280, height: 900 },
  tablet: { width: 820, height: 1180, hasTouch: true },
  phone: { width: 390, height: 844, hasTouch: true, isMobile: true },
};

const PATIENCE_MS = 30_000;

/** Starts Chromium, gives it to `use`, and ends it whatever happens. */
export async function withBrowser(origin, use) {
  const executablePath = ["/usr/bin/chromium", "/usr/bin/chromium-browser"].find(existsSync);
  if (!executablePath) throw new Error("chromium is not installed: ./tests/setup installs it");
  const userDataDir = await mkdtemp(join(tmpdir(), "browser-"));
  const browser = await puppeteer.launch({
    executablePath,
    userDataDir,
    // Over a pipe Chromium ends with this process, also when that is killed.
    pipe: true,
    args: [
      "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
      "--disable-component-update", "--disable-sync",
      // No name is looked up: nothing leaves the machine, whatever a page asks for.
      "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
    ],
  });
  try {
    return await use(new Visitor(browser, new URL(origin).origin));
  } finally {
    await browser.close();
    await rm(userDataDir, { recursive: true, force: true });
  }
}

/** Somebody who opens pages of one origin. */
export class Visitor {
  constructor(browser, origin) {
    this.browser = browser;
    this.origin = origin;
  }

  /**
   * Opens a path in a page of its own and closes it after `look(page)`. Fails with every fault that the page had meanwhile:
   * errors in the console, requests outside the origin, requests that failed or were refused. Who expects a fault (offline, a
   * refused login) says so with `hadFault`.
   */
  async at(path, size, look) {
    const context = await this.browser.createBrowserContext();
    try {
      const page = await context.newPage();
      page.setDefaultTimeout(PATIENCE_MS);
      await page.setViewport(size);
      page.faults = faultsOf(page, this.origin);
      await page.goto(this.origin + path, { waitUntil: "load" });
      const ended = await look(page).then((seen) => ({ seen }), (error) => ({ error }));
      const faults = [...(ended.error ? [ended.error.message] : []), ...page.faults];
      if (faults.length) throw new Error(faults.join("\n   "));
      return ended.seen;
    } finally {
      await context.close();
    }
  }

  /** JSON from a path, asked without the browser. */
  async json(path) {
    const answer = await fetch(this.origin + path);
    if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
    return answer.json();
  }
}

function faultsOf(page, origin) {
  const faults = [];
  page.on("console", (message) => {
    if (["error", "warn", "assert"].includes(message.type())) faults.push(`console: ${message.text()}`);
  });
  page.on("pageerror", (error) => faults.push(`script: ${error.message}`));
  page.on("request", (request) => {
    const url = new URL(request.url());
    if (url.origin !== origin && !["data:", "blob:"].includes(url.protocol)) faults.push(`asked elsewhere: ${url}`);
  });
  page.on("requestfailed", (request) => faults.push(`${request.url()} failed: ${request.failure()?.errorText}`));
  page.on("response", (response) => {
    if (response.status() >= 400) faults.push(`${response.url()} answered ${response.status()}`);
  });
  return faults;
}

/** Takes the faults that are expected off a page, and fails if there are none. */
export function hadFault(page, pattern) {
  const others = page.faults.filter((fault) => !pattern.test(fault));
  if (others.length === page.faults.length) throw new Error(`no fault like ${pattern} came`);
  page.faults.splice(0, Infinity, ...others);
}

/** Fails if the page is wider than the screen, and names what sticks out. */
export async function fitsItsWidth(page) {
  const { width } = page.viewport();
  const { wide, sticking } = await page.evaluate((width) => {
    // What sticks out of a part that scrolls by itself is reached there.
    const scrolled = (element) => {
      for (let above = element.parentElement; above && above !== document.body; above = above.parentElement) {
        if (getComputedStyle(above).overflowX !== "visible") return true;
      }
      return false;
    };
    const outside = [...document.body.querySelectorAll("*")].filter(
      (element) => element.getBoundingClientRect().right > width + 1 && !scrolled(element),
    );
    return {
      wide: document.documentElement.scrollWidth,
      sticking: outside.slice(0, 3).map((element) => element.outerHTML.slice(0, 120)),
    };
  }, width);
  if (wide > width || sticking.length) throw new Error(`${wide} px wide on a screen of ${width}: ${sticking.join(" ")}`);
}

/** Fails with the serious and critical findings of axe. */
export async function isAccessible(page) {
  // As a text of its own: the page's policy lets no script in, and a debugger may run one all the same.
  await page.evaluate(axe.source);
  const { violations, passes } = await page.evaluate(() => window.axe.run(document, { preload: false }));
  if (passes.length < 5) throw new Error(`axe looked at next to nothing: ${passes.length} rules`);
  const grave = violations.filter((finding) => ["serious", "critical"].includes(finding.impact));
  const words = grave.map(
    ({ id, impact, help, nodes }) =>
      `${impact} ${id} (${help}) at ${nodes.length}: ${nodes.slice(0, 3).map((node) => node.html.slice(0, 160)).join(" ")}`,
  );
  if (words.length) throw new Error(words.join("\n   "));
}

/** Presses Tab until the focus is on what `selector` names. */
export async function tabTo(page, selector, most = 60) {
  for (let pressed = 0; pressed < most; pressed += 1) {
    await page.keyboard.press("Tab");
    if (await page.evaluate((selector) => document.activeElement?.matches(selector) ?? false, selector)) return;
  }
  throw new Error(`${most} times Tab did not reach ${selector}`);
}

/** Runs named checks one after the other, says how each went, and ends the process with 1 if one failed. */
export async function checks(named) {
  let failed = 0;
  for (const [name, check] of named) {
    try {
      console.log(`ok ${name}: ${(await check()) ?? "passed"}`);
    } catch (error) {
      failed += 1;
      console.log(`FAILED ${name}: ${error.message}`);
    }
  }
  if (named.length === 0 || failed > 0) process.exitCode = 1;
}
