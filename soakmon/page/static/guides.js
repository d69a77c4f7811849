// The questions of each bench test, in order. A guide yields questions and is given the answers;
// what it returns is the form that the bench judges.
import { t } from "./common.js";

/** A number; cell: what the load cell can put there (g or counts); initial: what is usual. */
const number = (key, values = {}, { cell = "", initial = "" } = {}) => ({ text: t(key, values), cell, initial });

/** A number, or none: `enough` says what none means. */
const maybe = (key, values = {}, { cell = "", enough = "" } = {}) => ({
  text: t(key, values),
  cell,
  initial: "",
  enough: enough || t("trial_enough"),
});

/** One number and as many more as are given. */
function* many(key, again, values) {
  const found = [yield number(key, values, { cell: "g" })];
  for (;;) {
    const next = yield maybe(again, values, { cell: "g" });
    if (next === null) return found;
    found.push(next);
  }
}

function* calibration() {
  const form = {
    capacity_g: yield number("ask_capacity"),
    intervals: yield number("ask_intervals", {}, { initial: 3000 }),
    mass_u_g: yield number("ask_mass_u", {}, { initial: 0 }),
  };
  const counts = { cell: "counts" };
  const steps = [{ mass_g: 0, reading: yield number("ask_empty", {}, counts), up: true }];
  for (;;) {
    const mass = yield maybe("ask_next_mass", {}, { enough: t("ask_next_mass_no") });
    if (mass === null) break;
    steps.push({ mass_g: mass, reading: yield number("ask_on", { mass }, counts), up: true });
  }
  for (const { mass_g } of steps.slice(0, -1).toReversed()) {
    const reading = yield number("ask_off", { mass: mass_g }, counts);
    steps.push({ mass_g, reading, up: false });
  }
  const creep = [];
  for (;;) {
    const minutes = yield maybe("ask_creep");
    if (minutes === null) break;
    creep.push([minutes, yield number("ask_creep_reading", { minutes }, counts)]);
  }
  if (creep.length > 0) form.returned_g = yield maybe("ask_returned");
  return { ...form, steps, creep };
}

function* daily() {
  return {
    capacity_g: yield number("ask_capacity"),
    mass_g: yield number("ask_known"),
    mass_u_g: yield number("ask_known_u", {}, { initial: 0 }),
    reading_g: yield number("ask_known_on", {}, { cell: "g" }),
  };
}

function* blank() {
  return {
    before_g: yield* many("ask_before", "ask_before_again"),
    after_g: yield* many("ask_after", "ask_after_again"),
    hours: yield number("ask_hours"),
    air_c: yield number("ask_air"),
  };
}

function* drain(carbs) {
  const form = { fuel_c: yield number("ask_fuel", {}, { initial: 20 }), cups_g: [] };
  for (let carb = 1; carb <= carbs; carb++) {
    const empty = yield number("ask_cup_empty", { carb }, { cell: "g" });
    form.cups_g.push([empty, yield number("ask_cup_full", { carb }, { cell: "g" })]);
  }
  return form;
}

function* shots(carbs) {
  const strokes = yield number("ask_strokes", {}, { initial: 20 });
  const form = { strokes, fuel_c: yield number("ask_fuel", {}, { initial: 20 }), series_g: [] };
  for (let carb = 1; carb <= carbs; carb++) {
    const series = [];
    let before = yield number("ask_shot_before", { carb }, { cell: "g" });
    while (before !== null) {
      series.push([before, yield number("ask_shot_after", { carb, strokes }, { cell: "g" })]);
      before = yield maybe("ask_shot_again", { carb }, { cell: "g", enough: t("ask_shot_again_no") });
    }
    form.series_g.push(series);
  }
  return form;
}

function* floats(carbs) {
  const form = { floats: [] };
  for (let carb = 1; carb <= carbs; carb++) {
    const dry_g = yield* many("ask_dry", "ask_dry_again", { carb });
    form.floats.push({ carb, dry_g, soaked_g: yield* many("ask_soaked", "ask_soaked_again", { carb }) });
  }
  return form;
}

export const GUIDES = { calibration, daily, blank, drain, shots, floats };
