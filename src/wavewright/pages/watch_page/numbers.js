// Numbers with their units in words of the page.

const PREFIXES = [[1, ""], [1e-3, "m"], [1e-6, "u"], [1e-9, "n"], [1e-12, "p"]];

/** A time or length of time in plain words: `1.25 ms`. */
export function seconds(value, digits = 6) {
  return withPrefix(value, "s", digits);
}

/** A number with its unit and prefix, SI brochure 5.4.3: a space between them. */
export function withPrefix(value, unit, digits = 5) {
  if (!Number.isFinite(value)) return "";
  if (value === 0) return `0\u00a0${unit}`;
  const size = Math.abs(value);
  const [factor, prefix] = size >= 1e6 ? [1e6, "M"] : size >= 1e3 ? [1e3, "k"]
    : PREFIXES.find(([one]) => size >= one * 0.9999999) || PREFIXES.at(-1);
  const known = unit !== "" && unit !== "1";
  const text = (number) => String(Number(number.toPrecision(digits))).replace("-", "\u2212");
  return known ? `${text(value / factor)}\u00a0${prefix}${unit}` : text(value);
}
