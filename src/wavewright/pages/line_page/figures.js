// Draws the pictures of the page from the description beside each, and again where the description has changed.

/* global drawChart, unpackPicture */

export async function drawFigures() {
  await Promise.all(Array.from(document.querySelectorAll("figure.picture"), draw));
  document.body.dataset.drawn = "yes";
}

async function draw(figure) {
  const text = figure.querySelector("script[type='application/json']").textContent;
  if (figure.shown === text) return;
  figure.shown = text;
  const plot = figure.querySelector(".plot");
  try {
    const picture = await unpackPicture(JSON.parse(text));
    if (figure.chart) figure.chart.update(picture);
    else figure.chart = drawChart(plot, picture, { hasControls: !picture.axis.names.length });
    figure.dataset.drawn = "yes";
  } catch (fault) {
    plot.textContent = "This picture cannot be drawn here: " + fault.message;
    throw fault;
  }
}

// gives each cell of a table the heading of its column, which a narrow window shows beside it
export function labelCells(where) {
  for (const table of where.querySelectorAll(".wide table")) {
    const heads = Array.from(table.querySelectorAll("thead th"), (one) => one.textContent.trim());
    for (const row of table.tBodies[0]?.rows ?? []) {
      Array.from(row.cells).forEach((cell, at) => { if (heads[at] && !cell.dataset.label) cell.dataset.label = heads[at]; });
    }
  }
}
