// The installed app's worker. It keeps files that never change at their address, and the page that says that there
// is no line. No page with a reading in it and no answer of the API is ever kept: what is shown is from now, or
// is not shown. NAME, FILES and NO_LINE are written before this by the server.

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(NAME).then((cache) => cache.addAll([...FILES, NO_LINE])).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const forget = (names) => Promise.all(names.filter((name) => name !== NAME).map((name) => caches.delete(name)));
  event.waitUntil(caches.keys().then(forget).then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (origin !== self.location.origin) return;
  if (request.method === "GET" && FILES.includes(pathname)) {
    event.respondWith(caches.match(pathname).then((kept) => kept ?? fetch(request)));
  } else if (request.mode === "navigate") {
    event.respondWith(fetch(request).catch(() => caches.match(NO_LINE)));
  }
});
