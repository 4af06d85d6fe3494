// When the app is opened from the home screen and the hub does not answer, says so. It keeps that one page and nothing else: an app or a
// reading kept here could pass for a live one. Browsers allow it over HTTPS or on the laptop itself only.
const PAGE = "/no-link.html";
self.addEventListener("install", (event) => {
  event.waitUntil(caches.open("no-link").then((cache) => cache.add(PAGE)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  if (event.request.mode === "navigate") {
    event.respondWith(fetch(event.request).catch(() => caches.match(PAGE)));
  }
});
