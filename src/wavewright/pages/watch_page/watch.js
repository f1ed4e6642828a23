"use strict";
const socket = new WebSocket(new URL("live", location.href.replace(/^http/, "ws")));
socket.binaryType = "arraybuffer";
let shot = null;
const put = (id, text) => { document.getElementById(id).textContent = text; };
let chart = null;
function draw(buffer) {
  const picture = fillSamples(shot.picture, buffer);
  if (chart) chart.update(picture);
  else chart = drawChart(document.getElementById("trace"), picture, { isFollowing: true });
}
socket.onmessage = (event) => {
  if (typeof event.data !== "string") {
    if (shot) draw(event.data);
    shot = null;
    return;
  }
  const message = JSON.parse(event.data);
  if (message.kind === "shot") shot = message;
  if (message.kind === "state") put("state", `${message.doing} ${message.message} ${message.shots} shots, ${message.rate.toFixed(1)}/s`);
  if (message.kind === "recipe") put("recipe", message.text);
  if (message.kind === "readings") {
    document.getElementById("readings").replaceChildren(...message.rows.map((row) => {
      const line = document.createElement("tr");
      for (const text of [row.label, row.reading, row.interval, row.limit, row.verdict]) {
        line.appendChild(document.createElement("td")).textContent = text;
      }
      return line;
    }));
  }
};
socket.onclose = () => put("state", "the connection has ended");
setInterval(() => socket.readyState === 1 && socket.send('{"do":"alive"}'), 2000);
