// Keeps the page for a reload without connection. A browser allows this on https and on
// localhost only; elsewhere the page lives until it is closed.
const KEPT = "kilnside-page";

self.addEventListener("install", (event) => event.waitUntil(self.skipWaiting()));
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("message", (event) => {
  if (event.data === "keep") event.waitUntil(keep(event.source).catch(() => null));
});

async function keep(page) {
  const answer = await fetch("/", { cache: "no-store" });
  if (!answer.ok) return;
  await (await caches.open(KEPT)).put("/", answer);
  page.postMessage("kept");
}

self.addEventListener("fetch", (event) => {
  if (event.request.mode !== "navigate") return;
  event.respondWith(
    fetch(event.request).catch(async () => (await (await caches.open(KEPT)).match("/")) || Response.error()),
  );
});
