// The page of a post. A press is answered at once and kept on the phone; sending it is somebody else's haste.
import { beside, exchange, fresh, keepMeasuring, known, limit, name, stamp, within_ms } from "./clock.js";
import { level } from "./figures.js";
import * as queue from "./post-queue.js";

const $ = (id) => document.getElementById(id);
const t = JSON.parse($("texts").textContent);
const language = document.documentElement.lang;
const { post, run, name: witness } = $("post").dataset;
const UNDO_MS = 10_000, QUIET_MS = 700, SHOWN = 12, PARCEL = 20, SOONEST_MS = 500, SLOWEST_MS = 8000, CATCH_UP_MS = 5000, HELD_MS = 2000;
const headers = () => ({ "X-CSRF": document.querySelector('meta[name="csrf"]').content, Accept: "application/json" });
const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, key) => values[key]);

let now = null, heard = false, refusal = "", heldBack = false;
let sending = false, undoable = null, typed = "", reads;
let touched = -QUIET_MS, landed = 0, down = null;

function shape(which) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("class", "shape"); svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  use.setAttribute("href", `#s-${which}`); svg.append(use);
  return svg;
}
function node(tag, className, ...children) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  made.append(...children);
  return made;
}
const said = new WeakMap();
function put(place, key, ...children) {
  if (said.get(place) === key) return;
  said.set(place, key); place.replaceChildren(...children);
}

// --- presses ---

const ours = () => queue.all().filter((mark) => mark.run === run);
const takenBack = () => new Set(ours().map((mark) => mark.corrects).filter(Boolean));
function lastOf(signal, at = null) {
  const gone = takenBack();
  return ours().filter((mark) => mark.signal === signal && !gone.has(mark.mark_id) && (at === null || mark.post === at)).at(-1);
}

// The instant at which the finger came down, whenever the page got round to it.
function instant(event) {
  const begun = down && down.target === event.currentTarget && event.detail !== 0 ? down.own : event.timeStamp;
  const own = begun > 0 && begun <= performance.now() ? begun : performance.now();
  return stamp(own);
}

function felt(button, on) {
  navigator.vibrate?.(on ? 45 : [25, 45, 25]);
  button.classList.add("hit");
  setTimeout(() => button.classList.remove("hit"), 220);
}

async function mark(at, fields, words) {
  const made = { mark_id: name(), run, post, witness, at, words, state: "waiting", exchanges: beside(), ...fields };
  const kept = queue.keep(made);
  drawAll();
  await kept;
  hurry(); flush();
  return made;
}

function offerUndo(made) {
  undoable = made.signal ? { made, until: performance.now() + UNDO_MS } : null;
  drawUndo();
}

async function pressed(event) {
  const button = event.currentTarget, on = button.dataset.on === "yes", at = instant(event);
  felt(button, on);
  const sign = button.closest("[data-signal]:not(button)");
  const title = sign?.querySelector("legend")?.firstChild.textContent.trim() ?? button.dataset.signal;
  const word = [...button.childNodes].filter((one) => one.nodeType === 3).map((one) => one.textContent).join("").trim();
  offerUndo(await mark(at, { signal: button.dataset.signal, on, pattern: button.dataset.pattern || null }, `${title}: ${word}`));
}

function drawUndo() {
  const left = undoable ? Math.ceil((undoable.until - performance.now()) / 1000) : 0;
  if (left <= 0) undoable = null;
  $("undo-bar").hidden = !undoable;
  if (!undoable) return;
  put($("undo-what"), undoable.made.mark_id, undoable.made.words);
  put($("undo-word"), left, `${t["post.undo"]} ${left}`);
}

$("undo").addEventListener("click", (event) => {
  if (!undoable || performance.now() > undoable.until) return;
  const first = undoable.made;
  undoable = null;
  felt($("undo"), false);
  mark(instant(event), { signal: "withdrawn", on: false, corrects: first.mark_id }, fill(t["post.taken_back"], { what: first.words }));
  drawUndo();
});

$("present").addEventListener("click", async (event) => {
  const at = instant(event), on = !isHere();
  felt($("present"), on);
  offerUndo(await mark(at, { signal: "present", on }, t[on ? "post.came" : "post.left"]));
});
function isHere() {
  const last = lastOf("present", post);
  return last ? last.on : Boolean(now?.who.includes(witness));
}

let otherAt = null;
$("other").addEventListener("click", (event) => {
  otherAt = instant(event);
  felt($("other"), true);
  $("other-form").hidden = false; $("other").setAttribute("aria-expanded", "true"); $("other-note").focus();
});
function otherDone() {
  otherAt = null; $("other-note").value = "";
  $("other-form").hidden = true; $("other").setAttribute("aria-expanded", "false"); $("other").focus();
}
$("other-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const note = $("other-note").value.trim(), at = otherAt ?? stamp();
  otherDone();
  offerUndo(await mark(at, { signal: "other", on: true, note }, `${t["post.other"]}${note ? `: ${note}` : ""}`));
});
$("other-drop").addEventListener("click", otherDone);

for (const key of document.querySelectorAll(".keys [data-key]")) {
  key.addEventListener("click", () => {
    const one = key.dataset.key;
    felt(key, true);
    reads = typing(); // whatever step comes meanwhile, these digits are of this one
    if (one === "del") typed = typed.slice(0, -1);
    else if (one === "-") typed = typed.startsWith("-") ? typed.slice(1) : `-${typed}`;
    else if (typed.length < 9 && !(one === "." && typed.includes("."))) typed += one;
    $("hand-value").textContent = typed.replace("-", "−").replace(".", t["post.point_sign"]);
  });
}
$("hand-now").addEventListener("click", async (event) => {
  const at = instant(event), value = Number(typed);
  const of = typing();
  if (!/\d/.test(typed) || !Number.isFinite(value) || !of) return;
  felt($("hand-now"), true);
  typed = ""; $("hand-value").textContent = "";
  await mark(at, { reading: true, tag: of.tag, value }, `${of.tag}: ${String(value).replace(".", t["post.point_sign"])} ${of.unit}`);
});

// Whose reading is typed: once digits have begun it stays; else the one typed last or chosen, if it is under test still.
function typing() {
  if (typed && reads) return reads;
  return now?.by_hand.find((one) => one.tag === reads?.tag) ?? now?.by_hand[0];
}

function drawHand() {
  $("hand").hidden = !now.by_hand.length;
  if ($("hand").hidden) return;
  const of = typing();
  put($("hand-unit"), of.unit, of.unit);
  if (now.by_hand.length === 1 && now.by_hand[0].tag === of.tag) return put($("hand-tag"), of.tag, of.tag);
  const places = [...now.by_hand].sort((a, b) => (a.tag < b.tag ? -1 : 1)); // each keeps its place under the thumb
  return put($("hand-tag"), places.map((one) => one.tag).join() + of.tag, ...places.map((one) => {
    const button = node("button", "which", one.tag);
    button.setAttribute("aria-pressed", String(one.tag === of.tag));
    button.addEventListener("click", () => { reads = one; typed = ""; $("hand-value").textContent = ""; felt(button, true); drawHand(); });
    return button;
  }));
}

function listenTo(button) {
  button.addEventListener("pointerdown", (event) => { down = { target: button, own: event.timeStamp }; });
  if (button.classList.contains("press") && button.dataset.signal) button.addEventListener("click", pressed);
}
for (const button of document.querySelectorAll("button")) listenTo(button);
addEventListener("pointerdown", () => { touched = Infinity; landed = performance.now(); }, true);
// A finger is on a button: nothing above it may grow, or the press would go beside it, or to its neighbour.
const held = () => touched === Infinity && performance.now() - landed < HELD_MS;
for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => { touched = performance.now(); }, true);
$("post").addEventListener("contextmenu", (event) => event.preventDefault());

// --- sending ---

const AFTER = { recorded: "recorded", known: "recorded", late: "late", refused: "refused" };

// Marks of one run and post go together, those of this page first; what is refused or does not get through waits ever longer.
const paces = new Map();
const paceOf = (mark) => {
  const key = `${mark.run} ${mark.post}`;
  if (!paces.has(key)) paces.set(key, { wait_ms: SOONEST_MS, next: 0 });
  return paces.get(key);
};
function slower(pace) {
  pace.next = performance.now() + pace.wait_ms;
  pace.wait_ms = Math.min(SLOWEST_MS, pace.wait_ms * 2);
}
function hurry() { for (const pace of paces.values()) Object.assign(pace, { wait_ms: SOONEST_MS, next: 0 }); }

async function flush() {
  if (sending) return;
  const due = queue.waiting().filter((one) => paceOf(one).next <= performance.now());
  const first = due.find((one) => one.run === run) ?? due[0];
  if (!first) return;
  const marks = due.filter((one) => one.run === first.run && one.post === first.post).slice(0, PARCEL), pace = paceOf(first);
  sending = true;
  let again = false;
  try {
    await fresh(headers());
    const answer = await fetch("/post/marks", {
      method: "POST", headers: { ...headers(), "Content-Type": "application/json" }, body: JSON.stringify(queue.parcel(first.run, first.post, marks, known())), signal: limit(10_000),
    });
    if (!answer.ok) throw new Error(String(answer.status));
    const { receipts } = await answer.json();
    refusal = "";
    if (first.run === run) heldBack = receipts.some((one) => one.state === "held");
    for (const receipt of receipts) {
      const sent = marks.find((one) => one.mark_id === receipt.mark_id), state = AFTER[receipt.state];
      if (sent && state) await queue.keep({ ...sent, state, exchanges: [], t_s: receipt.t_s, u_s: receipt.u_s });
    }
    if (receipts.some((one) => one.state === "no-clock")) await exchange(headers());
    const open = receipts.some((one) => !AFTER[one.state]);
    if (open) slower(pace);
    else Object.assign(pace, { wait_ms: SOONEST_MS, next: 0 });
    again = !open;
    await queue.tidy();
  } catch (error) {
    slower(pace);
    if (error.message === "401" || (error.message === "403" && first.run === run)) refusal = t["post.joined_no_longer"];
  } finally {
    sending = false;
    drawAll();
  }
  if (again) flush();
}
addEventListener("online", () => { hurry(); flush(); });
document.addEventListener("visibilitychange", () => { if (!document.hidden) { hurry(); flush(); } });

// --- what is shown ---

function drawKept() {
  if (held()) return;
  const left = queue.waiting(), foreign = left.filter((one) => one.run !== run).length, mine = left.length - foreign;
  let words = t["post.all_kept"], which = "done";
  if (refusal) { words = refusal; which = "urgent"; }
  else if (mine) { words = fill(t[heldBack ? "post.held" : heard ? "post.sending" : "post.waiting_here"], { count: mine }); which = "ahead"; }
  else if (!heard) { words = t["post.no_network"]; which = "fault"; }
  if (!queue.keeps()) { words += ` ${t["post.keeps_nothing"]}`; which = "urgent"; }
  if (foreign) words += ` ${fill(t["post.foreign"], { count: foreign })}`;
  put($("kept"), which + words, shape(which), node("span", "", words));
  $("kept").className = `kept ${mine || !heard || refusal || !queue.keeps() ? "waiting" : ""}`;
  const within = within_ms();
  put($("clock"), within, within === null ? t["post.clock_unknown"] : fill(t["post.clock_within"], { ms: Math.max(1, Math.ceil(within)) }));
}

function drawSigns() {
  for (const button of document.querySelectorAll(".press[data-signal]")) {
    const last = lastOf(button.dataset.signal);
    const lit = last ? last.on === (button.dataset.on === "yes") && (!last.on || (last.pattern ?? "") === button.dataset.pattern) : false;
    button.setAttribute("aria-pressed", String(lit));
  }
  const here = isHere();
  $("present").setAttribute("aria-pressed", String(here));
  put($("present"), here, shape(here ? "on" : "off"), ` ${t[here ? "post.present_now" : "post.present"]}`);
}

function drawPast() {
  const gone = takenBack();
  const states = { waiting: "ahead", recorded: "done", late: "done", refused: "fault" };
  const lines = ours().slice(-SHOWN).reverse();
  put($("past"), JSON.stringify(lines.map((one) => [one.mark_id, one.state, gone.has(one.mark_id)])), ...lines.map((one) => {
    const item = node("li", gone.has(one.mark_id) ? "withdrawn" : "",
      node("time", "", new Date(one.at.wall_ms).toLocaleTimeString(language, { hour12: false })), node("span", "what", one.words),
      node("span", "state", shape(states[one.state]), t[`post.state_${one.state}`]));
    item.dataset.markId = one.mark_id; item.dataset.state = one.state;
    return item;
  }));
}

function drawNow() {
  if (!now) return;
  const { step, reading } = now;
  const ended = now.ended ? t["post.ended"] : "";
  put($("now-step"), step?.id ?? ended, step ? step.text : ended || t["post.waiting"]);
  const shown = reading && reading.value !== null;
  $("now-reading").hidden = !shown;
  if (shown) {
    const value = level(reading.value, now.digits, language);
    const which = ["rest", "first", "second"][reading.level] + (reading.level && !reading.rising ? "-falling" : "");
    const word = reading.level ? fill(t["post.alarm"], { point: reading.point }) : t["post.no_alarm"];
    put($("now-reading"), reading.tag + value + which, `${reading.tag} `, node("span", "reading", `${value} ${reading.unit}`), " ",
      node("span", ["", "level-first", "level-second"][reading.level], shape(which), ` ${word}`));
  }
  // Whoever else is under test at the same time, and how their vote stands.
  const others = now.tests.filter((one) => one.tag !== reading?.tag), asked = now.votes;
  $("now-beside").hidden = !others.length && !asked.length;
  put($("now-beside"), JSON.stringify([others, asked]), ...others.map((one) => node("li", "", `${one.tag} `,
    node("span", "reading", one.value === null ? "?" : `${level(one.value, one.digits, language)} ${one.unit}`), one.point ? ` ${fill(t["post.alarm"], { point: one.point })}` : "")),
    ...asked.map((one) => node("li", "", `${one.group}: ${fill(t["live.vote"], one)}`)));
  const due = now.next;
  $("now-next").hidden = !due;
  if (due) put($("now-next"), `${due.point}${due.from}${due.sets}`, fill(t[due.sets ? "post.next_sets" : "post.next_clears"], { point: due.point, from: Math.max(0, Math.round(due.from - now.t)), until: Math.max(0, Math.round(due.until - now.t)) }));
  const real = now.elsewhere.length ? [fill(t["live.stands_elsewhere"], { signals: now.elsewhere.join(", ") })] : [];
  const urgent = [...real, ...now.urgent];
  $("urgent").hidden = urgent.length === 0;
  put($("urgent"), urgent.join(), ...urgent.map((text) => node("p", "", shape("urgent"), ` ${text}`)));
  drawHand();
}

// What is to be watched now goes to the top, but never while a finger is on its way.
let arranged = "";
function arrange() {
  if (!now || performance.now() - touched < QUIET_MS) return;
  const key = now.watched.join() + now.points.map((one) => one.signal).join();
  if (key === arranged) return;
  arranged = key;
  const signs = [...document.querySelectorAll(".sign[data-order]")].sort((a, b) => a.dataset.order - b.dataset.order);
  for (const sign of signs) $(now.watched.includes(sign.dataset.signal) ? "watch-list" : "rest-list").append(sign);
  $("points").replaceChildren(...now.points.map((point) => {
    const presses = node("div", "presses", ...[true, false].map((on) => {
      const button = node("button", `press ${on ? "on" : "off"}`, shape(on ? "on" : "off"), ` ${t[on ? "post.point.on" : "post.point.off"]}`, node("span", "unseen", `: ${point.name}`));
      Object.assign(button.dataset, { signal: point.signal, on: on ? "yes" : "no", pattern: "" });
      listenTo(button);
      return button;
    }));
    const sign = node("fieldset", "sign", node("legend", "", fill(t["post.point.name"], { point: point.name })), presses);
    sign.dataset.signal = point.signal;
    return sign;
  }));
  $("watch").hidden = !$("watch-list").children.length && !now.points.length;
  $("rest").hidden = !$("rest-list").children.length;
}

function drawAll() { drawKept(); if (!held()) drawNow(); arrange(); drawSigns(); drawPast(); }

function listen() {
  const events = new EventSource(`/post/events?post=${encodeURIComponent(post)}`);
  events.addEventListener("now", (event) => { now = JSON.parse(event.data); heard = true; drawAll(); flush(); });
  const later = () => { events.close(); setTimeout(listen, 3000); };
  events.addEventListener("over", later);
  events.addEventListener("out", () => { refusal = t["post.joined_no_longer"]; drawKept(); later(); });
  events.onerror = () => { heard = false; drawKept(); if (events.readyState === EventSource.CLOSED) later(); };
}

async function stayOpen() {
  const can = isSecureContext && "serviceWorker" in navigator;
  if (!can) $("offline").textContent = t["post.offline_no"];
  if (!can) return;
  try {
    await navigator.serviceWorker.register("/sw.js");
    const keeper = (await navigator.serviceWorker.ready).active;
    const kept = await new Promise((tell) => {
      const { port1, port2 } = new MessageChannel();
      port1.onmessage = (answer) => tell(answer.data);
      keeper.postMessage("keep-page", [port2]);
    });
    $("offline").textContent = t[kept ? "post.offline_yes" : "post.offline_no"];
  } catch { $("offline").textContent = t["post.offline_no"]; }
}

// Buttons can be pressed from here on; on a page that is not ready yet a press would be lost.
for (const button of document.querySelectorAll("#post button:disabled")) button.disabled = false;
await queue.catchUp();
drawAll();
keepMeasuring(headers, (answered) => { heard = answered; drawKept(); if (answered) flush(); });
listen();
setInterval(() => { flush(); drawUndo(); arrange(); }, 250);
setInterval(async () => { await queue.catchUp(); drawAll(); }, CATCH_UP_MS);
navigator.storage?.persist?.();
stayOpen();
