// Axes of the picture: masses at the left, the shop's clock with the time soaked below it.
import { clock, day, hours, shopOffset, svg } from "./common.js";
import { massValue, signed, unit } from "./units.js";

const STEPS_S = [60, 300, 600, 900, 1800, 3600, 7200, 10_800, 14_400, 21_600, 43_200, 86_400];
const ROOM = 66; // for one tick's words

function niceStep(span, wanted) {
  const rough = span / wanted;
  const power = 10 ** Math.floor(Math.log10(rough));
  return power * [1, 2, 5, 10].find((factor) => factor * power >= rough);
}

/** Lines across the frame with their masses, and the unit above them. */
export function massAxis({ left, right, top, bottom }, [low, high], y) {
  const scale = massValue(1);
  const step = niceStep((high - low) * scale, (bottom - top) / 45);
  const parts = [];
  for (let tick = Math.ceil((low * scale) / step); tick * step <= high * scale; tick++) {
    const at = y((tick * step) / scale);
    const text = signed((tick * step).toFixed(step < 0.1 ? 2 : step < 1 ? 1 : 0));
    parts.push(svg("path", { class: "grid", d: `M${left} ${at}H${right}` }));
    // Below the frame stand the names of the lanes.
    if (at > bottom - 8) continue;
    parts.push(svg("text", { class: "tick right", x: left - 6, y: at + 4 }, text));
  }
  parts.push(svg("text", { class: "tick", x: 4, y: top - 8 }, unit("mass")));
  return parts;
}

/** Clock times at even hours of the shop, the time since the start below, and a line at midnight. */
export function timeAxis({ left, right, top, bottom }, [from_s, to_s], wall_s, x) {
  const offset_s = shopOffset(wall_s + from_s);
  const step = STEPS_S.find((s) => ((right - left) * s) / (to_s - from_s) >= ROOM) ?? STEPS_S.at(-1);
  const first = Math.ceil((wall_s + offset_s + from_s) / step);
  const parts = [];
  for (let tick = first; tick * step - offset_s - wall_s <= to_s; tick++) {
    const t_s = tick * step - offset_s - wall_s;
    const at = x(t_s);
    const midnight = (tick * step) % 86_400 === 0;
    parts.push(svg("path", { class: midnight ? "midnight" : "grid", d: `M${at} ${top}V${bottom}` }));
    // What would run over the edge is left out.
    if (at > right - 16 || at < left + 10) continue;
    parts.push(svg("text", { class: "tick middle", x: at, y: bottom + 17 }, clock(wall_s + t_s)));
    const below = midnight ? day(wall_s + t_s) : hours(t_s);
    parts.push(svg("text", { class: "tick middle small", x: at, y: bottom + 34 }, below));
  }
  return parts;
}
