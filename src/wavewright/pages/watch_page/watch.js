"use strict";
const socket = new WebSocket(new URL("live", location.href.replace(/^http/, "ws")));
socket.binaryType = "arraybuffer";
let shot = null;
const put = (id, text) => { document.getElementById(id).textContent = text; };
function draw(columns) {
  const canvas = document.getElementById("trace");
  const paint = canvas.getContext("2d");
  paint.clearRect(0, 0, canvas.width, canvas.height);
  let at = 0;
  for (const trace of shot.traces) {
    const low = columns.subarray(at, at + shot.columns);
    const high = columns.subarray(at + shot.columns, at + 2 * shot.columns);
    at += (trace.middle ? 3 : 2) * shot.columns;
    const values = [...low, ...high].filter(Number.isFinite);
    const least = Math.min(...values), most = Math.max(...values);
    const y = (value) => canvas.height - 5 - (canvas.height - 10) * (value - least) / (most - least || 1);
    for (let column = 0; column < shot.columns; column += 1) {
      if (Number.isFinite(low[column])) paint.fillRect(column, y(high[column]), 1, 1 + y(low[column]) - y(high[column]));
    }
  }
}
socket.onmessage = (event) => {
  if (typeof event.data !== "string") {
    if (shot) draw(new Float32Array(event.data));
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
