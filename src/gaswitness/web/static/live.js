// The live page: listens to the run, draws it, and sends what the desk wants. Holds nothing the run needs.
import { level } from "./figures.js";
import { clock, draw } from "./strip.js";

const t = JSON.parse(document.getElementById("texts").textContent);
const language = document.documentElement.lang;
const csrf = document.querySelector('meta[name="csrf"]').content;
const $ = (id) => document.getElementById(id);
const desk = document.querySelector(".live").dataset.desk === "yes";
let strips = [], now = null, agreedFor = "", drawAsked = false;

function shape(name, more = "") {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("class", `shape ${more}`); svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  use.setAttribute("href", `#s-${name}`); svg.append(use);
  return svg;
}
function node(name, className, ...children) {
  const made = document.createElement(name);
  if (className) made.className = className;
  made.append(...children);
  return made;
}
const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, key) => values[key]);
const said = new WeakMap();
// Touch the page only where something changed, so that a screen reader or a finger is not disturbed.
function put(place, key, ...children) {
  if (said.get(place) === key) return;
  said.set(place, key); place.replaceChildren(...children);
}

// Stands longer than it was meant to, and nobody has taken it over.
const isOverdue = (i) => i.standing && i.until !== null && now.t > i.until && !i.handed;

function head() {
  const { link } = now;
  put($("clock"), now.t, clock(now.t));
  const missed = link.missed ? ` · ${fill(t["live.missed"], { count: link.missed })}` : "";
  const restarts = now.restarts ? ` · ${fill(t["live.restarts"], { count: now.restarts })}` : "";
  const text = (link.up ? t["live.link_up"] : fill(t["live.link_down"], { reason: link.reason })) + missed + restarts;
  put($("link"), text, ...(link.up ? [text] : [shape("fault"), " ", text]));
  $("link").className = `status ${link.up ? "soft" : "level-fault"}`;
  const urgent = now.messages.filter((m) => m.urgent && now.t - m.t < 120 * now.speed);
  const elsewhere = urgent.filter((m) => m.real);
  const late = now.inhibits.filter(isOverdue), said = (m) => late.some((i) => m.text.startsWith(`${i.effect}:`));
  const shown = [...elsewhere, ...urgent.filter((m) => !elsewhere.includes(m) && !said(m)).slice(-1)];
  const lines = [...shown.map((m) => `${clock(m.t)} ${m.text}`), ...late.map((i) => fill(t["live.inhibit_shout"], { effect: i.effect, by: i.by }))];
  if (now.elsewhere.length) lines.unshift(fill(t["live.stands_elsewhere"], { signals: now.elsewhere.join(", ") }));
  $("alarms").hidden = lines.length === 0;
  put($("alarms"), lines.join(), ...lines.map((line) => node("p", "", shape("urgent"), ` ${line}`)));
}

function step() {
  const { step } = now;
  const mine = step && step.asking;
  let word = t["live.waiting"];
  if (now.ended) word = t[`live.ended_${now.ended}`];
  else if (step) word = t[mine ? "live.do" : "live.wait"];
  if (now.stopping && !now.ended) word = `${t[`live.stopping_${now.stopping}`]} · ${word}`;
  const since = step ? clock(Math.max(0, now.t - step.since)) + (step.most && !mine ? ` / ${clock(step.most)}` : "") : "";
  put($("step-word"), word + since, node("strong", "", word), node("span", "figures", since));
  put($("step-text"), step ? step.id : word, step ? step.text : now.why);
  put($("cautions"), now.cautions.join(), ...now.cautions.map((one) => node("li", "", one)));
  if (!desk) return;
  $("answers").hidden = !mine;
  $("hand-over").hidden = !(mine && step.kind === "lift" && now.inhibits.some((i) => i.effect === step.effect && i.standing));
  if (mine) {
    const key = t[`live.agree_${step.kind}`], how = t[`live.measure_${step.kind}`];
    $("measured-line").hidden = !how;
    if (how) put($("measured-how"), how, how);
    $("agreed-line").hidden = !key;
    if (agreedFor !== step.id) { agreedFor = step.id; $("agreed").checked = false; $("measured").value = ""; $("why").value = ""; $("trouble").textContent = ""; }
    if (key) put($("agreed-text"), key, key);
    $("done").disabled = Boolean(key) && !$("agreed").checked;
    $("why-line").hidden = step.kind !== "prove";
    $("skip").disabled = step.kind === "prove" && !$("why").value.trim();
    $("skip").hidden = ["caution", "warn", "inhibit", "gas-off", "mend", "lift", "all-clear"].includes(step.kind) && !now.stopping;
  }
  const ready = now.tests.find((test) => test.shown?.may_end_wait), enough = ready ? fill(t["live.end_wait_why"], { why: ready.shown.why }) : "";
  $("shown").hidden = !ready;
  put($("shown-text"), enough, enough);
  $("ends").hidden = Boolean(now.ended); $("ended").hidden = !now.ended;
  $("pause").hidden = now.stopping !== null;
  put($("abort"), now.stopping, now.stopping ? t["live.end_now"] : t["live.abort"]);
}

// One card for each detector under test; those that stay keep their place and their readings.
function take(documents) {
  const before = new Map(strips.map((one) => [one.strip.tag, one]));
  strips = documents.map((strip) => {
    const kept = before.get(strip.tag);
    const card = kept ? kept.card : $("one-strip").content.firstElementChild.cloneNode(true);
    if (!kept) {
      const title = card.querySelector('[data-part="title"]');
      title.id = `strip-${strip.tag}`;
      card.setAttribute("aria-labelledby", title.id);
      card.dataset.tag = strip.tag;
    }
    return { strip, card, samples: kept && !strip.fresh ? kept.samples : [], now: null };
  });
  $("strips").replaceChildren(...strips.map((one) => one.card));
  $("strips").dataset.count = strips.length;
}

function readout(one) {
  const { strip, now: test } = one, part = (name) => one.card.querySelector(`[data-part="${name}"]`);
  if (!test) return;
  const r = test.reading;
  put(part("title"), strip.tag, strip.tag);
  put(part("name"), strip.tag, `${strip.gas} · ${strip.name}`);
  const odd = r.quality !== "good" && r.quality !== "none yet" ? ` (${t[`live.quality_${r.quality}`]})` : "";
  put(part("reading"), r.value + odd, r.value === null ? t["live.no_reading"] : `${level(r.value, strip.digits, language)} ${strip.unit}`, node("span", "soft", odd));
  const name = ["rest", "first", "second"][r.level] + (r.level && !r.rising ? "-falling" : "");
  part("level").className = `level ${["", "level-first", "level-second"][r.level]}`;
  put(part("level"), name + r.point, shape(name), " ", r.level ? fill(t["live.alarm"], { point: r.point }) : t["live.no_alarm"]);
  const n = test.next;
  let text = "";
  if (n) {
    const from = n.from - now.t, until = n.until - now.t, what = fill(t[n.sets ? "live.sets" : "live.clears"], { point: n.point });
    if (until < 0) text = fill(t["live.overdue"], { what, by: clock(-until) });
    else if (from <= 0) text = fill(t["live.within"], { what, until: clock(until) });
    else text = fill(t["live.in"], { what, from: clock(from), until: clock(until) });
    if (n.renewed && until >= 0) text += ` · ${t["live.renewed"]}`;
  }
  part("next").className = `next ${n && n.until < now.t ? "level-second" : ""}`;
  put(part("next"), text, text);
  const g = test.gas;
  if (!g) put(part("gas"), "shut", node("span", "soft", t["live.gas_shut"]));
  else if (g.unsure) put(part("gas"), "unsure", node("span", "level-second", shape("urgent"), ` ${fill(t["live.gas_unsure"], { tag: g.tag })}`));
  else {
    const open = fill(t["live.gas_open"], { time: clock(now.t - g.since), of: g.planned ? clock(g.planned) : "?" });
    put(part("gas"), open + g.may_shut, open, ...(g.may_shut ? [" ", node("span", "may-shut", t["live.gas_may_be_shut"])] : []));
  }
  const o = test.outlook, shown = test.shown;
  const open = shown && !shown.enough ? ` · ${fill(t["live.still_open"], { why: shown.why })}` : "";
  put(part("outlook"), o ? o.plateau + "/" + o.t90 + open : "", o ? fill(t["live.outlook"], {
    plateau: level(o.plateau, strip.digits + 1, language), u: level(2 * o.u_plateau, strip.digits + 1, language), unit: strip.unit, t90: level(o.t90, 1, language), ut: level(2 * o.u_t90, 1, language),
  }) + open : "");
}

// How each vote group stands that somebody under test belongs to, in words.
function votes() {
  $("votes").hidden = now.votes.length === 0;
  put($("votes"), JSON.stringify(now.votes), ...now.votes.map((v) => {
    const stands = fill(t["live.vote"], { votes: v.votes, need: v.need });
    const who = [...v.alarms, ...v.faulty.map((one) => `${one} ${t["word.fault"]}`)].join(", ");
    const then = fill(t[v.met ? "live.vote_met" : "live.vote_not_met"], { effects: v.effects.join(", ") });
    return node("li", "", node("span", "figures", v.group), node("strong", v.met ? "level-second" : "", shape(v.met ? "on" : "off"), ` ${stands}`), node("span", "figures soft", who), node("span", "", then));
  }));
}

function lists() {
  const none = (place, list) => list.length ? false : (put(place, "none", node("li", "soft", t["word.none"])), true);
  if (!none($("inhibits"), now.inhibits)) {
    put($("inhibits"), JSON.stringify(now.inhibits) + Math.floor(now.t), ...now.inhibits.map((i) => {
      const overdue = isOverdue(i);
      const state = i.handed && i.standing ? fill(t["live.handed_to"], { to: i.handed }) : t[i.standing ? "live.inhibit_stands" : `live.inhibit_${i.state}`];
      const age = i.standing ? clock(now.t - i.since) : "";
      const until = i.standing && i.until !== null ? node("span", "until soft", fill(t["live.inhibit_until"], { until: clock(i.until) })) : "";
      const due = overdue ? node("strong", "level-second", shape("urgent"), ` ${fill(t["live.inhibit_overdue"], { by: clock(now.t - i.until) })}`) : "";
      return node("li", overdue ? "overdue" : "", shape(i.standing ? "inhibited" : "done", i.standing ? "level-inhibited" : ""), node("span", "figures", i.effect), node("span", i.standing ? "level-inhibited" : "soft", state), node("span", "grow"), node("span", "figures", age), node("span", "soft", i.by), until, due);
    }));
  }
  if (!none($("watched"), now.watched)) {
    put($("watched"), JSON.stringify(now.watched), ...now.watched.map((w) => {
      const state = (on, who) => node("span", on ? "" : "soft", shape(on ? "on" : "off"), ` ${who}`);
      const seen = [];
      if (w.link !== null) seen.push(state(w.link, t["live.by_panel"]));
      if (w.witness !== null) seen.push(state(w.witness, t["live.by_witness"]));
      return node("li", "", node("span", "", w.name), node("span", "soft", w.pattern ? t[`word.${w.pattern}`] : ""), node("span", "grow"), node("span", "seen", ...seen));
    }));
  }
  put($("posts"), JSON.stringify(now.posts), ...now.posts.map((p) => node("li", "", shape(p.who.length ? "on" : "off"), node("span", "", p.name), node("span", `seen${p.who.length ? "" : " soft"}`, p.who.join(", ") || t["live.nobody"]))));
  if (!none($("told"), now.told)) put($("told"), JSON.stringify(now.told), ...now.told.map((r) => {
    const tick = (t_s, word) => t_s === undefined ? node("span", "soft", `– ${word}`) : node("span", "", shape("done"), ` ${word} `, node("span", "figures", clock(t_s)));
    return node("li", "", node("span", "", r.role), node("span", "grow"), node("span", "seen", tick(r.begins, t["live.told_begins"]), tick(r.over, t["live.told_over"])));
  }));
  put($("bottles"), JSON.stringify(now.bottles), ...now.bottles.map((b) => node("li", b.now ? "now" : "", node("span", "figures", b.tag), node("span", "grow"), node("span", "figures", b.left_l === null ? t["word.unknown"] : `${level(b.left_l, 1, language)} L`), node("span", "soft", fill(t["live.of_litres"], { held: level(b.held_l, 0, language) })))));
  put($("detectors"), JSON.stringify(now.detectors), ...now.detectors.map((d) => {
    const under = d.progress === "under test";
    const mark = { waiting: "ahead", "under test": "here", "gone through": "done", "left out": "left" }[d.progress];
    const fault = d.alarms.includes("fault"), alarms = d.alarms.filter((a) => a !== "fault");
    const real = !under && d.alarms.length ? ` ${t["live.treat_as_real"]}` : "";
    const extra = [];
    if (alarms.length) extra.push(node("span", alarms.length > 1 ? "level-second" : "level-first", " ", shape(alarms.length > 1 ? "second" : "first"), ` ${alarms[alarms.length - 1]}`));
    if (fault) extra.push(node("span", "level-fault", " ", shape("fault"), ` ${t["word.fault"]}`));
    return node("li", under ? "now" : "", shape(mark), " ", node("span", "figures", d.tag), node("span", "soft", ` ${d.gas} · ${t[d.progress === "waiting" ? "live.progress_waiting" : `live.${d.progress}`]}${under ? ` ${d.done}/${d.of}` : ""}`), ...extra, node("strong", "", real));
  }));
  const marks = { ahead: "ahead", started: "here", done: "done", skipped: "left", "timed-out": "fault", aborted: "fault" };
  put($("steps"), JSON.stringify(now.steps), ...now.steps.map((s) => node("li", s.state, shape(marks[s.state]), node("span", "", `${t[`kind.${s.kind}`]} `, node("span", "figures", s.id)), node("span", "", s.state === "timed-out" ? t["live.too_late"] : ""))));
  const messages = [...now.messages].reverse();
  put($("messages"), JSON.stringify(messages), ...messages.map((m) => node("li", m.urgent ? "urgent" : "", shape(m.urgent ? "urgent" : "ahead"), node("span", "figures", clock(m.t)), node("span", "", m.text))));
}

function picture() {
  if (drawAsked || !now) return;
  drawAsked = true;
  requestAnimationFrame(() => {
    drawAsked = false;
    for (const one of strips) if (one.now) draw(one.card.querySelector('[data-part="strip"]'), one.strip, one.samples, { ...one.now, t: now.t }, t, language, strips.length);
  });
}

function listen() {
  const events = new EventSource("/events");
  events.addEventListener("strips", (event) => take(JSON.parse(event.data)));
  events.addEventListener("now", (event) => {
    now = JSON.parse(event.data);
    for (const one of strips) {
      one.now = now.tests.find((test) => test.tag === one.strip.tag) ?? null;
      if (one.now) one.samples.push(...one.now.samples);
    }
    head(); step(); votes(); strips.forEach(readout); lists(); picture();
  });
  events.addEventListener("over", (event) => {
    events.close();
    const { failed } = JSON.parse(event.data);
    if (failed) $("trouble").textContent = fill(t["live.failed"], { why: failed });
  });
  events.addEventListener("out", () => { events.close(); location.reload(); });
  events.onerror = () => { put($("link"), "lost", shape("fault"), ` ${t["live.board_lost"]}`); $("link").className = "status level-fault"; };
}

async function send(path, fields) {
  $("trouble").textContent = "";
  try {
    const answer = await fetch(path, { method: "POST", headers: { "X-CSRF": csrf, Accept: "application/json" }, body: new URLSearchParams(fields) });
    if (!answer.ok) $("trouble").textContent = (await answer.json()).error;
    return answer.ok;
  } catch {
    $("trouble").textContent = t["live.not_sent"];
    return false;
  }
}

async function ask(text, yes) {
  $("sure-text").textContent = text; $("sure-yes").textContent = yes;
  $("sure").returnValue = "no"; $("sure").showModal();
  return new Promise((resolve) => $("sure").addEventListener("close", () => resolve($("sure").returnValue === "yes"), { once: true }));
}

if (desk) {
  $("end-wait").addEventListener("click", () => now.step && send("/live/end-wait", { step: now.step.id }));
  $("done").addEventListener("click", () => now.step && send("/live/answer", { step: now.step.id, state: "done", measured: $("measured").value }));
  $("skip").addEventListener("click", () => now.step && send("/live/answer", { step: now.step.id, state: "skipped", note: $("why").value.trim() || t["live.left_out"] }));
  $("why").addEventListener("input", step);
  $("agreed").addEventListener("change", step);
  $("pause").addEventListener("click", async () => { if (await ask(t["live.pause_sure"], t["live.pause"])) send("/live/stop", { outcome: "stopped", reason: t["live.pause"] }); });
  $("abort").addEventListener("click", async () => { if (await ask(t[now.stopping ? "live.end_now_sure" : "live.abort_sure"], $("abort").textContent)) send("/live/stop", { outcome: now.stopping ?? "aborted", reason: t["live.abort"] }); });
  $("note").addEventListener("submit", async (event) => { event.preventDefault(); if (await send("/live/note", { text: $("note-text").value })) $("note-text").value = ""; });
  $("hand-over").addEventListener("submit", (event) => { event.preventDefault(); send("/live/hand-over", { effect: now.step.effect, to: $("to").value }); });
}
addEventListener("resize", picture);
listen();
