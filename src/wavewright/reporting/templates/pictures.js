"use strict";
// Draws every picture of the page, keeps the time axes of one picture together, and when somebody looks closer draws
// the trace anew from the codes themselves, so that at last every sample is seen.
(function () {
  const POINTS = 4000;
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const paper = window.matchMedia("print");
  const inks = () => (dark.matches && !paper.matches
    ? { ink: "#ececea", ground: "#16181a", line: "#44484c" }
    : { ink: "#000000", ground: "#ffffff", line: "#d5d5d0" });

  function withInk(value, ink) {
    if (value === "#000000") return ink;
    if (Array.isArray(value)) return value.map((one) => withInk(one, ink));
    if (value && typeof value === "object" && !ArrayBuffer.isView(value)) {
      return Object.fromEntries(Object.entries(value).map(([key, one]) => [key, withInk(one, ink)]));
    }
    return value;
  }

  function layoutOf(figure, colours) {
    const layout = withInk(figure.layout, colours.ink);
    delete layout.template;
    Object.assign(layout, {
      paper_bgcolor: colours.ground, plot_bgcolor: colours.ground, font: { color: colours.ink, size: 12 },
      margin: { l: 70, r: 20, t: 30, b: 45 }, dragmode: "zoom", hovermode: "x",
    });
    for (const key of Object.keys(layout)) {
      if (/^[xy]axis\d*$/.test(key)) Object.assign(layout[key], { gridcolor: colours.line, zerolinecolor: colours.line });
    }
    return layout;
  }

  function unpacked(detail) {
    if (!detail.array) {
      const bytes = Uint8Array.from(atob(detail.codes), (letter) => letter.charCodeAt(0));
      detail.array = new window[detail.kind](bytes.buffer);
    }
    return detail.array;
  }

  // lowest and highest sample of each stretch between two times, or every sample where they are few
  function between(detail, first, last) {
    const codes = unpacked(detail);
    const from = Math.max(0, Math.floor((first - detail.start) / detail.interval) - 1);
    const to = Math.min(codes.length, Math.ceil((last - detail.start) / detail.interval) + 2);
    const count = Math.max(0, to - from);
    const value = (code) => detail.offset + detail.gain * code;
    if (count <= POINTS) {
      return { y: Array.from(codes.subarray(from, to), value), x0: detail.start + from * detail.interval, dx: detail.interval };
    }
    const stretch = Math.ceil(count / (POINTS / 2));
    const y = [];
    for (let begin = from; begin < to; begin += stretch) {
      let low = Infinity, high = -Infinity;
      for (let k = begin; k < Math.min(begin + stretch, to); k++) {
        if (codes[k] < low) low = codes[k];
        if (codes[k] > high) high = codes[k];
      }
      y.push(value(low), value(high));
    }
    const step = (stretch * detail.interval) / 2;
    return { y: y, x0: detail.start + from * detail.interval + step / 2, dx: step };
  }

  // between a number and its unit stands a space (SI brochure, 5.4.3); the library has no setting for it
  function spaced(plot) {
    for (const label of plot.querySelectorAll("[class$=tick] text")) {
      const found = /^([−+-]?[\d.,]+)((?:[yzafpnμµmkMGTP])?(?:s|Hz|V|A|W|VA|var|J|ohm|Ω|bit\/s|V\/s|deg|dB\w*))$/.exec(label.textContent);
      if (found) label.textContent = found[1] + "\u202f" + found[2];
    }
  }

  function draw(figureElement) {
    const document_ = JSON.parse(figureElement.querySelector("script[type='application/json']").textContent);
    const plot = figureElement.querySelector(".plot");
    plot.style.height = document_.figure.layout.height + "px"; // its own, whatever the window does
    const outlines = document_.figure.data.map((trace) => ({ y: trace.y, x0: trace.x0, dx: trace.dx }));
    const number = (end) => (typeof end === "string" ? Date.parse(end) : Number(end));
    const whole = document_.figure.layout.xaxis.range.map(number);
    let drawing = false;

    function redraw(range) {
      const traces = Object.keys(document_.detail).map(Number);
      if (!traces.length || drawing) return Promise.resolve();
      drawing = true;
      const fresh = traces.map((trace) => (range ? between(document_.detail[trace], range[0], range[1]) : outlines[trace]));
      const update = { y: fresh.map((one) => one.y), x0: fresh.map((one) => one.x0), dx: fresh.map((one) => one.dx) };
      return Plotly.restyle(plot, update, traces).then(() => { drawing = false; });
    }

    // what a box of the strip says is cut to its width: it would lie over its neighbours
    const said = (document_.figure.layout.shapes || []).map((shape) => (shape.label ? shape.label.text : ""));
    const fitting = (index, range, width) => {
      const shape = document_.figure.layout.shapes[index];
      const room = Math.floor(((Number(shape.x1) - Number(shape.x0)) / (range[1] - range[0])) * width / 5.5);
      return said[index].length <= room ? said[index] : room < 4 ? "" : said[index].slice(0, room - 1) + "…";
    };
    function fitTexts(range) {
      const width = plot._fullLayout.xaxis._length;
      const update = {};
      said.forEach((text, index) => { if (text) update["shapes[" + index + "].label.text"] = fitting(index, range, width); });
      return Object.keys(update).length ? Plotly.relayout(plot, update) : Promise.resolve();
    }

    function paint() {
      said.forEach((text, index) => {
        if (text) document_.figure.layout.shapes[index].label.text = fitting(index, whole, Math.max(200, plot.clientWidth - 90));
      });
      const colours = inks();
      const data = withInk(document_.figure.data, colours.ink);
      const config = { displaylogo: false, doubleClick: "reset", responsive: true, scrollZoom: false, showLink: false,
        showSendToCloud: false, plotlyServerURL: "",  // nothing of a report leaves this machine
        modeBarButtonsToRemove: ["lasso2d", "select2d", "autoScale2d", "toImage", "sendChartToCloud"] };
      return Plotly.react(plot, data, layoutOf(document_.figure, colours), config);
    }

    const ready = paint().then(() => {
      plot.on("plotly_relayout", (change) => {
        if (!Object.keys(change).some((key) => /^xaxis/.test(key))) return;  // our own change of texts
        const range = plot._fullLayout.xaxis.range.map(number);
        const isWhole = Math.abs(range[0] - whole[0]) + Math.abs(range[1] - whole[1]) < 1e-9 * (whole[1] - whole[0]);
        redraw(isWhole ? null : range).then(() => fitTexts(range));
      });
      plot.on("plotly_afterplot", () => spaced(plot));
      spaced(plot);
      figureElement.dataset.drawn = "yes";
    });
    dark.addEventListener("change", paint);
    paper.addEventListener("change", paint);

    for (const button of figureElement.querySelectorAll("[data-move]")) {
      button.addEventListener("click", () => move(plot, button.dataset.move, whole));
    }
    return ready;
  }

  function move(plot, how, whole) {
    const axes = Object.keys(plot._fullLayout).filter((name) => /^xaxis\d*$/.test(name));
    const [first, last] = plot._fullLayout.xaxis.range.map((end) => (typeof end === "string" ? Date.parse(end) : Number(end)));
    const width = last - first;
    const range = {
      in: [first + width / 4, last - width / 4], out: [first - width / 2, last + width / 2],
      left: [first - width / 4, last - width / 4], right: [first + width / 4, last + width / 4], all: whole,
    }[how];
    return Plotly.relayout(plot, Object.fromEntries(axes.map((name) => [name + ".range", range.slice()])));
  }

  const figures = Array.from(document.querySelectorAll("figure.picture"));
  Promise.all(figures.map(draw)).then(() => { document.body.dataset.drawn = "yes"; });
})();
