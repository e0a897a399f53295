// A board in another language, as a browser shows it:  node tests/browser/words.mjs http://127.0.0.1:8080 [PICTURE.png]
// The service runs with the few German texts of tests/browser.rs; what they leave out stays English.

import { SIZES, checks, fitsItsWidth, isAccessible, withBrowser } from "./browser.mjs";

const need = (holds, words) => {
  if (!holds) throw new Error(words);
};

// The states that a tube with a chance may be in; which one it is, the fit decides.
const STATES = { ok: "angepasstes Modell", baseline: "Laufstunden allein", prior: "gesetzte Annahme" };
const ENGLISH = { ok: "fitted model", baseline: "run hours alone", prior: "stated belief" };

const [origin, picture] = process.argv.slice(2);

await withBrowser(origin, async (visitor) => {
  await checks([
    ["the board speaks the file's language", () => visitor.at("/", SIZES.desktop, async (page) => {
      const text = await page.evaluate(() => document.body.innerText);
      const { risks } = await visitor.json("/api/v1/risks");
      const { state } = risks.find((risk) => risk.state in STATES);
      need((await page.evaluate(() => document.documentElement.lang)) === "de", "the page does not say that it is German");
      need((await page.title()).startsWith("Tafel – "), await page.title());
      for (const said of ["Alle Rohre, nach Chance", "6 Einheiten: ", "Tafel", "Rohr T-K1", "ohne Rohr", "jetzt", STATES[state]]) {
        need(text.includes(said), `it does not say ${said}: ${text.slice(0, 2000)}`);
      }
      for (const gone of ["All tubes, by chance", "tube T-K1", "no tube fitted", ENGLISH[state]]) need(!text.includes(gone), `it still says ${gone}`);
      // Not in the file: a caution stays as it is.
      need(text.includes("Flakes, exposed metal, cracks or missing parts: stop, hold the product"), "the caution is gone");
      await fitsItsWidth(page);
      await isAccessible(page);
      if (picture) await page.screenshot({ path: picture });
    })],
    ["its numbers are those of the config", () => visitor.at("/signals", SIZES.desktop, async (page) => {
      const text = await page.evaluate(() => document.body.innerText);
      // 131.5 N·m / 0.112 984 8 N·m (NIST SP 811, appendix B.8) = 1163.9 lbf·in.
      need(text.replaceAll(/\s/g, " ").includes("1.163,9 lbf·in"), text);
    })],
    ["the form's script speaks it too", () => visitor.at("/findings/new?unit=K1", SIZES.tablet, async (page) => {
      await page.click("#smooth");
      const summary = await page.$eval("#summary", (part) => part.textContent);
      need(summary.startsWith("Rohr T-K1: ") || summary.startsWith("Rohr "), summary);
      need(summary.includes("überall gesehen, alles glatt"), summary);
    })],
    ["the programs' answers are English", async () => {
      const { risks } = await visitor.json("/api/v1/risks");
      need(risks.every((risk) => !risk.advice.includes("Rohr")) && risks.some((risk) => risk.state_meaning === "No tube is entered as fitted in this unit."), JSON.stringify(risks));
    }],
  ]);
});
