// Marks that were pressed and are not known to be on the server's disk: kept on the phone until they are.
const STORE = "marks", KEEP_DONE = 60;
let opened = null, able = true;
const held = new Map(); // what stands in the database; all there is where a browser gives none
const unkept = new Set(); // waiting, and in this page's memory only

function open() {
  opened ??= new Promise((done, failed) => {
    const asked = indexedDB.open("gaswitness-post", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: "mark_id" });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
    asked.onblocked = () => failed(new Error("blocked"));
  });
  return opened;
}

function work(mode, what) {
  return open().then((base) => new Promise((done, failed) => {
    const change = base.transaction(STORE, mode, { durability: "strict" });
    const asked = what(change.objectStore(STORE));
    change.oncomplete = () => done(asked?.result);
    change.onerror = change.onabort = () => failed(change.error);
  }));
}

// Comes back once it is on the phone's own disk, or is known not to be. `nth` is the order of pressing: a clock may be set back.
export async function keep(mark) {
  mark.nth ??= 1 + Math.max(0, ...[...held.values()].map((one) => one.nth ?? 0));
  held.set(mark.mark_id, mark);
  if (mark.state === "waiting") unkept.add(mark.mark_id);
  try {
    await work("readwrite", (store) => store.put(mark));
    unkept.delete(mark.mark_id); able = true;
  } catch {
    if (mark.state !== "waiting") unkept.delete(mark.mark_id);
    opened = null; able = false;
  }
}

// Take in what lies on the disk, from before or from another page of this phone, and what could not be kept until now.
export async function catchUp() {
  try {
    for (const mark of await work("readonly", (store) => store.getAll())) if (!held.has(mark.mark_id)) held.set(mark.mark_id, mark);
    able = true;
  } catch { opened = null; able = false; return; }
  for (const id of [...unkept]) await keep(held.get(id));
}

// Whether this browser keeps what it is given, all of it.
export const keeps = () => able && !unkept.size;

// What is sent at once: marks, typed readings, and every exchange of clocks that says something of them.
export function parcel(run, post, marks, known) {
  const from = new Map();
  for (const one of [...known, ...marks.flatMap((mark) => mark.exchanges)]) from.set(`${one.sent.load}${one.sent.own_ms}`, one);
  return {
    run, post, exchanges: [...from.values()].slice(-160),
    marks: marks.filter((one) => !one.reading).map(({ mark_id, at, signal, on, pattern, note, corrects, witness }) => ({ mark_id, at, signal, on, pattern: pattern ?? null, note: note ?? "", corrects: corrects ?? null, witness })),
    readings: marks.filter((one) => one.reading).map(({ mark_id, at, tag, value }) => ({ mark_id, at, tag, value })),
  };
}

export const all = () => [...held.values()].sort((a, b) => (a.nth ?? 0) - (b.nth ?? 0) || a.at.wall_ms - b.at.wall_ms);
export const waiting = () => all().filter((mark) => mark.state === "waiting");

// Forget the oldest of those that are safe elsewhere.
export async function tidy() {
  const done = all().filter((mark) => mark.state !== "waiting");
  for (const mark of done.slice(0, Math.max(0, done.length - KEEP_DONE))) {
    held.delete(mark.mark_id);
    try { await work("readwrite", (store) => store.delete(mark.mark_id)); } catch { return; }
  }
}
