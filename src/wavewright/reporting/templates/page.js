"use strict";
// Gives each cell of a table the heading of its column, which a narrow window shows beside it.
for (const table of document.querySelectorAll(".wide table")) {
  const heads = Array.from(table.querySelectorAll("thead th"), (one) => one.textContent.trim());
  for (const row of table.tBodies[0].rows) {
    Array.from(row.cells).forEach((cell, at) => { if (heads[at] && !cell.dataset.label) cell.dataset.label = heads[at]; });
  }
}
