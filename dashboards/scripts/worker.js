// Keeps the page for logging a finding, its style and its script, so that a reload without network still shows them.
// The network comes first: what is kept answers only when nothing else does.

const KEPT = "finding-page";
const PAGE = "/findings/new";
const PATIENCE_MS = 5000;

/** Whether a request is for a part of the page, whatever its query says. */
const isPart = (url) =>
  [PAGE, "/style.css", "/finding.js", "/entries.js", "/waiting.js", "/words.js", "/icon.svg"].includes(url.pathname);

async function keep(path, answer) {
  // A login page in its place is not the page.
  if (!answer.ok || answer.redirected) return;
  const cache = await caches.open(KEPT);
  await cache.put(path, answer);
}

/** The answer of the network; if it takes long or does not come, what was kept. */
async function networkThenKept(request, path) {
  const fresh = fetch(request).then(async (answer) => {
    await keep(path, answer.clone());
    return answer;
  });
  const cache = await caches.open(KEPT);
  const late = new Promise((done) => setTimeout(done, PATIENCE_MS));
  const answer = await Promise.race([fresh, late]).catch(() => undefined);
  // Where nothing is kept, a slow answer is still better than none.
  return answer ?? (await cache.match(path)) ?? fresh;
}

self.addEventListener("install", (event) => {
  const version = new URL(self.location.href).search;
  const parts = [PAGE, `/style.css${version}`, `/finding.js${version}`, "/entries.js", "/waiting.js", "/words.js", "/icon.svg"];
  event.waitUntil(
    Promise.all(parts.map(async (part) => keep(part.split("?")[0], await fetch(part)))).then(() => self.skipWaiting()),
  );
});

self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== self.location.origin || !isPart(url)) return;
  event.respondWith(networkThenKept(event.request, url.pathname));
});
