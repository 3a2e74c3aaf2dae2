// How numbers are written. Nothing is decided here: value, bound and word come from the program.

const PREFIXES = [["", 1], ["m", 1e-3], ["µ", 1e-6], ["n", 1e-9]];
const MINUS = "−";

/** A prefix before a squared unit is squared with it and read wrongly: there is none. */
function prefixFor(size, unit) {
  if (unit.includes("²")) return PREFIXES[0];
  return PREFIXES.find(([, factor]) => size >= factor) ?? PREFIXES.at(-1);
}

/** Decimal places that show two digits of the uncertainty; without one, four digits of the value. */
function places(value, uncertainty) {
  const size = uncertainty > 0 ? uncertainty * 10 : Math.abs(value) / 10;
  if (!(size > 0) || !Number.isFinite(size)) return 3;
  return Math.min(6, Math.max(0, 2 - Math.floor(Math.log10(size))));
}

export function fixed(value, decimals) {
  const text = Math.abs(value).toFixed(decimals);
  return (value < 0 && Number(text) !== 0 ? MINUS : "") + text;
}

/** `{text, unit, bound}` of a quantity; the prefix suits its size, and the digits its uncertainty. */
export function quantity(value, uncertainty, unit) {
  if (value === null || value === undefined || !Number.isFinite(value)) return { text: "—", unit, bound: "" };
  const [prefix, factor] = prefixFor(Math.max(Math.abs(value), uncertainty ?? 0), unit);
  const decimals = places(value / factor, (uncertainty ?? 0) / factor);
  const bound = uncertainty > 0 ? `± ${(uncertainty / factor).toFixed(decimals)} ${prefix}${unit}` : "";
  return { text: fixed(value / factor, decimals), unit: prefix + unit, bound };
}

/** A figure `{value, low, high}` as its value and its interval: `["85.43 mA", "85.31 to 85.55"]`; `null` without one. */
export function bounded(figure, unit) {
  if (!figure) return null;
  const { value, low, high } = figure;
  const half = (low ?? null) !== null && (high ?? null) !== null ? (high - low) / 2 : 0;
  const [prefix, factor] = prefixFor(Math.max(Math.abs(value), half), unit);
  const decimals = places(value / factor, half / factor);
  const of = (number) => fixed(number / factor, decimals);
  return [`${of(value)} ${prefix}${unit}`, half > 0 ? `${of(low)} to ${of(high)}` : null];
}

/** A length of time in the largest words that keep it exact enough. */
export function duration(seconds) {
  if (!Number.isFinite(seconds)) return "—";
  const size = Math.abs(seconds);
  if (size < 1e-3) return `${(seconds * 1e6).toFixed(0)} µs`;
  if (size < 1) return `${trimmed(seconds * 1e3, 3)} ms`;
  if (size < 120) return `${trimmed(seconds, 3)} s`;
  if (size < 7200) return `${(seconds / 60).toFixed(0)} min`;
  return `${trimmed(seconds / 3600, 3)} h`;
}

function trimmed(value, digits) {
  return String(Number(value.toPrecision(digits)));
}

/** `h:mm:ss` of a run's length. */
export function stopwatch(seconds) {
  const whole = Math.max(0, Math.floor(seconds));
  const two = (number) => String(number).padStart(2, "0");
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
}

/** The time of day at the reader's place, to as many decimals as `step_s` needs. */
export function clock(utc_ms, step_s = 1) {
  const at = new Date(utc_ms);
  const two = (number) => String(number).padStart(2, "0");
  const base = `${two(at.getHours())}:${two(at.getMinutes())}`;
  if (step_s >= 60) return base;
  const decimals = step_s >= 1 ? 0 : Math.min(3, Math.ceil(-Math.log10(step_s) - 1e-9));
  const seconds = (at.getSeconds() + at.getMilliseconds() / 1000).toFixed(3);
  return `${base}:${seconds.padStart(6, "0").slice(0, decimals ? 3 + decimals : 2)}`;
}

/** The smallest round step, 1, 2 or 5 times a power of ten, that is at least this. */
export function roundStep(least) {
  const power = 10 ** Math.floor(Math.log10(least));
  const lead = least / power;
  return power * (lead <= 1 ? 1 : lead <= 2 ? 2 : lead <= 5 ? 5 : 10);
}
