// What waits on this device: drafts, photos, and entries that are to be sent exactly once.
// An entry keeps one key for all its tries, so that the service knows a repeated request and answers as it did before.

import { say } from "/words.js";

const PREFIX = "groovecast.";
/** Sent entries that are still shown. */
const SHOWN = 8;
/** How long an answer may take; a photo has far to go over a slow network. */
const PATIENCE_MS = 120_000;

/** Ends a request that nobody answers. */
const patience = () => AbortSignal.timeout?.(PATIENCE_MS);

/** Reads what was kept under a name; `otherwise` if there is nothing, or if this browser keeps nothing. */
export function kept(name, otherwise) {
  try {
    return JSON.parse(localStorage.getItem(PREFIX + name)) ?? otherwise;
  } catch {
    return otherwise;
  }
}

/** Keeps a value, or drops it if it is null. Says whether this browser could. */
export function keep(name, value) {
  try {
    if (value === null) localStorage.removeItem(PREFIX + name);
    else localStorage.setItem(PREFIX + name, JSON.stringify(value));
    return true;
  } catch {
    return false;
  }
}

/** A key that no other entry has. `randomUUID` is there over https and on this machine only; random bytes are everywhere. */
export function newKey() {
  if (crypto.randomUUID) return crypto.randomUUID();
  return [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

// Photos are too large for localStorage. Each belongs to a draft or to an entry: its owner.

function database() {
  return new Promise((done, failed) => {
    const opening = indexedDB.open("groovecast", 1);
    opening.onupgradeneeded = () => opening.result.createObjectStore("photos", { keyPath: "id" }).createIndex("owner", "owner");
    opening.onsuccess = () => done(opening.result);
    opening.onerror = () => failed(opening.error);
    opening.onblocked = () => failed(new Error("blocked"));
  });
}

async function inPhotos(mode, work) {
  const open = await database();
  try {
    return await new Promise((done, failed) => {
      const transaction = open.transaction("photos", mode);
      const asked = work(transaction.objectStore("photos"));
      transaction.oncomplete = () => done(asked?.result);
      transaction.onerror = transaction.onabort = () => failed(transaction.error);
    });
  } finally {
    open.close();
  }
}

/** Keeps a photo for its owner. Fails where this browser keeps no photos, or has no room. */
export async function keepPhoto(owner, file) {
  const bytes = await file.arrayBuffer();
  const photo = { id: newKey(), owner, name: file.name, type: file.type, bytes };
  await inPhotos("readwrite", (photos) => photos.put(photo));
}

/** The photos of an owner; none where this browser keeps none. */
export async function photosOf(owner) {
  try {
    return await inPhotos("readonly", (photos) => photos.index("owner").getAll(owner));
  } catch {
    return [];
  }
}

/** Lets go of a photo. */
export const dropPhoto = (id) => inPhotos("readwrite", (photos) => photos.delete(id));

/** Gives photos to another owner. */
export async function handOver(from, to) {
  for (const photo of await photosOf(from)) {
    await inPhotos("readwrite", (photos) => photos.put({ ...photo, owner: to }));
  }
}

// The queue. `state` is waiting, login, refused, photos (the findings are sent, photos are not) or sent.

/** The queue where this browser keeps nothing: it lasts as long as the page. */
let memory = null;

/** All entries, the oldest first. */
export const queue = () => memory ?? kept("queue", []);

function write(list) {
  const sent = list.filter((entry) => entry.state === "sent").slice(-SHOWN);
  const rest = list.filter((entry) => entry.state !== "sent" || sent.includes(entry));
  memory = keep("queue", rest) ? null : rest;
}

/** Puts an entry into the queue, and says with it if it does not outlast a reload. */
export function add(entry) {
  write([...queue(), { ...entry, state: "waiting", told: "" }]);
  if (memory) change(entry.key, { told: say("script-keeps-nothing") });
}

/** Takes an entry out and gives it back. */
export function take(key) {
  const entry = queue().find((entry) => entry.key === key);
  write(queue().filter((entry) => entry.key !== key));
  return entry;
}

function change(key, news) {
  write(queue().map((entry) => (entry.key === key ? { ...entry, ...news } : entry)));
}

const isOpen = (entry) => ["waiting", "login", "photos"].includes(entry.state);

/** Whether anything is still to be sent. */
export const isWaiting = () => queue().some(isOpen);

/** The words of a refusal: a problem of RFC 9457, with what is wrong where. */
async function refusalOf(answer) {
  const problem = await answer.json().catch(() => ({}));
  const errors = (problem.errors ?? []).map(({ pointer, detail }) => `${pointer.replace(/^#\/(findings\/\d+\/)?/, "")}: ${detail}`);
  const words = errors.length ? [...new Set(errors)].join("; ") : problem.detail;
  return { code: problem.code, words: words ?? say("script-answered", { status: answer.status }) };
}

/** The token of the session, null without a session. */
async function session() {
  const answer = await fetch("/api/v1/session", { cache: "no-store", credentials: "same-origin", signal: patience() });
  if (answer.status === 401) return null;
  if (!answer.ok) throw new Error(`answered ${answer.status}`);
  return answer.json();
}

/** Sends to the service with the session's token. */
const post = (path, token, headers, body) =>
  fetch(path, { method: "POST", credentials: "same-origin", headers: { ...headers, "X-CSRF-Token": token }, body, signal: patience() });

/** Not refused for what it says: the same request may be taken later. */
const isPassing = (answer, code) => answer.status >= 500 || [408, 425, 429].includes(answer.status) || code === "bad_csrf_token";

/** Sends one entry as far as it goes. Says whether to go on with the next one. */
async function deliverOne(entry, token) {
  if (entry.state !== "photos") {
    const headers = { "Content-Type": "application/json", "Idempotency-Key": entry.key };
    const answer = await post("/api/v1/findings", token, headers, JSON.stringify(entry.body));
    if (answer.status === 401) {
      change(entry.key, { state: "login", told: "" });
      return false;
    }
    if (!answer.ok) {
      const { code, words } = await refusalOf(answer);
      const passing = isPassing(answer, code);
      change(entry.key, { state: passing ? "waiting" : "refused", told: words });
      return !passing;
    }
    const { findings } = await answer.json();
    change(entry.key, { state: "photos", told: "", ids: findings.map((finding) => finding.id) });
  }
  const { ids } = queue().find(({ key }) => key === entry.key);
  const refused = [];
  for (const photo of await photosOf(entry.key)) {
    const path = `/api/v1/findings/${ids[0]}/photos?name=${encodeURIComponent(photo.name)}`;
    const answer = await post(path, token, { "Content-Type": photo.type }, photo.bytes);
    if (answer.status === 401) {
      change(entry.key, { login: true });
      return false;
    }
    if (!answer.ok) {
      const { code, words } = await refusalOf(answer);
      if (isPassing(answer, code)) return false;
      refused.push(`${photo.name}: ${words}`);
    }
    await dropPhoto(photo.id);
  }
  change(entry.key, { state: "sent", login: false, draft: null, body: null, told: refused.join("; ") });
  return true;
}

async function deliverAll(changed) {
  const open = queue().filter(isOpen);
  if (open.length === 0) return;
  const known = await session();
  if (known === null) {
    open.forEach((entry) => change(entry.key, entry.ids ? { login: true } : { state: "login", told: "" }));
    return;
  }
  for (const entry of open) {
    const goOn = await deliverOne(entry, known.csrf_token ?? "");
    changed();
    if (!goOn) return;
  }
}

let under = null;

/** Sends what waits, one try at a time, in all pages of this browser where it can tell. `changed` is called on news. */
export function deliver(changed) {
  const turn = () =>
    deliverAll(changed).catch(() => {
      // No network: everything waits as it is, and the next try comes by itself.
    });
  under ??= (navigator.locks ? navigator.locks.request("groovecast", turn) : turn()).finally(() => {
    under = null;
    changed();
  });
  return under;
}
