// Many phones whose clocks are wrong, drift, are set, and stand still, running the page's own clock.js and parcels.
// In: one JSON document on stdin. Out: one JSON line for every mark that was acknowledged.
import http from "node:http";
import { readFileSync } from "node:fs";

const asked = JSON.parse(readFileSync(0, "utf8"));
const [host, port] = asked.board.split(":");
const text = (name) => readFileSync(`${asked.static}/${name}`, "utf8").replaceAll(/^export /gm, "");
const CLOCK = text("clock.js"), QUEUE = text("post-queue.js");
const mono_ms = () => Number(process.hrtime.bigint()) / 1e6;
const began_ms = mono_ms(), began_wall_ms = Date.now();
const pause = (ms) => new Promise((done) => setTimeout(done, ms));

// A generator that gives the same numbers again (Park and Miller, 1988).
function dice(seed) {
  let state = seed % 2147483647 || 1;
  return () => ((state = (state * 48271) % 2147483647) - 1) / 2147483646;
}

class Phone {
  constructor(said, number) {
    Object.assign(this, said);
    this.roll = dice(asked.seed + 7919 * (number + 1));
    this.slept_ms = 0;
    this.agent = new http.Agent({ keepAlive: true, localAddress: this.address });
    const performance = { now: () => this.own_ms() }, Date = { now: () => this.wall_ms() };
    const document = { hidden: false, addEventListener() {} };
    const ask = (path, more = {}) => this.ask(path, more);
    this.clock = new Function("performance", "Date", "document", "addEventListener", "fetch",
      `${CLOCK}; return { stamp, exchange, known, beside, fresh, keepMeasuring, name, LOAD };`)(performance, Date, document, () => {}, ask);
    this.queue = new Function("indexedDB", `${QUEUE}; return { parcel };`)(undefined);
  }

  gone_ms(at_ms = mono_ms()) { return (at_ms - began_ms) * (1 + this.ppm * 1e-6); }

  // The clock that only runs, in the steps that browsers show.
  own_ms(at_ms = mono_ms()) { return Math.floor((5000 + this.gone_ms(at_ms) - this.slept_ms) * 10) / 10; }

  wall_ms(at_ms = mono_ms()) {
    const set = at_ms - began_ms > this.step_at_ms ? this.step_by_ms : 0;
    return Math.floor(began_wall_ms + this.wrong_ms + this.gone_ms(at_ms) + set);
  }

  dead() { const gone = mono_ms() - began_ms; return gone > this.dead_from_ms && gone < this.dead_until_ms; }

  ask(path, { method = "GET", headers = {}, body = undefined, signal = undefined }) {
    if (this.dead()) return Promise.reject(new Error("no network"));
    return new Promise((done, failed) => {
      const sent = http.request({
        host, port, path, method, signal, agent: this.agent,
        headers: { ...headers, "User-Agent": "phone", Cookie: `gaswitness=${this.cookie}`, ...(body ? { "Content-Length": Buffer.byteLength(body) } : {}) },
      }, (answer) => {
        const parts = [];
        answer.on("data", (part) => parts.push(part));
        answer.on("end", () => done({ ok: answer.statusCode < 300, status: answer.statusCode, json: async () => JSON.parse(Buffer.concat(parts)) }));
        answer.on("error", failed);
      });
      sent.on("error", failed);
      sent.end(body);
    });
  }

  headers() { return { "X-CSRF": this.csrf, Accept: "application/json" }; }

  async live() {
    this.waiting = [];
    this.clock.keepMeasuring(() => this.headers(), () => {});
    const over_ms = began_ms + asked.seconds * 1000;
    let pressing = true;
    this.press(over_ms).then(() => { pressing = false; });
    if (this.sleep_at_ms) setTimeout(() => { this.slept_ms = this.sleep_ms; }, this.sleep_at_ms);
    while (pressing || (this.waiting.length && mono_ms() < over_ms + 120_000)) {
      await this.flush();
      await pause(250);
    }
  }

  async press(over_ms) {
    await pause(2500);
    for (let left = asked.marks; left > 0; left -= 1) {
      const rest_ms = (over_ms - mono_ms()) / left;
      await pause(Math.max(5, rest_ms * (0.3 + 1.2 * this.roll())));
      const truly_ms = mono_ms(), own_ms = this.own_ms(truly_ms);
      await pause(30 * this.roll()); // until the page gets round to it
      const mark_id = this.clock.name();
      this.waiting.push({ mark_id, at: this.clock.stamp(own_ms), signal: "FAN.on", on: true, exchanges: this.clock.beside(), truly_ms, alone: !this.clock.known().length });
    }
  }

  async flush() {
    const marks = this.waiting.slice(0, 20);
    if (!marks.length) return;
    try {
      await this.clock.fresh(this.headers());
      const parcel = this.queue.parcel(asked.run, asked.post, marks, this.clock.known()), body = JSON.stringify(parcel);
      const best_s = Math.min(...parcel.exchanges.map((one) => one.took_ms)) / 1000;
      const answer = await this.ask("/post/marks", { method: "POST", headers: { ...this.headers(), "Content-Type": "application/json" }, body, signal: AbortSignal.timeout(10_000) });
      if (!answer.ok) throw new Error(String(answer.status));
      for (const receipt of (await answer.json()).receipts) {
        const mark = marks.find((one) => one.mark_id === receipt.mark_id);
        if (!["recorded", "known"].includes(receipt.state)) continue;
        this.waiting = this.waiting.filter((one) => one !== mark);
        process.stdout.write(`${JSON.stringify({ phone: this.address, mark_id: mark.mark_id, truly_s: mark.truly_ms / 1000, u_s: receipt.u_s, best_s, state: receipt.state })}\n`);
      }
    } catch (error) { process.stderr.write(`${this.address} ${error.message}\n`); await pause(500); }
  }
}

await Promise.all(asked.phones.map((said, number) => new Phone(said, number).live()));
process.exit(0);
