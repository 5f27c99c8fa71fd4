// Two clocks of the phone, noted side by side, and exchanges with the server that tell how they stand to its clock.
// Nothing is worked out here: the server does that from what is noted.
export const LOAD = name();
const KEEP = 60, SPAN_MS = 60_000, EACH_MS = 8_000, SOON_MS = 400, TO_BEGIN_WITH = 5, OLD_MS = 30_000, APART_MS = 50, SLOWEST_MS = 20_000;
let exchanges = [];

export function name() {
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return Array.from(bytes, (one) => one.toString(16).padStart(2, "0")).join("");
}

// The instant of an event (its own time stamp is on the clock that only runs), or now.
export function stamp(own = performance.now()) {
  return { load: LOAD, own_ms: own, wall_ms: Date.now() - (performance.now() - own) };
}

export async function exchange(headers) {
  const sent = stamp();
  const answer = await fetch("/post/clock", { cache: "no-store", headers, signal: limit(5000) });
  const took = performance.now() - sent.own_ms;
  if (!answer.ok) throw new Error(String(answer.status));
  if (took > SLOWEST_MS) throw new Error("slow"); // the phone slept over it: it says nothing
  const said = await answer.json();
  exchanges.push({ server: said.server, sent, took_ms: Math.max(0, performance.now() - sent.own_ms, took), server_s: said.s });
  thin(said.server);
  return exchanges.at(-1);
}

// Of each minute the quickest one, and the newest few: that is what bounds the offset best.
function thin(server) {
  exchanges = exchanges.filter((one) => one.server === server);
  if (exchanges.length <= KEEP) return;
  const newest = exchanges.slice(-8), best = new Map();
  for (const one of exchanges.slice(0, -8)) {
    const minute = Math.floor(one.sent.own_ms / SPAN_MS), held = best.get(minute);
    if (!held || one.took_ms < held.took_ms) best.set(minute, one);
  }
  let older = [...best.values()];
  while (older.length + newest.length > KEEP) older = older.filter((_, at) => at % 2 === 0); // long days: every other minute
  exchanges = [...older, ...newest];
}

export const known = () => exchanges;

// What goes along with a press, so that it can be placed whatever becomes of this page: the quickest few and the newest.
export function beside() {
  const quickest = [...exchanges].sort((a, b) => a.took_ms - b.took_ms).slice(0, 3);
  return [...new Set([...quickest, ...exchanges.slice(-3)])];
}

// Before anything is sent: an exchange, if the last one is old, or if the two clocks went apart since (it slept, or was set).
export async function fresh(headers) {
  const last = exchanges.at(-1), now = stamp();
  const apart = last ? Math.abs((last.sent.wall_ms - last.sent.own_ms) - (now.wall_ms - now.own_ms)) : Infinity;
  if (apart > APART_MS || now.own_ms - last.sent.own_ms > OLD_MS) await exchange(headers);
}

// Half of the quickest round trip so far: what the page shows of how well the clock is known.
export const within_ms = () => (exchanges.length ? Math.min(...exchanges.map((one) => one.took_ms)) / 2 : null);

export function limit(ms) {
  const control = new AbortController();
  setTimeout(() => control.abort(), ms);
  return control.signal;
}

// Exchanges soon after each other to begin with and after sleep, then now and then.
export function keepMeasuring(headers, told) {
  let left = TO_BEGIN_WITH, timer = 0;
  const again = async () => {
    clearTimeout(timer);
    if (!document.hidden) {
      try { await exchange(headers()); told(true); } catch { told(false); }
    }
    left = Math.max(0, left - 1);
    timer = setTimeout(again, left ? SOON_MS : EACH_MS);
  };
  const awake = () => { left = TO_BEGIN_WITH; again(); };
  document.addEventListener("visibilitychange", () => { if (!document.hidden) awake(); });
  addEventListener("online", awake);
  again();
}
