"use strict";
// What belongs to each column of pixels: of a trace its lowest, highest and mean sample, of counts the largest.
// No sample is ever passed over.

const chartColumns = (() => {
  // {x, y}: points of a line, where they are no more than two per pixel; else {low, high, mean} of each pixel
  function ofTrace(trace, from, to, width) {
    const span = trace.step * (trace.points ?? trace.values.length);
    const record = trace.record && trace.record.array;
    const isCloser = record && !trace.is_whole && (to - from) / trace.step < 2 * width && to - from < 0.999 * span;
    if (isCloser) return ofRecord(trace.record, from, to, width);
    const first = Math.max(0, Math.floor((from - trace.start) / trace.step) - 1);
    const last = Math.min(trace.values.length, Math.ceil((to - trace.start) / trace.step) + 2);
    if (trace.is_whole && last - first <= 2 * width) {
      return line(first, last, trace.start, trace.step, (at) => trace.values[at]);
    }
    const lows = trace.lows ?? trace.values, highs = trace.highs ?? trace.values;
    const found = empty(width);
    const scale = width / (to - from);
    const isNarrow = trace.is_whole || trace.step * scale < 1, half = trace.step / 2;
    for (let at = first; at < last; at++) {
      const middle = trace.start + at * trace.step - from;
      // a column of the record that is narrower than a pixel belongs to the pixel of its middle, a wider one to all of its
      const left = Math.floor((isNarrow ? middle : middle - half) * scale + 1e-6);
      const right = isNarrow ? left : Math.ceil((middle + half) * scale - 1e-6) - 1;
      for (let pixel = Math.max(0, left); pixel <= Math.min(width - 1, right); pixel++) put(found, pixel, lows[at], highs[at], trace.values[at]);
    }
    return averaged(found);
  }

  function ofRecord(record, from, to, width) {
    const codes = record.array, interval = record.interval;
    const first = Math.max(0, Math.floor((from - record.start) / interval) - 1);
    const last = Math.min(codes.length, Math.ceil((to - record.start) / interval) + 2);
    const value = (code) => record.offset + record.gain * code;
    if (last - first <= 2 * width) return line(first, last, record.start, interval, (at) => value(codes[at]));
    const found = empty(width);
    const scale = width / (to - from);
    for (let at = first; at < last; at++) {
      const pixel = Math.floor((record.start + at * interval - from) * scale);
      if (pixel >= 0 && pixel < width) put(found, pixel, codes[at], codes[at], codes[at]);
    }
    averaged(found);
    for (let pixel = 0; pixel < width; pixel++) {
      const ends = [value(found.low[pixel]), value(found.high[pixel])];
      found.low[pixel] = Math.min(...ends);
      found.high[pixel] = Math.max(...ends);
      found.mean[pixel] = value(found.mean[pixel]);
    }
    return found;
  }

  function line(first, last, start, step, value) {
    const x = new Float64Array(Math.max(0, last - first)), y = new Float64Array(x.length);
    for (let at = first; at < last; at++) { x[at - first] = start + at * step; y[at - first] = value(at); }
    return { x, y };
  }

  const empty = (width) => ({
    low: new Float64Array(width).fill(NaN), high: new Float64Array(width).fill(NaN),
    mean: new Float64Array(width), count: new Uint32Array(width),
  });

  function put(found, pixel, low, high, mean) {
    if (!(low <= high)) return;  // not a number
    if (!(found.low[pixel] <= low)) found.low[pixel] = low;
    if (!(found.high[pixel] >= high)) found.high[pixel] = high;
    found.mean[pixel] += mean;
    found.count[pixel] += 1;
  }

  function averaged(found) {
    for (let pixel = 0; pixel < found.mean.length; pixel++) found.mean[pixel] /= found.count[pixel];
    return found;
  }

  // the largest count in each pixel of width × height, the highest level first
  function ofCounts(layer, view, width, height) {
    const { rows, columns } = layer.counts;
    const cell = [(layer.across[1] - layer.across[0]) / columns, (layer.upwards[1] - layer.upwards[0]) / rows];
    const cellsOf = (pixel, pixels, from, to, start, step, most) => {
      const low = (from + (to - from) * (pixel / pixels) - start) / step, high = (from + (to - from) * ((pixel + 1) / pixels) - start) / step;
      const first = Math.floor(low + 1e-9);
      return [Math.max(0, first), Math.min(most, Math.max(first + 1, Math.ceil(high - 1e-9)))];
    };
    const across = new Uint32Array(rows * width);
    for (let x = 0; x < width; x++) {
      const [first, last] = cellsOf(x, width, view.x[0], view.x[1], layer.across[0], cell[0], columns);
      for (let row = 0; row < rows; row++) {
        let most = 0;
        for (let at = row * columns + first, end = row * columns + last; at < end; at++) if (layer.counts[at] > most) most = layer.counts[at];
        across[row * width + x] = most;
      }
    }
    const found = new Uint32Array(width * height);
    for (let y = 0; y < height; y++) {
      const [first, last] = cellsOf(y, height, view.y[0], view.y[1], layer.upwards[0], cell[1], rows);
      const line = (height - 1 - y) * width;
      for (let row = first; row < last; row++) {
        for (let x = 0; x < width; x++) if (across[row * width + x] > found[line + x]) found[line + x] = across[row * width + x];
      }
    }
    return found;
  }

  return { ofTrace, ofCounts };
})();
