// Logging a finding: reads the form, keeps a draft per unit at every change, says in words what will be kept, and hands it
// to what waits on this device. The page itself says everything that does not change.

import { button, link, showEntries } from "/entries.js";
import { add, deliver, dropPhoto, handOver, isWaiting, keep, keepPhoto, kept, newKey, photosOf, queue, take } from "/waiting.js";
import { say, sayOf } from "/words.js";

const AGAIN_MS = 15_000;
/** mil (a thousandth of an inch) in µm, exactly. */
const MIL_UM = 25.4;

const form = document.getElementById("entry");
const one = (selector, from = form) => from.querySelector(selector);
const all = (selector, from = form) => [...from.querySelectorAll(selector)];
const byId = (id) => document.getElementById(id);
const places = all("#wall select");
const chosen = (name) => one(`input[name="${name}"]:checked`);
const stationOf = (select) => say("script-station", { zone: select.dataset.at, clock: select.dataset.clock });
const clock = clockOfThePlant();

/** True after one tap on "looked everywhere": one finding for the whole tube instead of one per station. */
let everywhere = false;
/** The instant of the field, as long as nobody has set it by hand. */
let untouched = true;

// --- time -------------------------------------------------------------------------------------------------------------

/** The plant's clock as the service told it last: a tablet that is set wrong must not date a finding into the future. */
function clockOfThePlant() {
  const told = form.dataset.now;
  let known = kept("clock", {});
  if (known.told !== told) {
    // A page that was kept tells an old instant: its first reading holds.
    known = { told, ahead_ms: Date.parse(told) - Date.now() };
    keep("clock", known);
  }
  return () => new Date(Date.now() + known.ahead_ms);
}

/** An instant as a field of the plant's zone has it. */
function asField(instant) {
  const shape = { timeZone: form.dataset.zone, dateStyle: "short", timeStyle: "short" };
  return new Intl.DateTimeFormat("sv-SE", shape).format(instant).replace(" ", "T");
}

// --- the tube ---------------------------------------------------------------------------------------------------------

/** The tube that is entered for the chosen unit, empty if none is. */
const entered = () => chosen("unit")?.dataset.tube ?? "";

/** The tube that the entry speaks of. */
const tube = () => (chosen("mark")?.value === "other" ? byId("tube").value : entered());

const surface = () => [...byId("tube").options].find((option) => option.value === tube())?.dataset.surface;

function showTube() {
  const known = entered();
  byId("serial").textContent = known || say("script-as-entered");
  const [same, other, none] = all('input[name="mark"]');
  same.disabled = none.disabled = known === "";
  if (known === "" && chosen("unit")) other.checked = true;
  byId("other").hidden = chosen("mark")?.value !== "other";
}

// --- the wall ---------------------------------------------------------------------------------------------------------

const readings = () => places.filter((place) => !["", "x"].includes(place.value));
const marked = () => readings().filter((place) => place.value > 0);
const blocked = () => places.filter((place) => place.value === "x");

function showPlace(place) {
  const box = place.parentElement;
  const shown = one(".shown", box);
  const read = place.value !== "" && place.value !== "x";
  box.className = `place ${read ? `g${place.value}` : "unread"}`;
  one(".blocked", box).setAttribute("aria-pressed", String(place.value === "x"));
  shown.replaceChildren();
  if (read) {
    const figure = document.createElement("b");
    figure.textContent = place.value;
    const words = place.selectedOptions[0].textContent.split(" – ")[1];
    shown.append(figure, ` ${words}`);
  } else {
    shown.textContent = say(place.value === "x" ? "script-unknown" : "script-not-read");
  }
}

/** A part of the form for each place that is marked, with kind, depth and the usual next step. */
function showMarks() {
  const parts = byId("marks");
  for (const part of [...parts.children]) {
    if (!marked().some((place) => stationOf(place) === part.dataset.station)) part.remove();
  }
  for (const place of marked()) {
    const station = stationOf(place);
    let part = [...parts.children].find((part) => part.dataset.station === station);
    if (!part) {
      part = byId("mark-words").content.firstElementChild.cloneNode(true);
      part.dataset.station = station;
      parts.append(part);
    }
    const words = place.selectedOptions[0].textContent;
    one("legend", part).textContent = say("script-legend", { station, words });
    const cell = document.querySelector(`#steps [data-grade="${place.value}"][data-surface="${CSS.escape(surface() ?? "")}"]`);
    one(".next", part).textContent = cell ? say("script-next", { step: cell.textContent }) : "";
    showDepth(part);
  }
}

const partOf = (place) => [...byId("marks").children].find((part) => part.dataset.station === stationOf(place));
const [mark, otherMark] = form.dataset.decimal === "comma" ? [",", "."] : [".", ","];
/** A number as somebody typed it; null if there is none, NaN if it is none: with the other mark it might be a thousand. */
const typed = (text) => {
  if (text.trim() === "") return null;
  return text.includes(otherMark) ? NaN : Number(text.trim().replace(mark, "."));
};
const written = (number) => String(number).replace(".", mark);

/** The depth of a mark in µm. */
function depthOf(part) {
  const depth = typed(one(".depth", part).value);
  if (depth === null) return null;
  return one(".measure", part).value === "mil" ? Math.round(depth * MIL_UM * 1000) / 1000 : depth;
}

function showDepth(part) {
  const um = depthOf(part);
  const good = um !== null && um >= 0;
  one(".both", part).textContent = good ? `= ${written(+um.toFixed(1))} µm = ${written(+(um / MIL_UM).toFixed(2))} mil` : "";
}

/** Flakes and exposed metal ask to stop at once, before anything is sent. */
function showHold() {
  const asks = marked().some((place) => place.value === "4" || one(".kind", partOf(place)).value === "flake");
  const box = byId("hold");
  if (asks && !box.hasChildNodes()) box.append(byId("hold-words").content.cloneNode(true));
  if (!asks) box.replaceChildren();
}

// --- words ------------------------------------------------------------------------------------------------------------

const isWhole = () => everywhere && places.every((place) => place.value === "0");

function markWords(place) {
  const part = partOf(place);
  const kind = one(".kind", part).selectedOptions[0].textContent;
  const depth = one(".both", part).textContent.replace(/^= /, "");
  return `${stationOf(place)}: ${place.selectedOptions[0].textContent.split(" – ")[1]} (${[kind, depth].filter(Boolean).join(", ")})`;
}

/** What was seen, in words; empty if nothing was. */
function seen() {
  const said = [];
  if (isWhole()) {
    said.push(say("script-everywhere"));
  } else {
    const smooth = readings().length - marked().length;
    if (smooth) said.push(sayOf(smooth, "script-smooth"));
    said.push(...marked().sort((a, b) => b.value - a.value).map(markWords));
  }
  if (said.length === 0) return "";
  if (blocked().length) said.push(say("script-could-not", { places: blocked().map(stationOf).join(", ") }));
  const open = places.length - readings().length;
  if (open && !isWhole()) said.push(sayOf(open, "script-in-part"));
  const who = byId("inspector").value.trim();
  if (who) said.push(say("script-by", { who }));
  return `${said.join("; ")}.`;
}

/** What keeps the entry from being sent, by the id of the part of the form that lacks it. */
function lacking() {
  const lacks = [];
  const need = (holds, id, words) => holds || lacks.push([id, words]);
  need(chosen("unit"), "units", say("script-lacks-unit"));
  need(chosen("mark"), "mark", say("script-lacks-mark"));
  need(!chosen("mark") || tube(), "mark", say("script-lacks-serial"));
  const nothing = say(blocked().length ? "script-lacks-read" : "script-lacks-wall");
  need(readings().length, "wall", nothing);
  for (const place of marked()) {
    const depth = depthOf(partOf(place));
    need(depth === null || depth >= 0, "marks", say("script-lacks-depth", { station: stationOf(place), example: written(12.5) }));
  }
  const hours = typed(byId("run_h").value);
  need(hours === null || hours >= 0, "run_h", say("script-lacks-hours", { example: written(1250.5) }));
  need(byId("at").value, "at", say("script-lacks-at"));
  return lacks;
}

/** What the marks on tube and wall add to the note. */
function note() {
  const unit = chosen("unit").value;
  const mark = { other: say("script-note-register", { entered: entered() || say("script-no-tube"), unit: unit || say("script-no-unit"), tube: tube() }), none: say("script-note-unread") };
  const places = blocked().length ? say("script-note-could-not", { places: blocked().map(stationOf).join(", ") }) : "";
  const spoken = unit || entered() ? mark[chosen("mark").value] : "";
  return [byId("note").value.trim(), spoken, places].filter(Boolean).join("\n");
}

/** The findings, the worst first: the note and the photos go with it. */
function findings() {
  const shared = { tube: tube() };
  // Written down now, also if the network brings it later.
  shared.recorded_at = new Date(Math.floor(clock() / 60_000) * 60_000).toISOString();
  shared.at = untouched ? shared.recorded_at : byId("at").value;
  for (const name of ["method", "reason"]) if (chosen(name)) shared[name] = chosen(name).value;
  if (byId("inspector").value.trim()) shared.inspector = byId("inspector").value.trim();
  const hours = typed(byId("run_h").value);
  if (hours !== null) shared.run_h = hours;
  const list = isWhole()
    ? [{ ...shared, grade: 0 }]
    : readings().sort((a, b) => b.value - a.value).map((place) => {
        const finding = { ...shared, grade: Number(place.value), zone: place.dataset.at, clock: place.dataset.clock };
        const part = partOf(place);
        if (part) {
          finding.kind = one(".kind", part).value;
          if (depthOf(part) !== null) finding.depth_um = depthOf(part);
        }
        return finding;
      });
  if (note()) list[0].note = note();
  return list;
}

// --- the draft --------------------------------------------------------------------------------------------------------

const draftName = () => `draft.${chosen("unit")?.value ?? ""}`;
const FIELDS = ["at", "inspector", "run_h", "note", "tube"];

/** The form as it stands. */
function draft() {
  const marks = Object.fromEntries(
    [...byId("marks").children].map((part) => [part.dataset.station, [".kind", ".depth", ".measure"].map((field) => one(field, part).value)]),
  );
  return {
    everywhere, untouched, marks,
    typed: clock().toISOString(),
    choices: Object.fromEntries(["mark", "method", "reason"].map((name) => [name, chosen(name)?.value])),
    wall: Object.fromEntries(places.map((place) => [stationOf(place), place.value])),
    fields: Object.fromEntries(FIELDS.map((id) => [id, byId(id).value])),
  };
}

/** Sets the form as a draft has it; without one as it is for a new look. An old draft must not pass for a new look. */
function restore(kept) {
  byId("back").hidden = !kept;
  if (kept) byId("since").textContent = asField(new Date(kept.typed)).replace("T", " ");
  everywhere = kept?.everywhere ?? false;
  untouched = kept?.untouched ?? true;
  for (const name of ["mark", "method", "reason"]) {
    for (const choice of all(`input[name="${name}"]`)) choice.checked = choice.value === kept?.choices[name];
  }
  for (const place of places) place.value = kept?.wall[stationOf(place)] ?? "";
  if (kept) for (const id of FIELDS) byId(id).value = kept.fields[id] ?? "";
  else for (const id of ["run_h", "note"]) byId(id).value = "";
  byId("marks").replaceChildren();
  showTube();
  showMarks();
  for (const [station, values] of Object.entries(kept?.marks ?? {})) {
    const part = [...byId("marks").children].find((part) => part.dataset.station === station);
    if (part) [".kind", ".depth", ".measure"].forEach((field, place) => { one(field, part).value = values[place]; });
  }
  show();
}

/** Shows everything that follows from the form. */
function show() {
  if (untouched) byId("at").value = asField(clock());
  showTube();
  places.forEach(showPlace);
  showMarks();
  showHold();
  byId("summary").textContent = seen() ? say("script-entry", { tube: tube() || say("script-not-chosen"), seen: seen() }) : say("script-nothing");
  if (byId("lacking").hasChildNodes()) showLacking();
}

/** Says what keeps the entry from being sent, each a way to where it is missing. */
function showLacking() {
  const lacks = lacking();
  byId("lacking").replaceChildren(
    ...lacks.map(([id, words]) => {
      const item = document.createElement("li");
      item.append(link(words, `#${id}`));
      return item;
    }),
  );
  return lacks.length > 0;
}

/** Shows and keeps what was typed. */
function changed() {
  show();
  if (chosen("unit")) keep("unit", chosen("unit").value);
  keep(draftName(), draft());
}

// --- what waits -------------------------------------------------------------------------------------------------------

const showQueue = () => showEntries(changeAgain);

/** Takes an entry that was refused back into the form. */
async function changeAgain(key) {
  const { unit } = queue().find((entry) => entry.key === key);
  const choice = all('input[name="unit"]').find((choice) => choice.value === unit);
  if (kept(`draft.${unit}`, null) && !confirm(say("script-lost"))) return;
  if (choice) choice.checked = true;
  const entry = take(key);
  await handOver(key, draftName());
  restore(entry.draft);
  changed();
  await showPhotos();
  showQueue();
  byId("wall").scrollIntoView();
}

async function showPhotos() {
  const photos = await photosOf(draftName());
  byId("kept").replaceChildren(
    ...photos.map((photo) => {
      const item = document.createElement("li");
      const gone = button(say("script-take-off"), async () => {
        await dropPhoto(photo.id);
        await showPhotos();
      });
      gone.setAttribute("aria-label", say("script-take-off-name", { name: photo.name }));
      item.append(`${photo.name} `, gone);
      return item;
    }),
  );
}

async function takePhotos() {
  const refused = [];
  for (const file of byId("photos").files) {
    await keepPhoto(draftName(), file).catch(() => refused.push(file.name));
  }
  byId("photos").value = "";
  await showPhotos();
  if (refused.length) {
    const item = document.createElement("li");
    item.textContent = say("script-cannot-keep", { names: refused.join(", ") });
    byId("kept").append(item);
  }
}

async function send() {
  // What was typed last counts as changed first: its news would take the focus from what is said here.
  document.activeElement?.blur();
  if (showLacking()) {
    one("#lacking a").focus();
    return;
  }
  const key = newKey();
  const name = draftName();
  const entry = { key, unit: chosen("unit").value, tube: tube(), words: seen(), body: { findings: findings() }, draft: draft() };
  await handOver(name, key);
  add(entry);
  keep(name, null);
  byId("lacking").replaceChildren();
  restore(null);
  await showPhotos();
  showQueue();
  byId("queue").scrollIntoView();
  await deliver(showQueue);
}

// --- at the start -----------------------------------------------------------------------------------------------------

document.documentElement.classList.add("scripted");
const asked = new URLSearchParams(location.search);
if (asked.has("unit") || !chosen("unit")) {
  // A page that was kept comes as it was asked for then.
  const wanted = asked.get("unit") ?? (asked.has("tube") ? null : kept("unit", null));
  const unit = all('input[name="unit"]').find((choice) => choice.value === wanted);
  if (unit) unit.checked = true;
}
byId("inspector").value = kept("inspector", "");
restore(kept(draftName(), null));
if (asked.has("tube") && !entered() && kept(draftName(), null) === null) {
  byId("tube").value = asked.get("tube");
  if (byId("tube").value) {
    all('input[name="unit"]').at(-1).checked = true;
    one('input[name="mark"][value="other"]').checked = true;
    show();
  }
}

form.addEventListener("change", (event) => {
  if (event.target.name === "unit") {
    restore(kept(draftName(), null));
    showPhotos();
  }
  if (event.target.id === "photos") takePhotos();
  if (event.target.id === "at") untouched = false;
  if (event.target.id === "inspector") keep("inspector", event.target.value);
  changed();
});
form.addEventListener("input", (event) => {
  if (event.target.matches(".depth, #note, #run_h, #inspector, #at")) changed();
});
form.addEventListener("click", (event) => {
  if (event.target.matches(".blocked")) {
    const place = one("select", event.target.parentElement);
    place.value = place.value === "x" ? "" : "x";
    changed();
  }
});
byId("smooth").addEventListener("click", () => {
  everywhere = true;
  places.forEach((place) => { place.value = "0"; });
  changed();
});
byId("rest").addEventListener("click", () => {
  places.filter((place) => place.value === "").forEach((place) => { place.value = "x"; });
  changed();
});
byId("anew").addEventListener("click", async () => {
  // The fields are empty at once: what is typed while the photos go must stay.
  const name = draftName();
  keep(name, null);
  restore(null);
  one("input[name=mark]").focus();
  for (const photo of await photosOf(name)) await dropPhoto(photo.id);
  await showPhotos();
});
byId("now").addEventListener("click", () => {
  untouched = true;
  changed();
});
form.addEventListener("submit", (event) => {
  event.preventDefault();
  send();
});

const tryAgain = () => isWaiting() && deliver(showQueue);
addEventListener("online", tryAgain);
document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && tryAgain());
setInterval(tryAgain, AGAIN_MS);
showQueue();
showPhotos();
tryAgain();
// Over plain http there is no such worker: draft and queue survive a reload all the same, the page itself needs the network.
if ("serviceWorker" in navigator) navigator.serviceWorker.register(`/worker.js?v=${form.dataset.version}`, { scope: "/findings/" }).catch(() => {});
