"use strict";
// Paints the marks of a panel, and finds room for their labels beside the plot: never over the trace, never over one
// another. Labels of times stand in lanes above the plot, those of levels in a column at its right.

const chartMarks = (() => {
  const LANE = 15, STRIP = 19, FONT = 12, MOST_LANES = 6, COLUMN = 0.3;
  const NARROW = 560;  // pixels of a plot: below that the labels at its right are letters, and what they mean is below
  const font = (pixel) => `${FONT * pixel}px "Source Sans 3", "Noto Sans", "Liberation Sans", Arial, sans-serif`;
  const sheet = document.createElement("canvas").getContext("2d");
  const widthOf = (text) => { sheet.font = font(1); return sheet.measureText(text).width; };

  function cut(text, room) {
    if (widthOf(text) <= room) return text;
    let length = text.length;
    while (length > 1 && widthOf(text.slice(0, length) + "…") > room) length -= 1;
    return length > 1 ? text.slice(0, length) + "…" : "";
  }

  // what has its label above the plot: [from, to, text, role] on the horizontal axis
  function aloft(marks) {
    const found = [];
    for (const mark of marks) {
      if (!mark.label) continue;
      if (mark.kind === "span") found.push([mark.first, mark.last, mark]);
      else if (mark.kind === "instant" || mark.kind === "place") found.push([mark.at, mark.at, mark]);
      else if (mark.kind === "outline") found.push([mark.times[0], mark.times[mark.times.length - 1] + mark.step, mark]);
      else if (mark.kind === "polygon") { const x = mark.corners.map((corner) => corner[0]); found.push([Math.min(...x), Math.max(...x), mark]); }
    }
    return found;
  }

  // lanes for labels, each as near to its mark as there is room: [{mark, text, left, lane, at}], in CSS pixels
  function lanes(marks, toX, width) {
    const ends = [];
    const placed = [];
    const labels = aloft(marks).map(([first, last, mark]) => ({ mark, first: toX(first), last: toX(last) }))
      .filter((one) => one.last >= -1 && one.first <= width + 1).sort((a, b) => a.first - b.first || a.last - b.last);
    for (const one of labels) {
      const text = cut(one.mark.label, Math.min(width - 4, 420)), wide = widthOf(text);
      const at = Math.max(0, Math.min(width, one.first));
      const left = Math.max(0, Math.min(at, width - wide));
      let lane = ends.findIndex((end) => end <= left);
      if (lane < 0) { lane = ends.length; if (lane >= MOST_LANES) continue; ends.push(0); }
      ends[lane] = left + wide + 10;
      placed.push({ ...one, text, left, lane, at });
    }
    return { placed, count: ends.length };
  }

  // what has its label at the right: [value, text, colour]
  function aside(panel, look) {
    const found = [];
    for (const mark of panel.marks) {
      if (!mark.label) continue;
      if (mark.kind === "level") found.push([mark.value, mark.label, look[mark.role]]);
      if (mark.kind === "zone") found.push([(mark.low + mark.high) / 2, mark.label, look[mark.role]]);
      if (mark.kind === "reach") found.push([mark.high, mark.label, look[mark.role]]);
    }
    const lines = panel.layers.filter((layer) => (layer.kind === "trace" || layer.kind === "curve") && !layer.is_on_right);
    if (lines.length > 1) {
      for (const layer of lines) {
        const y = layer.kind === "trace" ? layer.values : layer.y;
        let last = y.length - 1;
        while (last > 0 && !Number.isFinite(y[last])) last -= 1;
        found.push([y[last], layer.name, chartColours.readable(layer.colour, look)]);
      }
    }
    return found;
  }

  const isNarrow = (width) => width < NARROW;
  const letter = (at) => String.fromCharCode(65 + (at % 26)) + (at < 26 ? "" : Math.floor(at / 26));

  function asideWidth(panel, look, width) {
    const labels = aside(panel, look);
    if (isNarrow(width)) return labels.length ? 24 : 14;
    const most = Math.max(0, ...labels.map(([, text]) => widthOf(text)));
    return most ? Math.ceil(Math.min(most + 18, COLUMN * width)) : 26;
  }

  // what the letters at the right of a narrow plot mean, of all panels: [[letter, text], …]
  const keys = (panels, look) => panels.flatMap((panel) => aside(panel, look)).map(([, text], at) => [letter(at), text]);

  // one below the other, each as near to its level as the others let it
  function staggered(labels, toY, height) {
    const placed = labels.map(([value, text, colour]) => ({ text, colour, at: toY(value), y: toY(value) }))
      .filter((one) => one.at >= -1 && one.at <= height + 1).sort((a, b) => a.at - b.at);
    for (let at = 1; at < placed.length; at++) placed[at].y = Math.max(placed[at].y, placed[at - 1].y + LANE);
    let most = height;
    for (let at = placed.length - 1; at >= 0; at--) { placed[at].y = Math.min(placed[at].y, most); most = placed[at].y - LANE; }
    return placed;
  }

  const room = (panel, toX, width) => {
    const strip = panel.marks.some((mark) => mark.kind === "frame") ? STRIP : 0;
    return lanes(panel.marks, toX, width).count * LANE + strip + 6;
  };

  // under the layers: areas and lines that a trace may go over
  function paintUnder(ctx, panel, place) {
    for (const mark of panel.marks) {
      const colour = place.look[mark.role];
      ctx.strokeStyle = ctx.fillStyle = colour;
      if (mark.kind === "span") {
        const first = place.x(mark.first), last = place.x(mark.last);
        ctx.globalAlpha = !mark.label ? 0.08 : mark.role === "failed" ? 0.2 : 0.13;
        ctx.fillRect(first, place.top, Math.max(place.pixel, last - first), place.height);
        ctx.globalAlpha = 1;
      } else if (mark.kind === "zone") {
        const high = place.y(mark.high), low = place.y(mark.low);
        ctx.globalAlpha = 0.2;
        ctx.fillRect(place.left, high, place.width, Math.max(place.pixel, low - high));
        ctx.globalAlpha = 1;
      } else if (mark.kind === "polygon") {
        ctx.globalAlpha = 0.25;
        ctx.beginPath();
        mark.corners.forEach(([x, y], at) => ctx[at ? "lineTo" : "moveTo"](place.x(x), place.y(y)));
        ctx.closePath();
        ctx.fill();
        ctx.globalAlpha = 1;
        ctx.stroke();
      }
    }
  }

  function upright(ctx, x, place, dash, width = 1) {
    ctx.lineWidth = width * place.pixel;
    ctx.setLineDash(dash.map((one) => one * place.pixel));
    ctx.beginPath(); ctx.moveTo(x, place.top); ctx.lineTo(x, place.top + place.height); ctx.stroke();
    ctx.setLineDash([]);
  }

  // one of many: at the edges of the plot alone, so that it hides nothing
  function tick(ctx, x, place) {
    const long = 9 * place.pixel;
    ctx.lineWidth = 1.4 * place.pixel;
    ctx.beginPath();
    for (const [from, to] of [[place.top, place.top + long], [place.top + place.height - long, place.top + place.height]]) { ctx.moveTo(x, from); ctx.lineTo(x, to); }
    ctx.stroke();
  }

  function across(ctx, y, place, dash, from = place.left, to = place.left + place.width) {
    ctx.lineWidth = 1.2 * place.pixel;
    ctx.setLineDash(dash.map((one) => one * place.pixel));
    ctx.beginPath(); ctx.moveTo(from, y); ctx.lineTo(to, y); ctx.stroke();
    ctx.setLineDash([]);
  }

  const OVER = {
    level(ctx, mark, place) { across(ctx, place.y(mark.value), place, mark.role === "limit" ? [] : mark.role === "centre" ? [9, 3] : [5, 4]); },
    zone(ctx, mark, place) { for (const end of [mark.low, mark.high]) across(ctx, place.y(end), place, [2, 2]); },
    instant(ctx, mark, place) { upright(ctx, place.x(mark.at), place, mark.role === "limit" ? [] : [2, 3], mark.role === "limit" ? 1.6 : 1.2); },
    span(ctx, mark, place) {
      const ends = mark.last > mark.first ? [mark.first, mark.last] : [mark.first];
      for (const end of ends) mark.label ? upright(ctx, place.x(end), place, []) : tick(ctx, place.x(end), place);
      if (mark.spread > 0) {
        const y = place.top + place.height - 5 * place.pixel;
        whisker(ctx, [mark.last - mark.spread, mark.last + mark.spread].map(place.x), y, place, false);
      }
    },
    reach(ctx, mark, place) {
      const x = place.left + place.width - 9 * place.pixel;
      whisker(ctx, [place.y(mark.low), place.y(mark.high)], x, place, true);
    },
    place(ctx, mark, place) {
      const x = place.x(mark.at);
      if (mark.value === null) { upright(ctx, x, place, []); return; }
      ring(ctx, x, place.y(mark.value), 5 * place.pixel, place);
    },
    outline(ctx, mark, place) { outline(ctx, mark, place); },
  };

  function whisker(ctx, ends, at, place, isUpright) {
    const s = 4 * place.pixel;
    ctx.lineWidth = 1.6 * place.pixel;
    ctx.beginPath();
    const line = (a, b, c, d) => { isUpright ? (ctx.moveTo(b, a), ctx.lineTo(d, c)) : (ctx.moveTo(a, b), ctx.lineTo(c, d)); };
    line(ends[0], at, ends[1], at);
    for (const end of ends) line(end, at - s, end, at + s);
    ctx.stroke();
  }

  function ring(ctx, x, y, r, place) {
    ctx.lineWidth = 1.8 * place.pixel;
    ctx.beginPath(); ctx.arc(x, y, r, 0, 7); ctx.stroke();
  }

  // the path itself in the colour of its kind, at least a pixel wide, and a frame around each of its stretches
  function outline(ctx, mark, place) {
    const least = 1.5 * place.pixel, pad = 5 * place.pixel;
    let box = null;
    const close = () => {
      if (!box) return;
      ctx.lineWidth = 1.5 * place.pixel;
      ctx.strokeRect(box[0] - pad, box[1] - pad, box[2] - box[0] + 2 * pad, box[3] - box[1] + 2 * pad);
    };
    for (let at = 0; at < mark.times.length; at++) {
      const left = place.x(mark.times[at]), right = Math.max(left + least, place.x(mark.times[at] + mark.step));
      const high = place.y(mark.highs[at]), low = Math.max(high + least, place.y(mark.lows[at]));
      if (mark.is_filled) ctx.fillRect(left, high, right - left, low - high);
      // stretches that are apart by less than their frames have one frame
      if (box && left - box[2] < 4 * pad) box = [box[0], Math.min(box[1], high), Math.max(box[2], right), Math.max(box[3], low)];
      else { close(); box = [left, high, right, low]; }
    }
    close();
  }

  function paintOver(ctx, panel, place) {
    for (const mark of panel.marks) {
      if (!OVER[mark.kind]) continue;
      ctx.strokeStyle = ctx.fillStyle = place.look[mark.role];
      OVER[mark.kind](ctx, mark, place);
    }
  }

  // labels beside the plot, and the strip of frames
  function paintLabels(ctx, panel, place, current) {
    const { pixel, look } = place;
    const css = (x) => (place.x(x) - place.left) / pixel;
    ctx.font = font(pixel);
    ctx.textBaseline = "middle";
    ctx.textAlign = "left";
    const hasStrip = panel.marks.some((mark) => mark.kind === "frame");
    const floor = place.top - (hasStrip ? STRIP : 2) * pixel;
    const aboveIt = lanes(panel.marks, css, place.width / pixel).placed;
    const yOf = (one) => floor - (one.lane + 0.5) * LANE * pixel;
    ctx.lineWidth = 0.8 * pixel;
    for (const one of aboveIt) {  // a thin line from each label to its mark
      ctx.strokeStyle = look[one.mark.role];
      ctx.beginPath(); ctx.moveTo(place.left + one.at * pixel, yOf(one) - 6 * pixel); ctx.lineTo(place.left + one.at * pixel, place.top); ctx.stroke();
    }
    for (const one of aboveIt) {
      const x = place.left + (one.left + 3) * pixel;
      ctx.font = (one.mark === current ? "bold " : "") + font(pixel);
      ctx.fillStyle = look.ground;  // no line of another label goes through the text
      ctx.fillRect(x - pixel, yOf(one) - 7 * pixel, ctx.measureText(one.text).width + 2 * pixel, 14 * pixel);
      ctx.fillStyle = look[one.mark.role];
      ctx.fillText(one.text, x, yOf(one));
    }
    ctx.font = font(pixel);
    const right = place.left + place.width;
    const labels = aside(panel, look).map(([value, text, colour], at) => [value, place.isNarrow ? letter(place.firstKey + at) : text, colour]);
    for (const one of staggered(labels, (value) => (place.y(value) - place.top) / pixel, place.height / pixel)) {
      const y = place.top + one.y * pixel;
      ctx.strokeStyle = ctx.fillStyle = one.colour;
      ctx.lineWidth = 0.8 * pixel;
      ctx.beginPath(); ctx.moveTo(right, place.top + one.at * pixel); ctx.lineTo(right + 7 * pixel, y); ctx.stroke();
      ctx.fillText(place.isNarrow ? one.text : cut(one.text, place.aside - 10), right + 9 * pixel, y);
    }
    if (hasStrip) strip(ctx, panel, place);
  }

  function strip(ctx, panel, place) {
    const { pixel, look } = place, top = place.top - (STRIP - 2) * pixel, high = (STRIP - 4) * pixel;
    ctx.save();
    ctx.beginPath(); ctx.rect(place.left, top - pixel, place.width, high + 2 * pixel); ctx.clip();
    ctx.lineWidth = pixel;
    ctx.textAlign = "left";
    for (const mark of panel.marks) {
      if (mark.kind !== "frame") continue;
      const left = place.x(mark.first), wide = Math.max(pixel, place.x(mark.last) - left);
      if (left > place.left + place.width || left + wide < place.left) continue;
      ctx.fillStyle = look.strip;
      ctx.strokeStyle = mark.is_bad ? look.failed : look.frame;
      if (wide > 3 * pixel) { ctx.fillRect(left, top, wide, high); ctx.strokeRect(left, top, wide, high); }
      else { ctx.fillStyle = ctx.strokeStyle; ctx.fillRect(left, top, wide, high); }
      const from = Math.max(left, place.left), to = Math.min(left + wide, place.left + place.width);
      const text = to - from > 14 * pixel ? cut(mark.text, (to - from) / pixel - 6) : "";
      ctx.fillStyle = mark.is_bad ? look.failed : look.ink;
      if (text) ctx.fillText(text, from + 3 * pixel, top + high / 2);
    }
    ctx.restore();
  }

  // what can be jumped to, in the order of time: {first, last, label, mark, panel}
  function places(picture) {
    const found = [];
    picture.panels.forEach((panel, number) => {
      for (const mark of panel.marks) {
        if (mark.kind === "span") found.push({ first: mark.first, last: mark.last, label: mark.told || mark.label, mark, panel: number });
        else if (mark.kind === "place") found.push({ first: mark.at, last: mark.at, label: mark.told || mark.label, mark, panel: number });
        else if (mark.kind === "outline") found.push({ first: mark.times[0], last: mark.times[mark.times.length - 1] + mark.step, label: mark.label, mark, panel: number });
        else if (mark.kind === "frame" && mark.is_bad) found.push({ first: mark.first, last: mark.last, label: mark.text, mark, panel: number });
      }
      for (const layer of panel.layers) {
        if (layer.kind === "points") for (const at of layer.failed) found.push({ first: layer.x[at], last: layer.x[at], label: layer.labels[at] ?? "", mark: null, panel: number });
      }
    });
    return found.sort((a, b) => a.first - b.first || a.last - b.last);
  }

  return { room, asideWidth, aside, isNarrow, keys, paintUnder, paintOver, paintLabels, places, font };
})();
