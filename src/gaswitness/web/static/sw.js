// Keeps the page of the post for when there is no network. The network is always asked first; marks are not its business.
const CACHE = "gaswitness-post-2";
const PARTS = ["/static/board.css", "/static/post.css", "/static/post.js", "/static/post-queue.js", "/static/clock.js", "/static/figures.js", "/static/icon.svg"];

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(CACHE).then((cache) => cache.addAll(PARTS)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  event.waitUntil(caches.keys().then((names) => Promise.all(names.filter((name) => name !== CACHE).map((name) => caches.delete(name)))).then(() => self.clients.claim()));
});
self.addEventListener("message", (event) => {
  if (event.data !== "keep-page") return;
  const kept = caches.open(CACHE).then((cache) => cache.add(new Request("/post", { cache: "reload" }))).then(() => true, () => false);
  event.waitUntil(kept.then((done) => event.ports[0].postMessage(done)));
});
self.addEventListener("fetch", (event) => {
  const address = new URL(event.request.url);
  const ours = address.origin === location.origin && (address.pathname === "/post" || address.pathname.startsWith("/static/"));
  if (event.request.method !== "GET" || !ours) return;
  event.respondWith(answer(event.request));
});

async function answer(request) {
  const cache = await caches.open(CACHE);
  try {
    const control = new AbortController();
    const timer = setTimeout(() => control.abort(), 6000);
    const fresh = await fetch(request.mode === "navigate" ? request.url : request, { signal: control.signal, credentials: "same-origin" });
    clearTimeout(timer);
    if (fresh.ok && !fresh.redirected) await cache.put(request.url, fresh.clone());
    return fresh;
  } catch (error) {
    const kept = await cache.match(request.url, { ignoreSearch: true });
    if (kept) return kept;
    throw error;
  }
}
