"use strict";
// Draws every picture of the page, from the description beside it.
(function () {
  async function draw(figure) {
    const text = figure.querySelector("script[type='application/json']").textContent;
    const plot = figure.querySelector(".plot");
    try {
      figure.chart = drawChart(plot, await unpackPicture(JSON.parse(text)));
      figure.dataset.drawn = "yes";
    } catch (fault) {
      plot.textContent = "This picture cannot be drawn here: " + fault.message;
      throw fault;
    }
  }
  Promise.all(Array.from(document.querySelectorAll("figure.picture"), draw)).then(() => { document.body.dataset.drawn = "yes"; });
})();
