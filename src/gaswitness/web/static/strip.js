// The strip: reading over time with its set points, what was predicted, edges and marks. Draws live and recorded runs.
import { level } from "./figures.js";

const NS = "http://www.w3.org/2000/svg";
const LEAD_S = 30;

export function el(name, attributes = {}, ...children) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

export function clock(s) {
  const whole = Math.floor(Math.abs(s) + 1e-9), m = Math.floor(whole / 60), h = Math.floor(m / 60);
  const two = (n) => String(n).padStart(2, "0");
  return (s < 0 ? "−" : "") + (h ? `${h}:${two(m % 60)}:${two(whole % 60)}` : `${m}:${two(whole % 60)}`);
}

function at(ts, values, t) {
  if (t <= ts[0]) return values[0];
  if (t >= ts[ts.length - 1]) return values[values.length - 1];
  let low = 0, high = ts.length - 1;
  while (high - low > 1) { const mid = (low + high) >> 1; if (ts[mid] <= t) low = mid; else high = mid; }
  return values[low] + (values[high] - values[low]) * (t - ts[low]) / (ts[high] - ts[low]);
}

// Time since gas on in the plan's own time, moved to where gas was really turned on and off.
function planned(strip, now, t) {
  const curve = strip.curve, on = now.gas_on ?? now.t;
  if (now.gas_off !== null) return t > now.gas_off ? curve.off + t - now.gas_off : Math.min(t - on, curve.off);
  return now.t - on > curve.off ? Math.min(t - on, curve.off) : t - on;
}

// `beside` tells how many strips share the page: with several of them each is lower.
export function draw(place, strip, samples, now, t, language, beside = 1) {
  const width = Math.max(320, place.clientWidth), small = width < 560;
  const height = (small ? 300 : 360) - (beside > 1 ? 90 : 0), left = small ? 56 : 62, right = 14, top = 20, foot = 46;
  const start = now.gas_on ?? now.t, length = strip.curve ? strip.curve.t[strip.curve.t.length - 1] : 180;
  const from = start - LEAD_S, until = Math.max(start + length, now.t + 0.02 * length);
  const levels = strip.points.flatMap((p) => [p.set, p.clear]);
  if (strip.curve) levels.push(strip.bottle, ...strip.air);
  // After gas off the scale stays: an opened signal reads anything at all, and is drawn as far as it fits.
  for (const [s, v] of samples) if (s >= from && (now.gas_off === null || s <= now.gas_off)) levels.push(v);
  let low = Math.min(...levels), high = Math.max(...levels);
  const margin = 0.07 * (high - low || strip.range);
  low = low > strip.low + margin ? low - margin : strip.low; high += margin;
  const x = (s) => left + (s - from) / (until - from) * (width - left - right);
  const y = (v) => top + (high - v) / (high - low) * (height - top - foot);
  const words = [strip.tag, ...strip.points.map((p) => `${p.name} ${level(p.set, strip.digits, language)} ${strip.unit}`)];
  const svg = el("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `${t["strip.words"]} ${words.join(", ")}` });
  const text = (s, tx, ty, more = {}) => svg.append(el("text", { x: tx, y: ty, ...more }, s));

  const step = [15, 30, 60, 120, 300, 600, 1200, 1800].find((s) => (until - from) / s * 64 <= width) ?? 3600;
  for (let s = 0; start + s <= until; s += step) {
    svg.append(el("path", { class: "grid", d: `M${x(start + s).toFixed(1)} ${top}V${height - foot}` }));
    text(clock(s), x(start + s), height - foot + 16, { "text-anchor": "middle" });
  }
  svg.append(el("rect", { class: "frame", x: left, y: top, width: width - left - right, height: height - top - foot }));

  if (strip.curve) {
    const upper = [], lower = [], pieces = 160;
    for (let i = 0; i <= pieces; i++) {
      const s = from + (until - from) * i / pieces, p = planned(strip, now, s);
      if (p < 0 || p > length) continue;
      upper.push(`${x(s).toFixed(1)} ${y(at(strip.curve.t, strip.curve.high, p)).toFixed(1)}`);
      lower.unshift(`${x(s).toFixed(1)} ${y(at(strip.curve.t, strip.curve.low, p)).toFixed(1)}`);
    }
    if (upper.length) svg.append(el("path", { class: "band", d: `M${[...upper, ...lower].join("L")}Z` }));
    svg.append(el("path", { class: "bottle", d: `M${left} ${y(strip.bottle).toFixed(1)}H${width - right}` }));
    text(level(strip.bottle, strip.digits, language), left - 6, y(strip.bottle) + 4, { "text-anchor": "end" });
  }
  const waited = now.next;
  if (waited) {
    const a = Math.max(from, waited.from), b = Math.min(until, waited.until);
    if (b > a) svg.append(el("rect", { class: "waited", x: x(a), y: top, width: x(b) - x(a), height: height - top - foot }));
  }
  const on = now.reading ? now.reading.on : [];
  strip.points.forEach((p, i) => {
    const rank = i === 0 ? "first" : "second", lit = on.includes(p.name) ? " on" : "";
    svg.append(el("path", { class: `set ${rank}${lit}`, d: `M${left} ${y(p.set).toFixed(1)}H${width - right}` }));
    svg.append(el("path", { class: "clear", d: `M${left} ${y(p.clear).toFixed(1)}H${width - right}` }));
    text(level(p.set, strip.digits, language), left - 6, y(p.set) + 4, { "text-anchor": "end", class: "label" });
    text(`${p.rising ? "▲" : "▼"} ${p.name}`, width - right - 4, y(p.set) + (p.rising ? -5 : 14), { "text-anchor": "end", class: "label" });
  });
  for (const [s, word] of [[now.gas_on, "strip.gas_on"], [now.gas_off, "strip.gas_off"]]) {
    if (s === null || s === undefined) continue;
    svg.append(el("path", { class: "gas-line", d: `M${x(s).toFixed(1)} ${top}V${height - foot}` }));
    text(t[word], x(s), top - 6, { "text-anchor": "middle", class: "gas-word" });
  }

  let path = "", last = null;
  const most = (until - from) * 0.05;
  for (const [s, v] of samples) {
    if (s < from) continue;
    if (v < low || v > high) { last = null; continue; }
    path += `${last === null || s - last > most ? "M" : "L"}${x(s).toFixed(1)} ${y(v).toFixed(1)}`;
    last = s;
  }
  if (path) {
    svg.append(el("path", { class: "trace", d: path }));
    const [s, v] = samples[samples.length - 1];
    if (s >= from && v >= low && v <= high) svg.append(el("circle", { class: "tip", cx: x(s), cy: y(v), r: 3.2 }));
  }

  const foots = height - foot;
  for (const edge of now.edges) {
    if (edge.t < from || edge.t > until) continue;
    const point = edge.own ? strip.points.findIndex((p) => edge.signal === `${strip.tag}.${p.name}`) : -1;
    const who = edge.by ? `${t["strip.marked_by"]} ${edge.by}` : t["strip.by_panel"];
    const said = el("title", {}, `${edge.signal} ${t[edge.on ? "word.on" : "word.off"]}, ${clock(edge.t - start)}, ${who}`);
    if (point >= 0 && !edge.by) {
      const p = strip.points[point], cx = x(edge.t), cy = y(edge.on ? p.set : p.clear), up = p.rising === edge.on;
      const d = up ? `M${cx} ${cy - 6}l5.5 10h-11z` : `M${cx} ${cy + 6}l5.5 -10h-11z`;
      svg.append(el("path", { class: `edge ${edge.on ? (point === 0 ? "first" : "second") : "gone"}`, d }, said));
    } else {
      svg.append(el("path", { class: `mark${edge.on ? "" : " off"}`, d: `M${x(edge.t).toFixed(1)} ${foots - 14}v14` }, said));
    }
  }
  text(`${strip.unit}`, left - 6, top - 6, { "text-anchor": "end" });
  text(t["strip.since"], width - right, height - 6, { "text-anchor": "end" });
  if (now.edges.some((e) => e.by)) text(`│ ${t["strip.marks"]}`, left, height - 6);
  place.replaceChildren(svg);
}
