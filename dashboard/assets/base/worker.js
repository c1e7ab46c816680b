// Lets the bench page open again without a network. Two things are kept on the device: the page's
// own frame and scripts, which hold nobody's data, and what the last person was given at the bench.
// The second goes when somebody signs in or out, and is not shown once a sign-in would have ended.
"use strict";
const FRAME = "slopewatch-frame-1"; // raise the number when what is kept changes its form
const GIVEN = "slopewatch-given-1";
const PAGE = "/bench";
const ALONE = "/bench/alone";
const KIT = "/bench/kit";
const GLYPHS = "/assets/glyphs/";
const SIGNING = ["/sign-in", "/sign-out"];
const LONGEST_MS = 43200000; // as long as a sign-in lasts that is not used
const NO_SERVER = [502, 503, 504]; // a proxy answers, what stands behind it does not
let keeping = Promise.resolve(); // one after the other
let people = 0; // counts changes of person: what was on its way before one is not kept

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(takeOver()));
self.addEventListener("message", (event) => {
  keeping = keeping.then(() => keep(event.data)).catch(() => null); // no network: what is kept stays
  event.waitUntil(keeping);
});
self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (url.origin !== self.location.origin) return;
  if (SIGNING.includes(url.pathname)) event.waitUntil(forget());
  else if (event.request.method !== "GET") return;
  else if (url.pathname === PAGE && event.request.mode === "navigate") event.respondWith(page(event.request));
  else if (url.pathname === KIT) event.respondWith(kit(event.request));
  else if (url.pathname.startsWith("/assets/") && url.searchParams.has("alone")) event.respondWith(asset(event.request));
  else if (url.pathname.startsWith(GLYPHS)) event.respondWith(glyph(event.request));
});

async function takeOver() {
  const old = (await caches.keys()).filter((name) => name.startsWith("slopewatch-") && ![FRAME, GIVEN].includes(name));
  await Promise.all(old.map((name) => caches.delete(name)));
  await self.clients.claim();
}

function forget() {
  people += 1;
  return caches.delete(GIVEN);
}

// What the bench page was given, and the frame it opens in again, where that has changed.
async function keep(given) {
  const now = people;
  const frame = await fetch(ALONE, { credentials: "same-origin", redirect: "error" });
  if (!frame.ok) return;
  const kept = await caches.open(FRAME);
  const before = await kept.match(ALONE);
  const text = await frame.clone().text();
  if (!before || (await before.text()) !== text) {
    const named = [...text.matchAll(/(?:src|href)="(\/assets\/[^"]+)"/g)].map((found) => found[1]);
    await kept.addAll(named);
    await kept.put(ALONE, frame);
    const old = (await kept.keys()).filter(({ url }) => ![ALONE, ...named].includes(url.slice(self.location.origin.length)));
    await Promise.all(old.map((one) => kept.delete(one)));
  }
  if (now !== people) return;
  const told = new Response(JSON.stringify(given), { headers: { "Content-Type": "application/json", "X-Kept-At": String(Date.now()) } });
  await (await caches.open(GIVEN)).put(KIT, told);
  if (now !== people) await caches.delete(GIVEN);
}

async function page(request) {
  let answer = null;
  try {
    answer = await fetch(request);
    if (!NO_SERVER.includes(answer.status)) return answer;
  } catch (problem) {
    // no network, or no server: the kept frame
  }
  return (await (await caches.open(FRAME)).match(ALONE)) || answer || Response.error();
}

async function kit(request) {
  try {
    const answer = await fetch(request);
    if (answer.status === 401 || answer.status === 403) await forget();
    if (!NO_SERVER.includes(answer.status)) return answer;
  } catch (problem) {
    // what was kept serves on
  }
  const kept = await (await caches.open(GIVEN)).match(KIT);
  const age = kept ? Date.now() - Number(kept.headers.get("X-Kept-At")) : 0;
  if (kept && age >= 0 && age < LONGEST_MS) return kept;
  await forget();
  return Response.error();
}

// Named by style sheets, and so without the version that the frame names them by.
async function glyph(request) {
  try {
    return await fetch(request);
  } catch (problem) {
    return (await (await caches.open(FRAME)).match(request, { ignoreSearch: true })) || Response.error();
  }
}

async function asset(request) {
  return (await (await caches.open(FRAME)).match(request)) || fetch(request);
}
