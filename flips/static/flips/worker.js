"use strict";
// The server puts `self.COAT = {version, files, offline, find, shell}` before this text.
// Kept here: style, scripts, the offline page and one empty page to log a find on. Never a page with the shop's data.
const KEPT = `static-${self.COAT.version}`;
const PATIENCE_MS = 6000;

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const cache = await caches.open(KEPT);
    await cache.addAll([...self.COAT.files, self.COAT.offline]);
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    const old = (await caches.keys()).filter((name) => name.startsWith("static-") && name !== KEPT);
    // The kept page names the style and scripts of its own day.
    if (old.length) old.push("shell");
    await Promise.all(old.map((name) => caches.delete(name)));
    await self.clients.claim();
  })());
});

const slowly = (milliseconds) => new Promise((_, reject) => { setTimeout(reject, milliseconds); });

async function page(request, url) {
  const shell = url.pathname === self.COAT.find && await caches.match(self.COAT.shell);
  try {
    return await (shell ? Promise.race([fetch(request), slowly(PATIENCE_MS)]) : fetch(request));
  } catch {
    return shell || await caches.match(self.COAT.offline) || Response.error();
  }
}

async function file(request) {
  const kept = await caches.match(request);
  // A hash in the name means that the content can never change.
  if (kept && /\.[0-9a-f]{12}\.\w+$/.test(request.url)) return kept;
  try {
    return await fetch(request);
  } catch {
    return kept || Response.error();
  }
}

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== location.origin) return;
  if (event.request.mode === "navigate") event.respondWith(page(event.request, url));
  else if (url.pathname.startsWith(self.COAT.static)) event.respondWith(file(event.request));
});
