"use strict";
// Draws a picture (see picture.py) into an element: one plot per panel below one another, with their time axes kept
// together, labels beside the plots, and buttons and keys that zoom and go from place to place.
//
//   const chart = drawChart(element, picture, { onZoom(start, stop), onPick({x, y, panel, label, link}), onPlace(place),
//                                               hasControls: true, isFollowing: true });
//   chart.update(picture)      another picture in its place; where somebody has zoomed in, the zoom stays
//   chart.zoom(start, stop)    without numbers: all of it
//   chart.mark(marks, panel)   more marks over the picture, until the next call; none: chart.mark([])
//   chart.next(1), next(-1)    the next or the previous place that something was read at
//   chart.destroy()

const drawChart = (() => {
  const LEFT = 78, TICKS = 34, DATE = 15, TITLE = 18, GAP = 4, LEAST_SPAN = 1e-12;
  const KEYS = { "+": "in", "=": "in", "-": "out", "−": "out", ArrowLeft: "left", ArrowRight: "right", Home: "all", Escape: "all", 0: "all", n: "next", p: "previous" };

  return function drawChart(element, first, options = {}) {
    let picture = first, view = null, plots = [], rooms = [], extra = [], current = -1, isZoomed = false, isGone = false;
    const has = (name) => (options[name] === undefined ? true : options[name]);
    const box = make("div", "chart");
    const sheet = make("div", "chart-plots", box);
    sheet.setAttribute("role", "img");
    const readout = make("p", "chart-readout");
    const keys = make("p", "chart-keys", box);
    const bar = has("hasControls") ? controls() : null;
    if (bar) { box.append(bar.element); }
    box.append(readout);
    let columns = 0;  // pixels of the whole figure
    element.replaceChildren(box);
    element.tabIndex = 0;
    element.setAttribute("role", "group");

    function make(tag, name, parent) {
      const one = document.createElement(tag);
      one.className = name;
      if (parent) parent.append(one);
      return one;
    }

    function controls() {
      const group = make("div", "chart-hands");
      group.setAttribute("role", "group");
      const button = (text, act, name) => {
        const one = make("button", "", group);
        one.type = "button"; one.textContent = text; one.dataset.move = name;
        one.addEventListener("click", act);
        return one;
      };
      const isTime = ["s", "s UTC"].includes(picture.axis.unit) || picture.axis.is_clock;
      for (const [name, text] of [["in", "Zoom in"], ["out", "Zoom out"], ["left", isTime ? "Earlier" : "Lower"], ["right", isTime ? "Later" : "Higher"], ["all", "Show all"]]) {
        button(text, () => move(name), name);
      }
      const places = [button("Previous place", () => next(-1), "previous"), button("Next place", () => next(1), "next")];
      const said = make("output", "chart-place", group);
      return { element: group, places, said };
    }

    const whole = () => [picture.axis.low, picture.axis.high];
    const marksOf = (panel, number) => ({ ...panel, marks: extra[number] ? [...panel.marks, ...extra[number]] : panel.marks });

    function start() {
      for (const one of plots) one.destroy();
      sheet.replaceChildren();
      if (!isZoomed || !view) view = whole();
      const width = Math.max(200, sheet.clientWidth || element.clientWidth);
      const look = chartColours.look();
      columns = width;
      const aside = Math.max(...picture.panels.map((panel, at) => chartMarks.asideWidth(marksOf(panel, at), look, width)), picture.panels.some((panel) => panel.right) ? 60 : 0);
      rooms = roomsFor(width, aside);
      plots = picture.panels.map((panel, number) => plot(number, width, aside));
      describe();
    }

    function roomsFor(width, aside) {
      const wide = width - LEFT - aside, [low, high] = whole();
      return picture.panels.map((panel, at) => chartMarks.room(marksOf(panel, at), (x) => ((toLine(x) - toLine(low)) / (toLine(high) - toLine(low))) * wide, wide));
    }

    // the date of a clock is a line of its own, below its times
    const ticksRoom = () => TICKS + (picture.axis.is_clock ? DATE : 0);

    const toLine = (x) => (picture.axis.is_log ? Math.log10(x) : x);

    function plot(number, width, aside) {
      const isLast = number === picture.panels.length - 1, panel = picture.panels[number];
      const foot = isLast ? ticksRoom() + (picture.axis.title ? TITLE : 0) : GAP;
      const scale = (axis, range) => ({ time: false, auto: false, distr: axis.is_log ? 3 : 1, log: 10, range });
      const now = () => picture.panels[number];
      const config = {
        width, height: panel.height + rooms[number] + foot, pxAlign: 1,
        padding: [rooms[number], panel.right ? 0 : aside, 0, 0],
        legend: { show: false },
        cursor: { drag: { x: true, y: false, setScale: false }, points: { show: false }, y: false, bind: { dblclick: () => () => { zoom(); return null; } } },
        select: { show: true },
        scales: {
          x: scale(picture.axis, () => view),
          y: scale(panel.axis, () => [now().axis.low, now().axis.high]),
          ...(panel.right ? { right: scale(panel.right, () => [now().right.low, now().right.high]) } : {}),
        },
        axes: [
          axis("x", () => picture.axis, { side: 2, show: true, size: isLast ? ticksRoom() : GAP, space: picture.axis.is_clock ? 90 : 74,
            ...(isLast && picture.axis.title ? { label: picture.axis.title, labelSize: TITLE, labelGap: 0 } : {}), ...(isLast ? {} : { values: (u, splits) => splits.map(() => ""), ticks: { show: false } }) }),
          axis("y", () => now().axis, { side: 3, size: LEFT - 20, label: panel.axis.title || " ", labelSize: 20, labelGap: 0, space: 34 }),
          ...(panel.right ? [axis("right", () => now().right, { side: 1, size: aside - 18, label: panel.right.title, labelSize: 18, labelGap: 0, space: 34, grid: { show: false } })] : []),
        ],
        series: [{}, { scale: "y", paths: () => null, points: { show: false } }, ...(panel.right ? [{ scale: "right", paths: () => null, points: { show: false } }] : [])],
        hooks: {
          draw: [(u) => paint(u, number, aside)],
          setCursor: [(u) => read(u, number)],
          setSelect: [(u) => dragged(u)],
          ready: [(u) => u.over.addEventListener("click", (event) => picked(u, number, event))],
        },
      };
      const one = new uPlot(config, [view, [null, null], ...(panel.right ? [[null, null]] : [])], sheet);
      one.root.querySelector("canvas").setAttribute("aria-hidden", "true");
      return one;
    }

    function axis(name, about, given) {
      const ink = () => chartColours.look();
      let step = 1;
      return {
        scale: name, stroke: () => ink().ink, font: chartMarks.font(1), labelFont: chartMarks.font(1), ...given,
        grid: { stroke: () => ink().line, width: 1, ...(given.grid || {}) }, ticks: { stroke: () => ink().frame, width: 1, size: 4, ...(given.ticks || {}) },
        filter: (u, splits) => splits,
        // the library's own distances end at some that it knows; ours are found from the room that there is
        incrs: (u, at, low, high, room) => { step = chartNumbers.stepOf(high - low, Math.floor(room / given.space), about()); return [1e30]; },
        splits: (u, at, low, high) => chartNumbers.splitsOf(low, high, step, about()),
        ...(about().names && about().names.length ? {
          splits: (u, _, low, high) => about().names.map((_, at) => at).filter((at) => at >= low && at <= high),
          values: (u, splits) => splits.map((at) => fitting(about().names[at], u.bbox.width / devicePixelRatio / splits.length)),
        } : { values: given.values || ((u, splits) => ticks(about(), splits, step)) }),
      };
    }

    const fitting = (text, room) => { const most = Math.max(3, Math.floor(room / 7)); return text.length <= most ? text : text.slice(0, most - 1) + "…"; };

    function ticks(about, splits, step) {
      if (about.is_clock) {
        let day = "";
        return splits.map((at) => {
          const [time, date] = chartNumbers.dateText(at, step).split("\n");
          const isNew = date && date !== day;
          day = date;
          return isNew ? time + "\n" + date : time;
        });
      }
      if (about.is_log) return chartNumbers.logTexts(splits, about);
      return chartNumbers.tickTexts(splits, step, about);
    }

    function paint(u, number, aside) {
      const panel = marksOf(picture.panels[number], number), { ctx, bbox } = u;
      const place = {
        left: bbox.left, top: bbox.top, width: bbox.width, height: bbox.height, pixel: devicePixelRatio, aside, look: chartColours.look(),
        isNarrow: chartMarks.isNarrow(columns), firstKey: picture.panels.slice(0, number).reduce((sum, one, at) => sum + chartMarks.aside(marksOf(one, at), chartColours.look()).length, 0),
        view: { x: view, y: [panel.axis.low, panel.axis.high] }, isNamed: picture.axis.names.length > 0,
        x: (value) => u.valToPos(value, "x", true), y: (value) => u.valToPos(value, "y", true), yRight: (value) => u.valToPos(value, "right", true),
      };
      ctx.save();
      ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
      chartMarks.paintUnder(ctx, panel, place);
      for (const layer of panel.layers) chartLayers.paint(ctx, layer, place);
      chartMarks.paintOver(ctx, panel, place);
      ctx.restore();
      ctx.save();
      ctx.strokeStyle = place.look.frame;
      ctx.lineWidth = place.pixel;
      ctx.strokeRect(bbox.left, bbox.top, bbox.width, bbox.height);
      const at = places()[current];
      chartMarks.paintLabels(ctx, panel, place, at && at.mark);
      ctx.restore();
    }

    // what is under the pointer, in numbers
    function read(u, number) {
      if (u.cursor.left < 0) { readout.textContent = ""; return; }
      const panel = picture.panels[number], x = u.posToVal(u.cursor.left, "x"), y = u.posToVal(u.cursor.top, "y");
      const near = nearest(u, panel, u.cursor.left, u.cursor.top);
      const texts = panel.layers.map((layer) => valueAt(layer, panel, x, y)).filter(Boolean);
      readout.textContent = near ? `${near.label || near.layer.name}: ${chartNumbers.shown(near.y, panel.axis, 5)} at ${chartNumbers.shown(near.x, picture.axis, 6)}`
        : `${texts.join("; ")}${texts.length ? " at " : ""}${chartNumbers.shown(x, picture.axis, 5)}`;
    }

    function valueAt(layer, panel, x, y) {
      if (layer.kind === "trace") {
        const width = (view[1] - view[0]) / Math.max(1, sheet.clientWidth);
        const found = chartColumns.ofTrace(layer, x - width / 2, x + width / 2, 1);
        const ends = found.x ? around(found, x) : [found.low[0], found.high[0]];
        const texts = ends.map((end) => chartNumbers.shown(end, { ...panel.axis }));
        return `${layer.name} ${texts[0] === texts[1] ? texts[0] : texts.join(" … ")}`;
      }
      if (layer.kind === "density") {
        const { rows, columns } = layer.counts;
        const column = Math.floor(((x - layer.across[0]) / (layer.across[1] - layer.across[0])) * columns), row = Math.floor(((y - layer.upwards[0]) / (layer.upwards[1] - layer.upwards[0])) * rows);
        const count = column >= 0 && column < columns && row >= 0 && row < rows ? layer.counts[row * columns + column] : 0;
        return `${count} samples, ${chartNumbers.shown(y, panel.axis)}`;
      }
      if (layer.kind === "bars") {
        const at = layer.edges.findIndex((edge, index) => x >= edge && x < layer.edges[index + 1]);
        return at < 0 ? "" : `${picture.axis.names[at] ?? layer.name}: ${chartNumbers.shown(layer.heights[at], panel.axis)}`;
      }
      return "";
    }

    function around(line, x) {
      let best = 0;
      for (let at = 1; at < line.x.length; at++) if (Math.abs(line.x[at] - x) < Math.abs(line.x[best] - x)) best = at;
      return [line.y[best], line.y[best]];
    }

    function nearest(u, panel, left, top) {
      let best = null, least = 14;  // pixels
      for (const layer of panel.layers) {
        if (layer.kind !== "points" && !(layer.kind === "curve")) continue;
        const scale = layer.is_on_right ? "right" : "y";
        for (let at = 0; at < layer.x.length; at++) {
          const far = Math.hypot(u.valToPos(layer.x[at], "x") - left, u.valToPos(layer.y[at], scale) - top);
          if (far < least) { least = far; best = { layer, x: layer.x[at], y: layer.y[at], label: layer.labels ? layer.labels[at] : "", link: layer.links ? layer.links[at] : "" }; }
        }
      }
      return best;
    }

    function dragged(u) {
      const { left, width } = u.select;
      if (width < 4) return;
      const ends = [u.posToVal(left, "x"), u.posToVal(left + width, "x")];
      u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
      zoom(...ends);
    }

    function picked(u, number, event) {
      const at = u.over.getBoundingClientRect(), left = event.clientX - at.left, top = event.clientY - at.top;
      const near = nearest(u, picture.panels[number], left, top);
      if (options.onPick) options.onPick({ x: u.posToVal(left, "x"), y: u.posToVal(top, "y"), panel: picture.panels[number].name, label: near ? near.label : "", link: near ? near.link : "" });
      else if (near && near.link) window.location.assign(near.link);
    }

    // one batch for each plot: whatever the library is told outside of one is painted by itself
    function redraw() {
      plots.forEach((one, number) => one.batch(() => {
        const { axis, right } = picture.panels[number];
        one.setScale("x", { min: view[0], max: view[1] });
        one.setScale("y", { min: axis.low, max: axis.high });
        if (right) one.setScale("right", { min: right.low, max: right.high });
      }));
      element.dataset.view = view.join(" ");
    }

    // the codes of every trace, unpacked when somebody looks closer for the first time
    async function closer() {
      const records = picture.panels.flatMap((panel) => panel.layers).map((layer) => layer.record).filter((record) => record && !record.array);
      if (!records.length) return;
      await Promise.all(records.map(chartNumbers.codesOf));
      if (!isGone) redraw();
    }

    function zoom(from, to) {
      const [low, high] = whole();
      if (from === undefined || !(to - from > LEAST_SPAN * Math.max(1e-9, high - low))) { view = whole(); isZoomed = false; }
      else { view = [from, to]; isZoomed = true; }
      redraw();
      if (options.onZoom) options.onZoom(...view);
      return isZoomed ? closer() : Promise.resolve();
    }

    function move(how) {
      if (how === "next" || how === "previous") return next(how === "next" ? 1 : -1);
      if (how === "all") return zoom();
      const [from, to] = view.map(toLine), span = to - from, back = (x) => (picture.axis.is_log ? 10 ** x : x);
      const [low, high] = { in: [from + span / 4, to - span / 4], out: [from - span / 2, to + span / 2], left: [from - span / 4, to - span / 4], right: [from + span / 4, to + span / 4] }[how];
      return zoom(back(low), back(high));
    }

    const places = () => chartMarks.places({ panels: picture.panels.map(marksOf) });

    function next(step) {
      const all = places();
      if (!all.length) return Promise.resolve();
      current = current < 0 ? (step > 0 ? 0 : all.length - 1) : (current + step + all.length) % all.length;
      const place = all[current], [low, high] = whole(), lasting = place.last - place.first;
      const span = Math.min(high - low, Math.max(isZoomed ? view[1] - view[0] : (high - low) / 16, 2.5 * lasting));
      const middle = (place.first + place.last) / 2;
      const at = chartNumbers.shown(place.first, picture.axis, 5);
      if (bar) bar.said.textContent = `${current + 1} of ${all.length}: ${place.label ? place.label + ", " : ""}${at}`;
      if (options.onPlace) options.onPlace({ ...place, number: current, of: all.length });
      return zoom(middle - span / 2, middle + span / 2);
    }

    function describe() {
      element.setAttribute("aria-label", picture.title);
      keys.textContent = chartMarks.isNarrow(columns) ? chartMarks.keys(picture.panels.map(marksOf), chartColours.look()).map((pair) => pair.join(": ")).join("; ") : "";
      sheet.setAttribute("aria-label", `${picture.title}. ${picture.description}`);
      if (!bar) return;
      bar.element.setAttribute("aria-label", `Zoom of ${picture.title}`);
      const count = places().length;
      for (const one of bar.places) one.hidden = count === 0;
      element.dataset.view = view.join(" ");
    }

    element.addEventListener("keydown", (event) => {
      const how = KEYS[event.key];
      if (!how || event.ctrlKey || event.metaKey || event.altKey || /^(INPUT|TEXTAREA|SELECT)$/.test(event.target.tagName)) return;
      event.preventDefault();
      event.stopPropagation();
      move(how);
    });

    let width = 0;
    const watcher = new ResizeObserver(() => {
      if (sheet.clientWidth && Math.abs(sheet.clientWidth - width) > 1) { width = sheet.clientWidth; start(); }
    });
    const unfollow = chartColours.follow(() => { for (const one of plots) one.redraw(true, true); });
    start();
    width = sheet.clientWidth;
    watcher.observe(sheet);

    return {
      update(other) {
        const isAlike = other.panels.length === picture.panels.length
          && other.panels.every((panel, at) => panel.name === picture.panels[at].name && panel.height === picture.panels[at].height && !panel.right === !picture.panels[at].right);
        picture = other;
        const wide = sheet.clientWidth, look = chartColours.look();
        const aside = plots.length ? wide - LEFT - plots[0].bbox.width / devicePixelRatio : 0;
        const isRoomy = isAlike && roomsFor(wide, aside).every((room, at) => room <= rooms[at])
          && picture.panels.every((panel, at) => chartMarks.asideWidth(marksOf(panel, at), look, wide) <= aside + 1);
        if (!isRoomy) { start(); return; }
        if (!isZoomed) view = whole();
        redraw();
        plots.forEach((one, number) => { if (one.cursor.left >= 0) read(one, number); });  // a pointer that stays
        describe();
      },
      zoom,
      next,
      mark(marks, panel = 0) { extra[panel] = marks; start(); },
      get view() { return view.slice(); },
      get picture() { return picture; },
      destroy() { isGone = true; unfollow(); watcher.disconnect(); for (const one of plots) one.destroy(); element.replaceChildren(); },
    };
  };
})();
