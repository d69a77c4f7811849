// The loss against the evaporation band, as a bar: the band hatched, the loss a mark.
import { svg } from "./common.js";

export function drawGauge(place, verdict) {
  const { observed_loss_g: loss, expected_evaporation_g: band } = verdict;
  const low = Math.min(0, loss ?? 0);
  const top = 1.25 * Math.max(band.high, loss ?? 0, 0.2) - low;
  const x = (value) => 4 + (292 * (value - low)) / top;
  const parts = [
    svg("rect", { class: "track", x: 4, y: 14, width: 292, height: 24 }),
    svg("rect", { class: "band", x: x(band.low), y: 14, width: x(band.high) - x(band.low), height: 24 }),
    svg("path", { class: "edge", d: `M${x(band.low)} 14v24M${x(band.high)} 14v24` }),
  ];
  if (loss !== null) {
    const at = x(loss);
    parts.push(svg("path", { class: "lost", d: `M${at} 8V44` }));
    parts.push(svg("path", { class: "point", d: `M${at} 12l-7 -11h14z` }));
  }
  place.replaceChildren(svg("svg", { viewBox: "0 0 300 48" }, ...parts));
}
