"use strict";
// Paints the layers of a panel. A place is {x, y, yRight, left, top, width, height, pixel, view, look}, in canvas pixels.

const chartLayers = (() => {
  const { readable, ramp } = chartColours;
  const TALL = 3;  // pixels: a column that is taller than that is one of a spread, or an edge
  const AROUND = 4;  // columns on each side that tell the one from the other
  const MANY = 7;  // of the 9 columns around one: then they are a spread
  const BEYOND = 2;  // pixels that a sample lies beyond its neighbours when it is drawn by itself
  const SPREAD = 0.42;

  function trace(ctx, layer, place) {
    const [from, to] = place.view.x;
    const found = chartColumns.ofTrace(layer, from, to, Math.max(1, Math.round(place.width / place.pixel)));
    ctx.strokeStyle = ctx.fillStyle = readable(layer.colour, place.look);
    found.x ? polyline(ctx, found, place, layer.is_whole || layer.record) : columns(ctx, found, place);
  }

  function polyline(ctx, line, place, hasDots) {
    ctx.lineWidth = 1.3 * place.pixel;
    ctx.lineJoin = "round";
    stroke(ctx, line.x, line.y, place.x, place.y);
    const gap = line.x.length > 1 ? place.x(line.x[1]) - place.x(line.x[0]) : Infinity;
    const lonely = (at) => !Number.isFinite(line.y[at - 1]) && !Number.isFinite(line.y[at + 1]);
    const r = 2 * place.pixel;
    for (let at = 0; at < line.x.length; at++) {
      if ((hasDots && gap >= 7 * place.pixel) || lonely(at)) ctx.fillRect(place.x(line.x[at]) - r, place.y(line.y[at]) - r, 2 * r, 2 * r);
    }
  }

  function stroke(ctx, xs, ys, x, y) {
    ctx.beginPath();
    let isDown = false;
    for (let at = 0; at < xs.length; at++) {
      if (!Number.isFinite(ys[at]) || !Number.isFinite(xs[at])) { isDown = false; continue; }
      if (isDown) ctx.lineTo(x(xs[at]), y(ys[at]));
      else ctx.moveTo(x(xs[at]), y(ys[at]));
      isDown = true;
    }
    ctx.stroke();
  }

  // where columns are tall side by side, a spread that can be looked through with the mean in it; where one stands
  // alone, an edge, and where a sample lies beyond its neighbours, a glitch: both in full
  function columns(ctx, found, place) {
    const count = found.low.length, wide = place.width / count;
    const top = found.high.map(place.y), bottom = found.low.map(place.y);
    const isTall = Array.from(top, (high, at) => bottom[at] - high > TALL * place.pixel);
    let tall = 0;
    for (let at = 0; at < Math.min(AROUND, count); at++) tall += isTall[at];
    const isSpread = isTall.map((_, at) => {
      if (at + AROUND < count) tall += isTall[at + AROUND];
      if (at - AROUND - 1 >= 0) tall -= isTall[at - AROUND - 1];
      return tall >= MANY;
    });
    const rect = (at, high, low) => {
      const least = Math.max(low - high, 1.3 * place.pixel);
      const left = Math.round(place.left + at * wide), right = Math.round(place.left + (at + 1) * wide);  // whole pixels: a column is not pale
      ctx.rect(left, (high + low - least) / 2, right - left, least);
    };
    const near = (list, at, best) => best(...[-2, -1, 1, 2].map((step) => list[at + step]).filter(Number.isFinite));
    ctx.globalAlpha = SPREAD;
    ctx.beginPath();
    for (let at = 0; at < count; at++) if (isSpread[at] && Number.isFinite(top[at])) rect(at, top[at], bottom[at]);
    ctx.fill();
    ctx.globalAlpha = 1;
    ctx.beginPath();
    for (let at = 0; at < count; at++) {
      if (!Number.isFinite(top[at])) continue;
      if (!isSpread[at]) {
        // a line from one column to the next, so that no step between them is open
        const before = at && Number.isFinite(top[at - 1]) ? [top[at - 1], bottom[at - 1]] : [top[at], bottom[at]];
        rect(at, Math.min(top[at], before[1]), Math.max(bottom[at], before[0]));
        continue;
      }
      const highest = near(top, at, Math.min), lowest = near(bottom, at, Math.max);
      if (highest - top[at] > BEYOND * place.pixel) rect(at, top[at], highest);
      if (bottom[at] - lowest > BEYOND * place.pixel) rect(at, lowest, bottom[at]);
    }
    ctx.fill();
    // of some columns together: the period of a signal and the width of a column would beat in single ones
    const middle = found.mean.map((_, at) => (isSpread[at] ? average(found.mean.subarray(Math.max(0, at - AROUND), at + AROUND + 1)) : NaN));
    ctx.lineWidth = 1.6 * place.pixel;
    stroke(ctx, middle.map((_, at) => at), middle, (at) => place.left + (at + 0.5) * wide, place.y);
  }

  function average(values) {
    const valid = values.filter(Number.isFinite);
    return valid.reduce((sum, one) => sum + one, 0) / valid.length;
  }

  function band(ctx, layer, place) {
    ctx.fillStyle = readable(layer.colour, place.look);
    ctx.globalAlpha = 0.18;
    ctx.beginPath();
    for (let at = 0; at < layer.x.length; at++) ctx[at ? "lineTo" : "moveTo"](place.x(layer.x[at]), place.y(layer.highs[at]));
    for (let at = layer.x.length - 1; at >= 0; at--) ctx.lineTo(place.x(layer.x[at]), place.y(layer.lows[at]));
    ctx.fill();
    ctx.globalAlpha = 1;
  }

  function density(ctx, layer, place) {
    const width = Math.max(1, Math.round(place.width / place.pixel)), height = Math.max(1, Math.round(place.height / place.pixel));
    const most = layer.most ?? (layer.most = layer.counts.reduce((a, b) => Math.max(a, b), 1));
    const counts = chartColumns.ofCounts(layer, place.view, width, height);
    const colours = ramp(place.look), image = new ImageData(width, height);
    for (let at = 0; at < counts.length; at++) {
      if (!counts[at]) continue;
      const colour = colours[most > 1 ? Math.round((255 * Math.log(counts[at])) / Math.log(most)) : 255];
      image.data.set([colour[0], colour[1], colour[2], 255], 4 * at);
    }
    const sheet = document.createElement("canvas");
    sheet.width = width; sheet.height = height;
    sheet.getContext("2d").putImageData(image, 0, 0);
    ctx.imageSmoothingEnabled = false;
    ctx.drawImage(sheet, place.left, place.top, place.width, place.height);
  }

  function points(ctx, layer, place) {
    ctx.strokeStyle = ctx.fillStyle = readable(layer.colour, place.look);
    ctx.lineWidth = place.pixel;
    if (layer.is_joined) { ctx.globalAlpha = 0.6; stroke(ctx, layer.x, layer.y, place.x, place.y); ctx.globalAlpha = 1; }
    const failed = new Set(layer.failed), r = (layer.x.length > 400 ? 2 : 3.2) * place.pixel;
    for (let at = 0; at < layer.x.length; at++) {
      const x = place.x(layer.x[at]), y = place.y(layer.y[at]);
      if (failed.has(at)) continue;
      ctx.beginPath(); ctx.arc(x, y, r, 0, 7); ctx.fill();
    }
    ctx.strokeStyle = place.look.failed;
    ctx.lineWidth = 2 * place.pixel;
    for (const at of failed) {  // by their form too, not by colour alone
      const x = place.x(layer.x[at]), y = place.y(layer.y[at]), s = 4 * place.pixel;
      ctx.beginPath(); ctx.moveTo(x - s, y - s); ctx.lineTo(x + s, y + s); ctx.moveTo(x - s, y + s); ctx.lineTo(x + s, y - s); ctx.stroke();
    }
  }

  function bars(ctx, layer, place) {
    ctx.fillStyle = readable(layer.colour, place.look);
    ctx.strokeStyle = place.look.ground;
    ctx.lineWidth = place.pixel;
    const floor = place.y(Math.max(0, place.view.y[0]));
    for (let at = 0; at < layer.heights.length; at++) {
      const left = place.x(layer.edges[at]), right = place.x(layer.edges[at + 1]), top = place.y(layer.heights[at]);
      const inset = layer.edges.length > 1 && place.isNamed ? 0.12 * (right - left) : 0;
      ctx.fillRect(left + inset, top, Math.max(place.pixel, right - left - 2 * inset), floor - top);
      if (!inset && right - left > 4 * place.pixel) ctx.strokeRect(left, top, right - left, floor - top);
    }
  }

  function curve(ctx, layer, place) {
    const y = layer.is_on_right ? place.yRight : place.y;
    ctx.strokeStyle = ctx.fillStyle = readable(layer.colour, place.look);
    if (layer.lows && layer.highs) {
      ctx.globalAlpha = 0.2;
      ctx.beginPath();
      for (let at = 0; at < layer.x.length; at++) ctx[at ? "lineTo" : "moveTo"](place.x(layer.x[at]), y(layer.highs[at]));
      for (let at = layer.x.length - 1; at >= 0; at--) ctx.lineTo(place.x(layer.x[at]), y(layer.lows[at]));
      ctx.fill();
      ctx.globalAlpha = 1;
      ctx.lineWidth = place.pixel;
      for (let at = 0; at < layer.x.length; at++) {
        const x = place.x(layer.x[at]), ends = [y(layer.lows[at]), y(layer.highs[at])], s = 4 * place.pixel;
        ctx.beginPath(); ctx.moveTo(x, ends[0]); ctx.lineTo(x, ends[1]);
        for (const end of ends) { ctx.moveTo(x - s, end); ctx.lineTo(x + s, end); }
        ctx.stroke();
      }
    }
    ctx.lineWidth = 1.5 * place.pixel;
    ctx.lineJoin = "round";
    stroke(ctx, layer.x, layer.y, place.x, y);
    if (!layer.has_points) return;
    for (let at = 0; at < layer.x.length; at++) {
      ctx.beginPath(); ctx.arc(place.x(layer.x[at]), y(layer.y[at]), 3.2 * place.pixel, 0, 7); ctx.fill();
    }
  }

  const BY_KIND = { trace, band, density, points, bars, curve };
  return { paint: (ctx, layer, place) => BY_KIND[layer.kind](ctx, layer, place) };
})();
