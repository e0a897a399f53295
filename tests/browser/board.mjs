// The pages of a running service as a browser shows them:  node tests/browser/board.mjs http://127.0.0.1:8080
// What the board says is held against /api/v1/risks; every page is held against axe's rules and the width of the screen.

import { SIZES, checks, fitsItsWidth, hadFault, isAccessible, tabTo, withBrowser } from "./browser.mjs";

// README.md, the table of states; the words are the board's.
const STATES = {
  ok: "fitted model", baseline: "run hours alone", prior: "stated belief", reached: "limit reached",
  blind: "blind, or never seen whole", stale: "no fresh data", no_tube: "no tube fitted", not_fitted: "in no unit",
};

/** A page that is not there is a page for people too. */
const NOWHERE = "/nowhere";

/** The rows of the board as text, and the instant that the page speaks of. */
const readBoard = (page) =>
  page.evaluate(() => {
    const text = (element, selector) => element.querySelector(selector)?.innerText.trim() ?? "";
    const texts = (element, selector) => [...element.querySelectorAll(selector)].map((part) => part.innerText.trim());
    const visible = (element) => element.checkVisibility() && element.getBoundingClientRect().height > 0;
    return {
      known: document.querySelector(".known time").dateTime,
      rows: [...document.querySelectorAll("table.board tbody tr:not(.group)")].map((row) => ({
        visible: [...row.querySelectorAll(".who, td")].every(visible),
        unit: text(row, ".unit"),
        tube: text(row, ".tube"),
        href: row.querySelector("a.tube")?.getAttribute("href") ?? null,
        state: text(row, ".state"),
        flag: text(row, ".flag"),
        chances: [...row.querySelectorAll(".ladder li")].map((chance) => ({
          when: text(chance, ".when"),
          said: text(chance, ".said b"),
          range: text(chance, ".interval"),
        })),
        why: text(row, ".why"),
        look: texts(row, ".look .line"),
      })),
    };
  });

/** Board and API at the same evaluation; the service may evaluate between two requests, so it is asked again. */
async function together(visitor, page) {
  for (let turn = 0; turn < 20; turn += 1) {
    const board = await readBoard(page);
    const told = await visitor.json("/api/v1/risks");
    if (board.known === told.at) return { board, told };
    await page.reload({ waitUntil: "load" });
  }
  throw new Error("board and API never spoke of the same instant");
}

const need = (holds, words) => {
  if (!holds) throw new Error(words);
};

/** `1 240 h` as a number. */
const hours = (text) => Number(text.replaceAll(/[^\d.]/g, ""));

/** Whether a text as `31 %`, `under 1 %` or `over 99 %` says this share. */
function says(text, share) {
  const number = Number(text.replaceAll(/[^\d.]/g, ""));
  if (/under|</.test(text)) return share < 0.01;
  if (/over|>/.test(text)) return share >= 0.985;
  return Math.abs(number / 100 - share) <= 0.005 + 1e-9;
}

function sameChance(shown, told, state) {
  const when = told.horizon_h === 0 ? shown.when === "now" : hours(shown.when) === told.horizon_h;
  const [lower, upper = lower] = shown.range.replaceAll(/[()]/g, "").split("–");
  return when && says(shown.said, told.risk) && says(lower, told.lower) && says(upper, told.upper)
    && shown.said.startsWith("at least") === (state === "blind");
}

/** A day as the page writes it, in the plant's zone. */
function dayOf(instant, zone) {
  const parts = new Intl.DateTimeFormat("en-GB", { timeZone: zone, day: "numeric", month: "short", year: "numeric" });
  // The only month that this locale cuts to four letters.
  return parts.format(new Date(instant)).replace("Sept", "Sep");
}

function compare(row, score, zone) {
  const name = score.unit ?? score.tube;
  const differs = (what, shown, told) => `${name}: ${what} is ${JSON.stringify(shown)} on the board, ${JSON.stringify(told)} in the API`;
  need(row.visible, `${name}: a part of its row cannot be seen`);
  need(row.unit === (score.unit ?? ""), differs("the unit", row.unit, score.unit));
  need(row.tube === (score.tube === null ? "no tube" : `tube ${score.tube}`), differs("the tube", row.tube, score.tube));
  need(row.href === (score.tube === null ? null : `/tubes/${encodeURIComponent(score.tube)}`), differs("the link", row.href, score.tube));
  const state = score.hold_and_assess ? "hold and assess" : STATES[score.state];
  need(row.state === state, differs("the state", row.state, state));
  const flag = score.hold_and_assess ? "Hold" : score.state === "reached" ? "Limit reached" : "";
  need(row.flag === flag, differs("the flag", row.flag, flag));
  const told = flag || score.unit === null ? [] : score.risks;
  need(
    row.chances.length === told.length && told.every((chance, place) => sameChance(row.chances[place], chance, score.state)),
    differs("the chance", row.chances, told),
  );
  const wearing = score.drivers.filter((driver) => driver.hours_equivalent >= 0.5);
  if (!flag && told.length && score.state !== "stale" && wearing.length) {
    for (const driver of [...wearing].sort((a, b) => b.hours_equivalent - a.hours_equivalent).slice(0, 3)) {
      need(row.why.includes(driver.text), differs("the reason", row.why, driver.text));
    }
  } else {
    need(row.why.includes(score.reason.replace(/\.$/, "")), differs("the reason", row.why, score.reason));
  }
  const look = row.look.join("\n").replaceAll("\u00a0", " ");
  if (score.tube === null) return;
  const seen = score.last_look_at === null ? "none in this life" : dayOf(score.last_look_at, zone);
  need(look.startsWith(seen), differs("the last look", look, seen));
  if (score.coverage === null) {
    need(look.includes("no run hours since"), differs("the coverage", look, null));
  } else {
    const [, run, covered] = look.match(/^(.*\bh) (?:run since|of running), (.*) covered$/m) ?? [];
    need(run && Math.abs(hours(run) - score.run_h) <= 0.5, differs("the run hours", look, score.run_h));
    need(says(covered, score.coverage), differs("the coverage", covered, score.coverage));
  }
  if (score.last_grade !== null) need(look.includes(`grade ${score.last_grade}`), differs("the grade", look, score.last_grade));
}

/** The board says what the API says, row by row in the same order. */
const boardIsTheApi = (visitor, size, zone) => () =>
  visitor.at("/", size, async (page) => {
    const { board, told } = await together(visitor, page);
    need(board.rows.length === told.risks.length, `${board.rows.length} rows for ${told.risks.length} scores`);
    board.rows.forEach((row, place) => compare(row, told.risks[place], zone));
    const states = new Set(told.risks.map((score) => (score.hold_and_assess ? "hold" : score.state)));
    return `${board.rows.length} rows, ${[...states].sort().join(", ")}`;
  });

/** The plant has what the comparison needs: it would hold over an empty board too. */
const somethingToCompare = (risks) => () => {
  const whole = ({ risks, last_look_at, coverage, drivers }) =>
    risks.length > 1 && last_look_at !== null && coverage > 0 && coverage < 1 && drivers.length > 1;
  need(risks.some(whole), "no score has risks, a last look, partial coverage and drivers");
};

/** A page has nothing that stands in anybody's way and fits the screen. Inks in the dark are the same at each size. */
const pageHolds = (visitor, path, size) => () =>
  visitor.at(path, size, async (page) => {
    if (path === NOWHERE) hadFault(page, /404/);
    for (const scheme of size === SIZES.desktop ? ["dark", "light"] : ["light"]) {
      await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme }]);
      await isAccessible(page);
    }
    await fitsItsWidth(page);
    for (const picture of await page.$$("img")) {
      const drawn = await picture.evaluate(async (img) => {
        await img.decode();
        const box = img.getBoundingClientRect();
        return { source: img.currentSrc, natural: img.naturalWidth, width: box.width, height: box.height };
      });
      need(drawn.natural > 0 && drawn.width > 100 && drawn.height > 50, `a picture is not drawn: ${JSON.stringify(drawn)}`);
    }
    return `${(await page.$$("img")).length} pictures`;
  });

/** Every chart can be shown by its address alone, as foreign dashboards do. */
const chartsAreDrawn = (visitor, tubes) => () =>
  visitor.at("/", SIZES.desktop, async (page) => {
    const charts = tubes.map((tube) => `/charts/tubes/${encodeURIComponent(tube)}.svg?width=640&height=320`);
    for (const chart of ["/charts/board.svg?width=640", ...charts]) {
      const [width, height] = await page.evaluate(async (address) => {
        const picture = new Image();
        picture.src = address;
        await picture.decode().catch(() => {});
        return [picture.naturalWidth, picture.naturalHeight];
      }, chart);
      // The board's chart is as high as it has units.
      need(width === 640 && (height === 320 || (chart.includes("board") && height > 50)), `${chart} is ${width} x ${height}`);
    }
    return `${charts.length + 1} charts`;
  });

/** The form of a stop asks without a script, and the page and the API give one answer. */
const stopAnswers = (visitor, units) => () =>
  visitor.at("/changeovers?units=all", SIZES.phone, async (page) => {
    await page.type("#room", "1");
    await page.click(`input[name=open][value=${JSON.stringify(units[0])}]`);
    await Promise.all([page.waitForNavigation({ waitUntil: "load" }), page.click("form.entry button")]);
    const { search } = new URL(page.url());
    need(search.includes("room=1") && search.includes("open="), `the form asked ${search}`);
    const told = await visitor.json(`/api/v1/changeovers/choice${search}`);
    need(told.room === 1, `room is ${told.room}`);
    const headline = await page.$eval(".verdict", (verdict) => verdict.innerText);
    need(told.open.every((unit) => headline.includes(unit)), `the page says ${headline}, the API ${told.open}`);
    need((await page.$eval("main", (main) => main.innerText)).includes("Your own set."), "the own set is not answered");
    return headline;
  });

/** Who has only a keyboard gets from the board to a tube. */
const keyboardOpensATube = (visitor) => () =>
  visitor.at("/", SIZES.desktop, async (page) => {
    await tabTo(page, "a.tube");
    const { href, outline } = await page.evaluate(() => {
      const link = document.activeElement;
      return { href: link.href, outline: getComputedStyle(link).outlineStyle };
    });
    need(outline !== "none", "the focus cannot be seen");
    await Promise.all([page.waitForNavigation({ waitUntil: "load" }), page.keyboard.press("Enter")]);
    need(page.url() === href, `Enter led to ${page.url()}, not to ${href}`);
    const heading = await page.$eval("h1", (heading) => heading.innerText);
    need(heading.includes("Tube"), `the page is headed ${heading}`);
    return heading;
  });

const [base, zone] = process.argv.slice(2);
if (!base || !zone) {
  console.error("usage: node board.mjs ORIGIN TIME_ZONE, for example http://127.0.0.1:8080 Europe/Amsterdam");
  process.exit(2);
}
await withBrowser(base, async (visitor) => {
  const { risks } = await visitor.json("/api/v1/risks");
  const tubes = risks.map((score) => score.tube).filter((tube) => tube !== null);
  need(tubes.length > 0, "there is no tube to look at");
  const units = risks.map((score) => score.unit).filter((unit) => unit !== null);
  const pages = ["/", "/changeovers", "/changeovers?units=all", `/changeovers?units=all&room=2&open=${encodeURIComponent(units[0])}`, "/advice", `/units/${encodeURIComponent(units[0])}/worksheet`, "/findings", "/findings/new", "/signals", "/models", "/suspicions", "/api", NOWHERE, ...tubes.map((tube) => `/tubes/${encodeURIComponent(tube)}`)];
  const named = [["something to compare", somethingToCompare(risks)]];
  for (const [name, size] of Object.entries(SIZES)) {
    named.push([`board as the API, ${name}`, boardIsTheApi(visitor, size, zone)]);
    for (const path of pages) named.push([`${path}, ${name}`, pageHolds(visitor, path, size)]);
  }
  named.push(["a stop asked in its form", stopAnswers(visitor, units)]);
  named.push(["charts", chartsAreDrawn(visitor, tubes)], ["keyboard", keyboardOpensATube(visitor)]);
  await checks(named);
});
