// Keeps the page itself, so that it opens again without network: these addresses of this server and nothing else. What
// is asked of the server about newborns and exams, and what is handed over, never passes through here.
const PREFIX = "newborn-exam-page-";
const CACHE = `${PREFIX}BUILD`;
const FILES = ["./", "manifest.webmanifest", "icon.svg"].map((path) => new URL(path, self.registration.scope).href);

self.addEventListener("install", (event) => {
  const asked = FILES.map((url) => new Request(url, { cache: "reload", credentials: "same-origin" }));
  event.waitUntil(caches.open(CACHE).then((kept) => kept.addAll(asked)));
});

self.addEventListener("activate", (event) => {
  const old = (names) => names.filter((name) => name.startsWith(PREFIX) && name !== CACHE);
  event.waitUntil(caches.keys().then((names) => Promise.all(old(names).map((name) => caches.delete(name)))));
});

self.addEventListener("message", (event) => {
  if (event.data === "take it now") self.skipWaiting();
});

self.addEventListener("fetch", (event) => {
  if (event.request.method !== "GET" || !FILES.includes(event.request.url)) return;
  const kept = async () => (await (await caches.open(CACHE)).match(event.request.url)) ?? fetch(event.request);
  event.respondWith(kept());
});
