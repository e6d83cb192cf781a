// The family's pages without a connection: a page of our own instead of the browser's, and what it needs. Pages with
// anything about a child in them are never kept; the parts of the camera page are kept because they are large. It also
// shows a teacher, where that was switched on, that photos have arrived.
"use strict";

const KEPT = "scrollreach";
const PARTS = ["style.css", "once.js", "sending.js", "outbox.js", "offline.js", "scroll.svg"].map((name) => `/static/${name}`);
const LARGE = "/static/vendor/";

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((cache) => cache.addAll(PARTS)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

// A phone that is full is shown the part all the same.
const keep = (cache, request, answer) => cache.put(request, answer).catch(() => {});

// What is not kept yet is fetched and kept; large parts never change under their address.
async function large(event) {
  const { request } = event;
  const cache = await caches.open(KEPT);
  const known = await cache.match(request);
  if (known) return known;
  const answer = await fetch(request);
  if (answer.ok) event.waitUntil(keep(cache, request, answer.clone())); // the page says meanwhile how much has come
  return answer;
}

// The newest where there is a connection, else the one that is kept.
async function newest(request) {
  const cache = await caches.open(KEPT);
  try {
    const answer = await fetch(request);
    if (answer.ok) await keep(cache, request, answer.clone());
    return answer;
  } catch (lost) {
    const known = await cache.match(request);
    if (known) return known;
    throw lost;
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const path = new URL(request.url).pathname;
  if (request.method !== "GET") return;
  if (request.mode === "navigate") {
    const offline = () => caches.match("/f/offline");
    event.respondWith(fetch(request).catch(async (lost) => (await offline()) || Promise.reject(lost)));
  } else if (path.startsWith(LARGE)) event.respondWith(large(event));
  else if (path.startsWith("/static/")) event.respondWith(newest(request));
});

self.addEventListener("push", (event) => {
  const { words, lang, path } = event.data.json();
  const shown = { lang, dir: "auto", tag: "photos", renotify: true, icon: "/static/icons/192.png", data: { path } };
  event.waitUntil(self.registration.showNotification(words, shown));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  const page = new URL(event.notification.data.path, self.location.origin).href;
  const go = (open) => open.find((each) => each.url === page)?.focus() ?? self.clients.openWindow(page);
  event.waitUntil(self.clients.matchAll({ type: "window", includeUncontrolled: true }).then(go));
});
