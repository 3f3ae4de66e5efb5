// Keeps the page for a reload without connection. A browser allows this on https and on
// localhost only; elsewhere the page lives until it is closed.
const KEPT = "kilnside-page";
// A server that is away may answer nothing at all (chosen here, no source).
const PATIENCE_MS = 6000;

self.addEventListener("install", (event) => event.waitUntil(self.skipWaiting()));
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("message", (event) => {
  if (event.data === "keep") event.waitUntil(keep(event.source).catch(() => null));
});

// Past the browser's own copy, which may be half a day old.
const newest = (url, more = {}) => fetch(url, { cache: "no-store", ...more });

async function keep(asker) {
  const answer = await newest("/");
  if (!answer.ok) return;
  await (await caches.open(KEPT)).put("/", answer);
  asker.postMessage("kept");
}

// The server's page comes first, whole or not at all; nothing but the page is ever kept.
async function page(url) {
  try {
    const answer = await newest(url, { signal: AbortSignal.timeout(PATIENCE_MS) });
    return new Response(await answer.blob(), answer);
  } catch {
    return (await (await caches.open(KEPT)).match("/")) || Response.error();
  }
}

self.addEventListener("fetch", (event) => {
  if (event.request.mode === "navigate") event.respondWith(page(event.request.url));
});
