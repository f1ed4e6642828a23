"use strict";
// Numbers of a picture: unpacked from what the page carries, and written with unit and prefix.

const chartNumbers = (() => {
  const ARRAYS = { Float32Array, Float64Array, Int8Array, Int16Array, Int32Array, Uint8Array, Uint16Array, Uint32Array };
  const MOST_BYTES = 256e6;  // of one array; no page of ours comes near
  const NUMBERS = new Set(["values", "lows", "highs", "x", "y", "edges", "heights", "times"]);
  const PREFIXES = { "-15": "f", "-12": "p", "-9": "n", "-6": "u", "-3": "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T" };
  const NARROW_SPACE = "\u202f";  // between a number and its unit (SI brochure, 5.4.3)

  async function unpackedArray(packed) {
    const kind = ARRAYS[packed.array];
    const length = packed.shape.reduce((all, one) => all * one, 1) * kind.BYTES_PER_ELEMENT;
    if (length > MOST_BYTES) throw new RangeError("an array of " + length + " bytes is too large to be drawn");
    const bytes = Uint8Array.from(atob(packed.packed), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    const buffer = await new Response(stream).arrayBuffer();
    if (buffer.byteLength !== length) throw new RangeError("an array is " + buffer.byteLength + " bytes, not " + length);
    return new kind(buffer);
  }

  async function unpacked(value, key) {
    if (value === null || typeof value !== "object" || ArrayBuffer.isView(value)) return value;
    if (key === "record") return value;  // when somebody looks closer
    if ("packed" in value) {
      const array = await unpackedArray(value);
      if (value.shape.length === 2) { array.rows = value.shape[0]; array.columns = value.shape[1]; }
      return array;
    }
    if (Array.isArray(value)) {
      if (NUMBERS.has(key)) return Float64Array.from(value, (one) => (one === null ? NaN : one));
      return Promise.all(value.map((one) => unpacked(one, "")));
    }
    const pairs = Object.entries(value).map(async ([name, one]) => [name, await unpacked(one, name)]);
    return Object.fromEntries(await Promise.all(pairs));
  }

  const unpackPicture = (document_) => unpacked(document_, "");

  // the points of traces, sent apart from the description: float32, see `Picture.samples`
  function fillSamples(picture, buffer, offset = 0) {
    let at = offset;
    const take = (count) => {
      const part = at % 4 ? new Float32Array(buffer.slice(at, at + 4 * count)) : new Float32Array(buffer, at, count);
      at += 4 * count;
      return part;
    };
    for (const panel of picture.panels) {
      for (const layer of panel.layers) {
        if (layer.kind !== "trace") continue;
        if (layer.is_whole) { layer.values = take(layer.points); layer.lows = layer.highs = null; }
        else { layer.lows = take(layer.points); layer.highs = take(layer.points); layer.values = take(layer.points); }
      }
    }
    return picture;
  }

  async function codesOf(record) {
    if (!record.array) {
      record.array = Array.isArray(record.codes) ? Float64Array.from(record.codes) : await unpackedArray(record.codes);
    }
    return record.array;
  }

  const signed = (text) => text.replace("-", "−");
  const joined = (text, unit) => signed(text) + (unit ? NARROW_SPACE + unit : "");

  function exponentOf(size, axis) {
    if (!(size > 0)) return 0;
    if (!axis.unit && size >= 0.001 && size < 1e5) return 0;
    return Math.max(-15, Math.min(12, 3 * Math.floor(Math.log10(size) / 3 + 1e-9)));
  }

  // digits after the point, so that each multiple of a step is said in full
  function placesOf(step) {
    let places = 0;
    while (places < 9 && Math.abs(step * 10 ** places - Math.round(step * 10 ** places)) > 1e-6 * step * 10 ** places) places += 1;
    return places;
  }

  // numbers of one axis, all with the same prefix, and digits as their distance asks for
  function tickTexts(values, step, axis) {
    const numbers = values.filter((one) => one !== null);
    const most = Math.max(...numbers.map(Math.abs), 0);
    if (axis.is_share) {
      const places = placesOf(100 * step);
      return values.map((one) => (one === null ? "" : joined((100 * one).toFixed(places), "%")));
    }
    if (!axis.has_prefix) {
      const plain = (one) => (most !== 0 && (most >= 1e5 || most < 1e-3) ? one.toExponential(2) : String(+one.toPrecision(6)));
      return values.map((one) => (one === null ? "" : joined(plain(one), axis.unit)));
    }
    const exponent = exponentOf(most, axis);
    const places = placesOf(step / 10 ** exponent);
    const unit = PREFIXES[exponent] + axis.unit;
    return values.map((one) => (one === null ? "" : joined((one / 10 ** exponent).toFixed(places), unit)));
  }

  const CLOCK_STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, ...[1, 2, 7, 14, 28, 91, 182, 364, 1820, 3640].map((days) => 86400 * days)];

  // the distance of two numbers of an axis, when at most `most` are to be on it
  function stepOf(span, most, axis) {
    const least = span / Math.max(1, most);
    if (axis.is_clock) return CLOCK_STEPS.find((step) => step >= least) ?? CLOCK_STEPS[CLOCK_STEPS.length - 1];
    const decade = 10 ** Math.floor(Math.log10(least));
    const step = [1, 2, 2.5, 5, 10].map((factor) => factor * decade).find((one) => one >= least * (1 - 1e-9));
    return axis.unit === "" && axis.is_whole ? Math.max(1, Math.ceil(step)) : step;
  }

  function splitsOf(low, high, step, axis) {
    const found = [];
    if (axis.is_log) {
      for (let decade = Math.floor(Math.log10(low)); decade <= Math.log10(high); decade++) {
        for (let factor = 1; factor < 10; factor++) {
          const at = factor * 10 ** decade;
          if (at >= low * (1 - 1e-9) && at <= high * (1 + 1e-9)) found.push(at);
        }
      }
      return found;
    }
    for (let at = Math.ceil(low / step - 1e-9); at * step <= high + 1e-9 * step && found.length < 1000; at++) found.push(at * step);
    return found;
  }

  // numbers of a logarithmic axis: the decades, and others where there are few of those
  function logTexts(values, axis) {
    const decades = values.filter((one) => isFactor(one, [1])).length;
    const said = decades > 2 ? [1] : decades > 1 ? [1, 2, 5] : [1, 2, 3, 4, 5, 6, 7, 8, 9];
    return values.map((one) => (isFactor(one, said) ? shown(one, axis, 3) : ""));
  }

  const isFactor = (value, factors) => {
    const factor = value / 10 ** Math.floor(Math.log10(value) + 1e-9);
    return factors.some((one) => Math.abs(factor - one) < 1e-6);
  };

  // one number by itself
  function shown(value, axis, digits = 4) {
    if (value === null || value === undefined || !Number.isFinite(value)) return "no valid sample";
    if (axis.is_clock) return dateText(value, 1).replace("\n", " ");
    if (axis.names && axis.names.length) return axis.names[Math.round(value)] ?? "";
    if (axis.is_share) return joined(String(+(100 * value).toPrecision(digits)), "%");
    if (!axis.has_prefix) return joined(String(+value.toPrecision(digits)), axis.unit);
    const exponent = exponentOf(Math.abs(value), axis);
    return joined(String(+(value / 10 ** exponent).toPrecision(digits)), PREFIXES[exponent] + axis.unit);
  }

  // ISO 8601, UTC
  function dateText(seconds, step) {
    const text = new Date(1000 * seconds).toISOString();
    if (step >= 86400) return text.slice(0, 10);
    return text.slice(11, step < 60 ? 19 : 16) + "\n" + text.slice(0, 10);
  }

  return { unpackPicture, fillSamples, codesOf, tickTexts, logTexts, stepOf, splitsOf, shown, dateText };
})();
const { unpackPicture, fillSamples } = chartNumbers;
