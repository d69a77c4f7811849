// The record of the soak that runs: curve and events, renewed by what came since they were last asked.
import { api, clock, t, zone } from "./common.js";
import { mass } from "./units.js";

export const SHORTEST_S = 120;

const EVERY_MS = 5000;
const EVERY_S = 60; // of the soak: nothing new to draw comes sooner
const WHOLE_EVERY_MS = 900_000; // what evaporates is known better as the soak goes on, also of the past
const KINDS = "kind=phase&kind=alarm&kind=feed";

const same = (one, other) => Object.keys(one).join() === Object.keys(other).join();

/** From the beginning to the last point, or to what has happened after it. */
export function wholeOf({ curve, events }) {
  const lasts = [SHORTEST_S, curve.t_s.at(-1), ...events.map((event) => 1.02 * event.t_s)];
  return [Math.min(curve.t_s[0], 0), Math.max(...lasts)];
}

/** A stretch of a picture in words. */
export function labelOf({ curve, events, wall_s }, [from_s, to_s]) {
  const last = (name) => mass(curve[name]?.findLast((value) => value !== null) ?? null);
  const alarms = events.filter((event) => event.kind === "alarm").length;
  const loss = last(curve.taken_g ? "taken_g" : "mass_loss_g");
  const times = { from: clock(wall_s + from_s), to: clock(wall_s + to_s), zone: zone(wall_s) };
  const values = { loss, low: last("low_g"), high: last("high_g"), alarms };
  return t(curve.taken_g ? "curve_told_early" : "curve_told", { ...times, ...values });
}

export class Record {
  curve = null;
  events = [];
  #busy = false;
  #soak = -1;
  #asked_ms = 0;
  #whole_ms = 0;
  #t_s = 0;
  #told = "";

  /** Renew what is known; says whether there is something new to draw. */
  async renew(status) {
    if (this.#busy) return false;
    const now_ms = Date.now();
    const told = `${status.phase} ${(status.alarms ?? []).length} ${status.feed_open}`;
    const due = told !== this.#told || Math.abs(status.t_s - this.#t_s) >= EVERY_S;
    if (status.soak === this.#soak && (!due || now_ms - this.#asked_ms < EVERY_MS)) return false;
    this.#asked_ms = now_ms;
    const whole = status.soak !== this.#soak || now_ms - this.#whole_ms > WHOLE_EVERY_MS || told !== this.#told;
    this.#busy = true;
    try {
      await (whole ? this.#all(status) : this.#more(status));
    } catch (error) {
      this.#soak = -1;
      throw error;
    } finally {
      this.#busy = false;
    }
    [this.#t_s, this.#told] = [status.t_s, told];
    return true;
  }

  async #all(status) {
    const soak = status.soak;
    this.curve = await api("curve?points=2000");
    this.events = soak ? await api(`events?soak=${soak}&${KINDS}`) : [];
    [this.#soak, this.#whole_ms] = [soak, this.#asked_ms];
  }

  async #more(status) {
    const last_s = this.curve.t_s.at(-1);
    const found = last_s === undefined ? null : await api(`curve?points=2000&after_s=${last_s}`);
    // When the bowls are full the curve begins anew, in other columns.
    if (found === null || (found.t_s.length && !same(found, this.curve))) return this.#all(status);
    const { lanes, ...columns } = found;
    for (const [name, values] of Object.entries(columns)) this.curve[name].push(...values);
    const drops = lanes.drops.map((times, gate) => [...(this.curve.lanes.drops[gate] ?? []), ...times]);
    this.curve.lanes = { ...lanes, drops };
    return undefined;
  }
}
