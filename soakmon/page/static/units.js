// Units as chosen on this device, in values and inside sentences.
const meta = (name) => document.querySelector(`meta[name="${name}"]`).content;

export const unit = (kind) => localStorage.getItem(kind) || { mass: "g", temp: "c" }[kind];

export const massValue = (mass_g) => (unit("mass") === "ml" ? mass_g / Number(meta("density")) : mass_g);

const point = (1.5).toLocaleString(document.documentElement.lang)[1];

/** A number as it is written in the page's language. */
export const signed = (text) => text.replace("-", "−").replace(".", point);

export function mass(mass_g) {
  if (mass_g === null || mass_g === undefined) return "–";
  const value = massValue(mass_g);
  return signed(`${value.toFixed(Math.abs(value) >= 10 ? 1 : 2)} ${unit("mass")}`);
}

export function temperature(air_c) {
  if (air_c === null || air_c === undefined) return "–";
  const value = unit("temp") === "f" ? air_c * 1.8 + 32 : air_c;
  return signed(`${value.toFixed(1)} °${unit("temp").toUpperCase()}`);
}

/** As many digits as the number had that it stands for, and not fewer than two that count. */
function alike(value, told) {
  const digits = told.split(/[.,]/)[1]?.length ?? 0;
  const least = value === 0 ? 0 : 1 - Math.floor(Math.log10(Math.abs(value)));
  return value.toFixed(Math.min(Math.max(digits, least, 0), 6));
}

const MASS = /([+−-]?\d+(?:[.,]\d+)?(?:e-?\d+)?) g(?![\w²])/g;
const TEMPERATURE = /([+−-]?\d+(?:[.,]\d+)?) °C/g;

/** A sentence of the bench, its masses and temperatures in this device's units. */
export function said(text) {
  const number = (told) => Number(told.replace("−", "-").replace(",", "."));
  let out = text ?? "";
  if (unit("mass") === "ml") {
    out = out.replace(MASS, (_, told) => {
      const plus = told.startsWith("+") ? "+" : "";
      return signed(`${plus}${alike(massValue(number(told)), told)} ml`);
    });
  }
  if (unit("temp") === "f") out = out.replace(TEMPERATURE, (_, told) => temperature(number(told)));
  return out;
}
