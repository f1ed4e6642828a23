// A shot or a density, as the program sends it, made into the picture that the chart draws here: all of the record is
// its time axis, places that somebody picked are marked, a reference is grey.

const GREY = "#8a8a8a";
const REFERENCE = ", reference"; // ends the name of a trace that was kept
const NARROW = 0.7; // height of a panel in a narrow window, as a share
const TALL = 300; // CSS pixels of a panel that is alone

/** The picture of a shot with the samples of its traces, as views into the bytes. */
export function filled(shot, bytes) {
  const picture = fillSamples(shot.picture, bytes);
  for (const panel of picture.panels) {
    for (const layer of panel.layers) if (isReference(layer)) layer.colour = GREY;
  }
  return picture;
}

/**
 * The picture as this page shows it. `record`: {start, span} of all of it; `marks(name, isFirst)`: what is marked beside
 * what the program marks; `reach(name, axis)`: [lowest, highest] that the vertical axis keeps to.
 */
export function shown(picture, { record, isNarrow, marks, reach }) {
  const panels = picture.panels.map((panel, index) => {
    const [low, high] = reach(panel.name, panel.axis);
    const height = picture.panels.length === 1 ? TALL : panel.height;
    return { ...panel, axis: { ...panel.axis, low, high }, height: Math.round((isNarrow ? NARROW : 1) * height),
      marks: [...panel.marks, ...marks(panel.name, index === 0)] };
  });
  return { ...picture, axis: { ...picture.axis, low: record.start, high: record.start + record.span }, panels };
}

/** The picture of all shots on top of one another: how often each level was met at each time. */
export function pictureOfDensity(density, bytes, { record, marks }) {
  const counts = new Uint32Array(bytes);
  counts.rows = density.rows;
  counts.columns = density.columns;
  const layer = { kind: "density", name: density.channel, counts, most: Math.max(1, density.most),
    across: [density.start, density.start + density.span], upwards: [density.lowest, density.highest] };
  return { name: "density", title: density.measurement,
    description: `${density.shots} shots of ${density.channel} on top of one another; the darker, the more often.`,
    axis: axis("time from the trigger", "s", record.start, record.start + record.span),
    panels: [{ name: density.channel, axis: axis(density.channel, density.unit, density.lowest, density.highest), right: null,
      height: TALL, layers: [layer], marks: [...outlines(density), ...marks(density.channel, true)] }] };
}

// rare paths are outlined, so that one of a single column is seen at every width
const outlines = (density) => density.rare.filter((path) => path.outline)
  .map((path) => ({ kind: "outline", role: "rare", ...path.outline }));

/** The trace of a channel, without its reference; undefined where there is none. */
export function traceOf(picture, channel) {
  const panel = picture.panels.find((one) => one.name === channel);
  return panel && panel.layers.find((layer) => layer.kind === "trace" && !isReference(layer));
}

export const isReference = (layer) => layer.kind === "trace" && layer.name.endsWith(REFERENCE);

/** What a trace is at a time: {low, high, mean} of the samples of its column, or of the nearest sample; null outside. */
export function levelsAt(trace, time) {
  const at = Math.round((time - trace.start) / trace.step);
  if (at < 0 || at >= trace.values.length) return null;
  const mean = trace.values[at];
  const found = { low: trace.lows ? trace.lows[at] : mean, high: trace.highs ? trace.highs[at] : mean, mean };
  return Number.isFinite(found.low) ? found : null;
}

function axis(title, unit, low, high) {
  return { title, unit: unit === "1" ? "" : unit, low, high, is_log: false, names: [], is_clock: false, has_prefix: true,
    is_share: unit === "1" };
}
