// Charts as PNG against the same charts as SVG, both as Chromium shows them: `node tests/browser/charts.mjs ORIGIN TUBE`.
//
// Chromium decodes the PNG, and draws the SVG itself in the letters that the PNG was drawn in, so that all that stands in the picture,
// words too, must stand at the same place in the same colour.

import { strict as assert } from "node:assert";
import { readFile } from "node:fs/promises";

import { withBrowser } from "./browser.mjs";

const [origin, tube] = process.argv.slice(2);
/** A pixel differs if one of its colours does by more than this, of 255: edges of letters are smoothed in more than one way. */
const APART = 64;
/** Share of pixels that may differ at scale 1. Edges of letters take half of that at scale 2; what stands elsewhere would take as much. */
const MOST = 0.02;

const FACES = [
  ["ChartSans-Regular", "Liberation Sans", "normal"],
  ["ChartSans-Bold", "Liberation Sans", "bold"],
  ["ChartSerif-Bold", "Liberation Serif", "bold"],
];
const faces = await Promise.all(
  FACES.map(async ([file, family, weight]) => {
    const bytes = await readFile(new URL(`../../dashboards/fonts/${file}.ttf`, import.meta.url));
    return `@font-face { font-family: "${family}"; font-weight: ${weight}; src: url(data:font/ttf;base64,${bytes.toString("base64")}); }`;
  }),
);

async function asked(path, media) {
  const answer = await fetch(origin + path);
  assert.deepEqual([answer.status, answer.headers.get("content-type")], [200, media], path);
  return Buffer.from(await answer.arrayBuffer());
}

/** The SVG, with the letters in it, under the first name that it asks for. */
async function drawing(path) {
  const svg = (await asked(path, "image/svg+xml")).toString();
  const named = svg.replaceAll("system-ui, ", "").replaceAll("ui-serif, Charter, Cambria, ", "");
  assert.notEqual(named, svg, "the charts name other letters than this test takes out");
  return `data:image/svg+xml;base64,${Buffer.from(named.replace("</desc>", `</desc><style>${faces.join("")}</style>`)).toString("base64")}`;
}

const pixels = async (path) => `data:image/png;base64,${(await asked(path, "image/png")).toString("base64")}`;

/** In the page: size of the second picture, and share of pixels that differ once the first is as large. */
async function compare(first, second, apart) {
  const [one, other] = await Promise.all(
    [first, second].map(async (address) => {
      const picture = new Image();
      picture.src = address;
      await picture.decode();
      return picture;
    }),
  );
  const [width, height] = [other.naturalWidth, other.naturalHeight];
  const [here, there] = [one, other].map((picture) => {
    const canvas = new OffscreenCanvas(width, height);
    const pen = canvas.getContext("2d");
    pen.drawImage(picture, 0, 0, width, height);
    return pen.getImageData(0, 0, width, height).data;
  });
  let differ = 0;
  const colours = new Set();
  for (let at = 0; at < here.length; at += 4) {
    colours.add((there[at] << 16) | (there[at + 1] << 8) | there[at + 2]);
    if ([0, 1, 2, 3].some((part) => Math.abs(here[at + part] - there[at + part]) > apart)) differ += 1;
  }
  return { size: [width, height], was: [one.naturalWidth, one.naturalHeight], share: differ / (width * height), colours: colours.size };
}

await withBrowser(origin, async (visitor) => {
  const page = await visitor.browser.newPage();
  const held = (svg, png) => page.evaluate(compare, svg, png, APART);
  for (const chart of ["board", `tubes/${tube}`, `tubes/${tube}/walls`, `tubes/${tube}/life`]) {
    const path = `/charts/${chart}`;
    for (const query of ["width=640", "width=640&theme=dark", "width=300", "width=1600"]) {
      for (const scale of [1, 2]) {
        const where = `${path}.png?${query}&scale=${scale}`;
        const { size, was, share, colours } = await held(await drawing(`${path}.svg?${query}`), await pixels(where));
        assert.deepEqual(size, was.map((side) => side * scale), where);
        assert.ok(colours > 20, `${where}: nothing is drawn`);
        assert.ok(share < MOST / scale, `${where}: ${(share * 100).toFixed(2)} % of the pixels differ`);
        console.log(`${where}: ${size.join(" x ")} pixels, ${(share * 100).toFixed(2)} % differ`);
      }
    }
    // What this would see: the other theme, and words left out.
    const png = await pixels(`${path}.png?width=640`);
    const dark = await held(await drawing(`${path}.svg?width=640&theme=dark`), png);
    assert.ok(dark.share > 0.5, `${path}: the dark picture counts as the light one`);
    const svg = Buffer.from((await drawing(`${path}.svg?width=640`)).split(",")[1], "base64").toString();
    const mute = `data:image/svg+xml;base64,${Buffer.from(svg.replaceAll(/<text[^]*?<\/text>/g, "")).toString("base64")}`;
    const { share } = await held(mute, png);
    assert.ok(share > MOST, `${path}: a picture without words counts as the same: ${share}`);
  }
});
