// Logging a finding on a running service:  node tests/browser/finding.mjs ORIGIN UNIT NAME PASSWORD
// A tablet loses its network, its page and its session on the way; at the service stands exactly what was entered, once.

import { SIZES, checks, fitsItsWidth, hadFault, isAccessible, tabTo, withBrowser } from "./browser.mjs";

const [base, unit, name, password] = process.argv.slice(2);
if (!password) {
  console.error("usage: node finding.mjs ORIGIN UNIT NAME PASSWORD, for example http://127.0.0.1:8080 K1 Ann 'a long password'");
  process.exit(2);
}
const FORM = `/findings/new?unit=${encodeURIComponent(unit)}`;
/** What Chromium says when the network was taken away, or nobody was logged in. */
const NO_NETWORK = /ERR_INTERNET_DISCONNECTED|ERR_FAILED|ERR_NETWORK_IO_SUSPENDED/;
const NOT_LOGGED_IN = /\b401\b/;

const need = (holds, words) => {
  if (!holds) throw new Error(words);
};
const expectFaults = (page, pattern) => {
  if (page.faults.some((fault) => pattern.test(fault))) hadFault(page, pattern);
};

async function logIn(page) {
  await page.type("#name", name);
  await page.type("#password", password);
  await Promise.all([page.waitForNavigation({ waitUntil: "load" }), page.click("form.entry button[type=submit]")]);
}

/** The form with somebody logged in. */
const atForm = (visitor, size, look) => () =>
  visitor.at(`/login?next=${encodeURIComponent(FORM)}`, size, async (page) => {
    await logIn(page);
    await page.waitForSelector("html.scripted");
    return look(page);
  });

const tap = (page, selector) => page.$eval(selector, (element) => element.click());
const place = (zone, clock) => `#wall select[data-at="${zone}"][data-clock="${clock}"]`;
const text = (page, selector) => page.$eval(selector, (element) => element.innerText.replaceAll("\u00a0", " "));
const told = (page) => page.$$eval("#entries li", (items) => items.map((item) => item.dataset.state));
const untilTold = (page, states) =>
  page.waitForFunction(
    (states) => [...document.querySelectorAll("#entries li")].map((item) => item.dataset.state).join() === states,
    { polling: 100 }, states.join(),
  ).catch(async () => { throw new Error(`the page says ${await told(page)}: ${await text(page, "#queue")}`); });

/** The findings at the service that carry a note. */
async function noted(visitor, words) {
  const { findings } = await visitor.json("/api/v1/findings");
  return findings.filter(({ finding }) => finding?.note?.includes(words)).map(({ finding }) => finding);
}
/** All findings of the look of which one carries the note. */
async function lookOf(visitor, words) {
  const { findings } = await visitor.json("/api/v1/findings");
  const [first] = findings.filter(({ finding }) => finding?.note?.includes(words));
  need(first, `no finding carries ${JSON.stringify(words)}`);
  return findings.filter(({ entered_at, tube }) => entered_at === first.entered_at && tube === first.tube).map(({ finding }) => finding);
}

/** All smooth but one place, with its depth in mil; then a word that tells this entry from others. */
async function enter(page, word) {
  await tap(page, "input[name=mark][value=same]");
  await tap(page, "#smooth");
  await page.select(place("far", "6"), "2");
  await page.type("#marks .depth", "1.5");
  await page.select("#marks .measure", "mil");
  await tap(page, "input[name=method][value=gauge]");
  await page.type("#note", word);
}

/** Without network and over a reload the entry stays, and goes out once. */
const lostNetwork = (visitor) =>
  atForm(visitor, SIZES.tablet, async (page) => {
    const word = `offline ${Date.now()}`;
    // The page is kept by its worker; it has to be there before the network goes.
    await page.evaluate(() => navigator.serviceWorker.ready);
    await page.reload({ waitUntil: "load" });
    await page.setOfflineMode(true);
    await enter(page, word);
    await page.reload({ waitUntil: "load" });
    need((await text(page, "#summary")).includes("38.1 µm = 1.5 mil"), `after a reload without network: ${await text(page, "#summary")}`);
    need((await page.$eval("#note", (note) => note.value)) === word, "the note is gone after a reload");
    await tap(page, "button.first");
    await untilTold(page, ["waiting"]);
    await page.reload({ waitUntil: "load" });
    await untilTold(page, ["waiting"]);
    need((await noted(visitor, word)).length === 0, "it was sent without network");
    await page.setOfflineMode(false);
    await untilTold(page, ["sent"]);
    await page.reload({ waitUntil: "load" });
    await new Promise((later) => setTimeout(later, 500));
    expectFaults(page, NO_NETWORK);
    const look = await lookOf(visitor, word);
    const worst = look.filter(({ grade }) => grade === 2);
    need((await noted(visitor, word)).length === 1, "the note stands more than once");
    // 1.5 mil are 38.1 µm (a mil is 25.4 µm by definition of the inch).
    need(look.length === 12 && worst.length === 1 && worst[0].depth_um === 38.1, JSON.stringify(look));
    need(worst[0].zone === "far" && worst[0].clock === "6" && worst[0].method === "gauge", JSON.stringify(worst));
    return "12 findings, once";
  });

/** An answer that is lost on its way back does not make the entry stand twice. */
const lostAnswer = (visitor) =>
  atForm(visitor, SIZES.phone, async (page) => {
    const word = `lost answer ${Date.now()}`;
    await page.setBypassServiceWorker(true);
    await page.reload({ waitUntil: "load" });
    await page.setRequestInterception(true);
    let cut = 0;
    let answered;
    const taken = new Promise((done) => { answered = done; });
    page.on("request", async (request) => {
      if (request.method() !== "POST" || cut > 0) return request.continue();
      cut += 1;
      // The service takes the request; the page never hears of it.
      const cookies = (await page.cookies()).map(({ name, value }) => `${name}=${value}`).join("; ");
      const headers = { ...request.headers(), cookie: cookies };
      const answer = await fetch(request.url(), { method: "POST", headers, body: request.postData() });
      answered(answer.status);
      await request.abort("connectionreset");
    });
    await enter(page, word);
    await tap(page, "button.first");
    need((await taken) === 201, "the service did not take the first request");
    need((await noted(visitor, word)).length === 1, "the service did not keep the first request");
    await untilTold(page, ["waiting"]);
    await page.evaluate(() => dispatchEvent(new Event("online")));
    await untilTold(page, ["sent"]);
    expectFaults(page, /ERR_CONNECTION_RESET/);
    need((await noted(visitor, word)).length === 1, "it stands twice");
    return "taken once, told twice";
  });

/** A session that ends while an entry waits: it waits for a login and goes out after it. */
const lostSession = (visitor) =>
  atForm(visitor, SIZES.tablet, async (page) => {
    const word = `session ${Date.now()}`;
    await enter(page, word);
    await page.deleteCookie(...(await page.cookies()));
    await tap(page, "button.first");
    await untilTold(page, ["login"]);
    expectFaults(page, NOT_LOGGED_IN);
    need((await noted(visitor, word)).length === 0, "it was taken without a session");
    await Promise.all([page.waitForNavigation({ waitUntil: "load" }), page.click("#entries a[href^='/login']")]);
    await logIn(page);
    await untilTold(page, ["sent"]);
    need((await noted(visitor, word)).length === 1, "it is not there once");
    return "sent after the login";
  });

/** What is missing is said, each with a way to it, and nothing is sent. */
const missing = (visitor) =>
  atForm(visitor, SIZES.phone, async (page) => {
    const lacks = () => page.$$eval("#lacking a", (links) => links.map((link) => link.getAttribute("href")));
    await page.focus("#run_h");
    await page.keyboard.type("-3");
    // Enter in a field sends the form, with the field still under way.
    await page.keyboard.press("Enter");
    need((await lacks()).join() === "#mark,#wall,#run_h", `it says ${await lacks()}`);
    need(await page.evaluate(() => document.activeElement.matches("#lacking a")), "the focus is not on what is missing");
    await tap(page, "input[name=mark][value=other]");
    await tap(page, "#rest");
    need((await lacks()).join() === "#mark,#wall,#run_h", `it says ${await lacks()}`);
    need((await text(page, "#lacking")).includes("No place was read"), await text(page, "#lacking"));
    need((await told(page)).length === 0, "it went out all the same");
    return await text(page, "#lacking");
  });

/** What was typed before is back, says so, and can be left: an old draft must not pass for a new look. */
const oldDraft = (visitor) =>
  atForm(visitor, SIZES.phone, async (page) => {
    const shown = () => page.$eval("#back", (back) => !back.hidden);
    need(!(await shown()), "a draft before anything was typed");
    await enter(page, "left lying");
    await page.reload({ waitUntil: "load" });
    await page.waitForSelector("html.scripted");
    need(await shown(), "the draft is back without a word");
    await tap(page, "#anew");
    need((await text(page, "#summary")) === "Nothing yet.", await text(page, "#summary"));
    await page.reload({ waitUntil: "load" });
    await page.waitForSelector("html.scripted");
    need(!(await shown()), "it came back once more");
    return "said, and left";
  });

/** What the service refuses is said by field and can be changed. */
const refused = (visitor) =>
  atForm(visitor, SIZES.tablet, async (page) => {
    const word = `refused ${Date.now()}`;
    await enter(page, word);
    // A day ahead of the plant's clock: nothing can have been found then.
    const ahead = await page.$eval("#at", (at) => {
      const day = new Date(`${at.value}:00Z`);
      day.setUTCDate(day.getUTCDate() + 2);
      at.value = day.toISOString().slice(0, 16);
      at.dispatchEvent(new Event("change", { bubbles: true }));
      return at.value;
    });
    await tap(page, "button.first");
    await untilTold(page, ["refused"]);
    expectFaults(page, /\b422\b/);
    const said = await text(page, "#entries li");
    need(said.startsWith("Refused: at: "), `${ahead} was refused with ${said}`);
    await tap(page, "#entries button");
    const back = page.waitForFunction((word) => document.querySelector("#note").value === word, { timeout: 10_000 }, word);
    need(await back.catch(() => false), "what was typed is not back");
    await tap(page, "#now");
    await tap(page, "button.first");
    await untilTold(page, ["sent"]);
    need((await noted(visitor, word)).length === 1, "it is not there once");
    return said;
  });

/** Flakes ask to stop at once; a place that could not be looked at is unknown. */
const flake = (visitor) =>
  atForm(visitor, SIZES.phone, async (page) => {
    const word = `flake ${Date.now()}`;
    await tap(page, "input[name=mark][value=same]");
    need((await text(page, "#hold")) === "", "a hold without a flake");
    await page.select(place("drive", "12"), "1");
    await page.select("#marks .kind", "flake");
    need((await text(page, "#hold")).includes("hold the product"), "a flake asks nobody to hold");
    await page.select("#marks .kind", "pit");
    need((await text(page, "#hold")) === "", "the hold stays without a flake");
    await page.select(place("drive", "12"), "4");
    need((await text(page, "#hold")).includes("hold the product"), "exposed metal asks nobody to hold");
    await tap(page, `${place("far", "12")} ~ .blocked`);
    await page.type("#note", word);
    const summary = await text(page, "#summary");
    need(summary.includes("could not look: far, 12 o’clock") && summary.includes("11 stations unknown"), summary);
    await tap(page, "button.first");
    await untilTold(page, ["sent"]);
    const look = await lookOf(visitor, word);
    need(look.length === 1 && look[0].grade === 4 && look[0].kind === "pit", JSON.stringify(look));
    need(look[0].note.includes("Could not look: far, 12 o’clock"), look[0].note);
    return summary;
  });

/** Everywhere smooth is two taps and one finding for the whole tube. */
const smooth = (visitor) =>
  atForm(visitor, SIZES.phone, async (page) => {
    const word = `smooth ${Date.now()}`;
    await tap(page, "input[name=mark][value=same]");
    await tap(page, "#smooth");
    await page.type("#note", word);
    await tap(page, "button.first");
    await untilTold(page, ["sent"]);
    const look = await lookOf(visitor, word);
    need(look.length === 1 && look[0].grade === 0 && look[0].zone === null, JSON.stringify(look));
    need(Math.abs(Date.parse(look[0].recorded_at) - Date.now()) < 600_000, `it was written down at ${look[0].recorded_at}`);
    return "one finding";
  });

/** A photo waits with its entry and comes to the worst finding. */
const photo = (visitor) =>
  atForm(visitor, SIZES.tablet, async (page) => {
    const word = `photo ${Date.now()}`;
    await enter(page, word);
    // The smallest PNG that is one (PNG, third edition: signature, IHDR, IDAT, IEND).
    await page.evaluate(() => {
      const png = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg==";
      const file = new File([Uint8Array.from(atob(png), (letter) => letter.charCodeAt(0))], "mark at 6.png", { type: "image/png" });
      const carried = new DataTransfer();
      carried.items.add(file);
      const field = document.getElementById("photos");
      field.files = carried.files;
      field.dispatchEvent(new Event("change", { bubbles: true }));
    });
    await page.waitForFunction(() => document.getElementById("kept").innerText.includes("mark at 6.png"));
    await tap(page, "button.first");
    await untilTold(page, ["sent"]);
    const { findings } = await visitor.json("/api/v1/findings");
    const { id } = findings.find(({ finding }) => finding?.note?.includes(word));
    const { photos } = await visitor.json(`/api/v1/findings/${id}/photos`);
    need(photos.length === 1 && photos[0].name === "mark at 6.png", JSON.stringify(photos));
    return `finding ${id} has 1 photo`;
  });

/** A browser that keeps nothing says so, and sends what it can. */
const nothingKept = (visitor) =>
  atForm(visitor, SIZES.tablet, async (page) => {
    const word = `nothing kept ${Date.now()}`;
    await page.evaluateOnNewDocument(() => {
      const full = () => { throw new DOMException("full", "QuotaExceededError"); };
      Storage.prototype.setItem = full;
      IDBFactory.prototype.open = full;
    });
    await page.reload({ waitUntil: "load" });
    await page.waitForSelector("html.scripted");
    await page.setOfflineMode(true);
    await enter(page, word);
    await page.evaluate(() => {
      const carried = new DataTransfer();
      carried.items.add(new File(["x"], "a.png", { type: "image/png" }));
      const field = document.getElementById("photos");
      field.files = carried.files;
      field.dispatchEvent(new Event("change", { bubbles: true }));
    });
    await page.waitForFunction(() => document.getElementById("kept").innerText.includes("cannot keep a.png"));
    await tap(page, "button.first");
    await untilTold(page, ["waiting"]);
    need((await text(page, "#entries li")).includes("this browser keeps nothing"), await text(page, "#entries li"));
    await page.setOfflineMode(false);
    await page.evaluate(() => dispatchEvent(new Event("online")));
    await untilTold(page, ["sent"]);
    expectFaults(page, NO_NETWORK);
    need((await noted(visitor, word)).length === 1, "it is not there once");
    return "said, and sent";
  });

/** Who has only a keyboard logs a whole entry. */
const keyboard = (visitor) =>
  atForm(visitor, SIZES.desktop, async (page) => {
    const word = `keyboard ${Date.now()}`;
    await tabTo(page, "input[name=mark]");
    await page.keyboard.press("Space");
    await tabTo(page, "#smooth");
    await page.keyboard.press("Enter");
    await tabTo(page, place("drive", "12"));
    // A closed list takes the first letter of what is wanted.
    await page.keyboard.type("3");
    await tabTo(page, "#marks .depth");
    await page.keyboard.type("40");
    await tabTo(page, "#note", 80);
    await page.keyboard.type(word);
    await tabTo(page, "button.first");
    await page.keyboard.press("Enter");
    await untilTold(page, ["sent"]);
    const look = await lookOf(visitor, word);
    const [worst] = look.filter(({ grade }) => grade === 3);
    need(look.length === 12 && worst?.zone === "drive" && worst?.depth_um === 40, JSON.stringify(look));
    return "12 findings without a mouse";
  });

/** A plant may name any number of zones: ten of them still fit a phone, each place large enough. */
const manyZones = (visitor) =>
  atForm(visitor, SIZES.phone, async (page) => {
    await page.evaluate(() => {
      const wall = document.getElementById("wall");
      wall.classList.add("many");
      // Five items a zone: its name and four clock positions.
      const zone = [...wall.children].slice(-5);
      for (let more = 0; more < 7; more += 1) wall.append(...zone.map((item) => item.cloneNode(true)));
    });
    await fitsItsWidth(page);
    const least = await page.$$eval(".place", (places) => Math.min(...places.map((place) => place.getBoundingClientRect().width)));
    need(least >= 47.5, `${least} px`);
    return `10 zones, ${Math.round(least)} px each`;
  });

/** The page stands in nobody's way, with nothing entered and with everything shown. */
const holds = (visitor, size) =>
  atForm(visitor, size, async (page) => {
    for (const filled of [false, true]) {
      if (filled) {
        await enter(page, "axe");
        await page.select(place("drive", "12"), "4");
        await tap(page, `${place("far", "12")} ~ .blocked`);
        await tap(page, "input[name=mark][value=other]");
        await tap(page, "button.first");
      }
      for (const scheme of ["light", "dark"]) {
        await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme }]);
        await isAccessible(page);
      }
      await fitsItsWidth(page);
    }
    // WCAG 2.2, 2.5.8 asks for 24 px; gloves ask for 48 (common practice, no source).
    const small = await page.$$eval("#entry button, .choice, #wall select, #marks select, #marks input", (targets) =>
      targets.filter((target) => target.checkVisibility() && target.getBoundingClientRect().height < 47.5).map((target) => target.outerHTML.slice(0, 80)),
    );
    need(small.length === 0, `too small for gloves: ${small.join(" ")}`);
    return `${size.width} px`;
  });

/** Page, style and scripts together, as they come over the network. */
const light = (visitor) => async () => {
  const parts = [FORM, "/style.css", "/finding.js", "/entries.js", "/waiting.js", "/worker.js"];
  const sizes = await Promise.all(parts.map(async (part) => (await (await fetch(visitor.origin + part)).arrayBuffer()).byteLength));
  const sum = sizes.reduce((sum, size) => sum + size, 0);
  need(sum > 10_000 && sum < 100_000, `${sum} bytes: ${sizes}`);
  return `${sum} bytes`;
};

await withBrowser(base, async (visitor) => {
  await checks([
    ["weight", light(visitor)],
    ["lost network", lostNetwork(visitor)],
    ["lost answer", lostAnswer(visitor)],
    ["lost session", lostSession(visitor)],
    ["missing", missing(visitor)],
    ["old draft", oldDraft(visitor)],
    ["refused", refused(visitor)],
    ["flake", flake(visitor)],
    ["all smooth", smooth(visitor)],
    ["photo", photo(visitor)],
    ["nothing kept", nothingKept(visitor)],
    ["keyboard", keyboard(visitor)],
    ["many zones", manyZones(visitor)],
    ...Object.entries(SIZES).map(([name, size]) => [`form, ${name}`, holds(visitor, size)]),
  ]);
});
