// Marks that were pressed and are not known to be on the server's disk: kept on the phone until they are.
const STORE = "marks", KEEP_DONE = 60;
let opened = null;
const held = new Map(); // what stands in the database; all there is where a browser gives none

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

// True once it is on the phone's own disk; false where the browser keeps nothing.
export async function keep(mark) {
  held.set(mark.mark_id, mark);
  try { await work("readwrite", (store) => store.put(mark)); return true; } catch { return false; }
}

export async function restore() {
  try {
    for (const mark of await work("readonly", (store) => store.getAll())) if (!held.has(mark.mark_id)) held.set(mark.mark_id, mark);
    return true;
  } catch { return false; }
}

export const all = () => [...held.values()].sort((a, b) => a.at.wall_ms - b.at.wall_ms);
export const waiting = () => all().filter((mark) => mark.state === "waiting");

// Forget the oldest of those that are safe elsewhere.
export async function tidy() {
  const done = all().filter((mark) => mark.state !== "waiting");
  for (const mark of done.slice(0, Math.max(0, done.length - KEEP_DONE))) {
    held.delete(mark.mark_id);
    try { await work("readwrite", (store) => store.delete(mark.mark_id)); } catch { return; }
  }
}
