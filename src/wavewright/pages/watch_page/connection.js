// The line to the program: one WebSocket, opened again when it breaks, and the sign of life that outputs depend on.

const ALIVE_EVERY = 2000; // ms
const SILENT_AFTER = 7000; // ms without a message: the program or the way to it hangs
const TRY_AGAIN = [250, 500, 1000, 2000]; // ms
const ENDED = new Set([1001, 1012]); // RFC 6455, 7.4.1: going away; IANA's register: service restart
const WITH_BYTES = new Set(["shot", "density"]); // a binary frame follows at once

/**
 * Connects, and connects again until the program has ended.
 *
 * onMessage(message, bytes): a JSON message, with the ArrayBuffer that followed it or null.
 * onLine(how, tries): "open", "lost" (with the number of tries so far), "silent" or "ended".
 * Returns send(message), which says whether it was sent.
 */
export function connect(address, { onMessage, onLine }) {
  let socket = null;
  let tries = 0;
  let heard = 0;
  let told = 0; // the last sign of life
  let how = "";
  let before = null; // the message whose bytes are still to come

  const line = (now) => {
    if (now === how && now !== "lost") return;
    how = now;
    onLine(now, tries);
  };

  function send(message) {
    if (!socket || socket.readyState !== WebSocket.OPEN) return false;
    socket.send(JSON.stringify(message));
    return true;
  }

  function alive() {
    if (performance.now() - told < ALIVE_EVERY - 50) return;
    if (send({ do: "alive" })) told = performance.now();
  }

  function take(event) {
    heard = performance.now();
    line("open");
    alive(); // timers of a page that is not to be seen come late, messages do not
    if (typeof event.data !== "string") {
      const message = before;
      before = null;
      if (message) onMessage(message, event.data);
      return;
    }
    const message = JSON.parse(event.data);
    if (WITH_BYTES.has(message.kind)) before = message;
    else onMessage(message, null);
  }

  function closed(event) {
    before = null;
    socket = null;
    if (ENDED.has(event.code)) {
      clearInterval(pulse);
      line("ended");
      return;
    }
    tries += 1;
    line("lost");
    setTimeout(open, TRY_AGAIN[Math.min(tries, TRY_AGAIN.length) - 1]);
  }

  function open() {
    socket = new WebSocket(address);
    socket.binaryType = "arraybuffer";
    socket.addEventListener("open", () => {
      tries = 0;
      told = 0;
      heard = performance.now();
      line("open");
      alive();
    });
    socket.addEventListener("message", take);
    socket.addEventListener("close", closed);
  }

  const pulse = setInterval(() => {
    alive();
    if (how === "open" && performance.now() - heard > SILENT_AFTER) line("silent");
  }, ALIVE_EVERY / 2);
  open();
  return send;
}
